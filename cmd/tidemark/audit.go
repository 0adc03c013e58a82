package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/audit/ship"
	"tidemark.example/tidemark/fhir/store"
)

// ship gives the audit trail to where the settings say, if they do.
func (sv *service) ship(ctx context.Context, target string, metrics *api.Metrics, logger *slog.Logger) {
	sv.shipped = make(chan struct{})
	if target == "" {
		close(sv.shipped)
		return
	}
	shipper := ship.New(sv.store, target, ship.Options{Logger: logger, Failed: metrics.AuditShipping(sv.store, target)})
	go func() {
		shipper.Run(ctx)
		close(sv.shipped)
	}()
}

// verifyAudits follows the chains of the audit trail and tells what is wrong,
// and where they end: who keeps that elsewhere can tell later whether the end
// was cut off with all that speaks of it.
func verifyAudits(ctx context.Context, s store.Audits, out io.Writer) (faults int, err error) {
	checked, heads, err := s.VerifyAudits(ctx, func(f store.AuditFault) {
		faults++
		place := "chain " + f.Place.Chain
		if f.Place.Sequence > 0 {
			place = "AuditEvent/" + f.Place.String()
		}
		fmt.Fprintf(out, "%s: %s\n", place, f.Cause)
	})
	if err != nil {
		return faults, fmt.Errorf("verifying the audit trail: %w", err)
	}
	for _, head := range heads {
		fmt.Fprintf(out, "audit chain %s ends at %d with %s\n", head.Chain, head.Sequence, head.Digest)
	}
	fmt.Fprintf(out, "%d entries of the audit trail followed, %d faults\n", checked, faults)
	return faults, nil
}
