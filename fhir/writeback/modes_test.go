package writeback

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// existing is the condition of a create by the identifier of the first score.
const existing = " If-None-Exist identifier=https%3A%2F%2Ftidemark.example%2Ffhir%2Fsid%2Fscore%7Cdigest-1"

// TestModes: what each mode asks of a hospital that can do everything, and that
// the hospital holds the version wanted afterwards.
func TestModes(t *testing.T) {
	t.Parallel()
	for mode, c := range map[Mode]struct {
		first, amended, lost, edited, taken, deleted, there []string
	}{
		ConditionalUpdate: {
			first:   []string{"PUT Observation?"},
			amended: []string{`PUT Observation/h1 If-Match W/"1"`},
			lost:    []string{"GET Observation?"},
			edited:  []string{`PUT Observation/h1 If-Match W/"2"`, "GET Observation/h1", `PUT Observation/h1 If-Match W/"3"`},
			taken:   []string{`PUT Observation/h1 If-Match W/"4"`},
			deleted: []string{`PUT Observation/h1 If-Match W/"1"`, "GET Observation/h1", "GET Observation?", "PUT Observation?"},
			there:   []string{"PUT Observation?", "GET Observation?"},
		},
		ConditionalCreate: {
			first:   []string{"POST Observation" + existing},
			amended: []string{`PUT Observation/h1 If-Match W/"1"`},
			lost:    []string{"GET Observation?"},
			edited:  []string{`PUT Observation/h1 If-Match W/"2"`, "GET Observation/h1", `PUT Observation/h1 If-Match W/"3"`},
			taken:   []string{`PUT Observation/h1 If-Match W/"4"`},
			deleted: []string{`PUT Observation/h1 If-Match W/"1"`, "GET Observation/h1", "GET Observation?", "POST Observation" + existing},
			there:   []string{"POST Observation" + existing, "GET Observation?"},
		},
		SearchThenWrite: {
			first:   []string{"GET Observation?", "POST Observation"},
			amended: []string{`PUT Observation/h1 If-Match W/"1"`},
			lost:    []string{"GET Observation?"},
			edited:  []string{`PUT Observation/h1 If-Match W/"2"`, "GET Observation/h1", `PUT Observation/h1 If-Match W/"3"`},
			taken:   []string{`PUT Observation/h1 If-Match W/"4"`},
			deleted: []string{`PUT Observation/h1 If-Match W/"1"`, "GET Observation/h1", "GET Observation?", "POST Observation"},
			there:   []string{"GET Observation?"},
		},
		Transaction: {
			first:   []string{"POST "},
			amended: []string{"POST "},
			lost:    []string{"GET Observation?"},
			edited:  []string{"POST ", "GET Observation/h1", "POST "},
			taken:   []string{"POST "},
			deleted: []string{"POST ", "GET Observation/h1", "GET Observation?", "POST "},
			there:   []string{"POST ", "GET Observation?"},
		},
	} {
		t.Run(string(mode), func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, mode, sandbox.Options{})
			next := func(version int64, status string, retract bool, asked []string) {
				t.Helper()
				want(t, w.store, 1, retract)
				w.delivers()
				require.Equal(t, asked, w.asked())
				w.requireHeld("h1", version, status)
				require.Zero(t, w.pass(), "nothing is left to do")
			}
			next(1, "final", false, c.first)
			next(2, "amended", false, c.amended)
			w.hospital.Put(w.hospital.Current("Observation")[0])
			next(3, "amended", false, c.edited)
			next(4, "entered-in-error", true, c.taken)
			require.Len(t, w.hospital.Versions("Observation", "h1"), 5)
		})
		t.Run(string(mode)+"AnswerLost", func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, mode, sandbox.Options{})
			faults := make([]sandbox.Fault, len(c.first)-1)
			w.hospital.Misbehave(append(faults, sandbox.Lost(true))...)
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			require.Equal(t, InDoubt, w.seen.last().Outcome)
			require.True(t, state(t, w.store, 1).InDoubt)
			w.settle()
			w.asked()
			w.delivers()
			require.Equal(t, c.lost, w.asked())
			require.Len(t, w.hospital.Versions("Observation", "h1"), 1)
		})
		t.Run(string(mode)+"DeletedIsMadeAnew", func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, mode, sandbox.Options{})
			want(t, w.store, 1, false)
			w.delivers()
			w.asked()
			w.hospital.Delete("Observation", "h1")
			want(t, w.store, 1, false)
			w.delivers()
			require.Equal(t, c.deleted, w.asked())
			require.EqualValues(t, 2, versionIn(t, w.only()))
		})
		t.Run(string(mode)+"ThereAlready", func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, mode, sandbox.Options{})
			w.hospital.Put(scoreOf(1, 1, false))
			want(t, w.store, 1, false)
			w.delivers()
			require.Equal(t, c.there, w.asked())
			require.Equal(t, "score-1", state(t, w.store, 1).RemoteID)
			require.Len(t, w.hospital.Versions("Observation", "score-1"), 1)
		})
		t.Run(string(mode)+"AheadIsNotReplaced", func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, mode, sandbox.Options{})
			w.hospital.Put(scoreOf(1, 7, false))
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			require.Equal(t, FaultAhead, w.seen.last().Fault)
			w.requireHeld("score-1", 7, "amended")
		})
	}
}

