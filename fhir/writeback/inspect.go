package writeback

import (
	"context"
	"slices"
)

// Seen is what a target shows of itself.
type Seen struct {
	// Fault says why there is no CapabilityStatement; FaultNone if there is one.
	Fault Fault
	// Version is its FHIR version.
	Version string
	// Mode is what it is written to in, configured or chosen, and Lacks what that
	// needs and the statement does not say.
	Mode  Mode
	Lacks []string
	// Safer is the mode to choose where Mode turns out to be unsafe.
	Safer Mode
	// Updates says that what was written can be taken back by an update, as far as
	// the statement tells.
	Updates bool
}

// Inspect asks the target for its CapabilityStatement, and tells what it comes to.
// It writes nothing.
func (t Target) Inspect(ctx context.Context) (Seen, error) {
	c, err := t.client(systemClock{}.Now)
	if err != nil {
		return Seen{}, err
	}
	said, fault := c.abilities(ctx)
	s := newStanding(t.Mode)
	if fault == FaultNone {
		s.learn(said)
	}
	seen := Seen{Fault: fault, Version: said.version, Mode: s.mode, Updates: true, Safer: SearchThenWrite}
	if len(said.lacks(ConditionalCreate)) == 0 {
		seen.Safer = ConditionalCreate
	}
	if said.read {
		seen.Lacks = said.lacks(s.mode)
		seen.Updates = !slices.Contains(seen.Lacks, "update")
	}
	return seen, nil
}

// Says gives the sentence on a fault: what it means and, where someone must act,
// what to do.
func (f Fault) Says() string { return sentences[f] }
