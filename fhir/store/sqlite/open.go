package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"time"

	// The driver registers itself under the name "sqlite".
	_ "modernc.org/sqlite"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// Options configure a store; the zero value works.
type Options struct {
	// Clock tells the time; nil means time.Now. Whatever it says, times within
	// one database never run backwards.
	Clock func() time.Time
	// MaxBatch, Queue and Linger limit the writer, see groupcommit.Options; 0
	// means its defaults.
	MaxBatch, Queue int
	Linger          time.Duration
	// Readers is the most connections that read at once; 0 means one for each
	// processor, at least 4.
	Readers int
	// BusyTimeout is how long to wait for another process that writes; 0 means
	// 10 seconds.
	BusyTimeout time.Duration
	// Logger gets what goes wrong without anybody to tell it to; nil discards
	// it. Neither it nor any error holds the content of a resource.
	Logger *slog.Logger
	// Observe is told of every batch, for metrics; nil if nobody wants to know.
	Observe func(groupcommit.Stats)
}

// withDefaults fills what was left out.
func (o Options) withDefaults() Options {
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.Readers <= 0 {
		o.Readers = max(4, runtime.GOMAXPROCS(0))
	}
	if o.BusyTimeout <= 0 {
		o.BusyTimeout = 10 * time.Second
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	return o
}

// Store is a store.Store on one SQLite file. Make one with Open.
type Store struct {
	clock   func() time.Time
	backend *backend
	writer  *groupcommit.Writer[*tx]
	reads   *sql.DB
	one     one
	codec   *codec
	// events packs the audit trail.
	events *codec

	// life is held for reading by every read, and for writing to end them all.
	life   sync.RWMutex
	closed bool
	once   sync.Once
	fault  error
}

var _ store.Store = (*Store)(nil)

// Open opens the file, creates it if it is missing, and brings its schema up to
// date. The directory must exist.
func Open(ctx context.Context, path string, options Options) (*Store, error) {
	options = options.withDefaults()
	file, err := locate(path)
	if err != nil {
		return nil, err
	}
	if err := migrate(ctx, file, options); err != nil {
		return nil, fmt.Errorf("bring the schema of %s up to date: %w", file, err)
	}
	codec, err := newCodec()
	if err != nil {
		return nil, err
	}
	events, err := newAuditCodec()
	if err != nil {
		return nil, err
	}
	backend, err := openBackend(ctx, file, codec, events, options)
	if err != nil {
		return nil, fmt.Errorf("open %s for writing: %w", file, err)
	}
	reads, err := openReads(ctx, file, options)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open %s for reading: %w", file, err), backend.close())
	}
	var one one
	if err := one.prepare(ctx, reads); err != nil {
		return nil, errors.Join(fmt.Errorf("prepare to read %s: %w", file, err), reads.Close(), backend.close())
	}
	return &Store{
		clock:   options.Clock,
		backend: backend,
		reads:   reads,
		one:     one,
		codec:   codec,
		events:  events,
		writer: groupcommit.New(backend, groupcommit.Options{
			MaxJobs: options.MaxBatch,
			Queue:   options.Queue,
			Linger:  options.Linger,
			Logger:  options.Logger,
			Observe: options.Observe,
		}),
	}, nil
}

// locate makes the path absolute, so that the file stays the same if the
// process changes its directory. A database in memory keeps no promise.
func locate(path string) (string, error) {
	if path == "" || strings.HasPrefix(path, ":") || strings.HasPrefix(path, "file:") {
		return "", fmt.Errorf("store: %q is not the path of a file", path)
	}
	return filepath.Abs(path)
}

// dsn is the address of a file with the pragmas every connection starts with.
func dsn(file string, busy time.Duration, pragmas ...string) string {
	values := url.Values{}
	values.Add("_pragma", "busy_timeout("+strconv.FormatInt(busy.Milliseconds(), 10)+")")
	for _, pragma := range pragmas {
		values.Add("_pragma", pragma)
	}
	address := url.URL{Scheme: "file", Path: filepath.ToSlash(file), RawQuery: values.Encode()}
	return address.String()
}

// openReads opens the pool that reads. It cannot write. The cache holds the
// inner pages of a store of millions, so that a body costs one read.
func openReads(ctx context.Context, file string, options Options) (*sql.DB, error) {
	db, err := sql.Open("sqlite", dsn(file, options.BusyTimeout, "query_only(1)", "mmap_size(0)", "cache_size(-16384)"))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(options.Readers)
	db.SetMaxIdleConns(options.Readers)
	if err := db.PingContext(ctx); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// Close finishes the batch under way, answers its jobs, lets the reads under
// way finish, and closes the file. Later calls give the same answer.
func (s *Store) Close() error {
	s.once.Do(func() {
		s.writer.Close()
		s.life.Lock()
		defer s.life.Unlock()
		s.closed = true
		// The writer goes last: the last connection folds the log into the file.
		s.fault = errors.Join(s.reads.Close(), s.backend.close())
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
	if err := s.enter(); err != nil {
		return err
	}
	defer s.leave()
	var at int64
	if err := s.reads.QueryRowContext(ctx, "SELECT at FROM clock").Scan(&at); err != nil {
		return fmt.Errorf("read: %w", err)
	}
	return nil
}

// Usage counts the file's pages, which is what a backup of it takes; the log
// beside it is bounded and folded into it.
func (s *Store) Usage(ctx context.Context) (u store.Usage, err error) {
	u.Queued, u.Queue = s.writer.Queued(), s.writer.Queue()
	if err := s.enter(); err != nil {
		return u, err
	}
	defer s.leave()
	const ask = "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size"
	if err := s.reads.QueryRowContext(ctx, ask).Scan(&u.Bytes); err != nil {
		return u, fmt.Errorf("ask for the size: %w", err)
	}
	return u, nil
}

// Write runs a job in the next batch, see store.Store.
func (s *Store) Write(ctx context.Context, keys []string, job store.Job, ahead ...store.Heads) error {
	trace := store.TraceOf(ctx)
	return s.writer.Do(ctx, keys, func(t *tx) error {
		t.trace = trace
		return groupcommit.Run(t, job)
	}, ahead...)
}
