package writeback

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// TestDeliveryToAHospital: each score takes the way that the contract says,
// with the real store and the stand-in server.
func TestDeliveryToAHospital(t *testing.T) {
	t.Parallel()
	t.Run("FirstIsByIdentifier", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		w.delivers()
		require.Equal(t, []string{"PUT Observation?"}, w.asked())
		w.requireHeld("h1", 1, "final")
		require.Equal(t, "1", w.only()["meta"].(map[string]any)["versionId"], "the hospital's own version")
		require.Zero(t, w.pass(), "nothing is left to do")
	})
	t.Run("AmendedGoesToTheSameResourceByIdWithIfMatch", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		for version := int64(1); version <= 3; version++ {
			want(t, w.store, 1, false)
			w.delivers()
		}
		require.Equal(t, []string{"PUT Observation?", `PUT Observation/h1 If-Match W/"1"`, `PUT Observation/h1 If-Match W/"2"`}, w.asked())
		w.requireHeld("h1", 3, "amended")
		require.Len(t, w.hospital.Versions("Observation", "h1"), 3)
	})
	t.Run("VersionsInBetweenAreNotSent", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		for range 3 {
			want(t, w.store, 1, false)
		}
		w.delivers()
		require.Equal(t, []string{"PUT Observation?"}, w.asked())
		w.requireHeld("h1", 3, "amended")
	})
}

// TestDeliveryMeetsWhatTheHospitalDid: what it changed, had already, deleted or
// dropped.
func TestDeliveryMeetsWhatTheHospitalDid(t *testing.T) {
	t.Parallel()
	t.Run("ChangedByTheHospitalIsReadAndThenUpdated", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		w.delivers()
		w.hospital.Put(w.hospital.Current("Observation")[0])
		want(t, w.store, 1, false)
		w.delivers()
		require.Equal(t, []string{
			"PUT Observation?", `PUT Observation/h1 If-Match W/"1"`, "GET Observation/h1", `PUT Observation/h1 If-Match W/"2"`,
		}, w.asked())
		w.requireHeld("h1", 2, "amended")
	})
	t.Run("ThereAlreadyIsFoundAndNotWritten", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Put(scoreOf(1, 1, false))
		want(t, w.store, 1, false)
		w.delivers()
		require.Equal(t, []string{"PUT Observation?", "GET Observation?"}, w.asked())
		require.Len(t, w.hospital.Versions("Observation", "score-1"), 1)
		require.Equal(t, "score-1", state(t, w.store, 1).RemoteID)
	})
	t.Run("ThereInAnEarlierVersionIsUpdated", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Put(scoreOf(1, 1, false))
		want(t, w.store, 1, false)
		want(t, w.store, 1, false)
		w.delivers()
		w.requireHeld("score-1", 2, "amended")
	})
	t.Run("DeletedByTheHospitalIsMadeAnewWhenAmended", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		w.delivers()
		w.hospital.Delete("Observation", "h1")
		want(t, w.store, 1, false)
		w.delivers()
		require.Equal(t, []string{
			"PUT Observation?", `PUT Observation/h1 If-Match W/"1"`, "GET Observation/h1", "GET Observation?", "PUT Observation?",
		}, w.asked())
		w.requireHeld("h2", 2, "amended")
	})
	t.Run("DroppedComponentsAreReported", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Misbehave(sandbox.DropComponents())
		want(t, w.store, 1, false)
		w.delivers()
		require.Equal(t, []string{"component"}, w.seen.last().ReadBack.Dropped)
		require.Equal(t, "Delivered, but the target has dropped: component.", state(t, w.store, 1).Reason)
	})
	t.Run("VersionIsTakenFromTheBodyWithoutETag", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Misbehave(sandbox.NoETag())
		want(t, w.store, 1, false)
		w.delivers()
		require.Equal(t, `W/"1"`, state(t, w.store, 1).ETag)
	})
}

// TestRetraction: what is taken back stays under its id as entered in error,
// and what never arrived is not sent.
func TestRetraction(t *testing.T) {
	t.Parallel()
	t.Run("OfWhatWasDeliveredIsAnUpdate", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		w.delivers()
		want(t, w.store, 1, true)
		w.delivers()
		w.requireHeld("h1", 2, "entered-in-error")
		require.Len(t, w.hospital.Versions("Observation", "h1"), 2)
	})
	t.Run("OfWhatWasNeverSentSendsNothing", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		want(t, w.store, 1, true)
		require.Equal(t, 1, w.pass())
		require.Equal(t, Withdrawn, w.seen.last().Outcome)
		require.Empty(t, w.asked())
		d := state(t, w.store, 1)
		require.Equal(t, d.Wanted, d.Delivered)
		require.Empty(t, d.RemoteID)
	})
	t.Run("OfWhatWasRefusedSendsNothing", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Misbehave(sandbox.Refuse(422, ""))
		want(t, w.store, 1, false)
		require.Equal(t, 1, w.pass())
		want(t, w.store, 1, true)
		require.Equal(t, 1, w.pass())
		require.Equal(t, []string{"PUT Observation?"}, w.asked())
		require.Equal(t, Withdrawn, w.seen.last().Outcome)
		require.Empty(t, w.hospital.Current("Observation"))
	})
	t.Run("OfWhatTheHospitalDeletedSendsNothing", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		w.delivers()
		w.hospital.Delete("Observation", "h1")
		want(t, w.store, 1, true)
		require.Equal(t, 1, w.pass())
		require.Equal(t, Withdrawn, w.seen.last().Outcome)
		require.Empty(t, w.hospital.Current("Observation"))
	})
}

