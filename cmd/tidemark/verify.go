package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/scoring"
)

// errNoBands says that scores cannot be interpreted.
var errNoBands = errors.New("TIDEMARK_BANDS: there is no such band set")

func verify(ctx context.Context, p *program, args []string) int {
	s, err := settings(p, "verify", args)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	bands, ok := scoring.BandSetByName(s.Bands)
	if !ok {
		return p.fail(exitUsage, errNoBands)
	}
	db, err := openExisting(ctx, s.Database)
	if err != nil {
		return p.fail(exitEnvironment, err)
	}
	wrong, err := verifyAll(ctx, db, bands, p.out)
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
func verifyAll(ctx context.Context, db store.Store, bands scoring.BandSet, out io.Writer) (wrong int, err error) {
	found := 0
	checked, err := api.Verify(ctx, db, bands, func(d api.Difference) {
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
