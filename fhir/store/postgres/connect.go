package postgres

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// ErrAddress says that a text is not the address of a PostgreSQL database. The
// text is not repeated, for it may hold a password.
var ErrAddress = errors.New("store: no address of a PostgreSQL database; write postgres://user@host/database, with the password in PGPASSWORD or a passfile")

// The bounds of what a session waits for.
const (
	// connectTimeout is how long a server may take to let us in.
	connectTimeout = 5 * time.Second
	// idleLimit is how long the server waits for a replica in the middle of a
	// transaction, and so how long one that is frozen can hold up the others.
	idleLimit = 5 * time.Second
	// lockLimit is how long a batch waits for those of other replicas.
	lockLimit = 30 * time.Second
	// batchLimit is how long a batch may take in all before its connection is
	// given up; a server that says nothing must not hold up the writer for ever.
	batchLimit = time.Minute
)

// IsAddress says whether a setting is meant as the address of a PostgreSQL
// database rather than as the path of a file.
func IsAddress(text string) bool {
	return strings.HasPrefix(text, "postgres://") || strings.HasPrefix(text, "postgresql://")
}

// parse reads an address. Every session flushes its commits, is thrown out when
// it stands still in a transaction, and goes to a server that takes writes.
func parse(address string, readers int32) (*pgxpool.Config, error) {
	config, err := pgxpool.ParseConfig(address)
	if !IsAddress(address) || err != nil {
		return nil, ErrAddress // the error of the parser repeats the address
	}
	connection := &config.ConnConfig.Config
	if connection.ConnectTimeout == 0 {
		connection.ConnectTimeout = connectTimeout
	}
	if connection.ValidateConnect == nil {
		connection.ValidateConnect = pgconn.ValidateConnectTargetSessionAttrsReadWrite
	}
	connection.OnNotice = noteAlone
	for name, value := range map[string]string{
		"application_name":                    "tidemark",
		"client_encoding":                     "UTF8",
		"idle_in_transaction_session_timeout": millis(idleLimit),
		"lock_timeout":                        millis(lockLimit),
	} {
		if connection.RuntimeParams[name] == "" {
			connection.RuntimeParams[name] = value
		}
	}
	config.MaxConns = readers
	config.AfterConnect = assertDurable
	return config, nil
}

func millis(d time.Duration) string { return strconv.FormatInt(d.Milliseconds(), 10) }

// assertDurable makes the commits of a session wait for the disk, and refuses a
// server that does not write to it. A standby that must have applied a commit
// first is stronger, and stays.
func assertDurable(ctx context.Context, conn *pgx.Conn) error {
	var commits, fsync, pages string
	const ask = "SELECT current_setting('synchronous_commit'), current_setting('fsync'), current_setting('full_page_writes')"
	if err := conn.QueryRow(ctx, ask).Scan(&commits, &fsync, &pages); err != nil {
		return wrap("ask how the server keeps commits", err)
	}
	if fsync != "on" || pages != "on" {
		return fmt.Errorf("store: the server has fsync %s and full_page_writes %s; with either off, what was acknowledged does not survive a power cut", fsync, pages)
	}
	if commits == "on" || commits == "remote_apply" {
		return nil
	}
	if _, err := conn.Exec(ctx, "SET synchronous_commit = on"); err != nil {
		return wrap("set synchronous_commit", err)
	}
	return nil
}

// lockClass is the upper half of the advisory locks taken here, "tide"; the
// lower half is the schema, so that several of them may share a database.
const lockClass = 0x74696465 << 32

// migrationClass is that of the lock under which the schema is brought up to date.
const migrationClass = 0x7469646d << 32

// errNoSchema says that there is nowhere to keep anything.
var errNoSchema = errors.New("store: the search_path of the session names no schema that exists")

// schemaOf gives the number of the schema that a session works in, which must exist.
func schemaOf(ctx context.Context, conn *pgx.Conn) (int64, error) {
	var schema *int64
	if err := conn.QueryRow(ctx, "SELECT to_regnamespace(quote_ident(current_schema()))::oid::bigint").Scan(&schema); err != nil {
		return 0, wrap("ask for the schema", err)
	}
	if schema == nil {
		return 0, errNoSchema
	}
	return *schema, nil
}
