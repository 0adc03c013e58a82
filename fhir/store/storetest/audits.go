package storetest

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// auditEntry is an entry of the audit trail that names itself.
func auditEntry(name string, at time.Time) store.Audit {
	return store.Audit{
		Recorded: at.UTC().Truncate(time.Millisecond), Event: []byte(`{"resourceType":"AuditEvent","name":"` + name + `"}`),
		Patient: "Patient/" + name, Client: "portal", User: "ilse", Entity: "Observation/" + name,
		Type: "rest", Subtype: "read", Action: "R", Outcome: "0",
	}
}

// recordAudit writes entries in one job.
func recordAudit(t tester, s store.Store, entries ...store.Audit) {
	t.Helper()
	write(t, s, func(tx store.Tx) error {
		for _, e := range entries {
			if err := tx.Audit(e); err != nil {
				return err
			}
		}
		return nil
	})
}

// requireSound follows the chains, and finds nothing wrong and so many entries.
func requireSound(t tester, s store.Store, want int64) []store.AuditHead {
	t.Helper()
	checked, heads, err := s.VerifyAudits(context.Background(), func(f store.AuditFault) {
		require.Fail(t, "a fault in a sound trail", "%s: %s", f.Place, f.Cause)
	})
	require.NoError(t, err)
	require.Equal(t, want, checked)
	return heads
}

// testAudits: entries are kept with what they are about, in chains.
func testAudits(t *testing.T, driver Driver) {
	driver.subtest(t, "IsFoundAsItWasWritten", testAuditIsFound)
	driver.subtest(t, "FailedJobsLeaveNone", func(t *testing.T, s store.Store, clock *Clock) {
		recordAudit(t, s, auditEntry("a", clock.Now()))
		err := s.Write(context.Background(), nil, func(tx store.Tx) error {
			require.NoError(t, tx.Audit(auditEntry("b", clock.Now())))
			_, err := tx.Search(store.Query{Type: "Observation", Limit: 1})
			require.NoError(t, err)
			return errRefused
		})
		require.ErrorIs(t, err, errRefused)
		recordAudit(t, s, auditEntry("c", clock.Now()))
		heads := requireSound(t, s, 2)
		require.Len(t, heads, 1)
		require.EqualValues(t, 2, heads[0].Sequence)
	})
	driver.subtest(t, "ManyAtOnceMakeOneChain", func(t *testing.T, s store.Store, clock *Clock) {
		var all sync.WaitGroup
		for i := range 16 {
			all.Go(func() {
				for j := range 10 {
					name := fmt.Sprintf("w%d-%d", i, j)
					_ = s.Write(context.Background(), nil, func(tx store.Tx) error { // every third is refused
						if err := tx.Audit(auditEntry(name, clock.Now())); err != nil || j%3 == 0 {
							return errRefused
						}
						return everything(tx, name)
					})
				}
			})
		}
		all.Wait()
		require.Len(t, requireSound(t, s, 16*6*2), 1)
	})
	t.Run("EachProcessHasItsChainAnchoredInTheOneBefore", func(t *testing.T) {
		t.Parallel()
		clock, place := NewClock(), driver.Create(t)
		one, other := driver.open(t, place, clock.Now), driver.open(t, place, clock.Now)
		for range 3 {
			recordAudit(t, one, auditEntry("one", clock.Now()))
			recordAudit(t, other, auditEntry("other", clock.Now()))
		}
		heads := requireSound(t, driver.open(t, place, clock.Now), 6)
		require.Len(t, heads, 2, "who only reads begins none")
		require.NotEqual(t, heads[0].Chain, heads[1].Chain)
	})
	driver.subtest(t, "Search", testAuditSearch)
	driver.subtest(t, "Shipping", testAuditShipping)
}

func testAuditIsFound(t *testing.T, s store.Store, clock *Clock) {
	ctx := context.Background()
	want := auditEntry("a", clock.Now())
	bare := store.Audit{Recorded: want.Recorded, Event: []byte(`{}`), Type: "rest", Action: "E", Outcome: "4"}
	recordAudit(t, s, want, bare)
	page, err := s.Audits(ctx, store.AuditQuery{Limit: 5})
	require.NoError(t, err)
	require.Len(t, page.Records, 2)
	require.Equal(t, []store.Audit{bare, want}, []store.Audit{page.Records[0].Audit, page.Records[1].Audit})
	for _, r := range page.Records {
		place, ok := store.ParseAuditPlace(r.AuditPlace.String())
		require.True(t, ok)
		again, err := s.Audit(ctx, place)
		require.NoError(t, err)
		require.Equal(t, r, again)
	}
	for _, id := range []string{"", "x", "-1", "a-0", "a--1", "a-01", "a-1-2"} {
		_, ok := store.ParseAuditPlace(id)
		require.False(t, ok, id)
	}
	chain := page.Records[0].Chain
	for _, place := range []store.AuditPlace{{Chain: "none", Sequence: 1}, {Chain: chain, Sequence: 3}, {Chain: chain, Sequence: 1 << 41}, {Chain: chain}} {
		_, err := s.Audit(ctx, place)
		require.ErrorIs(t, err, store.ErrNotFound)
	}
}