// TestAPostIsNeverRepeatedBlindly: between two creates of one score there is
// always a search that found nothing, made after the time to settle.
func TestAPostIsNeverRepeatedBlindly(t *testing.T) {
	t.Parallel()
	for name, fault := range map[string]sandbox.Fault{
		"RequestLost":  sandbox.Lost(false),
		"Error":        sandbox.Refuse(500, ""),
		"Unavailable":  sandbox.Refuse(503, ""),
		"PageInstead":  sandbox.HTML(),
		"GatewayLimit": sandbox.Refuse(504, ""),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, SearchThenWrite, sandbox.Options{})
			w.hospital.Misbehave(sandbox.Fault{}, fault)
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			require.Equal(t, InDoubt, w.seen.last().Outcome)
			require.Equal(t, []string{"GET Observation?", "POST Observation"}, w.asked())
			require.Equal(t, w.clock.Now().Add(w.worker.options.Settle), state(t, w.store, 1).Due)
			w.settle()
			w.delivers()
			require.Equal(t, []string{"GET Observation?", "POST Observation"}, w.asked())
			require.Len(t, w.hospital.Current("Observation"), 1)
		})
	}
	t.Run("ANewerVersionDoesNotHurryIt", func(t *testing.T) {
		t.Parallel()
		w := newWardIn(t, SearchThenWrite, sandbox.Options{})
		w.hospital.Misbehave(sandbox.Fault{}, sandbox.Lost(false))
		want(t, w.store, 1, false)
		require.Equal(t, 1, w.pass())
		want(t, w.store, 1, false)
		w.clock.Add(w.worker.options.Backoff.Base)
		w.asked()
		require.Equal(t, 1, w.pass(), "it is looked after at once")
		require.Equal(t, FaultSettling, w.seen.last().Fault)
		require.Equal(t, []string{"GET Observation?"}, w.asked(), "but not written")
		w.settle()
		w.delivers()
		w.requireHeld("h1", 2, "amended")
	})
}

