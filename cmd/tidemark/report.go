package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/report"
	"tidemark.example/tidemark/scoring"
)

func reportHelp(out io.Writer) {
	fmt.Fprintln(out, "Draws one A4 page of a patient's scores, from the database of TIDEMARK_DATABASE, also while a server uses it:\n"+
		"the newest score with its working, the body map, the trend, the ratings of family and team, and how to read them.\n\n"+
		"  --patient REF    whom it is about, as the scores refer to her: Patient/ID, an absolute URL, or identifier:SYSTEM|VALUE\n"+
		"  --out FILE       where to write it: .pdf or .svg; - is standard output, as PDF (default scorad-report.pdf)\n"+
		"  --as-of DATE     only scores up to that day, as 2026-03-31; the newest of them is what the page is about\n"+
		"  --language TAG   one of: "+strings.Join(report.Languages(), ", ")+" (default en)\n"+
		"  --config FILE    settings, as of serve\n\n"+
		"Example: tidemark report --patient Patient/oona-thistledown --out oona.pdf\n\n"+
		"The file is readable for its owner alone, since it is about a patient. There is no name on it: patients are not kept here.\n"+
		"A running server gives the same page to those who may see it: GET [base]/DiagnosticReport?patient=REF\n"+
		"Exit codes: 0 written, 1 no score of that patient up to that day, 2 usage or configuration, 3 database or file.")
}

// reportFlags are what the command is told.
type reportFlags struct {
	patient, out, language string
	lastDay                int64
	settings               config.Settings
}

// forever is a day behind every other.
const forever = 1 << 40

func readReportFlags(p *program, args []string) (reportFlags, error) {
	flags := flag.NewFlagSet("report", flag.ContinueOnError)
	f := reportFlags{lastDay: forever}
	flags.StringVar(&f.patient, "patient", "", "")
	flags.StringVar(&f.out, "out", "scorad-report.pdf", "")
	flags.StringVar(&f.language, "language", "en", "")
	asOf := flags.String("as-of", "", "")
	file := flags.String("config", "", "")
	if err := p.parse(flags, args); err != nil {
		return f, err
	}
	var errs []error
	if f.patient == "" {
		errs = append(errs, errors.New("report needs --patient, as Patient/ID; see tidemark report --help"))
	}
	if *asOf != "" {
		day, err := time.Parse(time.DateOnly, *asOf)
		if err != nil {
			errs = append(errs, fmt.Errorf("--as-of must be a date, as 2026-03-31, not %q", *asOf))
		}
		f.lastDay = day.Unix() / (24 * 60 * 60)
	}
	if known := report.Languages(); !slices.Contains(known, f.language) {
		errs = append(errs, fmt.Errorf("--language must be one of %s", strings.Join(known, ", ")))
	}
	if ending := strings.ToLower(filepath.Ext(f.out)); f.out != "-" && ending != ".pdf" && ending != ".svg" {
		errs = append(errs, errors.New("--out must end in .pdf or .svg, or be - for standard output"))
	}
	if len(errs) > 0 {
		return f, errors.Join(errs...)
	}
	var err error
	f.settings, err = config.Read(*file, p.getenv)
	return f, err
}

// writeReport draws a patient's page to a file.
func writeReport(ctx context.Context, p *program, args []string) int {
	f, err := readReportFlags(p, args)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	bands, ok := scoring.BandSetByName(f.settings.Bands)
	if !ok {
		return p.fail(exitUsage, errors.New("TIDEMARK_BANDS: there is no such band set"))
	}
	db, err := openExisting(ctx, f.settings.Database)
	if err != nil {
		return p.fail(exitEnvironment, err)
	}
	made, err := api.Report(ctx, db, f.settings.BaseURL, f.patient, f.lastDay, bands)
	if closed := db.Close(); err == nil {
		err = closed
	}
	if errors.Is(err, report.ErrNoScore) {
		return p.fail(exitFound, errors.New("there is no score of that patient up to that day; the reference must be as the responses have it"))
	}
	if err != nil {
		return p.fail(exitEnvironment, err)
	}
	drawn := made.SVG(f.language)
	if !strings.EqualFold(filepath.Ext(f.out), ".svg") {
		if drawn, err = made.PDF(f.language); err != nil {
			return p.fail(exitEnvironment, err)
		}
	}
	if f.out == "-" {
		if _, err := p.out.Write(drawn); err != nil {
			return p.fail(exitEnvironment, fmt.Errorf("writing the report: %w", err))
		}
		return exitFine
	}
	if err := writeOwn(f.out, drawn); err != nil {
		return p.fail(exitEnvironment, err)
	}
	fmt.Fprintf(p.out, "The report is in %s\n", f.out)
	return exitFine
}

// writeOwn writes a file that its owner alone may read, whole or not at all.
func writeOwn(path string, data []byte) error {
	file, err := os.CreateTemp(filepath.Dir(path), ".scorad-report-*") // for its owner alone
	if err != nil {
		return fmt.Errorf("writing the report: %w", err)
	}
	_, err = file.Write(data)
	err = errors.Join(err, file.Sync(), file.Close())
	if err == nil {
		err = os.Rename(file.Name(), path)
	}
	if err != nil {
		return fmt.Errorf("writing the report: %w", errors.Join(err, os.Remove(file.Name())))
	}
	return nil
}
