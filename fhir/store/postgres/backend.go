package postgres

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store/auditchain"
	"tidemark.example/tidemark/fhir/store/groupcommit"
	"tidemark.example/tidemark/fhir/store/pack"
)

// backend is the one connection that writes. A lost one is replaced when the
// next batch begins.
type backend struct {
	config *pgx.ConnConfig
	clock  func() time.Time
	codec  *pack.Codec
	// events packs the audit trail.
	events *pack.Codec
	tx     *tx
	conn   *pgx.Conn
	// schema is the number of the schema, and lock the advisory lock of those
	// that write to it.
	schema, lock int64
	// ctx bounds the batch: it belongs to many requests, none of which may end it.
	ctx    context.Context //nolint:containedctx // lives as long as a batch
	cancel context.CancelFunc
	// retry is when to try to connect again, and down why it failed: a batch of
	// sixty jobs does not wait sixty times for a server that is not there.
	retry time.Time
	down  error

	// last is the latest time any row carries, in milliseconds, or the one that
	// the next transaction must not be before, behind the instant of an export.
	last int64
	// rid is the highest row number given to a resource.
	rid int64
	// live says that there was a subscription that is not off when the batch began,
	// and wall what the clock showed then, in milliseconds.
	live bool
	wall int64
	// chain is the audit chain of this process as it is on disk, next as it will
	// be once the batch is.
	chain, next auditchain.Tip
}

var _ groupcommit.Backend[*tx] = (*backend)(nil)

func newBackend(config *pgx.ConnConfig, codec, events *pack.Codec, options Options) *backend {
	b := &backend{config: writing(config), clock: options.Clock, codec: codec, events: events, cancel: func() {}}
	b.tx = newTx(b)
	return b
}

// writing is the configuration of the session that writes. All that it looks for
// it finds by an index, of which a plan that was made while the tables were small,
// and is kept, would know nothing; and a plan that says so must not count as one
// that is worth compiling.
func writing(config *pgx.ConnConfig) *pgx.ConnConfig {
	config = config.Copy()
	config.RuntimeParams["enable_seqscan"], config.RuntimeParams["jit"] = "off", "off"
	return config
}

// retryPause is how long a failed attempt to connect stands for the next ones.
const retryPause = 500 * time.Millisecond

// connect opens the connection, unless there is one.
func (b *backend) connect(ctx context.Context) error {
	if b.conn != nil && !b.conn.IsClosed() {
		return nil
	}
	b.conn = nil
	if time.Now().Before(b.retry) {
		return b.down
	}
	ctx, cancel := context.WithTimeout(ctx, 4*connectTimeout)
	defer cancel()
	conn, err := pgx.ConnectConfig(ctx, b.config)
	if err == nil {
		err = assertDurable(ctx, conn)
		if err == nil {
			b.schema, err = schemaOf(ctx, conn)
		}
		if err != nil {
			err = errors.Join(err, conn.Close(ctx))
		}
	}
	if err != nil {
		b.down, b.retry = redact(wrap("connect to the database", err), b.config.Password), time.Now().Add(retryPause)
		return b.down
	}
	b.conn, b.lock = conn, lockClass|b.schema
	return nil
}

// close gives the connection back.
func (b *backend) close() error {
	b.cancel()
	if b.conn == nil || b.conn.IsClosed() {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), connectTimeout)
	defer cancel()
	_ = b.conn.Close(ctx) // it says goodbye; a server that is gone needs none
	return nil
}

// Begin opens the transaction of a batch, waits for those of other replicas, and
// looks up what the jobs are about to ask: the time, their identity keys, and what
// their patients have. A connection that died since the last batch is replaced, once.
func (b *backend) Begin(ctx context.Context, ahead groupcommit.Ahead) (groupcommit.Batch[*tx], error) {
	for try := 0; ; try++ {
		if err := b.connect(ctx); err != nil {
			return nil, err
		}
		b.cancel()
		b.ctx, b.cancel = context.WithTimeout(ctx, batchLimit)
		err := b.begin(ahead)
		if err == nil {
			return batch{b}, nil
		}
		lost := isLost(err)
		b.giveUp()
		if !lost || try > 0 {
			return nil, wrap("begin a transaction", err)
		}
	}
}