// TestNoVersions: without ETags a resource is read right before it is updated,
// and never while another update may still be on its way.
func TestNoVersions(t *testing.T) {
	t.Parallel()
	for _, mode := range Modes()[1:] {
		write := "PUT Observation/h1"
		if mode == Transaction {
			write = "POST "
		}
		t.Run(string(mode), func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, mode, sandbox.Options{Kind: sandbox.Kind{NoVersions: true}})
			want(t, w.store, 1, false)
			w.delivers()
			require.Empty(t, state(t, w.store, 1).ETag)
			for version := int64(2); version <= 3; version++ {
				w.asked()
				want(t, w.store, 1, false)
				w.delivers()
				require.Equal(t, []string{"GET Observation/h1", write}, w.asked())
				w.requireHeld("h1", version, "amended")
			}
		})
		t.Run(string(mode)+"WaitsForAnUpdateStillOnItsWay", func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, mode, sandbox.Options{Kind: sandbox.Kind{NoVersions: true}})
			network := &wire{clock: w.clock, base: NewTransport()}
			var err error
			w.worker, err = New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Transport: network, Mode: mode}, w.worker.options)
			require.NoError(t, err)
			want(t, w.store, 1, false)
			w.delivers()
			want(t, w.store, 1, false)
			network.hold = 1
			require.Equal(t, 1, w.pass())
			require.Equal(t, InDoubt, w.seen.last().Outcome)
			want(t, w.store, 1, false)
			w.clock.Add(w.worker.options.Backoff.Base)
			require.Equal(t, 1, w.pass(), "a newer version is due at once")
			require.Equal(t, FaultSettling, w.seen.last().Fault, "and would be replaced by what comes later")
			network.arrive(w.clock.Now().Add(settles))
			w.settle()
			w.delivers()
			w.requireHeld("h1", 3, "amended")
		})
	}
	t.Run("StatedVersionedIsNotTrustedToLookAtIfMatch", func(t *testing.T) {
		t.Parallel()
		for versioning, asked := range map[string][]string{
			"":                 {`PUT Observation/h1 If-Match W/"1"`},
			"versioned-update": {`PUT Observation/h1 If-Match W/"1"`},
			"versioned":        {"GET Observation/h1", `PUT Observation/h1 If-Match W/"1"`},
			"no-version":       {"GET Observation/h1", `PUT Observation/h1 If-Match W/"1"`},
		} {
			w := newWard(t)
			w.worker.standing.learn(abilities{read: true, versioning: versioning})
			want(t, w.store, 1, false)
			w.delivers()
			w.asked()
			want(t, w.store, 1, false)
			w.delivers()
			require.Equal(t, asked, w.asked(), versioning)
		}
	})
	t.Run("IfMatchThatIsRefusedAsSuchIsLeftOut", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		w.delivers()
		w.worker.client.http.Transport = refusing(t, func(r *http.Request) bool { return r.Header.Get("If-Match") != "" }, 400, notSupported)
		w.asked()
		for range 2 {
			want(t, w.store, 1, false)
			w.delivers()
			require.Equal(t, []string{"GET Observation/h1", "PUT Observation/h1"}, w.asked(), "the one with If-Match did not arrive")
		}
		w.requireHeld("h1", 3, "amended")
	})
	t.Run("AContentThatIsRefusedIsNot", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		want(t, w.store, 1, false)
		w.delivers()
		w.asked()
		w.hospital.Misbehave(sandbox.Refuse(400, ""), sandbox.Fault{}, sandbox.Refuse(400, ""))
		want(t, w.store, 1, false)
		require.Equal(t, 1, w.pass())
		require.Equal(t, Refused, w.seen.last().Outcome)
		require.Equal(t, []string{`PUT Observation/h1 If-Match W/"1"`, "GET Observation/h1", `PUT Observation/h1 If-Match W/"1"`}, w.asked(), "it is there, so that the content is at fault")
	})
}

// TestUpdateOfWhatIsGone: a target that lost the score says so by another status
// than 404 where clients may not choose ids (R4 http.html 3.1.0.4), as HAPI FHIR
// does by 400; it is created again. By a status that says something else it is
// not looked for.
func TestUpdateOfWhatIsGone(t *testing.T) {
	t.Parallel()
	for status, again := range map[int]bool{400: true, 405: true, 422: true, 413: false, 403: false} {
		t.Run(fmt.Sprint("AnsweredBy", status), func(t *testing.T) {
			t.Parallel()
			w := newWard(t)
			want(t, w.store, 1, false)
			w.delivers()
			w.asked()
			w.hospital.Delete("Observation", "h1")
			w.hospital.Misbehave(sandbox.Refuse(status, ""))
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			if !again {
				require.NotEqual(t, Delivered, w.seen.last().Outcome)
				require.Equal(t, []string{`PUT Observation/h1 If-Match W/"1"`}, w.asked())
				return
			}
			require.Equal(t, Delivered, w.seen.last().Outcome)
			require.Equal(t, "amended", w.only()["status"])
			require.Equal(t, []string{`PUT Observation/h1 If-Match W/"1"`, "GET Observation/h1", "GET Observation?", "PUT Observation?"}, w.asked())
		})
	}
}

