package example.tidemark.validator;

import java.io.IOException;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.ArrayList;
import java.util.List;
import java.util.regex.Pattern;
import java.util.regex.PatternSyntaxException;

/**
 * The warnings that we know of and accept. Each line of the file is a regular
 * expression and, after {@code ::}, the reason; a warning is allowed when one
 * of them is found in it as it is printed. A line that begins with
 * {@code in FILES ::} allows it only in files whose name begins so, FILES being a
 * regular expression too. Errors are never allowed.
 */
final class AllowedWarnings {
    private static final String SEPARATOR = " :: ";
    private static final String IN = "in ";

    private final List<Entry> entries = new ArrayList<>();

    private static final class Entry {
        final Pattern files;
        final Pattern pattern;
        int matches;

        Entry(Pattern files, Pattern pattern) {
            this.files = files;
            this.pattern = pattern;
        }

        boolean allows(String file, String warning) {
            return files.matcher(file).lookingAt() && pattern.matcher(warning).find();
        }
    }

    AllowedWarnings(Path file) throws IOException {
        int number = 0;
        for (String line : Files.readAllLines(file)) {
            number++;
            if (!line.isBlank() && !line.startsWith("#")) {
                entries.add(parse(line, file + ":" + number));
            }
        }
    }

    private static Entry parse(String line, String place) throws IOException {
        String files = "";
        if (line.startsWith(IN) && line.contains(SEPARATOR)) {
            files = line.substring(IN.length(), line.indexOf(SEPARATOR));
            line = line.substring(line.indexOf(SEPARATOR) + SEPARATOR.length());
        }
        int at = line.indexOf(SEPARATOR);
        if (at <= 0 || line.substring(at + SEPARATOR.length()).isBlank()) {
            throw new IOException(place + ": a line is a pattern, \"" + SEPARATOR + "\" and a reason");
        }
        try {
            return new Entry(Pattern.compile(files), Pattern.compile(line.substring(0, at).strip()));
        } catch (PatternSyntaxException e) {
            throw new IOException(place + ": " + e.getMessage(), e);
        }
    }

    /** Whether a warning is allowed; every pattern that matches counts as used. */
    boolean allows(String file, String warning) {
        boolean found = false;
        for (Entry entry : entries) {
            if (entry.allows(file, warning)) {
                entry.matches++;
                found = true;
            }
        }
        return found;
    }

    /** The patterns that allowed nothing, which are better removed. */
    List<String> unused() {
        return entries.stream().filter(e -> e.matches == 0).map(e -> e.pattern.pattern()).toList();
    }
}
