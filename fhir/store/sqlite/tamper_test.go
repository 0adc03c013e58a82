package sqlite_test

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

// trailAt is a closed database with two chains of the given numbers of entries.
func trailAt(t testing.TB, entries ...int) string {
	t.Helper()
	place := filepath.Join(t.TempDir(), "tidemark.db")
	at := time.Date(2026, 3, 4, 19, 30, 0, 0, time.UTC)
	for chain, count := range entries {
		s, err := sqlite.Open(context.Background(), place, sqlite.Options{})
		require.NoError(t, err)
		for i := range count {
			require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
				return tx.Audit(store.Audit{
					Recorded: at.Add(time.Duration(i) * time.Second), Event: fmt.Appendf(nil, `{"resourceType":"AuditEvent","n":"%d of %d"}`, i, chain),
					Patient: fmt.Sprint("Patient/", i), Client: "portal", User: "ilse", Entity: fmt.Sprint("Observation/", i),
					Type: "rest", Subtype: "read", Action: "R", Outcome: "0",
				})
			}))
		}
		require.NoError(t, s.Close())
	}
	return place
}

// tampered changes a database behind the program's back, as who has the file can,
// and gives what verifying then finds.
func tampered(t require.TestingT, place string, change func(db *sql.DB)) []store.AuditFault {
	db, err := sql.Open("sqlite", "file:"+place)
	require.NoError(t, err)
	for _, statement := range []string{"DROP TRIGGER IF EXISTS audit_never_changes", "DROP TRIGGER IF EXISTS audit_never_shrinks"} {
		_, err = db.Exec(statement)
		require.NoError(t, err)
	}
	change(db)
	require.NoError(t, db.Close())
	s, err := sqlite.Open(context.Background(), place, sqlite.Options{})
	require.NoError(t, err)
	var faults []store.AuditFault
	_, _, err = s.VerifyAudits(context.Background(), func(f store.AuditFault) { faults = append(faults, f) })
	require.NoError(t, err)
	require.NoError(t, s.Close())
	return faults
}

func mustExec(t require.TestingT, db *sql.DB, statement string, args ...any) {
	result, err := db.Exec(statement, args...)
	require.NoError(t, err, statement)
	changed, err := result.RowsAffected()
	require.NoError(t, err)
	require.NotZero(t, changed, "%s changed nothing", statement)
}

func TestTamperingIsFound(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		statements []string
		cause      string
		sequence   int64
	}{
		"an entry is missing":     {[]string{"DELETE FROM audit WHERE aid = (2<<40)+3"}, "the entry is missing", 3},
		"the first is missing":    {[]string{"DELETE FROM audit WHERE aid = (1<<40)+1"}, "the entry is missing", 1},
		"the end is missing":      {[]string{"DELETE FROM audit WHERE aid >= (2<<40)+4"}, "the end of the chain is missing from this entry to 5", 4},
		"and the head moved back": {[]string{"DELETE FROM audit WHERE aid = (2<<40)+5", "UPDATE audit_chain SET head = 4 WHERE cid = 2"}, "the chain does not end as its head says", 4},
		"an older chain's end, with its head": {[]string{"DELETE FROM audit WHERE aid = (1<<40)+5",
			"UPDATE audit_chain SET head = 4, head_digest = (SELECT digest FROM audit WHERE aid = (1<<40)+4) WHERE cid = 1"}, "the entry is missing, and chain", 5},
		"two have changed places":  {[]string{"UPDATE audit SET aid = 1 WHERE aid = (2<<40)+2", "UPDATE audit SET aid = (2<<40)+2 WHERE aid = (2<<40)+3", "UPDATE audit SET aid = (2<<40)+3 WHERE aid = 1"}, "the entry was changed, or what stands before it", 2},
		"one is of another chain":  {[]string{"UPDATE audit SET aid = (3<<40)+1 WHERE aid = (2<<40)+5"}, "1 entries belong to no chain", 0},
		"one is added":             {[]string{"INSERT INTO audit SELECT aid+1, recorded, patient, client, user, entity, type, subtype, action, outcome, event, digest FROM audit WHERE aid = (2<<40)+5"}, "the entry was changed, or what stands before it", 6},
		"a whole chain is gone":    {[]string{"DELETE FROM audit WHERE aid < (2<<40)", "DELETE FROM audit_chain WHERE cid = 1"}, "the chain is missing", 0},
		"the newest chain is gone": {[]string{"DELETE FROM audit WHERE aid > (2<<40)", "DELETE FROM audit_chain WHERE cid = 2"}, "the chain is missing", 0},
		"a chain began otherwise":  {[]string{"UPDATE audit_chain SET started = started + 1 WHERE cid = 2"}, "the beginning of the chain was changed", 0},
		"a chain has another name": {[]string{"UPDATE audit_chain SET name = 'made-up' WHERE cid = 2"}, "the beginning of the chain was changed", 0},
		"a chain has no anchor":    {[]string{"UPDATE audit_chain SET anchor_chain = '' WHERE cid = 2"}, "the chain is not anchored in the one before it", 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			faults := tampered(t, trailAt(t, 5, 5), func(db *sql.DB) {
				for _, statement := range c.statements {
					mustExec(t, db, statement)
				}
			})
			require.True(t, slices.ContainsFunc(faults, func(f store.AuditFault) bool {
				return f.Place.Sequence == c.sequence && len(f.Cause) >= len(c.cause) && f.Cause[:len(c.cause)] == c.cause
			}), "%v", faults)
		})
	}
	t.Run("nothing where nothing was done", func(t *testing.T) {
		t.Parallel()
		require.Empty(t, tampered(t, trailAt(t, 5, 5), func(*sql.DB) {}))
	})
	t.Run("and the program itself cannot", func(t *testing.T) {
		t.Parallel()
		place := trailAt(t, 1)
		db, err := sql.Open("sqlite", "file:"+place)
		require.NoError(t, err)
		for _, statement := range []string{"DELETE FROM audit", "UPDATE audit SET patient = 'x'"} {
			_, err = db.Exec(statement)
			require.ErrorContains(t, err, "append-only")
		}
		require.NoError(t, db.Close())
	})
}

