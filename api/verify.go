package api

import (
	"context"
	"fmt"
	"runtime"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/scoring"
)

// Difference is a stored score that the stored answers do not lead to.
type Difference struct {
	Key store.Key
	// Cause says what differs, without values.
	Cause string
}

// Verify computes every stored score again from the response version it names, by
// the version of the arithmetic it names, and reports those that differ. What was
// entered in error is passed over. The address of the server may have changed
// since a score was written; that is no difference. Warnings that come of what the
// store held, and of a birth date that it does not keep, are taken as they were
// noted then; all else of the notes, and their order, is compared.
func Verify(ctx context.Context, s store.Store, algorithms scoring.Algorithms, bands scoring.BandSet, report func(Difference)) (checked int, err error) {
	forms := NewForms(s)
	if err := forms.Load(ctx); err != nil {
		return 0, err
	}
	again := replayer{s, forms, algorithms}
	look := func(ctx context.Context, stored store.Resource) (looked, error) {
		return again.look(ctx, &bands, stored)
	}
	err = inOrder(ctx, runtime.GOMAXPROCS(0), scoresOf(s), look, func(found looked) error {
		if found.counts {
			checked++
		}
		if found.cause != "" {
			report(Difference{found.key, found.cause})
		}
		return nil
	})
	return checked, err
}

// looked is what came of one score; counts says that it was computed again.
type looked struct {
	key    store.Key
	cause  string
	counts bool
}

func (p *replayer) look(ctx context.Context, bands *scoring.BandSet, stored store.Resource) (looked, error) {
	document, err := fhir.Decode(stored.Body)
	if err != nil {
		return looked{stored.Key, "the stored Observation is not valid", false}, nil
	}
	defer document.Release()
	if document.Root().Get("status").Is(retracted) {
		return looked{}, nil
	}
	cause, err := p.recompute(ctx, bands, document.Root())
	if err != nil {
		return looked{}, fmt.Errorf("api: verifying %s: %w", stored.Key, err)
	}
	return looked{stored.Key, cause, true}, nil
}

// recompute says how a stored Observation differs from what its response leads
// to now, "" if it does not.
func (p *replayer) recompute(ctx context.Context, bands *scoring.BandSet, stored fhir.Node) (string, error) {
	r, cause, err := p.replay(ctx, stored)
	if err != nil || cause != "" {
		return cause, err
	}
	defer r.release()
	r.input.Bands = bands
	again, err := fhir.Decode(observation.Append(nil, &r.input))
	if err != nil {
		return "", fmt.Errorf("the recomputed Observation is not valid: %w", err)
	}
	defer again.Release()
	return compare(stored, again.Root()), nil
}

// compare names the first member that differs.
func compare(stored, again fhir.Node) string {
	if stored.Digest() == again.Digest() {
		return ""
	}
	for _, member := range []string{"status", "valueQuantity", "dataAbsentReason", "interpretation", "component", "method", "subject", "effectivePeriod"} {
		if !same(stored, again, member) {
			return member + " differs from what the answers lead to"
		}
	}
	return "it differs from what the answers lead to outside value and components"
}

func same(a, b fhir.Node, member string) bool {
	x, y := a.Get(member), b.Get(member)
	for x.Exists() && y.Exists() {
		if string(x.Raw()) != string(y.Raw()) {
			return false
		}
		x, y = x.GetNext(), y.GetNext()
	}
	return x.Exists() == y.Exists()
}
