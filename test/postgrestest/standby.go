package postgrestest

import (
	"context"
	"errors"
	"net"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// Standby starts a second server that follows this one by streaming replication,
// and from then on lets every commit of this one wait for it: what is committed
// is on both (PostgreSQL, "Synchronous Replication"). Promote makes it the first.
func (c *Cluster) Standby(ctx context.Context) (*Cluster, error) {
	standby, err := begin(place(), c.password, func(s *Cluster) error {
		return s.run("pg_basebackup", "-D", s.data(), "-h", "127.0.0.1", "-p", strconv.Itoa(c.port), "-U", "tidemark",
			"-R", "-X", "stream", "--checkpoint=fast", "--no-sync")
	})
	if err != nil {
		return nil, err
	}
	err = c.Exec(ctx, "public", "ALTER SYSTEM SET synchronous_standby_names = '*'")
	if err == nil {
		err = c.Exec(ctx, "public", "SELECT pg_reload_conf()")
	}
	if err == nil {
		err = c.followed(ctx)
	}
	if err != nil {
		return nil, errors.Join(err, standby.Stop())
	}
	return standby, nil
}

// followed waits until commits wait for a standby.
func (c *Cluster) followed(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, c.Address("public"))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }() // what was asked has been answered
	for {
		var following bool
		const ask = "SELECT current_setting('synchronous_standby_names') = '*' AND EXISTS (SELECT FROM pg_stat_replication WHERE sync_state = 'sync')"
		if err := conn.QueryRow(ctx, ask).Scan(&following); err != nil || following {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// Promote makes a standby take writes, and waits until it does.
func (c *Cluster) Promote(ctx context.Context) error {
	return c.Exec(ctx, "public", "SELECT pg_promote(true, 60)")
}

// Either is the address of a schema of two servers, of which the one that takes
// writes is meant.
func (c *Cluster) Either(other *Cluster, schema string) string {
	host := func(c *Cluster) string { return net.JoinHostPort("127.0.0.1", strconv.Itoa(c.port)) }
	return strings.Replace(c.Address(schema), host(c), host(c)+","+host(other), 1) + "&target_session_attrs=read-write"
}
