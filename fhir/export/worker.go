package export

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"github.com/google/uuid"

	"tidemark.example/tidemark/fhir/store"
)

// Defaults of Options.
const (
	// DefaultPoll is how often a worker looks for what another left behind.
	DefaultPoll = 5 * time.Second
	// DefaultFileSize is how many lines a file has at most.
	DefaultFileSize = 10_000
	// lease is how long a page may take; whoever takes longer is thought dead.
	lease = 30 * time.Second
)

// The outcomes that Observe is told of.
const (
	Completed = "completed"
	Failed    = "failed"
	Expired   = "expired"
)

// Store is what a worker needs of the store.
type Store interface {
	Snapshots
	ClaimExport(ctx context.Context, worker string, lease time.Duration) (store.Export, error)
	RecordExport(ctx context.Context, export store.Export, lease time.Duration) (store.Export, error)
	ForgetExports(ctx context.Context) (int, error)
}

// Options configure a Worker; Line is needed.
type Options struct {
	// Line makes the lines, which are counted here and written at download.
	Line Line
	// Poll and FileSize are 0 for the defaults.
	Poll     time.Duration
	FileSize int
	// Logger gets failures, without patient data; nil discards them.
	Logger *slog.Logger
	// Observe is told what became of exports; nil if nobody wants to know.
	Observe func(outcome string, exports int)
}

// Worker prepares exports. Make one with New.
type Worker struct {
	store   Store
	options Options
	name    string
	kick    chan struct{}
}

// New makes a worker on a store.
func New(s Store, options Options) *Worker {
	if options.Poll <= 0 {
		options.Poll = DefaultPoll
	}
	if options.FileSize <= 0 {
		options.FileSize = DefaultFileSize
	}
	if options.Logger == nil {
		options.Logger = slog.New(slog.DiscardHandler)
	}
	if options.Observe == nil {
		options.Observe = func(string, int) {}
	}
	return &Worker{store: s, options: options, name: uuid.NewString(), kick: make(chan struct{}, 1)}
}

// Kick makes the worker look at once: an export was started.
func (w *Worker) Kick() {
	select {
	case w.kick <- struct{}{}:
	default:
	}
}

// Run works until the context ends. What it has not finished, the next worker
// goes on with.
func (w *Worker) Run(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-w.kick:
		case <-timer.C:
		}
		if err := w.Work(ctx); err != nil && ctx.Err() == nil {
			w.options.Logger.Error("exports are held up; they wait in the database", "error", err)
		}
		timer.Reset(w.options.Poll)
	}
}

// Work prepares all that is to be prepared now, and forgets what is past its time.
func (w *Worker) Work(ctx context.Context) error {
	forgotten, err := w.store.ForgetExports(ctx)
	if forgotten > 0 {
		w.options.Observe(Expired, forgotten)
	}
	for err == nil && ctx.Err() == nil {
		var claimed store.Export
		if claimed, err = w.store.ClaimExport(ctx, w.name, lease); err == nil {
			err = w.prepare(ctx, claimed)
		}
	}
	if errors.Is(err, store.ErrNotFound) {
		return nil // nothing is left
	}
	return errors.Join(err, ctx.Err())
}

// prepare walks an export to its end. What it was cancelled under, or lost to
// another, it lets go.
func (w *Worker) prepare(ctx context.Context, e store.Export) error {
	plan, state, err := Read(e)
	for err == nil && e.Status == store.ExportRunning && ctx.Err() == nil {
		if err = w.step(ctx, plan, state, e.Instant); err != nil {
			break
		}
		if state.Step == len(plan.Steps()) {
			e.Status = store.ExportDone
		}
		e, err = w.record(ctx, e, state)
	}
	if ctx.Err() != nil && e.Status == store.ExportRunning {
		return errors.Join(ctx.Err(), w.leave(ctx, e))
	}
	var bad *unreadable
	if errors.As(err, &bad) {
		w.options.Logger.Error("an export cannot be made and is given up", "export", e.ID, "error", err)
		e.Status = store.ExportFailed
		e, err = w.record(ctx, e, state)
	}
	switch {
	case errors.Is(err, store.ErrLeaseLost):
		return nil
	case err != nil:
		return err
	case e.Status == store.ExportDone:
		w.options.Observe(Completed, 1)
	case e.Status == store.ExportFailed:
		w.options.Observe(Failed, 1)
	}
	return nil
}

// leave gives an export back at the end of the program, so that the next worker
// need not wait for the lease to end.
func (w *Worker) leave(ctx context.Context, e store.Export) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), lease)
	defer cancel()
	_, err := w.store.RecordExport(ctx, e, 0)
	if errors.Is(err, store.ErrLeaseLost) {
		return nil
	}
	return err
}

// record keeps how far an export is.
func (w *Worker) record(ctx context.Context, e store.Export, state *State) (store.Export, error) {
	text, err := json.Marshal(state)
	if err != nil {
		return e, fmt.Errorf("export: %w", err)
	}
	e.State = text
	recorded, err := w.store.RecordExport(ctx, e, lease)
	if err != nil {
		return e, err
	}
	return recorded, nil
}

// step walks one page further.
func (w *Worker) step(ctx context.Context, plan *Plan, state *State, at time.Time) error {
	steps := plan.Steps()
	if state.Step >= len(steps) {
		state.Step = len(steps)
		return nil
	}
	step := steps[state.Step]
	lines, last, more, err := onePage(ctx, w.store, w.options.Line, plan, plan.query(step, at, state.After, ""))
	if err != nil {
		return err
	}
	for _, line := range lines {
		state.add(step, line.ID, w.options.FileSize)
		if plan.Research {
			state.meet(Pseudonym(plan.Key, line.Patient))
		}
	}
	state.After = last
	if !more {
		state.Step, state.After = state.Step+1, ""
	}
	return nil
}

// add puts a line into the last file, or into a new one where that is full.
func (s *State) add(step Step, id string, most int) {
	s.Found++
	after := ""
	if n := len(s.Files); n > 0 && s.Files[n-1].Step == step {
		last := &s.Files[n-1]
		if last.Count < most {
			last.Count++
			last.Through = id
			return
		}
		after = last.Through
	}
	s.Files = append(s.Files, File{Step: step, After: after, Through: id, Count: 1})
}

// meet notes a person, while they are few.
func (s *State) meet(person string) {
	if len(s.People) < SmallGroup && !slices.Contains(s.People, person) {
		s.People = append(s.People, person)
	}
}