// refusing is a transport that answers some requests itself.
func refusing(t testing.TB, which func(*http.Request) bool, status int, code string) http.RoundTripper {
	base := NewTransport()
	t.Cleanup(base.CloseIdleConnections)
	return roundTrip(func(r *http.Request) (*http.Response, error) {
		if !which(r) {
			return base.RoundTrip(r)
		}
		return answerOf(r, status, fmt.Sprintf(`{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":%q}]}`, code)), nil
	})
}

// TestFallBack: a target that does not do what the mode needs gets a plain
// request, once that has been proved it is remembered, and it is told once.
func TestFallBack(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	for name, c := range map[string]struct {
		mode  Mode
		kind  sandbox.Kind
		first string
	}{
		"ConditionalUpdate400":      {ConditionalUpdate, sandbox.Kind{NoConditionalUpdate: 400}, "PUT Observation?"},
		"ConditionalUpdate405":      {ConditionalUpdate, sandbox.Kind{NoConditionalUpdate: 405}, "PUT Observation?"},
		"ConditionalUpdate412":      {ConditionalUpdate, sandbox.Kind{NoConditionalUpdate: 412}, "PUT Observation?"},
		"ConditionalUpdate422":      {ConditionalUpdate, sandbox.Kind{NoConditionalUpdate: 422}, "PUT Observation?"},
		"ConditionalUpdate501":      {ConditionalUpdate, sandbox.Kind{NoConditionalUpdate: 501}, "PUT Observation?"},
		"ConditionalCreate400":      {ConditionalCreate, sandbox.Kind{NoConditionalCreate: 400}, "POST Observation" + existing},
		"ConditionalCreate412":      {ConditionalCreate, sandbox.Kind{NoConditionalCreate: 412}, "POST Observation" + existing},
		"ConditionalCreate501":      {ConditionalCreate, sandbox.Kind{NoConditionalCreate: 501}, "POST Observation" + existing},
		"Transaction":               {Transaction, sandbox.Kind{NoTransaction: true}, "POST "},
		"TransactionWithoutItsTool": {Transaction, sandbox.Kind{NoConditionalCreate: 400}, "POST "},
		"AutoThatWasLiedTo":         {Auto, sandbox.Kind{NoConditionalCreate: 400, Statement: sandbox.Boastful}, "POST Observation" + existing},
		"AutoWithoutAStatement":     {Auto, sandbox.Kind{NoConditionalUpdate: 400, Statement: sandbox.Silent}, "PUT Observation?"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, c.mode, sandbox.Options{Kind: c.kind})
			w.worker.discover(ctx)
			w.asked()
			want(t, w.store, 1, false)
			w.delivers()
			require.Equal(t, []string{c.first, "GET Observation?", "POST Observation"}, w.asked())
			require.Equal(t, SearchThenWrite, w.worker.standing.way().mode)
			told := len(w.seen.choices)
			from := ConditionalCreate
			if strings.HasPrefix(c.first, "PUT") {
				from = ConditionalUpdate
			}
			if c.mode == Transaction {
				from = Transaction
			}
			require.Equal(t, Choice{targetName, SearchThenWrite, from}, w.seen.choices[told-1])
			want(t, w.store, 2, false)
			require.Equal(t, 1, w.pass())
			require.Equal(t, []string{"GET Observation?", "POST Observation"}, w.asked(), "it is remembered")
			w.worker.discover(ctx)
			require.Equal(t, SearchThenWrite, w.worker.standing.way().mode, "as long as the target says what it said")
			require.Len(t, w.seen.choices, told, "and told once")
		})
	}
	t.Run("OfAnUpdateByTransactionIsAPlainOne", func(t *testing.T) {
		t.Parallel()
		w := newWardIn(t, ConditionalUpdate, sandbox.Options{Kind: sandbox.Kind{NoTransaction: true}})
		want(t, w.store, 1, false)
		w.delivers()
		w.mode = Transaction
		w.worker = w.hire()
		w.asked()
		want(t, w.store, 1, false)
		w.delivers()
		require.Equal(t, []string{"POST ", "GET Observation/h1", `PUT Observation/h1 If-Match W/"1"`}, w.asked())
		require.Equal(t, SearchThenWrite, w.worker.standing.way().mode)
	})
	t.Run("ForgottenOnceTheTargetSaysSomethingElse", func(t *testing.T) {
		t.Parallel()
		s := newStanding(ConditionalUpdate)
		s.learn(abilities{read: true, version: "4.0.1"})
		require.True(t, s.fallBack(ConditionalUpdate))
		require.False(t, s.fallBack(ConditionalUpdate), "that is not new")
		require.True(t, s.unmatch())
		s.learn(abilities{read: true, version: "4.0.1"})
		require.Equal(t, SearchThenWrite, s.way().mode)
		s.learn(abilities{read: true, version: "4.0.1", conditionalUpdate: yes})
		require.Equal(t, ConditionalUpdate, s.way().mode)
		_, matching := s.guarded()
		require.True(t, matching)
	})
}

