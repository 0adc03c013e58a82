package example.tidemark.validator;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.ValidationSupportContext;
import ca.uhn.fhir.parser.IParser;
import java.io.IOException;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.ArrayList;
import java.util.List;
import java.util.stream.Stream;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.r4.model.StructureDefinition;

/**
 * The snapshots of the profiles that we publish. A profile is authored as a
 * differential; its snapshot is made from that by HL7's generator and published
 * with it, for receivers that cannot make one. What is published must be what
 * the generator makes now.
 */
final class Snapshots {
    private final FhirContext context;
    private final ValidationSupportChain support;
    private final SnapshotGeneratingValidationSupport generator;

    Snapshots(FhirContext context) {
        this.context = context;
        generator = new SnapshotGeneratingValidationSupport(context);
        support = new ValidationSupportChain(new DefaultProfileValidationSupport(context), generator);
    }

    /** Writes the snapshots of a directory anew. Argument: the directory of what we publish. */
    public static void main(String[] args) throws IOException {
        Snapshots snapshots = new Snapshots(FhirContext.forR4());
        for (Path file : profiles(Path.of(args[0]))) {
            Files.writeString(file, snapshots.fresh(file) + "\n");
        }
    }

    /** Whether every profile of a directory is as the generator makes it; tells those that are not. */
    boolean current(Path directory, PrintStream out) throws IOException {
        List<Path> files = profiles(directory);
        List<String> stale = new ArrayList<>();
        for (Path file : files) {
            if (!Files.readString(file).strip().equals(fresh(file).strip())) {
                stale.add(file.getFileName().toString());
            }
        }
        stale.forEach(name -> out.println("ERROR " + name + " has not the snapshot of its differential; run with --write-snapshots"));
        out.printf("%d profiles %s%n", files.size(), stale.isEmpty() ? "have the snapshots of their differentials" : "NOT all current");
        return stale.isEmpty() && !files.isEmpty();
    }

    private static List<Path> profiles(Path directory) throws IOException {
        try (Stream<Path> files = Files.list(directory)) {
            return files.filter(f -> f.getFileName().toString().startsWith("StructureDefinition-")).sorted().toList();
        }
    }

    private String fresh(Path file) throws IOException {
        IParser parser = context.newJsonParser().setPrettyPrint(true);
        StructureDefinition profile = parser.parseResource(
                StructureDefinition.class, Files.readString(file, StandardCharsets.UTF_8));
        profile.setSnapshot(null);
        // The generator adds to the differential what it finds out; what was
        // authored stays.
        StructureDefinition made = (StructureDefinition) generator.generateSnapshot(
                new ValidationSupportContext(support), profile.copy(), profile.getUrl(), null, profile.getName());
        // Marks of the generator's own are no part of R4.
        made.getSnapshot().setExtension(null);
        return parser.encodeResourceToString(profile.setSnapshot(made.getSnapshot()));
    }
}
