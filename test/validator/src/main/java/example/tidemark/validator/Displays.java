package example.tidemark.validator;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.context.support.LookupCodeRequest;
import ca.uhn.fhir.context.support.ValidationSupportContext;
import ca.uhn.fhir.validation.ResultSeverityEnum;
import ca.uhn.fhir.validation.SingleValidationMessage;
import java.util.ArrayList;
import java.util.List;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r4.model.Coding;

/**
 * Holds the display of every coding to those of its code (R4 datatypes.html
 * 2.24.0.8). The engine would, but HAPI's bridge to it does not ask for it.
 */
final class Displays {
    /** UCUM has codes and no displays; a unit is written as people read it. */
    private static final String UCUM = "http://unitsofmeasure.org";

    private final FhirContext context;
    private final IValidationSupport support;

    Displays(FhirContext context, IValidationSupport support) {
        this.context = context;
        this.support = support;
    }

    List<SingleValidationMessage> validate(String resource) {
        IBaseResource parsed = context.newJsonParser().parseResource(resource);
        List<SingleValidationMessage> messages = new ArrayList<>();
        for (Coding coding : context.newTerser().getAllPopulatedChildElementsOfType(parsed, Coding.class)) {
            if (coding.hasSystem() && coding.hasCode() && coding.hasDisplay()
                    && !UCUM.equals(coding.getSystem()) && !known(coding)) {
                messages.add(message(parsed.fhirType(), coding));
            }
        }
        return messages;
    }

    /** Whether the display is one of the code's, or the code is not to be found, which the engine reports. */
    private boolean known(Coding coding) {
        IValidationSupport.LookupCodeResult found = support.lookupCode(
                new ValidationSupportContext(support), new LookupCodeRequest(coding.getSystem(), coding.getCode()));
        return found == null || !found.isFound()
                || coding.getDisplay().equalsIgnoreCase(found.getCodeDisplay())
                || found.getDesignations().stream().anyMatch(d -> coding.getDisplay().equalsIgnoreCase(d.getValue()));
    }

    private static SingleValidationMessage message(String location, Coding coding) {
        SingleValidationMessage message = new SingleValidationMessage();
        message.setSeverity(ResultSeverityEnum.ERROR);
        message.setLocationString(location);
        message.setMessageId("display");
        message.setMessage("'" + coding.getDisplay() + "' is no display of " + coding.getSystem() + "#" + coding.getCode());
        return message;
    }
}
