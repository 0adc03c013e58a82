package example.tidemark.validator;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.validation.ResultSeverityEnum;
import java.io.IOException;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.ArrayList;
import java.util.List;
import java.util.stream.Stream;

/**
 * Validates the resources in directories.
 *
 * <p>Arguments: the directory of this check, with allowed-warnings.txt, broken,
 * sound and definitions in it; the directory of what we publish; and the directories
 * to validate. First the snapshots of the profiles published are compared with
 * fresh ones, and the resources of broken are validated, each of which must be
 * found out; a check that lets them pass proves nothing. Exit status: 0 fine,
 * 1 something is wrong with the resources, 2 something is wrong with the check.
 */
public final class Main {
    private final Engine engine;
    private final PrintStream out;

    private Main(Engine engine, PrintStream out) {
        this.engine = engine;
        this.out = out;
    }

    /** See the class. */
    public static void main(String[] args) {
        if (args.length < 2) {
            System.err.println("usage: Main HOME PUBLISHED DIRECTORY...");
            System.exit(2);
        }
        try {
            System.exit(run(args));
        } catch (IOException e) {
            System.err.println("ERROR " + e);
            System.exit(2);
        }
    }

    private static int run(String[] args) throws IOException {
        PrintStream out = new PrintStream(System.out, true, StandardCharsets.UTF_8);
        FhirContext context = FhirContext.forR4();
        Path home = Path.of(args[0]);
        Published published = new Published(context).addAll(Path.of(args[1])).addAll(home.resolve("definitions"));
        if (!new Snapshots(context).current(Path.of(args[1]), out)) {
            return 2;
        }
        Main main = new Main(new Engine(context, published), out);
        if (!main.findsOut(home)) {
            return 2;
        }
        Report report = new Report(out, new AllowedWarnings(home.resolve("allowed-warnings.txt")));
        for (Path file : files(List.of(args).subList(2, args.length))) {
            main.validate(file, report);
        }
        return report.close() ? 0 : 1;
    }

    private static List<Path> files(List<String> directories) throws IOException {
        List<Path> all = new ArrayList<>();
        for (String directory : directories) {
            try (Stream<Path> files = Files.walk(Path.of(directory))) {
                files.filter(Files::isRegularFile).filter(Main::isResource).sorted().forEach(all::add);
            }
        }
        return all;
    }

    private static boolean isResource(Path file) {
        return file.toString().endsWith(".json") || file.toString().endsWith(".ndjson");
    }

    private void validate(Path file, Report report) throws IOException {
        String name = file.getFileName().toString();
        if (name.endsWith(".json")) {
            validate(name, Files.readString(file), report);
            return;
        }
        int number = 0;
        for (String line : Files.readAllLines(file)) {
            number++;
            if (!line.isBlank()) {
                validate(name + ":" + number, line, report);
            }
        }
    }

    private void validate(String place, String resource, Report report) {
        try {
            report.add(place, engine.validate(resource));
        } catch (RuntimeException e) {
            // The engine throws at what is no resource at all.
            report.unreadable(place, e.getMessage());
        }
    }

    /**
     * Whether each broken resource is found out: an error must contain the text
     * of the file beside it, with the same name and the ending .expected, or that
     * of its line in the list of mutations.
     */
    private boolean findsOut(Path home) throws IOException {
        Mutations mutations = new Mutations(home.resolve("sound"));
        boolean good = true;
        for (Path file : mutations.sound()) {
            List<String> errors = errorsOf(Files.readString(file));
            errors.forEach(e -> out.println("ERROR " + file.getFileName() + " should be sound: " + e));
            good &= errors.isEmpty();
        }
        List<Mutations.Broken> all = new ArrayList<>(mutations.broken());
        for (Path file : files(List.of(home.resolve("broken").toString()))) {
            String expected = Files.readString(Path.of(file + ".expected")).strip();
            all.add(new Mutations.Broken(file.getFileName().toString(), Files.readString(file), expected));
        }
        for (Mutations.Broken broken : all) {
            good &= isFoundOut(broken);
        }
        out.printf("%d broken resources %s%n", all.size(), good ? "found out, as they should be" : "NOT all found out");
        return good;
    }

    private boolean isFoundOut(Mutations.Broken broken) {
        List<String> errors = errorsOf(broken.resource());
        boolean found = errors.stream().anyMatch(e -> e.contains(broken.expected()));
        if (!found) {
            out.println("ERROR the fault of " + broken.name() + " was not found: " + broken.expected() + "; but " + errors);
        }
        return found;
    }

    private List<String> errorsOf(String resource) {
        try {
            return engine.validate(resource).stream()
                    .filter(m -> m.getSeverity().ordinal() >= ResultSeverityEnum.ERROR.ordinal())
                    .map(m -> m.getLocationString() + ": " + m.getMessage()).toList();
        } catch (RuntimeException e) {
            return List.of(String.valueOf(e.getMessage()));
        }
    }
}
