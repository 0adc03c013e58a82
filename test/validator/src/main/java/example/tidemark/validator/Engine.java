package example.tidemark.validator;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.parser.DataFormatException;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.SingleValidationMessage;
import ca.uhn.fhir.validation.ValidationOptions;
import ca.uhn.fhir.validation.ValidationResult;
import java.util.ArrayList;
import java.util.List;
import java.util.regex.Pattern;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.UnknownCodeSystemWarningValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r4.model.QuestionnaireResponse;
import org.hl7.fhir.r4.model.Subscription;
import org.hl7.fhir.r5.utils.validation.constants.BestPracticeWarningLevel;

/** HL7's instance validator for R4, knowing what we publish. */
final class Engine {
    /**
     * What the engine (6.7.9) says of an extension for elements: it looks these up
     * in a package from HL7's package server, also where they are of the version
     * that it validates, and judges nothing else then.
     */
    private static final String WANTED_PACKAGE = "Unable to resolve package id hl7.fhir.r4.core";

    /** An extension's context of type element; of type fhirpath it is not looked up. */
    private static final Pattern CONTEXT = Pattern.compile("(\"context\"\\s*:\\s*\\[\\s*\\{\\s*\"type\"\\s*:\\s*)\"element\"");

    private static final String BACKPORT =
            "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription";

    private final FhirValidator validator;
    private final Displays displays;
    private final FhirContext context;

    Engine(FhirContext context, Published published) {
        this.context = context;
        IValidationSupport support = support(context, published);
        displays = new Displays(context, support);
        FhirInstanceValidator module = new FhirInstanceValidator(support);
        // Best practices count as much as the rules: what we do not follow is
        // named, with a reason, in the list of allowed warnings.
        module.setBestPracticeWarningLevel(BestPracticeWarningLevel.Warning);
        // A profile that is not here, as SDC's, is a warning.
        module.setErrorForUnknownProfiles(false);
        module.setAnyExtensionsAllowed(false);
        // References lead to resources that are not in the directory.
        module.setAssumeValidRestReferences(true);
        validator = context.newValidator().registerValidatorModule(module);
    }

    private static IValidationSupport support(FhirContext context, Published published) {
        return new ValidationSupportChain(
                published,
                new DefaultProfileValidationSupport(context),
                new CommonCodeSystemsTerminologyService(context),
                new InMemoryTerminologyServerValidationSupport(context),
                new SnapshotGeneratingValidationSupport(context),
                // What nobody here knows, as SNOMED CT, is a warning and not an error.
                new UnknownCodeSystemWarningValidationSupport(context));
    }

    /**
     * The profiles to hold a resource to beyond those that it claims. A response and
     * a Subscription claim none, since they are kept as they were sent; the profile
     * for a response is named after the form that it says it answers, and what is
     * subscribed to is a topic.
     */
    private ValidationOptions profiles(String resource) {
        ValidationOptions options = new ValidationOptions();
        IBaseResource parsed = parse(resource);
        if (parsed instanceof Subscription) {
            options.addProfileIfNotBlank(BACKPORT);
        }
        if (parsed instanceof QuestionnaireResponse response && response.hasQuestionnaire()) {
            String form = response.getQuestionnaire().split("\\|", 2)[0];
            options.addProfileIfNotBlank(form.replace("/Questionnaire/", "/StructureDefinition/") + "-response");
        }
        return options;
    }

    /** The resource, or null if it is none, which the engine then reports. */
    private IBaseResource parse(String resource) {
        try {
            return context.newJsonParser().parseResource(resource);
        } catch (DataFormatException e) {
            return null;
        }
    }

    /**
     * All that the engine has to say about one resource, as it is on the wire.
     * Where it asks for HL7's package of R4, which no library of it has, the
     * resource is judged once more so that it need not ask.
     */
    List<SingleValidationMessage> validate(String resource) {
        List<SingleValidationMessage> messages = judge(resource);
        boolean asks = messages.stream().anyMatch(m -> m.getMessage().contains(WANTED_PACKAGE));
        if (!asks) {
            return messages;
        }
        messages = judge(CONTEXT.matcher(resource).replaceAll("$1\"fhirpath\""));
        // Which is what the resource itself says.
        messages.removeIf(m -> "SD_CONTEXT_SHOULD_NOT_BE_FHIRPATH".equals(m.getMessageId()));
        return messages;
    }

    private List<SingleValidationMessage> judge(String resource) {
        ValidationResult result = validator.validateWithResult(resource, profiles(resource));
        List<SingleValidationMessage> messages = new ArrayList<>(result.getMessages());
        if (result.isSuccessful()) {
            messages.addAll(displays.validate(resource));
        }
        return messages;
    }
}