func testAuditSearch(t *testing.T, s store.Store, clock *Clock) {
	ctx := context.Background()
	for i := range 10 {
		e := auditEntry(fmt.Sprint("n", i), clock.Now())
		if i%2 == 1 {
			e.Action, e.Outcome, e.Subtype, e.Client, e.User, e.Type = "C", "4", "create", "other", "", "110114"
		}
		recordAudit(t, s, e)
		clock.Add(time.Second)
	}
	first := NewClock().Now()
	for name, c := range map[string]struct {
		query store.AuditQuery
		want  int
	}{
		"all": {store.AuditQuery{}, 10}, "patient": {store.AuditQuery{Patients: []string{"Patient/n3"}}, 1},
		"patients": {store.AuditQuery{Patients: []string{"Patient/n3", "Patient/n4"}}, 2}, "entity": {store.AuditQuery{Entities: []string{"Observation/n3"}}, 1},
		"client": {store.AuditQuery{Agents: []string{"other"}}, 5}, "user": {store.AuditQuery{Agents: []string{"ilse"}}, 5},
		"action": {store.AuditQuery{Actions: []string{"C"}}, 5}, "outcome": {store.AuditQuery{Outcomes: []string{"4", "8"}}, 5},
		"subtype": {store.AuditQuery{Subtypes: []string{"create"}}, 5}, "type": {store.AuditQuery{Types: []string{"rest"}}, 5},
		"time": {store.AuditQuery{Recorded: []store.TimeRange{{Prefix: store.GreaterOrEqual, Low: first.Add(3 * time.Second), High: first.Add(3 * time.Second)},
			{Prefix: store.LessThan, Low: first.Add(7 * time.Second), High: first.Add(7 * time.Second)}}}, 4},
		"together": {store.AuditQuery{Actions: []string{"C"}, Patients: []string{"Patient/n4"}}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			seen := map[string]bool{}
			query, last := c.query, time.Time{}
			for query.Limit = 3; ; {
				page, err := s.Audits(ctx, query)
				require.NoError(t, err)
				for _, r := range page.Records {
					require.False(t, seen[r.AuditPlace.String()], "once only")
					require.True(t, last.IsZero() || !r.Recorded.After(last), "newest first")
					seen[r.AuditPlace.String()], last = true, r.Recorded
				}
				if query.After = page.Next; page.Next == "" {
					break
				}
			}
			require.Len(t, seen, c.want)
		})
	}
	_, err := s.Audits(ctx, store.AuditQuery{Limit: 1, After: "elsewhere"})
	require.ErrorIs(t, err, store.ErrAuditPage)
	page, err := s.Audits(ctx, store.AuditQuery{})
	require.NoError(t, err)
	require.Empty(t, page.Records, "no limit, no entries")
}

func testAuditShipping(t *testing.T, s store.Store, clock *Clock) {
	ctx := context.Background()
	begun := clock.Now()
	for i := range 7 {
		recordAudit(t, s, auditEntry(fmt.Sprint("n", i), clock.Now()))
		clock.Add(time.Minute)
	}
	backlog := func(target string, want int64, since time.Time) {
		t.Helper()
		pending, oldest, err := s.AuditBacklog(ctx, target)
		require.NoError(t, err)
		require.Equal(t, want, pending)
		require.True(t, oldest.Equal(since), "%s", oldest)
	}
	backlog("file", 7, begun)
	first, err := s.AuditsAfter(ctx, "file", 3)
	require.NoError(t, err)
	require.Len(t, first, 3)
	require.NoError(t, s.AuditShipped(ctx, "file", first[2].AuditPlace))
	backlog("file", 4, begun.Add(3*time.Minute))
	require.NoError(t, s.AuditShipped(ctx, "file", first[0].AuditPlace))
	backlog("file", 4, begun.Add(3*time.Minute))
	backlog("other", 7, begun)
	rest, err := s.AuditsAfter(ctx, "file", 100)
	require.NoError(t, err)
	require.Len(t, rest, 4)
	require.Equal(t, "Patient/n3", rest[0].Patient)
	require.NoError(t, s.AuditShipped(ctx, "file", rest[3].AuditPlace))
	backlog("file", 0, time.Time{})
	none, err := s.AuditsAfter(ctx, "file", 100)
	require.NoError(t, err)
	require.Empty(t, none)
}
