package config

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// FormFile is a file that holds a portal's own form. Rater is the operator's
// word on who rates by it, "self" or "clinician", "" to go by the form.
type FormFile struct{ Path, Rater string }

// FormFiles lists the files of TIDEMARK_FORMS, those of a directory by name.
func (s Settings) FormFiles() ([]FormFile, error) { return ParseForms(s.Forms) }

// ParseForms reads a list of form files, separated by commas. A directory
// stands for its *.json, of which there must be one.
func ParseForms(list string) ([]FormFile, error) {
	var files []FormFile
	var errs []error
	for part := range strings.SplitSeq(list, ",") {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		file := FormFile{Path: part}
		if rater, path, found := strings.Cut(part, "="); found && slices.Contains([]string{"self", "clinician"}, rater) {
			file = FormFile{path, rater}
		}
		found, err := file.expand()
		files, errs = append(files, found...), append(errs, err)
	}
	return files, errors.Join(errs...)
}

func (f FormFile) expand() ([]FormFile, error) {
	info, err := os.Stat(f.Path)
	if err != nil {
		return nil, err
	}
	if !info.IsDir() {
		return []FormFile{f}, nil
	}
	paths, err := filepath.Glob(filepath.Join(f.Path, "*.json"))
	if err == nil && len(paths) == 0 {
		err = fmt.Errorf("the directory %s holds no *.json", f.Path)
	}
	var files []FormFile
	for _, path := range paths {
		files = append(files, FormFile{path, f.Rater})
	}
	return files, err
}

// value is a setting in the file: a text, or a list, which is the same as its
// parts separated by commas.
type value string

// UnmarshalYAML implements yaml.Unmarshaler.
func (v *value) UnmarshalYAML(node *yaml.Node) error {
	var list []string
	if node.Kind == yaml.SequenceNode {
		if err := node.Decode(&list); err != nil {
			return err
		}
		*v = value(strings.Join(list, ","))
		return nil
	}
	return node.Decode((*string)(v))
}
