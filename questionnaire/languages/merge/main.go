// Command merge writes the tables of translations into the published forms and
// code systems, as translation extensions and designations:
//
//	go run ./questionnaire/languages/merge
//
// It takes out what a former run wrote and puts in what the tables say now, so
// that it may run again and again; a test fails while files and tables differ.
// Everything else in a file stays as it is, order included.
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
)

func main() {
	directory := flag.String("published", "questionnaire/published", "directory of the published resources")
	flag.Parse()
	if err := run(*directory); err != nil {
		fmt.Fprintln(os.Stderr, "merge:", err)
		os.Exit(1)
	}
}

// patterns are the files that carry translations.
var patterns = []string{"Questionnaire-*.json", "CodeSystem-*.json"}

func run(directory string) error {
	told := map[string]bool{}
	for _, pattern := range patterns {
		paths, err := filepath.Glob(filepath.Join(directory, pattern))
		if err != nil || len(paths) == 0 {
			return fmt.Errorf("no %s in %s (%w)", pattern, directory, err)
		}
		for _, path := range paths {
			data, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			merged, texts, err := merge(data)
			if err != nil {
				return fmt.Errorf("%s: %w", path, err)
			}
			if err := os.WriteFile(path, merged, 0o644); err != nil { //nolint:gosec // published for everyone
				return err
			}
			for _, text := range texts {
				for _, code := range text.missing() {
					if gap := fmt.Sprintf("%s: no translation of %q", code, text.english); !told[gap] {
						told[gap] = true
						fmt.Println(gap)
					}
				}
			}
		}
	}
	return nil
}
