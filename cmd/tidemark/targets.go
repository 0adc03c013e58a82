package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"

	"go.opentelemetry.io/otel/trace"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth/authserver"
	"tidemark.example/tidemark/api/status"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/writeback"
)

// targetsHelp lists the settings of a target and shows a list of two.
func targetsHelp(out io.Writer) {
	fmt.Fprint(out, "\nTIDEMARK_EHR_URL may be a list in the file, so that every score is written to several servers:\n\n"+
		"  TIDEMARK_EHR_URL:\n"+
		"    - name: brindlemoor\n"+
		"      url: https://ehr.brindlemoor.example/fhir\n"+
		"      auth: {type: smart, client_id: tidemark, key_file: brindlemoor-keys.json}\n"+
		"    - name: registry\n"+
		"      url: https://registry.example/fhir\n"+
		"      auth: {type: basic, user: tidemark, password_file: registry-password}\n"+
		"      tls: {ca_file: registry-ca.pem}\n"+
		"      rate: 5\n\n"+
		"Each of the list may say (a.b is b within a):\n")
	for _, s := range config.TargetSettings() {
		fmt.Fprintf(out, "  %-25s %s (default %q)\n", s.Name, s.Help, s.Default)
	}
}

// leases is how many times the time of a request a delivery is claimed for: it
// may take eight requests, but few take more than one. So long does it lie still if
// the process dies.
const leases = 4

// writeBack starts a worker for each target, and tells the API what to want and
// which keys to publish.
func (sv *service) writeBack(ctx context.Context, targets []config.Target, options *api.Options, metrics *api.Metrics, logger *slog.Logger) error {
	if err := sv.tellLeft(ctx, targets, logger); err != nil {
		return err
	}
	var workers []*writeback.Worker
	var rings []*authserver.RingFile
	var faults []error
	for _, t := range targets {
		r := reach{target: t, metrics: metrics, traces: options.Traces, logger: logger.With("target", t.Name)}
		transport, err := r.transport()
		profile, unfit := profileOf(t)
		if err = errors.Join(err, unfit); err != nil {
			faults = append(faults, err)
			continue
		}
		worker, err := writeback.New(sv.store, writeback.Target{Name: t.Name, Base: t.URL, Transport: transport, Mode: writeback.Mode(t.Mode), Subject: subjectOf(t), Profile: profile},
			writeback.Options{Logger: logger, Traces: options.Traces, Observer: attempts{metrics, &sv.standing}, Sweep: sweepOf(t), Interval: t.Interval(), Senders: t.Concurrency,
				Timeout: t.RequestTimeout(), Lease: leases * t.RequestTimeout(), Settle: t.RequestTimeout()})
		if err != nil {
			return fmt.Errorf("starting the write-back: %w", err)
		}
		metrics.Slots(t.Name, worker.InFlight, worker.Senders())
		if workers = append(workers, worker); sweepOf(t).Action != "" {
			metrics.Sweeps(t.Name)
		}
		if t.BirthDate == config.BirthDateAsk {
			options.BirthDate = worker.BirthDate
		}
		options.Targets = append(options.Targets, wanted(t, profile))
		if r.keys != nil {
			rings = append(rings, r.keys)
		}
	}
	if err := errors.Join(faults...); err != nil {
		return &badSetting{err}
	}
	if len(rings) > 0 {
		options.ClientKeys = authserver.PublishKeys(rings...)
	}
	options.Kick = func() {
		for _, worker := range workers {
			worker.Kick()
		}
	}
	go func() { sv.workers <- runAll(ctx, workers) }()
	return nil
}

// tellLeft logs what waits for targets that are not configured any more. It is
// left as it is, for the day that they are again.
func (sv *service) tellLeft(ctx context.Context, targets []config.Target, logger *slog.Logger) error {
	backlog, err := sv.store.Backlog(ctx)
	if err != nil {
		return fmt.Errorf("reading what is to be written back: %w", err)
	}
	for _, b := range backlog {
		configured := slices.ContainsFunc(targets, func(t config.Target) bool { return t.Name == b.Target })
		if !configured && b.Pending+b.InDoubt+b.Parked > 0 {
			logger.Warn("deliveries wait for a target that is not configured; they are left as they are and go on once TIDEMARK_EHR_URL has a target of this name again",
				"target", b.Target, "pending", b.Pending, "in_doubt", b.InDoubt, "parked", b.Parked)
		}
	}
	return nil
}

// sweepOf is how a target's copies are looked after, as it is configured.
func sweepOf(t config.Target) writeback.Sweep {
	sweep := writeback.Sweep{Action: writeback.Action(t.ReadBack.Action), Interval: t.ReadBack.Interval}
	if t.ReadBack.Action == config.ReadBackOff {
		sweep.Action = ""
	}
	return sweep
}

// subjectOf is how a target's patients are found, as it is configured.
func subjectOf(t config.Target) writeback.Subject {
	return writeback.Subject{Match: writeback.Match(t.Subject.Match), System: t.Subject.System, Bases: t.Subject.References}
}

// runAll runs the workers until the context ends. A worker that fails ends
// alone: the others still have their targets.
func runAll(ctx context.Context, workers []*writeback.Worker) error {
	ended := make(chan error, len(workers))
	for _, worker := range workers {
		go func() { ended <- worker.Run(ctx) }()
	}
	var errs []error
	for range workers {
		errs = append(errs, <-ended)
	}
	return errors.Join(errs...)
}

// attempts counts what the write-back does.
type attempts struct {
	metrics  *api.Metrics
	standing *standing
}

// Attempted implements writeback.Observer.
func (a attempts) Attempted(attempt writeback.Attempt) {
	counted := api.Attempted{Target: attempt.Target, Outcome: string(attempt.Outcome), Latency: attempt.Latency, Delay: attempt.Age}
	if attempt.Fault != writeback.FaultNone {
		counted.Fault = string(attempt.Fault)
	}
	a.metrics.Attempt(trace.ContextWithSpanContext(context.Background(), attempt.Trace), counted)
}

// Checked implements writeback.Observer.
func (a attempts) Checked(c writeback.Checked) {
	result := string(c.Finding)
	switch {
	case !c.Read:
		result = "unread"
	case c.Finding == writeback.FaultNone:
		result = "same"
	}
	a.metrics.LookedAt(c.Target, result, c.New, c.Repair)
}

// Paused implements writeback.Observer.
func (a attempts) Paused(pause writeback.Pause) { a.pause(pause.Target, true) }

// Resumed implements writeback.Observer.
func (a attempts) Resumed(target string) { a.pause(target, false) }

func (a attempts) pause(target string, paused bool) {
	a.metrics.Paused(target, paused)
	a.standing.change(target, func(t *status.Target) { t.Paused = paused })
}

// Chosen implements writeback.Observer.
func (a attempts) Chosen(choice writeback.Choice) {
	a.metrics.WriteMode(choice.Target, string(choice.Mode), string(choice.Refused))
	a.standing.change(choice.Target, func(t *status.Target) { t.Mode = string(choice.Mode) })
}
