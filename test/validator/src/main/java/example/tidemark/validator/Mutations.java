package example.tidemark.validator;

import java.io.IOException;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.ArrayList;
import java.util.List;
import java.util.stream.Stream;

/**
 * Sound resources, and changes that break them, read from a directory: the rules
 * of our profiles are many, and one small change each shows that they hold.
 */
final class Mutations {
    private static final String SEPARATOR = " :: ";

    /** A resource that is broken in one place, and a part of what must be said about it. */
    record Broken(String name, String resource, String expected) {}

    private final Path directory;

    Mutations(Path directory) {
        this.directory = directory;
    }

    /** The resources before any change, which must have no errors. */
    List<Path> sound() throws IOException {
        try (Stream<Path> files = Files.list(directory)) {
            return files.filter(f -> f.toString().endsWith(".json")).sorted().toList();
        }
    }

    /** The resources after each of the changes. */
    List<Broken> broken() throws IOException {
        Path list = directory.resolve("mutations.txt");
        List<Broken> all = new ArrayList<>();
        int number = 0;
        for (String line : Files.readAllLines(list)) {
            number++;
            if (!line.isBlank() && !line.startsWith("#")) {
                all.add(parse(line, list + ":" + number));
            }
        }
        return all;
    }

    private Broken parse(String line, String place) throws IOException {
        String[] fields = line.split(SEPARATOR, -1);
        if (fields.length != 4 || fields[3].isBlank()) {
            throw new IOException(place + ": a line is a file, a text, its replacement and an error");
        }
        String resource = Files.readString(directory.resolve(fields[0]));
        int at = resource.indexOf(fields[1]);
        if (at < 0) {
            throw new IOException(place + ": " + fields[0] + " has no such text");
        }
        String replacement = fields[2].equals("-") ? "" : fields[2];
        return new Broken(place, resource.substring(0, at) + replacement + resource.substring(at + fields[1].length()), fields[3]);
    }
}
