package example.tidemark.validator;

import ca.uhn.fhir.validation.ResultSeverityEnum;
import ca.uhn.fhir.validation.SingleValidationMessage;
import java.io.PrintStream;
import java.util.List;

/** Prints every issue and counts them. */
final class Report {
    private final PrintStream out;
    private final AllowedWarnings allowed;
    private int resources;
    private int errors;
    private int warnings;
    private int allowedWarnings;
    private int notes;

    Report(PrintStream out, AllowedWarnings allowed) {
        this.out = out;
        this.allowed = allowed;
    }

    /** Takes in what was said about one resource. */
    void add(String place, List<SingleValidationMessage> messages) {
        resources++;
        for (SingleValidationMessage message : messages) {
            String text = message.getLocationString() + ": " + message.getMessage() + " [" + message.getMessageId() + "]";
            out.println(judge(place, message.getSeverity(), text) + " " + place + " " + text.replaceAll("\\s+", " "));
        }
    }

    private String judge(String place, ResultSeverityEnum severity, String text) {
        if (severity == ResultSeverityEnum.ERROR || severity == ResultSeverityEnum.FATAL) {
            errors++;
            return "ERROR";
        }
        if (severity == ResultSeverityEnum.INFORMATION) {
            notes++;
            return "note";
        }
        if (allowed.allows(place, text)) {
            allowedWarnings++;
            return "allowed";
        }
        warnings++;
        return "WARNING";
    }

    /** A resource that could not even be read. */
    void unreadable(String place, String cause) {
        resources++;
        errors++;
        out.println("ERROR " + place + " " + cause);
    }

    int errors() {
        return errors;
    }

    /** Says how it went; true if nothing is left to do. */
    boolean close() {
        allowed.unused().forEach(pattern -> out.println("UNUSED allowed pattern: " + pattern));
        out.printf("%d resources validated: %d errors, %d warnings, %d allowed warnings, %d notes%n",
                resources, errors, warnings, allowedWarnings, notes);
        if (resources == 0) {
            out.println("ERROR nothing was validated");
        }
        return resources > 0 && errors == 0 && warnings == 0;
    }
}
