package postgres_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
)

// connect opens a session of the test's own in the schema of an address.
func connect(t testing.TB, address string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), address)
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

// exec runs statements in a session of their own.
func exec(t testing.TB, address, statements string) {
	t.Helper()
	_, err := connect(t, address).Exec(context.Background(), statements)
	require.NoError(t, err)
}

// with adds a parameter to an address.
func with(address, name, value string) string { return address + "&" + name + "=" + value }

func key(id string) store.Key { return store.Key{Type: "Observation", ID: id} }

func body(version int64, _ time.Time) ([]byte, error) {
	return fmt.Appendf(nil, `{"version":%d}`, version), nil
}

// submit is a job that stores a resource under an identity key, wants it at a
// target and puts it on record.
func submit(id string) store.Job {
	return func(tx store.Tx) error {
		if _, found, err := tx.Identity("of " + id); err != nil || found {
			return err
		}
		index := store.Index{Patient: "Patient/oona", Status: "final", Tokens: []store.Token{{Param: "identifier", Value: id}}}
		if _, err := tx.Put(key(id), "POST", index, body); err != nil {
			return err
		}
		if err := tx.PutIdentity("of "+id, store.Identity{Key: key(id), Digest: "d"}); err != nil {
			return err
		}
		if err := tx.Audit(store.Audit{Recorded: tx.Now(), Event: []byte(`{}`), Type: "rest", Action: "C", Outcome: "0", Entity: "Observation/" + id}); err != nil {
			return err
		}
		return tx.Want("ehr", key(id), 1, false)
	}
}

// write submits one resource.
func write(s *postgres.Store, id string) error {
	return s.Write(context.Background(), []string{"of " + id}, submit(id))
}

// total counts the resources of a type.
func total(t testing.TB, s *postgres.Store) int {
	t.Helper()
	page, err := s.Search(context.Background(), store.Query{Type: "Observation", Total: true})
	require.NoError(t, err)
	return page.Total
}

// requireSound follows the audit chains and finds so many entries, no fault.
func requireSound(t testing.TB, s *postgres.Store, want int) []store.AuditHead {
	t.Helper()
	faults, checked, heads := verify(t, s)
	require.Empty(t, faults)
	require.EqualValues(t, want, checked)
	return heads
}

// verify follows the audit chains.
func verify(t testing.TB, s *postgres.Store) (faults []string, checked int64, heads []store.AuditHead) {
	t.Helper()
	checked, heads, err := s.VerifyAudits(context.Background(), func(f store.AuditFault) { faults = append(faults, f.Cause) })
	require.NoError(t, err)
	return faults, checked, heads
}

// schemaOf is the schema of an address.
func schemaOf(address string) string {
	_, rest, _ := strings.Cut(address, "search_path=")
	schema, _, _ := strings.Cut(rest, "&")
	return schema
}
