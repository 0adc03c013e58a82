package postgres_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
)

// trail is a schema with two chains of five entries each.
func trail(t *testing.T) string {
	t.Helper()
	address := create(t)
	for chain := range 2 {
		s, err := postgres.Open(context.Background(), address, postgres.Options{})
		require.NoError(t, err)
		for i := range 5 {
			require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
				return tx.Audit(store.Audit{
					Recorded: tx.Now().Add(time.Duration(i) * time.Second), Event: fmt.Appendf(nil, `{"resourceType":"AuditEvent","n":"%d of %d"}`, i, chain),
					Patient: fmt.Sprint("Patient/", i), Client: "portal", User: "ilse", Entity: fmt.Sprint("Observation/", i),
					Type: "rest", Subtype: "read", Action: "R", Outcome: "0",
				})
			}))
		}
		require.NoError(t, s.Close())
	}
	return address
}

// TestTamperingIsFound: who has the database can get around the trigger, but not
// around the chains.
func TestTamperingIsFound(t *testing.T) {
	t.Parallel()
	const gone = "the entry is missing"
	const changed = "the entry was changed, or what stands before it"
	type cases map[string]struct {
		statements []string
		cause      string
		sequence   int64
	}
	all := cases{
		"an entry is missing":     {[]string{"DELETE FROM audit WHERE aid = (2<<40)+3"}, gone, 3},
		"the first is missing":    {[]string{"DELETE FROM audit WHERE aid = (1<<40)+1"}, gone, 1},
		"the end is missing":      {[]string{"DELETE FROM audit WHERE aid >= (2<<40)+4"}, "the end of the chain is missing from this entry to 5", 4},
		"and the head moved back": {[]string{"DELETE FROM audit WHERE aid = (2<<40)+5", "UPDATE audit_chain SET head = 4 WHERE cid = 2"}, "the chain does not end as its head says", 4},
		"an older chain's end, with its head": {[]string{"DELETE FROM audit WHERE aid = (1<<40)+5",
			"UPDATE audit_chain SET head = 4, head_digest = (SELECT digest FROM audit WHERE aid = (1<<40)+4) WHERE cid = 1"}, gone + ", and chain", 5},
		"two have changed places":  {[]string{"UPDATE audit SET aid = 1 WHERE aid = (2<<40)+2", "UPDATE audit SET aid = (2<<40)+2 WHERE aid = (2<<40)+3", "UPDATE audit SET aid = (2<<40)+3 WHERE aid = 1"}, changed, 2},
		"one is of another chain":  {[]string{"UPDATE audit SET aid = (3<<40)+1 WHERE aid = (2<<40)+5"}, "1 entries belong to no chain", 0},
		"one is added":             {[]string{`INSERT INTO audit SELECT aid+1, recorded, patient, client, "user", entity, type, subtype, action, outcome, event, digest FROM audit WHERE aid = (2<<40)+5`}, changed, 6},
		"a whole chain is gone":    {[]string{"DELETE FROM audit WHERE aid < (2<<40)", "DELETE FROM audit_chain WHERE cid = 1"}, "the chain is missing", 0},
		"the newest chain is gone": {[]string{"DELETE FROM audit WHERE aid > (2<<40)", "DELETE FROM audit_chain WHERE cid = 2"}, "the chain is missing", 0},
		"a chain began otherwise":  {[]string{"UPDATE audit_chain SET started = started + 1 WHERE cid = 2"}, "the beginning of the chain was changed", 0},
		"a chain has another name": {[]string{"UPDATE audit_chain SET name = 'made-up' WHERE cid = 2"}, "the beginning of the chain was changed", 0},
		"a chain has no anchor":    {[]string{"UPDATE audit_chain SET anchor_chain = '' WHERE cid = 2"}, "the chain is not anchored in the one before it", 0},
	}
	for _, column := range []string{"patient", "client", `"user"`, "entity", "type", "subtype", "action", "outcome"} {
		all[column+" is another"] = cases{"": {[]string{"UPDATE audit SET " + column + " = 'x' WHERE aid = (1<<40)+2"}, changed, 2}}[""]
	}
	for _, column := range []string{"event", "digest"} {
		all["a bit of "+column+" is another"] = cases{"": {[]string{"UPDATE audit SET " + column + " = set_bit(" + column + ", 9, 1 - get_bit(" + column + ", 9)) WHERE aid = (1<<40)+2"}, changed, 2}}[""]
	}
	all["a time is another"] = cases{"": {[]string{"UPDATE audit SET recorded = recorded + 1 WHERE aid = (1<<40)+2"}, changed, 2}}[""]
	for name, c := range all {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			address := trail(t)
			conn := connect(t, address)
			_, err := conn.Exec(context.Background(), "ALTER TABLE audit DISABLE TRIGGER audit_never_changes")
			require.NoError(t, err)
			for _, statement := range c.statements {
				tag, err := conn.Exec(context.Background(), strings.NewReplacer("(1<<40)", "(1::bigint<<40)", "(2<<40)", "(2::bigint<<40)", "(3<<40)", "(3::bigint<<40)").Replace(statement))
				require.NoError(t, err)
				require.NotZero(t, tag.RowsAffected(), "%s changed nothing", statement)
			}
			var faults []store.AuditFault
			_, _, err = open(t, address, postgres.Options{}).VerifyAudits(context.Background(), func(f store.AuditFault) { faults = append(faults, f) })
			require.NoError(t, err)
			require.True(t, slices.ContainsFunc(faults, func(f store.AuditFault) bool {
				return f.Place.Sequence == c.sequence && strings.HasPrefix(f.Cause, c.cause)
			}), "%v", faults)
		})
	}
	t.Run("nothing where nothing was done, and the program itself cannot", func(t *testing.T) {
		t.Parallel()
		address := trail(t)
		conn := connect(t, address)
		for _, statement := range []string{"DELETE FROM audit", "UPDATE audit SET patient = 'x'", "TRUNCATE audit"} {
			_, err := conn.Exec(context.Background(), statement)
			require.ErrorContains(t, err, "append-only")
		}
		require.Len(t, requireSound(t, open(t, address, postgres.Options{}), 10), 2)
	})
}
