package writeback

import (
	"math"
	"net/http"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestBackoff(t *testing.T) {
	t.Parallel()
	t.Run("DoublesFromTheBaseToTheCap", func(t *testing.T) {
		t.Parallel()
		b := Backoff{Base: time.Second, Cap: 10 * time.Second}
		var limits []time.Duration
		for failures := range 7 {
			limits = append(limits, b.Limit(failures)/time.Second)
		}
		require.Equal(t, []time.Duration{1, 1, 2, 4, 8, 10, 10}, limits)
	})
	t.Run("IsWithinItsBoundsAndNeverShrinks", func(t *testing.T) {
		t.Parallel()
		rapid.Check(t, func(t *rapid.T) {
			limit := time.Duration(rapid.Int64Range(1, math.MaxInt64).Draw(t, "cap"))
			b := Backoff{Base: time.Duration(rapid.Int64Range(1, int64(limit)).Draw(t, "base")), Cap: limit}
			failures := rapid.IntRange(0, 1000).Draw(t, "failures")
			got := b.Limit(failures)
			require.GreaterOrEqual(t, got, b.Base)
			require.LessOrEqual(t, got, b.Cap)
			require.GreaterOrEqual(t, b.Limit(failures+1), got)
			require.Equal(t, b.Cap, b.Limit(64+failures), "sixty-four doublings reach any cap")
		})
	})
	t.Run("JitterIsFromNothingToTheLimit", func(t *testing.T) {
		t.Parallel()
		options, err := Options{}.withDefaults()
		require.NoError(t, err)
		rapid.Check(t, func(t *rapid.T) {
			limit := time.Duration(rapid.Int64Range(-5, int64(time.Hour)).Draw(t, "limit"))
			got := options.Jitter(limit)
			require.GreaterOrEqual(t, got, time.Duration(0))
			require.LessOrEqual(t, got, max(limit, 0))
		})
		seen := map[time.Duration]bool{}
		for range 1000 {
			seen[options.Jitter(3)] = true
		}
		require.Len(t, seen, 4, "both ends and all between are drawn")
	})
}

// delayed is a delivery after an attempt, with the waits of a target.
func delayed(r *rig, attempts int, v verdict, wait time.Duration) *delivering {
	s := &delivering{w: r.worker, verdict: v, wait: wait}
	s.d.Attempts = attempts + 1
	return s
}

// TestDelay: the wait for the next attempt is what the target asked for and the
// back-off on top; what is in doubt settles first.
func TestDelay(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	o := r.worker.options
	for name, c := range map[string]struct {
		delivery *delivering
		outcome  Outcome
		want     time.Duration
	}{
		"FirstFailureWaitsTheBase":       {delayed(r, 0, isBusy, 0), Retry, o.Backoff.Base},
		"ThirdFailureWaitsFourTimes":     {delayed(r, 2, isBusy, 0), Retry, 4 * o.Backoff.Base},
		"ManyFailuresWaitTheCap":         {delayed(r, 99, isBusy, 0), Retry, o.Backoff.Cap},
		"WhatAPersonMustChangeIsSlow":    {delayed(r, 0, isLogin, 0), Retry, o.Slow.Base},
		"RetryAfterComesBeforeTheJitter": {delayed(r, 0, isThrottled, time.Minute), Retry, time.Minute + o.Backoff.Base},
		"DoubtSettlesFirst":              {delayed(r, 0, inDoubt(FaultServer), 0), InDoubt, o.Settle},
		"DoubtWaitsLongerIfAsked":        {delayed(r, 0, inDoubt(FaultBusy), time.Hour), InDoubt, time.Hour + o.Backoff.Base},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, c.delivery.delay(c.outcome))
		})
	}
}

func TestRetryAfter(t *testing.T) {
	t.Parallel()
	now := time.Date(2024, 5, 10, 12, 0, 0, 0, time.UTC)
	const limit = time.Hour
	for name, c := range map[string]struct {
		header string
		want   time.Duration
	}{
		"AbsentIsNoWait":               {"", 0},
		"SecondsAreHonoured":           {"120", 2 * time.Minute},
		"SpaceAroundIsIgnored":         {" 120 ", 2 * time.Minute},
		"ZeroIsNoWait":                 {"0", 0},
		"SecondsBeyondTheLimitAreCut":  {"86400", limit},
		"MoreThanANumberHoldsIsCut":    {"99999999999999999999999", limit},
		"NegativeIsNoWait":             {"-5", 0},
		"FractionsAreNotSeconds":       {"1.5", 0},
		"DateIsHonoured":               {now.Add(3 * time.Minute).Format(http.TimeFormat), 3 * time.Minute},
		"DateOfRFC850IsHonoured":       {now.Add(time.Minute).Format("Monday, 02-Jan-06 15:04:05 GMT"), time.Minute},
		"DateOfANSICIsHonoured":        {now.Add(time.Minute).Format(time.ANSIC), time.Minute},
		"DateInThePastIsNoWait":        {now.Add(-time.Minute).Format(http.TimeFormat), 0},
		"DateBeyondTheLimitIsCut":      {now.AddDate(10, 0, 0).Format(http.TimeFormat), limit},
		"DateOfAnotherFormatIsNoWait":  {now.Add(time.Minute).Format(time.RFC3339), 0},
		"WordsAreNoWait":               {"tomorrow", 0},
		"FullWidthDigitsAreNotSeconds": {"12０", 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, retryAfter(http.Header{"Retry-After": {c.header}}, now, limit))
		})
	}
	t.Run("IsNeverNegativeNorBeyondTheLimit", func(t *testing.T) {
		t.Parallel()
		text := rapid.OneOf(
			rapid.String(), rapid.StringMatching(`-?[0-9]{1,25}`),
			rapid.Custom(func(t *rapid.T) string {
				return now.Add(time.Duration(rapid.Int64Range(-1e15, 1e15).Draw(t, "from now"))).Format(http.TimeFormat)
			}),
		)
		rapid.Check(t, func(t *rapid.T) {
			limit := time.Duration(rapid.Int64Range(0, int64(48*time.Hour)).Draw(t, "limit"))
			header := text.Draw(t, "header")
			got := retryAfter(http.Header{"Retry-After": {header}}, now, limit)
			require.GreaterOrEqual(t, got, time.Duration(0))
			require.LessOrEqual(t, got, limit)
			if seconds, err := strconv.Atoi(header); err == nil && seconds >= 0 && isDigits(header) && seconds < 1e6 {
				require.Equal(t, min(time.Duration(seconds)*time.Second, limit), got)
			}
		})
	})
}