// beginSQL is the isolation that lets the statements behind the lock see what
// was committed before it was given.
const beginSQL = "BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE"

// stateSQL reads what a batch starts from.
const stateSQL = `SELECT at, (SELECT coalesce(max(rid), 0) FROM resource), ` + wallSQL + `,
	EXISTS (SELECT 1 FROM subscription WHERE status <> 'off') FROM clock`

// wallSQL is the clock of the database, in milliseconds.
const wallSQL = "floor(extract(epoch FROM clock_timestamp()) * 1000)::bigint"

// begin is one trip to the server.
func (b *backend) begin(ahead groupcommit.Ahead) error {
	var last, wall int64
	b.tx.forget()
	trip := &pgx.Batch{}
	trip.Queue(beginSQL)
	trip.Queue("SELECT pg_advisory_xact_lock($1)", b.lock)
	trip.Queue(stateSQL).QueryRow(func(row pgx.Row) error { return row.Scan(&last, &b.rid, &wall, &b.live) })
	b.tx.queueKeys(trip, ahead.Keys)
	b.tx.queueHeads(trip, ahead.Heads)
	if err := b.send(trip); err != nil {
		return err
	}
	if b.clock != nil {
		wall = b.clock().UnixMilli()
	}
	b.last, b.wall = max(b.last, last, wall), wall
	b.tx.begin(time.UnixMilli(b.last).UTC(), ahead.Jobs > 1)
	return nil
}

// send makes one trip to the server.
func (b *backend) send(trip *pgx.Batch) error {
	if trip.Len() == 0 {
		return nil
	}
	return b.conn.SendBatch(b.ctx, trip).Close()
}

// giveUp ends whatever transaction is open. If that fails the connection is
// closed, which ends it as well.
func (b *backend) giveUp() {
	defer b.cancel()
	if b.conn == nil || b.conn.IsClosed() {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), connectTimeout)
	defer cancel()
	if _, err := b.conn.Exec(ctx, "ROLLBACK"); err != nil || b.conn.PgConn().TxStatus() != 'I' {
		_ = b.conn.Close(ctx) // it is given up either way
	}
}

// batch is the open transaction of the backend's connection.
type batch struct{ *backend }

// Tx is what the next job works with.
func (b batch) Tx() *tx { return b.tx }

// Savepoint begins a job.
func (b batch) Savepoint() error {
	b.tx.savepoint()
	return nil
}

// Release ends a job that succeeded.
func (b batch) Release() error { return again(b.tx.release()) }

// RollbackTo ends a job that failed. PostgreSQL ends a transaction whose
// statement failed, and the error says so.
func (b batch) RollbackTo() error { return again(b.tx.rollbackTo()) }

// Flush inserts the rows held back, and the time, which later transactions of
// this or any other process must not fall behind.
func (b batch) Flush() error {
	trip := &pgx.Batch{}
	b.tx.rows.queue(trip)
	if err := b.queueAudits(trip); err != nil {
		return again(err)
	}
	trip.Queue("UPDATE clock SET at = $1", b.last)
	return again(wrap("insert the rows held back", b.send(trip)))
}

// errRolledBack says that the server ended a transaction otherwise than asked.
var errRolledBack = errors.New("store: the server rolled the transaction back")

// Commit makes the batch durable.
func (b batch) Commit() error {
	defer b.cancel()
	leftAlone(b.conn.PgConn()) // what a statement before it warned of is another matter
	tag, err := b.conn.Exec(b.ctx, "COMMIT")
	warned := leftAlone(b.conn.PgConn())
	switch {
	case err != nil:
	case tag.String() != "COMMIT":
		err = errRolledBack
	case warned:
		err = errAlone
	}
	if b.chain = b.next; err != nil {
		b.chain.Unknown = true
		return fmt.Errorf("commit: %w", clean(err))
	}
	return nil
}

// Rollback gives the transaction up.
func (b batch) Rollback() error {
	b.giveUp()
	return nil
}
