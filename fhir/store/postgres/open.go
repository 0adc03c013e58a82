package postgres

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
	"tidemark.example/tidemark/fhir/store/pack"
)

// Options configure a store; the zero value works.
type Options struct {
	// Clock tells the time; nil means the clock of the database, by which leases
	// must run where replicas share it, so that anything else is for tests.
	// Whatever it says, times within one database never run backwards.
	Clock func() time.Time
	// MaxBatch, Queue and Linger limit the writer, see groupcommit.Options; 0
	// means its defaults.
	MaxBatch, Queue int
	Linger          time.Duration
	// Readers is the most connections beside the one that writes; 0 means four for
	// each processor, at least 8.
	Readers int
	// Logger gets what goes wrong without anybody to tell it to; nil discards
	// it. Neither it nor any error holds the content of a resource or a password.
	Logger *slog.Logger
	// Observe is told of every batch, for metrics; nil if nobody wants to know.
	Observe func(groupcommit.Stats)
}

// withDefaults fills what was left out.
func (o Options) withDefaults() Options {
	if o.Readers <= 0 {
		o.Readers = max(8, 4*runtime.GOMAXPROCS(0))
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	return o
}

// Store is a store.Store on one schema of a PostgreSQL database. Make one with
// Open.
type Store struct {
	clock   func() time.Time
	backend *backend
	writer  *groupcommit.Writer[*tx]
	pool    *pgxpool.Pool
	codec   *pack.Codec
	// events packs the audit trail.
	events *pack.Codec
	// heads finds what patients have.
	heads together[store.Heads, []store.Head]

	// life is held for reading by every read, and for writing to end them all.
	life   sync.RWMutex
	closed bool
	once   sync.Once
	fault  error
}

var _ store.Store = (*Store)(nil)

// Open connects to the database and brings its schema up to date. The database
// must exist, and with it the schema that the role's search_path names first.
func Open(ctx context.Context, address string, options Options) (*Store, error) {
	options = options.withDefaults()
	config, err := parse(address, int32(options.Readers)) //nolint:gosec // a number of connections
	if err != nil {
		return nil, err
	}
	s, err := open(ctx, config, options)
	if err != nil {
		return nil, redact(err, config.ConnConfig.Password)
	}
	return s, nil
}

func open(ctx context.Context, config *pgxpool.Config, options Options) (*Store, error) {
	codec, err := pack.New()
	if err != nil {
		return nil, err
	}
	events, err := pack.NewAudits()
	if err != nil {
		return nil, err
	}
	b := newBackend(config.ConnConfig, codec, events, options)
	if err := b.connect(ctx); err != nil {
		return nil, errors.Join(err, b.close())
	}
	if err := migrate(ctx, config.ConnConfig, b.schema); err != nil {
		return nil, errors.Join(fmt.Errorf("bring the schema of the database up to date: %w", err), b.close())
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, errors.Join(wrap("open the database for reading", err), b.close())
	}
	s := &Store{
		clock:   options.Clock,
		backend: b,
		pool:    pool,
		codec:   codec,
		events:  events,
		writer: groupcommit.New(b, groupcommit.Options{
			MaxJobs: options.MaxBatch,
			Queue:   options.Queue,
			Linger:  options.Linger,
			Logger:  options.Logger,
			Observe: options.Observe,
		}),
	}
	s.heads.ask = s.readHeads
	return s, nil
}

// redacted is an error without the password that its text held.
type redacted struct {
	cause error
	text  string
}

func (e *redacted) Error() string { return e.text }
func (e *redacted) Unwrap() error { return e.cause }

// redact takes a password out of the text of an error. No text that is known
// holds it; this is for those that are not.
func redact(err error, password string) error {
	if err == nil || password == "" || !strings.Contains(err.Error(), password) {
		return err
	}
	return &redacted{cause: err, text: strings.ReplaceAll(err.Error(), password, "[redacted]")}
}

// Close finishes the batch under way, answers its jobs, lets the reads under way
// finish, and gives the connections back. Later calls give the same answer.
func (s *Store) Close() error {
	s.once.Do(func() {
		s.writer.Close()
		s.life.Lock()
		defer s.life.Unlock()
		s.closed = true
		s.pool.Close()
		s.fault = s.backend.close()
		s.codec.Close()
		s.events.Close()
	})
	return s.fault
}

// enter begins a read; the caller must call leave if there is no error.
func (s *Store) enter() error {
	s.life.RLock()
	if s.closed {
		s.life.RUnlock()
		return store.ErrClosed
	}
	return nil
}

// leave ends a read.
func (s *Store) leave() { s.life.RUnlock() }

// Ping writes and reads through the same ways as everything else: an empty job
// still writes the time, so that a full disk shows.
func (s *Store) Ping(ctx context.Context) error {
	if err := s.writer.Do(ctx, nil, func(*tx) error { return nil }); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return s.read(ctx, "read", func(from queryer) error {
		var at int64
		return from.QueryRow(ctx, "SELECT at FROM clock").Scan(&at)
	})
}

// Usage asks the server for the size of the database, all schemas in it.
func (s *Store) Usage(ctx context.Context) (u store.Usage, err error) {
	u.Queued, u.Queue = s.writer.Queued(), s.writer.Queue()
	err = s.read(ctx, "ask for the size", func(from queryer) error {
		return from.QueryRow(ctx, "SELECT pg_database_size(current_database())").Scan(&u.Bytes)
	})
	return u, err
}

// Write runs a job in the next batch, see store.Store.
func (s *Store) Write(ctx context.Context, keys []string, job store.Job, ahead ...store.Heads) error {
	trace := store.TraceOf(ctx)
	return s.writer.Do(ctx, keys, func(t *tx) error {
		t.trace = trace
		return groupcommit.Run(t, job)
	}, ahead...)
}

// now is the time of a clock set from outside, in milliseconds; 0 stands for the
// database's own.
func (s *Store) now() int64 {
	if s.clock == nil {
		return 0
	}
	return s.clock().UnixMilli()
}

// asker is when a search is made, for approximate dates.
func (s *Store) asker() time.Time {
	if s.clock == nil {
		return time.Now()
	}
	return s.clock()
}
