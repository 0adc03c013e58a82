package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/auditchain"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// background is the context of everything the writer does: a batch belongs to
// many requests, and none of them may end it. It has no deadline, which also
// spares the driver a goroutine per statement.
var background = context.Background()

// backend is the one connection that writes, with its statements.
type backend struct {
	db    *sql.DB
	conn  *lasting
	clock func() time.Time
	codec *codec
	// events packs the audit trail.
	events *codec
	tx     *tx
	stmt   statements

	// seen is the data version of the file when last was read: another process
	// that writes changes it.
	seen int64
	// last is the latest time any row carries, in milliseconds, or the one that
	// the next transaction must not be before, behind the instant of an export.
	last int64
	// rid is the highest row number given to a resource.
	rid int64
	// rids are the rows of some resources.
	rids remembered
	// live says that there is a subscription that is not off.
	live bool
	// chain is the audit chain of this process as it is on disk, next as it will
	// be once the batch is.
	chain, next auditchain.Tip
}

var _ groupcommit.Backend[*tx] = (*backend)(nil)

// openBackend opens the connection that writes and prepares its statements.
func openBackend(ctx context.Context, file string, codec, events *codec, options Options) (*backend, error) {
	// temp_store: the undo pages of savepoints stay in memory; in a file, as by
	// default, each costs a system call.
	db, err := sql.Open("sqlite", dsn(file, options.BusyTimeout,
		"synchronous(FULL)", "temp_store(MEMORY)", "cache_size(-65536)", "wal_autocheckpoint(4000)"))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	b := &backend{
		db: db, conn: &lasting{Conn: conn}, clock: options.Clock, codec: codec, events: events, seen: -1, rids: remembered{rids: map[store.Key]int64{}},
	}
	if err := b.stmt.prepare(ctx, b.conn); err != nil {
		return nil, errors.Join(err, b.close())
	}
	if b.tx, err = newTx(ctx, b); err != nil {
		return nil, errors.Join(err, b.close())
	}
	return b, nil
}

// close gives the connection back; its statements go with it.
func (b *backend) close() error { return errors.Join(b.conn.Close(), b.db.Close()) }

// Begin opens the transaction of a batch. SQLite has one writer at a time, so
// there are no keys to lock.
func (b *backend) Begin(ctx context.Context, ahead groupcommit.Ahead) (groupcommit.Batch[*tx], error) {
	if _, err := b.stmt.begin.ExecContext(ctx); err != nil {
		return nil, err
	}
	if err := b.advance(ctx); err != nil {
		_, undo := b.stmt.rollback.ExecContext(ctx)
		return nil, errors.Join(err, undo)
	}
	b.tx.begin(time.UnixMilli(b.last).UTC(), ahead.Jobs > 1)
	return batch{b}, nil
}

// advance moves the store's time to the clock's, never backwards; what another
// process has written since counts as well.
func (b *backend) advance(ctx context.Context) error {
	var seen int64
	if err := b.stmt.dataVersion.QueryRowContext(ctx).Scan(&seen); err != nil {
		return fmt.Errorf("read the data version: %w", err)
	}
	if seen != b.seen {
		var last int64
		if err := b.stmt.lastTime.QueryRowContext(ctx).Scan(&last); err != nil {
			return fmt.Errorf("read the latest time: %w", err)
		}
		if err := b.stmt.lastRid.QueryRowContext(ctx).Scan(&b.rid); err != nil {
			return fmt.Errorf("read the last row number: %w", err)
		}
		if err := b.stmt.live.QueryRowContext(ctx).Scan(&b.live); err != nil {
			return fmt.Errorf("look for subscriptions: %w", err)
		}
		b.seen, b.last = seen, max(b.last, last)
	}
	b.last = max(b.last, b.clock().UnixMilli())
	return nil
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
func (b batch) Release() error { return b.tx.release() }

// RollbackTo ends a job that failed. If SQLite has given the whole transaction
// up by itself, as it does when the disk is full, there is no savepoint any
// more, and the error says so.
func (b batch) RollbackTo() error { return b.tx.rollbackTo() }

// Flush inserts the rows held back, and the time, which later transactions of
// this or any other process must not fall behind.
func (b batch) Flush() error {
	if err := b.tx.rows.flush(); err != nil {
		return err
	}
	if err := b.flushAudits(); err != nil {
		return err
	}
	_, err := b.stmt.setTime.ExecContext(background, b.last)
	return err
}

// Commit makes the batch durable.
func (b batch) Commit() error {
	err := exec(b.stmt.commit)
	if b.chain = b.next; err != nil {
		b.chain.Unknown = true
	}
	return err
}

// Rollback gives the transaction up, unless SQLite has done so by itself.
func (b batch) Rollback() error {
	_, err := b.conn.ExecContext(background, "ROLLBACK")
	if err != nil && !b.inTransaction() {
		return nil
	}
	return err
}

// inTransaction says whether a transaction is open: only then can there be no
// second one.
func (b batch) inTransaction() bool {
	if exec(b.stmt.begin) != nil {
		return true
	}
	return exec(b.stmt.rollback) != nil
}

// exec runs a statement without values.
func exec(statement *sql.Stmt) error {
	_, err := statement.ExecContext(background)
	return err
}
