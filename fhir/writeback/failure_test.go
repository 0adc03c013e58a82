package writeback

import (
	"context"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
)

// TestForAPersonToDecide: what no repetition can mend is parked with a reason,
// and a next version is tried again.
func TestForAPersonToDecide(t *testing.T) {
	t.Parallel()
	parked := func(t *testing.T, w *ward, fault Fault) {
		t.Helper()
		require.Equal(t, 1, w.pass())
		require.Equal(t, Refused, w.seen.last().Outcome)
		require.Equal(t, fault, w.seen.last().Fault)
		d := state(t, w.store, 1)
		require.True(t, d.Parked)
		require.Contains(t, d.Reason, sentences[fault])
		w.clock.Add(24 * time.Hour)
		require.Zero(t, w.pass())
	}
	t.Run("TwoResourcesCarryTheIdentifier", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Put(scoreOf(1, 1, false))
		w.hospital.Put([]byte(`{"resourceType":"Observation","id":"copy","status":"final","code":{"text":"copy"},` +
			`"identifier":[{"system":"https://tidemark.example/fhir/sid/score","value":"digest-1"}]}`))
		want(t, w.store, 1, false)
		parked(t, w, FaultAmbiguous)
		require.Equal(t, []string{"PUT Observation?", "GET Observation?"}, w.asked())
		require.Len(t, w.hospital.Current("Observation"), 2, "nothing was written")
		w.hospital.Delete("Observation", "copy")
		want(t, w.store, 1, false)
		w.delivers()
		w.requireHeld("score-1", 2, "amended")
	})
	t.Run("TheKnownIdHoldsSomethingElse", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		w.delivers()
		w.hospital.Put([]byte(`{"resourceType":"Observation","id":"h1","status":"final","code":{"text":"heart rate"}}`))
		want(t, w.store, 1, false)
		parked(t, w, FaultForeign)
	})
	t.Run("TheTargetIsAhead", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Put(scoreOf(1, 7, false))
		want(t, w.store, 1, false)
		parked(t, w, FaultAhead)
		w.requireHeld("score-1", 7, "amended")
	})
	t.Run("ThePatientIsNotThere", func(t *testing.T) {
		t.Parallel()
		w := newWardOf(t, sandbox.Options{RequirePatients: true})
		want(t, w.store, 1, false)
		parked(t, w, FaultPatientRefused)
		reason := state(t, w.store, 1).Reason
		require.Contains(t, reason, "not-found at Observation.subject.reference")
		require.NotContains(t, reason, "oona")
		w.hospital.Put([]byte(`{"resourceType":"Patient","id":"oona"}`))
		want(t, w.store, 1, false)
		w.delivers()
	})
}

// TestFailureIsTriedAgain: what the target did not do is due again as the
// answer says, and nothing is lost.
func TestFailureIsTriedAgain(t *testing.T) {
	t.Parallel()
	const day = 24 * time.Hour
	date := newClock().Now().Add(90 * time.Second).Format(http.TimeFormat)
	for name, c := range map[string]struct {
		fault   sandbox.Fault
		outcome Outcome
		cause   Fault
		wait    time.Duration
	}{
		"ThrottledForSeconds":   {sandbox.Refuse(429, "20"), Retry, FaultThrottled, 21 * time.Second},
		"ThrottledUntilADate":   {sandbox.Refuse(429, date), Retry, FaultThrottled, 91 * time.Second},
		"ThrottledForTooLong":   {sandbox.Refuse(429, "864000"), Retry, FaultThrottled, time.Hour + time.Second},
		"ThrottledInWords":      {sandbox.Refuse(429, "soon"), Retry, FaultThrottled, time.Second},
		"UnavailableForSeconds": {sandbox.Refuse(503, "120"), InDoubt, FaultBusy, 121 * time.Second},
		"Locked":                {sandbox.Refuse(423, ""), Retry, FaultConflict, time.Second},
		"TooEarly":              {sandbox.Refuse(425, ""), Retry, FaultBusy, time.Second},
		"NotLoggedIn":           {sandbox.Refuse(401, ""), Retry, FaultLogin, time.Minute},
		"Forbidden":             {sandbox.Refuse(403, ""), Retry, FaultForbidden, time.Minute},
		"Redirected":            {sandbox.Refuse(301, ""), Retry, FaultRedirect, time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWard(t)
			w.hospital.Misbehave(c.fault)
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			require.Equal(t, c.outcome, w.seen.last().Outcome)
			require.Equal(t, c.cause, w.seen.last().Fault)
			require.Equal(t, w.clock.Now().Add(c.wait), state(t, w.store, 1).Due)
			w.clock.Add(day)
			w.delivers()
			w.requireHeld("h1", 1, "final")
			require.Zero(t, state(t, w.store, 1).Attempts)
		})
	}
	t.Run("EachFailureDoublesTheWait", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		for _, wait := range []time.Duration{1, 2, 4, 8} {
			w.hospital.Misbehave(sandbox.Refuse(425, ""))
			require.Equal(t, 1, w.pass())
			require.Equal(t, w.clock.Now().Add(wait*time.Second), state(t, w.store, 1).Due)
			w.clock.Add(wait * time.Second)
		}
	})
	t.Run("ATargetThatAlwaysConflictsIsLeftAfterAFewRequests", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		w.delivers()
		w.asked()
		want(t, w.store, 1, false)
		w.hospital.Misbehave(sandbox.Refuse(409, ""), sandbox.Fault{}, sandbox.Refuse(409, ""), sandbox.Fault{}, sandbox.Refuse(409, ""), sandbox.Fault{}, sandbox.Refuse(409, ""))
		require.Equal(t, 1, w.pass())
		require.Len(t, w.asked(), maxRequests)
		require.Equal(t, Retry, w.seen.last().Outcome)
		require.Equal(t, FaultConflict, w.seen.last().Fault)
		w.clock.Add(day)
		w.delivers()
	})
}

