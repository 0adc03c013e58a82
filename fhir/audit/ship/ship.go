// Package ship gives the audit trail to an audit repository: as lines of a file
// or of standard output, or by POST to a FHIR server (the FHIR feed of IHE ATNA,
// ITI-20). Each AuditEvent is given at least once and each chain in its order,
// from where the database says that the target is; no request ever waits for it,
// and what cannot be given waits in the database.
package ship

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/store"
)

// Defaults of Options.
const (
	// DefaultPoll is how often the trail is looked at.
	DefaultPoll = time.Second
	// DefaultTimeout is how long one AuditEvent may take to be taken.
	DefaultTimeout = 30 * time.Second
	// maxBackoff bounds the wait after failures, which doubles with each.
	maxBackoff = time.Minute
	// batch is how many are given before their place is kept: as many may be given
	// twice.
	batch = 100
)

// Stdout is the target that stands for standard output.
const Stdout = "stdout"

// Options configure a Shipper; the zero value works.
type Options struct {
	// Poll and Timeout are 0 for the defaults.
	Poll, Timeout time.Duration
	// Out is what Stdout stands for; nil is os.Stdout.
	Out io.Writer
	// Transport makes the requests; nil is http.DefaultTransport.
	Transport http.RoundTripper
	// Logger gets failures, without what was to be given; nil discards them.
	Logger *slog.Logger
	// Failed is told of each failure, for metrics; nil if nobody wants to know.
	Failed func()
}

// Shipper gives the trail to one target. Make one with New.
type Shipper struct {
	store   store.Audits
	target  string
	options Options
	give    func(context.Context, []store.AuditRecord) (int, error)
}

// New makes a shipper to a target: Stdout, the base URL of a FHIR server, or the
// path of a file.
func New(s store.Audits, target string, options Options) *Shipper {
	if options.Poll <= 0 {
		options.Poll = DefaultPoll
	}
	if options.Timeout <= 0 {
		options.Timeout = DefaultTimeout
	}
	if options.Out == nil {
		options.Out = os.Stdout
	}
	if options.Logger == nil {
		options.Logger = slog.New(slog.DiscardHandler)
	}
	if options.Failed == nil {
		options.Failed = func() {}
	}
	sh := &Shipper{store: s, target: target, options: options}
	switch {
	case target == Stdout:
		sh.give = sh.print
	case strings.HasPrefix(target, "http://"), strings.HasPrefix(target, "https://"):
		sh.give = sh.post()
	default:
		sh.give = sh.append
	}
	return sh
}

// Run gives what there is, and then what comes, until the context ends.
func (sh *Shipper) Run(ctx context.Context) {
	wait := time.Duration(0)
	for {
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
		more, err := sh.round(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			wait = min(max(2*wait, sh.options.Poll), maxBackoff)
			sh.options.Failed()
			sh.options.Logger.Error("audit not shipped", "retry_in", wait.String(), "error", err)
		case more:
			wait = 0
		default:
			wait = sh.options.Poll
		}
	}
}

// round gives one batch and keeps how far it came. More says that there may be
// another.
func (sh *Shipper) round(ctx context.Context) (more bool, err error) {
	records, err := sh.store.AuditsAfter(ctx, sh.target, batch)
	if err != nil || len(records) == 0 {
		return false, err
	}
	given, err := sh.give(ctx, records)
	// What was given is kept even where the program is told to end.
	kept := context.WithoutCancel(ctx)
	for i, r := range records[:given] {
		if i+1 == given || records[i+1].Chain != r.Chain {
			err = errors.Join(err, sh.store.AuditShipped(kept, sh.target, r.AuditPlace))
		}
	}
	return len(records) == batch, err
}

// lines writes events as JSON lines.
func lines(records []store.AuditRecord) []byte {
	var b []byte
	for _, r := range records {
		b = append(event(b, r), '\n')
	}
	return b
}

func event(dst []byte, r store.AuditRecord) []byte {
	return audit.AppendWithID(dst, r.Event, r.AuditPlace.String())
}

// print writes to standard output.
func (sh *Shipper) print(_ context.Context, records []store.AuditRecord) (int, error) {
	if _, err := sh.options.Out.Write(lines(records)); err != nil {
		return 0, fmt.Errorf("ship: standard output: %w", err)
	}
	return len(records), nil
}

// append writes to the file, which is opened each time, so that it may be moved
// away; what was written is on disk before its place is kept.
func (sh *Shipper) append(_ context.Context, records []store.AuditRecord) (given int, err error) {
	file, err := os.OpenFile(sh.target, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return 0, fmt.Errorf("ship: %w", err)
	}
	defer func() {
		if err = errors.Join(err, file.Close()); err != nil {
			given = 0
		}
	}()
	if _, err := file.Write(lines(records)); err != nil {
		return 0, fmt.Errorf("ship: %w", err)
	}
	return len(records), file.Sync()
}

// post gives one event after the other to a FHIR server. A refusal holds the
// others up: what is skipped would be lost.
func (sh *Shipper) post() func(context.Context, []store.AuditRecord) (int, error) {
	client := &http.Client{Transport: sh.options.Transport, Timeout: sh.options.Timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	address := strings.TrimSuffix(sh.target, "/") + "/AuditEvent"
	return func(ctx context.Context, records []store.AuditRecord) (int, error) {
		for i, r := range records {
			if err := postOne(ctx, client, address, r); err != nil {
				return i, err
			}
		}
		return len(records), nil
	}
}

func postOne(ctx context.Context, client *http.Client, address string, r store.AuditRecord) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(event(nil, r)))
	if err != nil {
		return fmt.Errorf("ship: %w", err)
	}
	request.Header.Set("Content-Type", "application/fhir+json")
	request.Header.Set("Accept", "application/fhir+json")
	request.Header.Set("Prefer", "return=minimal")
	response, err := client.Do(request)
	if err != nil {
		return fmt.Errorf("ship: %w", err)
	}
	_, err = io.Copy(io.Discard, io.LimitReader(response.Body, 1<<20))
	err = errors.Join(err, response.Body.Close())
	if response.StatusCode < 200 || response.StatusCode > 299 {
		return fmt.Errorf("ship: AuditEvent %s was answered with %d", r.AuditPlace, response.StatusCode)
	}
	if err != nil {
		return fmt.Errorf("ship: %w", err)
	}
	return nil
}
