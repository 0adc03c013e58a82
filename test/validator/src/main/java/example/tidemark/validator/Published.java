package example.tidemark.validator;

import ca.uhn.fhir.context.FhirContext;
import java.io.IOException;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.HashMap;
import java.util.List;
import java.util.Map;
import java.util.stream.Stream;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r4.model.Bundle;
import org.hl7.fhir.r4.model.CodeSystem;
import org.hl7.fhir.r4.model.OperationDefinition;
import org.hl7.fhir.r4.model.Questionnaire;
import org.hl7.fhir.r4.model.StructureDefinition;
import org.hl7.fhir.r4.model.ValueSet;

/**
 * The forms and terminology that we publish, so that the canonicals and codes
 * in our resources lead somewhere, and definitions of others' that R4 itself
 * does not have, so that our use of them is held to something. An empty or missing directory is an error:
 * without it most of what is validated would be taken on trust.
 */
final class Published extends PrePopulatedValidationSupport {
    private final Map<String, Questionnaire> questionnaires = new HashMap<>();

    Published(FhirContext context) {
        super(context);
    }

    /** Adds all resources of a directory. */
    Published addAll(Path directory) throws IOException {
        List<Path> files = jsonFiles(directory);
        if (files.isEmpty()) {
            throw new IOException("nothing is published in " + directory);
        }
        for (Path file : files) {
            add(getFhirContext().newJsonParser().parseResource(Files.readString(file)));
        }
        return this;
    }

    private static List<Path> jsonFiles(Path directory) throws IOException {
        try (Stream<Path> files = Files.list(directory)) {
            return files.filter(f -> f.toString().endsWith(".json")).sorted().toList();
        }
    }

    private void add(IBaseResource resource) throws IOException {
        if (resource instanceof CodeSystem system) {
            addCodeSystem(system);
        } else if (resource instanceof ValueSet set) {
            addValueSet(set);
        } else if (resource instanceof StructureDefinition definition) {
            addStructureDefinition(definition);
        } else if (resource instanceof Questionnaire form) {
            questionnaires.put(form.getUrl(), form);
            questionnaires.put(form.getUrl() + "|" + form.getVersion(), form);
        } else if (resource instanceof Bundle several) {
            for (Bundle.BundleEntryComponent entry : several.getEntry()) {
                add(entry.getResource());
            }
        } else if (!(resource instanceof OperationDefinition)) { // which nothing refers to
            throw new IOException("cannot publish a " + resource.fhirType());
        }
    }

    @Override
    public <T extends IBaseResource> T fetchResource(Class<T> type, String canonical) {
        // The engine also asks without a type.
        boolean fits = type == null || type.isAssignableFrom(Questionnaire.class);
        if (fits && questionnaires.containsKey(canonical)) {
            return uncheckedCast(questionnaires.get(canonical));
        }
        return super.fetchResource(type, canonical);
    }

    @SuppressWarnings("unchecked")
    private static <T extends IBaseResource> T uncheckedCast(Questionnaire form) {
        return (T) form;
    }
}