// TestContentIsNotTakenForAMissingAbility: a target that refuses a content parks
// it in every mode, and the mode stays.
func TestContentIsNotTakenForAMissingAbility(t *testing.T) {
	t.Parallel()
	for _, mode := range Modes() {
		t.Run(string(mode), func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, mode, sandbox.Options{RequirePatients: true})
			was := w.worker.standing.way().mode
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			require.Equal(t, Refused, w.seen.last().Outcome)
			require.Equal(t, FaultPatientRefused, w.seen.last().Fault)
			require.Contains(t, state(t, w.store, 1).Reason, "subject.reference")
			require.Equal(t, was, w.worker.standing.way().mode)
			w.hospital.Put([]byte(`{"resourceType":"Patient","id":"oona"}`))
			want(t, w.store, 1, false)
			w.delivers()
		})
	}
	t.Run("RefusedWith400Everywhere", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Misbehave(sandbox.Refuse(400, ""), sandbox.Fault{}, sandbox.Refuse(400, ""))
		want(t, w.store, 1, false)
		require.Equal(t, 1, w.pass())
		require.Equal(t, []string{"PUT Observation?", "GET Observation?", "POST Observation"}, w.asked())
		require.Equal(t, Refused, w.seen.last().Outcome)
		require.Equal(t, ConditionalUpdate, w.worker.standing.way().mode)
		require.Empty(t, w.hospital.Current("Observation"))
	})
	t.Run("A400ThatAnUpdateByIdDisproves", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Put(scoreOf(1, 1, false))
		w.hospital.Misbehave(sandbox.Refuse(400, ""))
		want(t, w.store, 1, false)
		want(t, w.store, 1, false)
		w.delivers()
		require.Equal(t, ConditionalUpdate, w.worker.standing.way().mode, "it may have been about the content")
	})
	t.Run("AResourceThatIsGoneIsNoMissingTransaction", func(t *testing.T) {
		t.Parallel()
		w := newWardIn(t, Transaction, sandbox.Options{})
		want(t, w.store, 1, false)
		w.delivers()
		w.hospital.Delete("Observation", "h1")
		w.hospital.Misbehave(sandbox.Refuse(404, ""))
		w.asked()
		want(t, w.store, 1, false)
		w.delivers()
		require.Equal(t, []string{"POST ", "GET Observation/h1", "GET Observation?", "POST "}, w.asked())
		require.Equal(t, Transaction, w.worker.standing.way().mode)
	})
	t.Run("ATargetThatCannotBeSearchedIsParkedAndSaysSo", func(t *testing.T) {
		t.Parallel()
		for _, mode := range Modes() {
			w := newWardIn(t, mode, sandbox.Options{Kind: sandbox.Kind{NoIdentifierSearch: true, NoConditionalUpdate: 400, NoConditionalCreate: 400}})
			w.hospital.Put([]byte(`{"resourceType":"Observation","id":"other","status":"final","code":{"text":"pulse"}}`))
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			require.Equal(t, FaultUnsearchable, w.seen.last().Fault, mode)
			require.Len(t, w.hospital.Current("Observation"), 1, mode)
		}
	})
}