// TestLease: a worker that lost its lease sends nothing more and decides
// nothing.
func TestLease(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	t.Run("LostBeforeTheFirstRequestSendsNothing", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		slow := w.claim(w.worker)[0]
		slow.until = slow.until.Add(time.Hour) // its clock runs late
		w.clock.Add(w.worker.options.Lease)
		want(t, w.store, 1, false)
		other := w.hire()
		finish(other, w.claim(other)[0])
		w.asked()
		finish(w.worker, slow)
		require.Equal(t, Lost, w.seen.last().Outcome)
		require.Empty(t, w.asked())
		w.settle()
		w.delivers()
		w.requireHeld("h1", 2, "amended")
	})
	t.Run("LostBetweenTwoRequestsWritesNothing", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Put(scoreOf(1, 1, false))
		want(t, w.store, 1, false)
		want(t, w.store, 1, false)
		slow := w.claim(w.worker)[0]
		s := &delivering{w: w.worker, d: slow.delivery, until: slow.until.Add(time.Hour), attempt: Attempt{Target: targetName}}
		require.True(t, s.load(ctx))
		s.choose()
		require.True(t, s.begin(ctx))
		require.False(t, s.step(ctx), "there is one already")
		w.clock.Add(w.worker.options.Lease)
		other := w.hire()
		require.True(t, w.claim(other)[0].delivery.InDoubt)
		require.True(t, s.begin(ctx), "reading harms nobody")
		require.False(t, s.step(ctx), "it is of an earlier version")
		require.False(t, s.begin(ctx))
		w.worker.record(s, func() {})
		w.worker.recording.Wait()
		require.Equal(t, Lost, s.attempt.Outcome)
		w.requireHeld("score-1", 1, "final")
	})
	for name, c := range map[string]struct {
		after time.Duration
		asked int
	}{
		"IsTrustedForAMoment":   {trusted - time.Millisecond, 1},
		"IsAskedForAfterwards":  {trusted, 0},
		"IsAskedForLongBehind":  {30 * time.Second, 0},
		"IsNotTrustedFromAhead": {-time.Millisecond, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWard(t)
			want(t, w.store, 1, false)
			claimed := w.claim(w.worker)[0]
			require.NoError(t, w.store.Record(ctx, claimed.delivery), "as if another had taken it over")
			w.clock.Add(c.after)
			finish(w.worker, claimed)
			require.Equal(t, Lost, w.seen.last().Outcome, "what becomes of it is not recorded")
			require.Len(t, w.asked(), c.asked)
		})
	}
	t.Run("ClaimedAgainAfterAJumpIsNotTrusted", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		for _, recorded := range []bool{false, true} {
			want(t, w.store, 1, false)
			first := w.claim(w.worker)[0]
			want(t, w.store, 1, false)
			w.clock.Add(w.worker.options.Lease)
			second := w.claim(w.worker)[0]
			w.clock.Add(-w.worker.options.Lease)
			if recorded {
				finish(w.worker, second)
				w.asked()
			}
			finish(w.worker, first)
			require.Equal(t, Lost, w.seen.last().Outcome)
			require.Empty(t, w.asked())
			for range 5 {
				w.clock.Add(w.worker.options.Lease + w.worker.options.Settle)
				w.pass()
			}
			d := state(t, w.store, 1)
			require.Equal(t, store.Delivered, d.State())
			w.asked()
		}
	})
	t.Run("RunOutThatNobodyTookIsGivenBack", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		c := w.claim(w.worker)[0]
		c.until = c.until.Add(time.Hour)
		w.clock.Add(w.worker.options.Lease) // a clock that is ahead
		finish(w.worker, c)
		require.Equal(t, Released, w.seen.last().Outcome)
		require.Empty(t, w.asked())
		w.clock.Add(-w.worker.options.Lease) // and is put right
		require.Zero(t, state(t, w.store, 1).Attempts)
		w.delivers()
	})
	t.Run("NearlyOverIsGivenBack", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		c := w.claim(w.worker)[0]
		w.clock.Add(w.worker.options.Lease - w.worker.options.Timeout + time.Millisecond)
		finish(w.worker, c)
		require.Equal(t, Released, w.seen.last().Outcome)
		require.Empty(t, w.asked())
		require.Zero(t, state(t, w.store, 1).Attempts)
		w.delivers()
	})
	t.Run("RunOutAfterAnAttemptIsReadByTheNext", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		c := w.claim(w.worker)[0]
		s := &delivering{w: w.worker, d: c.delivery, until: c.until, attempt: Attempt{Target: targetName}}
		s.deliver(ctx) // and the process dies before it records
		w.clock.Add(w.worker.options.Lease)
		w.asked()
		w.delivers()
		require.Equal(t, []string{"GET Observation?"}, w.asked())
		require.Len(t, w.hospital.Versions("Observation", "h1"), 1)
	})
}
