package writeback

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// outcomes is what becomes of a delivery whose writes are all answered with one
// status, in each mode: the first that the target gets, and an amendment of what
// it holds. Reads and searches are answered as they should be.
type outcomes struct {
	status                                int
	update, create, search, transaction   Outcome
	amendedInPlace, amendedByATransaction Outcome
}

// outcomeCases are written out, so that every status is decided in every mode.
// That a first one is in doubt where the target says that there is one already,
// and the search does not find it, is what keeps a slow index from making two.
var outcomeCases = []outcomes{
	{200, Delivered, InDoubt, Delivered, InDoubt, Delivered, InDoubt},
	{201, Delivered, Delivered, Delivered, InDoubt, Delivered, InDoubt},
	{202, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt},
	{203, Delivered, InDoubt, Delivered, InDoubt, Delivered, InDoubt},
	{204, Delivered, InDoubt, Delivered, InDoubt, Delivered, InDoubt},
	{206, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt},
	{301, Retry, Retry, Retry, Retry, Retry, Retry},
	{302, Retry, Retry, Retry, Retry, Retry, Retry},
	{304, InDoubt, InDoubt, InDoubt, InDoubt, Retry, Retry},
	{307, Retry, Retry, Retry, Retry, Retry, Retry},
	{308, Retry, Retry, Retry, Retry, Retry, Retry},
	{400, Refused, Refused, Refused, Refused, Refused, Refused},
	{401, Retry, Retry, Retry, Retry, Retry, Retry},
	{402, Refused, Refused, Refused, Refused, Refused, Refused},
	{403, Retry, Retry, Retry, Retry, Retry, Retry},
	{404, Refused, Refused, Refused, Refused, Retry, Retry},
	{405, Refused, Refused, Refused, Refused, Refused, Refused},
	{406, Refused, Refused, Refused, Refused, Refused, Refused},
	{407, Retry, Retry, Retry, Retry, Retry, Retry},
	{408, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt},
	{409, InDoubt, InDoubt, InDoubt, InDoubt, Retry, Retry},
	{410, Refused, Refused, Refused, Refused, Retry, Retry},
	{412, InDoubt, InDoubt, InDoubt, InDoubt, Retry, Retry},
	{413, Refused, Refused, Refused, Refused, Refused, Refused},
	{415, Refused, Refused, Refused, Refused, Refused, Refused},
	{421, Retry, Retry, Retry, Retry, Retry, Retry},
	{422, Refused, Refused, Refused, Refused, Refused, Refused},
	{423, Retry, Retry, Retry, Retry, Retry, Retry},
	{424, Retry, Retry, Retry, Retry, Retry, Retry},
	{425, Retry, Retry, Retry, Retry, Retry, Retry},
	{428, InDoubt, InDoubt, InDoubt, InDoubt, Retry, Retry},
	{429, Retry, Retry, Retry, Retry, Retry, Retry},
	{431, Refused, Refused, Refused, Refused, Refused, Refused},
	{451, Refused, Refused, Refused, Refused, Refused, Refused},
	{500, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt},
	{501, Refused, Refused, Refused, Refused, Refused, Refused},
	{502, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt},
	{503, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt},
	{504, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt},
	{505, Refused, Refused, Refused, Refused, Refused, Refused},
	{507, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt, InDoubt},
	{511, Retry, Retry, Retry, Retry, Retry, Retry},
}

// answering answers every write with a status and no body, and what else is
// asked as the hospital does.
type answering struct {
	hospital http.RoundTripper
	status   int
}

func (a *answering) RoundTrip(r *http.Request) (*http.Response, error) {
	if a.status != 0 && r.Method != http.MethodGet {
		return answerOf(r, a.status, ""), nil
	}
	return a.hospital.RoundTrip(r)
}

// direct carries requests to a handler without a network.
func direct(handler http.Handler) roundTrip {
	return func(r *http.Request) (*http.Response, error) {
		recorder := httptest.NewRecorder()
		handler.ServeHTTP(recorder, r)
		return recorder.Result(), nil
	}
}