// TestRetractionInDoubt: what may have arrived is looked for, and taken back
// only if it did.
func TestRetractionInDoubt(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		fault   sandbox.Fault
		outcome Outcome
		held    int
	}{
		"InDoubtThatArrivedIsTakenBack":       {sandbox.Lost(true), Delivered, 1},
		"InDoubtThatNeverArrivedSendsNothing": {sandbox.Lost(false), Withdrawn, 0},
		"AfterAServerErrorThatHidTheWrite":    {sandbox.FailAfterWrite(500), Delivered, 1},
		"AfterAServerErrorThatPreventedIt":    {sandbox.Refuse(500, ""), Withdrawn, 0},
		"AfterAPageOfAGatewayThatPreventedIt": {sandbox.HTML(), Withdrawn, 0},
		"AfterAGatewayTimeoutThatHidTheWrite": {sandbox.FailAfterWrite(504), Delivered, 1},
		"AfterAGatewayTimeoutThatPreventedIt": {sandbox.Refuse(504, ""), Withdrawn, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWard(t)
			w.hospital.Misbehave(c.fault)
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			require.Equal(t, InDoubt, w.seen.last().Outcome)
			want(t, w.store, 1, true)
			for range 2 {
				w.settle()
				w.pass()
			}
			require.Equal(t, c.outcome, w.seen.last().Outcome)
			require.Len(t, w.hospital.Current("Observation"), c.held)
			if c.held > 0 {
				w.requireHeld("h1", 2, "entered-in-error")
			}
		})
	}
	for name, c := range map[string]struct {
		early []sandbox.Fault
		fault Fault
	}{
		"WaitsForARequestStillOnItsWay":  {nil, FaultSettling},
		"WaitsThoughTheEarlyLookFailed":  {[]sandbox.Fault{sandbox.Refuse(425, "")}, FaultBusy},
		"WaitsThoughTheEarlyLookWasLost": {[]sandbox.Fault{sandbox.Lost(false)}, FaultConnection},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWard(t)
			network := &wire{clock: w.clock, base: NewTransport(), hold: 1}
			var err error
			w.worker, err = New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Transport: network}, w.worker.options)
			require.NoError(t, err)
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			want(t, w.store, 1, true)
			w.clock.Add(w.worker.options.Backoff.Base)
			w.hospital.Misbehave(c.early...)
			require.Equal(t, 1, w.pass(), "a newer version is due at once")
			require.Equal(t, c.fault, w.seen.last().Fault)
			require.True(t, state(t, w.store, 1).InDoubt)
			w.clock.Add(w.worker.options.Settle - time.Millisecond)
			require.Zero(t, w.pass(), "what is on its way may take so long")
			network.arrive(w.clock.Now().Add(time.Hour))
			w.clock.Add(time.Millisecond)
			w.delivers()
			w.requireHeld("h1", 2, "entered-in-error")
		})
	}
}

// TestDoubt: what is not known is read before anything is written.
func TestDoubt(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		fault sandbox.Fault
		after []string
	}{
		"AnswerLost":         {sandbox.Lost(true), []string{"GET Observation?"}},
		"RequestLost":        {sandbox.Lost(false), []string{"GET Observation?", "PUT Observation?"}},
		"ErrorAfterTheWrite": {sandbox.FailAfterWrite(500), []string{"GET Observation?"}},
		"UnavailableAfterIt": {sandbox.FailAfterWrite(503), []string{"GET Observation?"}},
		"ErrorInsteadOfIt":   {sandbox.Refuse(500, ""), []string{"GET Observation?", "PUT Observation?"}},
		"PageOfAGateway":     {sandbox.HTML(), []string{"GET Observation?", "PUT Observation?"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWard(t)
			w.hospital.Misbehave(c.fault)
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			require.True(t, state(t, w.store, 1).InDoubt)
			require.NotEmpty(t, state(t, w.store, 1).Reason)
			w.clock.Add(w.worker.options.Settle - time.Millisecond)
			require.Zero(t, w.pass(), "the doubt settles first")
			w.clock.Add(time.Millisecond)
			w.asked()
			w.delivers()
			require.Equal(t, c.after, w.asked())
			require.Len(t, w.hospital.Versions("Observation", "h1"), 1)
			require.Empty(t, state(t, w.store, 1).Reason)
		})
	}
	t.Run("OfAnUpdateIsReadById", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		w.delivers()
		w.hospital.Misbehave(sandbox.Lost(true))
		want(t, w.store, 1, false)
		require.Equal(t, 1, w.pass())
		w.settle()
		w.asked()
		w.delivers()
		require.Equal(t, []string{"GET Observation/h1"}, w.asked())
		require.Equal(t, `W/"2"`, state(t, w.store, 1).ETag)
		w.requireHeld("h1", 2, "amended")
	})
	t.Run("AStaleIndexMakesNoSecondResource", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Misbehave(sandbox.Lost(true), sandbox.StaleSearch(), sandbox.Fault{}, sandbox.StaleSearch())
		want(t, w.store, 1, false)
		require.Equal(t, 1, w.pass())
		w.settle()
		require.Equal(t, 1, w.pass())
		require.Equal(t, []string{"PUT Observation?", "GET Observation?", "PUT Observation?", "GET Observation?"}, w.asked())
		require.Equal(t, FaultConflict, w.seen.last().Fault, "it is there, but not yet found")
		w.settle()
		w.delivers()
		w.requireHeld("h1", 1, "final")
	})
}
