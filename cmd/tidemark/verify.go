package main

import (
	"context"
	"errors"
	"fmt"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/scoring"
)

func verify(ctx context.Context, p *program, args []string) int {
	s, err := settings(p, "verify", args)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	bands, ok := scoring.BandSetByName(s.Bands)
	if !ok {
		return p.fail(exitUsage, fmt.Errorf("TIDEMARK_BANDS: there is no such band set"))
	}
	db, err := openExisting(ctx, s.Database)
	if err != nil {
		return p.fail(exitEnvironment, err)
	}
	found := 0
	checked, err := api.Verify(ctx, db, bands, func(d api.Difference) {
		found++
		fmt.Fprintf(p.out, "%s: %s\n", d.Key, d.Cause)
	})
	faults := 0
	if err == nil {
		faults, err = verifyAudits(ctx, db, p.out)
	}
	if err = errors.Join(err, db.Close()); err != nil {
		return p.fail(exitEnvironment, err)
	}
	fmt.Fprintf(p.out, "%d scores computed again, %d differ\n", checked, found)
	if found+faults > 0 {
		return exitFound
	}
	return exitFine
}