// TestOutcomes: every status in every mode, for the first and for an amendment.
func TestOutcomes(t *testing.T) {
	t.Parallel()
	for _, c := range outcomeCases {
		t.Run(fmt.Sprint("Status", c.status), func(t *testing.T) {
			t.Parallel()
			clock := newClock()
			s := openStore(t, clock.Now)
			score := 0
			attempt := func(mode Mode, amends bool) Outcome {
				score++
				target, seen := fmt.Sprint(targetName, "-", score), &observed{}
				transport := &answering{hospital: direct(sandbox.New(sandbox.Options{Now: clock.Now}))}
				w, err := New(s, Target{Name: target, Base: "http://ehr.example/fhir", Mode: mode, Transport: transport}, Options{Clock: clock, Observer: seen})
				require.NoError(t, err)
				pass := func() {
					claimed, err := w.claim(context.Background(), clock.Now(), 10)
					require.NoError(t, err)
					require.Len(t, claimed, 1)
					finish(w, claimed[0])
				}
				wantAt(t, s, target, score, false)
				if amends {
					pass()
					require.Equal(t, Delivered, seen.last().Outcome)
					wantAt(t, s, target, score, false)
				}
				transport.status = c.status
				pass()
				require.LessOrEqual(t, seen.last().Requests, maxRequests)
				return seen.last().Outcome
			}
			require.Equal(t, c.update, attempt(ConditionalUpdate, false), "conditional update")
			require.Equal(t, c.create, attempt(ConditionalCreate, false), "conditional create")
			require.Equal(t, c.search, attempt(SearchThenWrite, false), "create after a search")
			require.Equal(t, c.transaction, attempt(Transaction, false), "transaction")
			for _, mode := range []Mode{ConditionalUpdate, ConditionalCreate, SearchThenWrite} {
				require.Equal(t, c.amendedInPlace, attempt(mode, true), "update by id in mode %s", mode)
			}
			require.Equal(t, c.amendedByATransaction, attempt(Transaction, true), "transaction that updates")
		})
	}
	t.Run("HasEveryStatusThatHasAMeaningOfItsOwn", func(t *testing.T) {
		t.Parallel()
		for status := range writeVerdicts {
			require.True(t, slices.ContainsFunc(outcomeCases, func(c outcomes) bool { return c.status == status }), status)
		}
	})
}

// TestSuspect: which answers may mean that the target does not do what was
// asked, and which leave no doubt of it.
func TestSuspect(t *testing.T) {
	t.Parallel()
	const supported = "not-supported"
	for _, c := range []struct {
		asked           action
		status          int
		issue           string
		suspected, sure bool
	}{
		{creating, 400, "", true, false},
		{creating, 400, "structure at Observation.code", true, false},
		{creating, 400, supported, true, true},
		{creating, 400, "not-supported at Observation.component", true, false},
		{creating, 404, supported, false, false},
		{creating, 405, "", true, true},
		{creating, 412, "", false, false},
		{creating, 412, "conflict", false, false},
		{creating, 412, supported, true, true},
		{creating, 422, "", false, false},
		{creating, 422, supported, true, true},
		{creating, 422, "not-supported at Observation.component", false, false},
		{creating, 501, "", true, true},
		{creating, 500, supported, false, false},
		{creating, 409, supported, false, false},
		{adding, 400, "", true, false},
		{adding, 412, supported, true, true},
		{adding, 405, "", true, true},
		{bundling, 404, "", true, false},
		{bundling, 404, supported, true, true},
		{bundling, 410, "", true, false},
		{bundling, 412, "not-supported at Bundle.entry[1]", true, true},
		{bundling, 412, "not-supported at Bundle.entry[0].request.ifNoneExist", true, true},
		{bundling, 422, "not-supported at Bundle.entry[0].resource.component", false, false},
		{bundling, 400, "not-supported at Bundle.entry[0].resource.component", true, false},
		{rebundling, 400, "", true, false},
		{rebundling, 404, "", true, false},
		{rebundling, 501, "", true, true},
		{posting, 400, supported, false, false},
		{posting, 405, supported, false, false},
		{updating, 501, supported, false, false},
		{reading, 400, supported, false, false},
		{searching, 501, supported, false, false},
	} {
		suspected, sure := suspect(c.asked, answer{status: c.status, issues: []string{c.issue}})
		require.Equal(t, []bool{c.suspected, c.sure}, []bool{suspected, sure}, "%d of action %d with %q", c.status, c.asked, c.issue)
	}
}
