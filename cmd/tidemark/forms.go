package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// badForm is a form that cannot be used, with everything that is wrong with it.
type badForm struct {
	path string
	err  error
}

// Error lists the faults, each on a line.
func (b *badForm) Error() string {
	var issues fhir.Issues
	if !errors.As(b.err, &issues) {
		return fmt.Sprintf("form %s: %v", b.path, b.err)
	}
	lines := []string{"form " + b.path + " cannot be used:"}
	for _, issue := range issues {
		lines = append(lines, fmt.Sprintf("  %s: %s: %s", issue.Severity, issue.Expression, issue.Text))
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the cause.
func (b *badForm) Unwrap() error { return b.err }

// registerForms puts the forms of TIDEMARK_FORMS into the store, beside those
// that are there already. One that cannot be used stops the start.
func registerForms(ctx context.Context, forms *api.Forms, s *config.Settings) error {
	files, err := s.FormFiles()
	if err != nil {
		return fmt.Errorf("TIDEMARK_FORMS: %w", err)
	}
	var errs []error
	for _, file := range files {
		data, err := os.ReadFile(file.Path)
		if err == nil {
			_, err = forms.Register(ctx, data, raterOf(file.Rater))
		}
		if err != nil {
			errs = append(errs, &badForm{file.Path, err})
		}
	}
	return errors.Join(append(errs, forms.Load(ctx))...)
}

// catalogOf maps the forms of files without storing anything.
func catalogOf(files []config.FormFile) (*questionnaire.Catalog, error) {
	catalog := questionnaire.Ours()
	var errs []error
	for _, file := range files {
		data, err := os.ReadFile(file.Path)
		if err != nil {
			errs = append(errs, &badForm{file.Path, err})
			continue
		}
		form, err := questionnaire.Map(data, raterOf(file.Rater))
		if err == nil {
			var more *questionnaire.Catalog
			if more, err = catalog.With(form); err == nil {
				catalog = more
			}
		}
		if err != nil {
			errs = append(errs, &badForm{file.Path, err})
		}
	}
	return catalog, errors.Join(errs...)
}

func raterOf(name string) scoring.Optional[scoring.Rater] {
	switch name {
	case scoring.RatedBySelf.String():
		return scoring.Answer(scoring.RatedBySelf)
	case scoring.RatedByClinician.String():
		return scoring.Answer(scoring.RatedByClinician)
	}
	return scoring.Optional[scoring.Rater]{}
}