// Any byte of any column of any entry or chain, turned into any other, is found.
func TestEveryFlippedByteIsFound(t *testing.T) {
	t.Parallel()
	place := trailAt(t, 4, 4)
	columns := map[string][]string{
		"audit":       {"recorded", "patient", "client", "user", "entity", "type", "subtype", "action", "outcome", "event", "digest"},
		"audit_chain": {"name", "started", "anchor_chain", "anchor_sequence", "anchor_digest", "genesis", "head", "head_digest"},
	}
	rapid.Check(t, func(t *rapid.T) {
		table := rapid.SampledFrom([]string{"audit", "audit", "audit_chain"}).Draw(t, "table")
		column := rapid.SampledFrom(columns[table]).Draw(t, "column")
		key, row := "cid", int64(rapid.IntRange(1, 2).Draw(t, "chain"))
		if table == "audit" {
			key, row = "aid", row<<40+int64(rapid.IntRange(1, 4).Draw(t, "sequence"))
		}
		where := fmt.Sprintf(" WHERE %s = %d", key, row)
		var before any
		flip := func(db *sql.DB) {
			var kind string
			require.NoError(t, db.QueryRow("SELECT "+column+", typeof("+column+") FROM "+table+where).Scan(&before, &kind))
			mustExec(t, db, "UPDATE "+table+" SET "+column+" = ?"+where, flipped(t, before, kind))
		}
		var changed bool
		faults := tampered(t, place, func(db *sql.DB) {
			flip(db)
			changed = true
		})
		require.True(t, changed)
		require.NotEmpty(t, faults, "%s.%s of %d", table, column, row)
		require.Empty(t, tampered(t, place, func(db *sql.DB) { mustExec(t, db, "UPDATE "+table+" SET "+column+" = ?"+where, before) }), "as it was")
	})
}

// flipped changes one byte of a value, or one bit of a number.
func flipped(t *rapid.T, value any, kind string) any {
	switch v := value.(type) {
	case int64:
		return v ^ 1<<rapid.IntRange(0, 40).Draw(t, "bit")
	case string:
		if v == "" {
			return "x"
		}
		at := rapid.IntRange(0, len(v)-1).Draw(t, "at")
		return v[:at] + string(rune('!'+(v[at]-'!'+byte(rapid.IntRange(1, 90).Draw(t, "by")))%94)) + v[at+1:]
	case []byte:
		out := slices.Clone(v)
		out[rapid.IntRange(0, len(out)-1).Draw(t, "at")] ^= byte(rapid.IntRange(1, 255).Draw(t, "mask"))
		return out
	}
	require.Fail(t, "a value of another kind", "%T %s", value, kind)
	return nil
}
