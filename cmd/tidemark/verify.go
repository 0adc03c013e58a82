package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/scoring"
)

// errNoBands says that scores cannot be interpreted.
var errNoBands = errors.New("TIDEMARK_BANDS: there is no such band set")

func verifyHelp(out io.Writer) {
	fmt.Fprintln(out, "Computes every stored score again from the answers stored, by the version of the algorithm it names, follows the audit\n"+
		"trail, and reports what differs. It changes nothing.\n\n"+
		"With --algorithm or --bands it reports instead what another version of the algorithm, or another band set, would change:\n"+
		"which scores by their ids, without values, and how many move from band to band. With --write it then writes those as\n"+
		"amended scores, which keep their history, name the version they were computed by, and go to every target and subscriber.\n"+
		"A score that its own answers do not explain is reported and left alone.\n\n"+
		"  --algorithm VERSION  one of: "+strings.Join(scoring.Published().Versions(), ", ")+" (default: for each score the one it names)\n"+
		"  --bands SET          one of: "+strings.Join(bandSetNames(), ", ")+" (default TIDEMARK_BANDS)\n"+
		"  --json               the report as JSON\n"+
		"  --write              write what differs, after it was reported and confirmed; the algorithm and the band set must then be\n"+
		"                       those that new scores are computed by, so set TIDEMARK_BANDS and restart the servers first\n"+
		"  --yes                confirm without being asked; needed where there is no terminal to ask at\n"+
		"  --config FILE        settings, as of serve\n\n"+
		"Writing may be ended and begun again at any time; what is written already does not differ any more.\n"+
		"Exit codes: 0 nothing differs, or all of it was written; 1 something differs; 2 usage or configuration; 3 database.")
	settingsHelp(out)
}

// verifyFlags are what the command is told.
type verifyFlags struct {
	algorithm, bands          string
	rescore, json, write, yes bool
	set                       scoring.BandSet
	settings                  config.Settings
}

func readVerifyFlags(p *program, args []string) (f verifyFlags, err error) {
	flags := flag.NewFlagSet("verify", flag.ContinueOnError)
	flags.StringVar(&f.algorithm, "algorithm", "", "")
	flags.StringVar(&f.bands, "bands", "", "")
	flags.BoolVar(&f.json, "json", false, "")
	flags.BoolVar(&f.write, "write", false, "")
	flags.BoolVar(&f.yes, "yes", false, "")
	file := flags.String("config", "", "")
	if err := p.parse(flags, args); err != nil {
		return f, err
	}
	if f.settings, err = config.Read(*file, p.getenv); err != nil {
		return f, err
	}
	flags.Visit(func(given *flag.Flag) { f.rescore = f.rescore || given.Name == "algorithm" || given.Name == "bands" })
	if f.set, err = f.bandSet(); err == nil && f.rescore {
		err = f.checkRescoring(p)
	} else if f.json || f.write || f.yes {
		err = errors.Join(err, errors.New("--json, --write and --yes go with --algorithm or --bands; see tidemark verify --help"))
	}
	return f, err
}

// bandSet is the one named, or else that of the settings.
func (f *verifyFlags) bandSet() (scoring.BandSet, error) {
	name, whose := f.bands, "--bands"
	if name == "" {
		name, whose = f.settings.Bands, "TIDEMARK_BANDS"
	}
	set, ok := scoring.BandSetByName(name)
	if !ok {
		return set, fmt.Errorf("%s: there is no such band set; it is one of %s", whose, strings.Join(bandSetNames(), ", "))
	}
	return set, nil
}

func bandSetNames() (names []string) {
	for _, set := range scoring.BandSets() {
		names = append(names, set.Name)
	}
	return names
}

// checkRescoring reports everything about a rescoring that cannot be done.
func (f *verifyFlags) checkRescoring(p *program) error {
	var errs []error
	if _, ok := p.algorithms.ByVersion(f.algorithm); !ok && f.algorithm != "" {
		errs = append(errs, fmt.Errorf("--algorithm: there is no version %q; it is one of %s", f.algorithm, strings.Join(p.algorithms.Versions(), ", ")))
	}
	if f.yes && !f.write {
		errs = append(errs, errors.New("--yes confirms --write, which was not given"))
	}
	if f.write {
		errs = append(errs, f.checkWriting(p))
	}
	return errors.Join(errs...)
}

// checkWriting keeps scores from being amended to what new ones are not: a chart
// would mix both, and nobody see which is which.
func (f *verifyFlags) checkWriting(p *program) error {
	var errs []error
	if newest := p.algorithms.Newest().Version; f.algorithm != "" && f.algorithm != newest {
		errs = append(errs, fmt.Errorf("--write takes --algorithm %s, by which new scores are computed; others are reported only", newest))
	}
	if f.set.Name != f.settings.Bands {
		errs = append(errs, fmt.Errorf("--write takes the band set that new scores are interpreted by; set TIDEMARK_BANDS to %s and restart the servers first", f.set.Name))
	}
	if !f.yes && !(isTerminal(p.in) && isTerminal(p.err)) {
		errs = append(errs, errors.New("there is no terminal to ask at whether the scores may be written; give --yes to say so"))
	}
	return errors.Join(errs...)
}

func verify(ctx context.Context, p *program, args []string) int {
	f, err := readVerifyFlags(p, args)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	if f.rescore {
		return rescore(ctx, p, &f)
	}
	db, err := openExisting(ctx, f.settings.Database)
	if err != nil {
		return p.fail(exitEnvironment, err)
	}
	wrong, err := verifyAll(ctx, db, p.algorithms, f.set, p.out)
	if err = errors.Join(err, db.Close()); err != nil {
		return p.fail(exitEnvironment, err)
	}
	if wrong > 0 {
		return exitFound
	}
	return exitFine
}

// verifyAll computes every score again, follows the audit trail, tells what is
// wrong and counts it.
func verifyAll(ctx context.Context, db store.Store, algorithms scoring.Algorithms, bands scoring.BandSet, out io.Writer) (wrong int, err error) {
	found := 0
	checked, err := api.Verify(ctx, db, algorithms, bands, func(d api.Difference) {
		found++
		fmt.Fprintf(out, "%s: %s\n", d.Key, d.Cause)
	})
	if err != nil {
		return found, err
	}
	faults, err := verifyAudits(ctx, db, out)
	if err != nil {
		return found, err
	}
	fmt.Fprintf(out, "%d scores computed again, %d differ\n", checked, found)
	return found + faults, nil
}
