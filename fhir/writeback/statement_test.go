package writeback

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// able is a target that says it can do everything.
var able = abilities{
	read: true, version: "4.0.1", conditionalUpdate: yes, conditionalCreate: yes, updateCreate: yes, create: yes, update: yes,
	fetch: yes, search: yes, transaction: yes, identifier: yes, versioning: "versioned-update",
}

// but is it with one thing changed.
func but(change func(*abilities)) abilities {
	a := able
	change(&a)
	return a
}

// TestAbilities: of a CapabilityStatement is read what R4 says it means, and what
// it does not say is not guessed.
func TestAbilities(t *testing.T) {
	t.Parallel()
	observation := func(members string) string {
		return `{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1","rest":[{"mode":"server","resource":[{"type":"Observation"` + members + `}]}]}`
	}
	none := abilities{read: true, version: "4.0.1", create: no, update: no, fetch: no, search: no, transaction: no, identifier: no}
	with := func(change func(*abilities)) abilities { a := none; change(&a); return a }
	for name, c := range map[string]struct {
		body string
		says abilities
	}{
		"NothingOfTheType":       {`{"resourceType":"CapabilityStatement","rest":[{"mode":"server"}]}`, abilities{read: true, transaction: no}},
		"NoRest":                 {`{"resourceType":"CapabilityStatement"}`, abilities{read: true}},
		"OfAClientIsNotLookedAt": {`{"resourceType":"CapabilityStatement","rest":[{"mode":"client","resource":[{"type":"Observation","conditionalCreate":true}]}]}`, abilities{read: true}},
		"OfAnotherType":          {`{"resourceType":"CapabilityStatement","rest":[{"mode":"server","resource":[{"type":"Patient","conditionalCreate":true}]}]}`, abilities{read: true, transaction: no}},
		"TypeWithoutMore":        {observation(``), none},
		"ConditionalCreate":      {observation(`,"conditionalCreate":true`), with(func(a *abilities) { a.conditionalCreate = yes })},
		"NoConditionalUpdate":    {observation(`,"conditionalUpdate":false`), with(func(a *abilities) { a.conditionalUpdate = no })},
		"UpdateCreate":           {observation(`,"updateCreate":true`), with(func(a *abilities) { a.updateCreate = yes })},
		"Versioning":             {observation(`,"versioning":"versioned"`), with(func(a *abilities) { a.versioning = "versioned" })},
		"Identifier":             {observation(`,"searchParam":[{"name":"code"},{"name":"identifier","type":"token"}]`), with(func(a *abilities) { a.identifier = yes })},
		"Interactions":           {observation(`,"interaction":[{"code":"read"},{"code":"create"},{"code":"update"},{"code":"search-type"}]`), with(func(a *abilities) { a.fetch, a.create, a.update, a.search = yes, yes, yes, yes })},
		"Transaction":            {`{"resourceType":"CapabilityStatement","rest":[{"mode":"server","interaction":[{"code":"transaction"}]}]}`, abilities{read: true, transaction: yes}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a, err := parseAbilities([]byte(c.body), "Observation")
			require.NoError(t, err)
			require.Equal(t, c.says, a)
		})
	}
	for name, body := range map[string]string{"AnotherResource": `{"resourceType":"Patient"}`, "NoJSON": `<html>`, "Nothing": ``, "NoObject": `[]`} {
		t.Run(name+"IsNone", func(t *testing.T) {
			t.Parallel()
			_, err := parseAbilities([]byte(body), "Observation")
			require.ErrorIs(t, err, errStatement)
		})
	}
	t.Run("OfficialExample", func(t *testing.T) {
		t.Parallel()
		dir := os.Getenv("FHIR_EXAMPLES")
		if dir == "" {
			dir = filepath.Join("..", "..", "..", "shared", "fhir-examples")
		}
		body, err := os.ReadFile(filepath.Join(dir, "r4-capabilitystatement-example.json"))
		if err != nil {
			t.Skipf("HL7's official examples are not at %s; set FHIR_EXAMPLES to a directory of them", dir)
		}
		// It is about Patients; read as if those were scores, it says this (R4
		// capabilitystatement-example.json).
		a, err := parseAbilities([]byte(strings.ReplaceAll(string(body), `"type": "Patient"`, `"type": "Observation"`)), "Observation")
		require.NoError(t, err)
		require.Equal(t, abilities{
			read: true, version: "4.0.1", conditionalUpdate: no, conditionalCreate: yes, updateCreate: no, create: yes, update: yes,
			fetch: yes, search: no, transaction: yes, identifier: yes, versioning: "versioned-update",
		}, a)
	})
}

// TestChoice: Auto takes the first mode that the target says it can do, and what
// is configured stays.
func TestChoice(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		said   abilities
		auto   Mode
		update string
		create string
		search string
		bundle string
	}{
		"Everything":            {able, ConditionalCreate, "", "", "", ""},
		"NoConditionalCreate":   {but(func(a *abilities) { a.conditionalCreate = no }), ConditionalUpdate, "", "conditional create", "", "conditional create"},
		"NoConditionalUpdate":   {but(func(a *abilities) { a.conditionalUpdate = no }), ConditionalCreate, "conditional update", "", "", ""},
		"ConditionalsUnsaid":    {but(func(a *abilities) { a.conditionalUpdate, a.conditionalCreate = silent, silent }), SearchThenWrite, "conditional update", "conditional create", "", "conditional create"},
		"NoConditionals":        {but(func(a *abilities) { a.conditionalUpdate, a.conditionalCreate = no, no }), SearchThenWrite, "conditional update", "conditional create", "", "conditional create"},
		"TransactionsOnly":      {but(func(a *abilities) { a.create, a.update = no, no }), Transaction, "update", "create, update", "create, update", ""},
		"NoTransaction":         {but(func(a *abilities) { a.transaction = no }), ConditionalCreate, "", "", "", "transaction"},
		"NoSearchByIdentifier":  {but(func(a *abilities) { a.identifier = no }), ConditionalUpdate, "search by identifier", "search by identifier", "search by identifier", "search by identifier"},
		"NoSearch":              {but(func(a *abilities) { a.search = no }), ConditionalUpdate, "search by identifier", "search by identifier", "search by identifier", "search by identifier"},
		"NoRead":                {but(func(a *abilities) { a.fetch = no }), ConditionalUpdate, "read", "read", "read", "read"},
		"NoCreate":              {but(func(a *abilities) { a.create = no }), ConditionalUpdate, "", "create", "create", ""},
		"NoCreateOrConditional": {but(func(a *abilities) { a.create, a.conditionalUpdate = no, no }), Transaction, "conditional update", "create", "create", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for mode, lacks := range map[Mode]string{ConditionalUpdate: c.update, ConditionalCreate: c.create, SearchThenWrite: c.search, Transaction: c.bundle} {
				require.Equal(t, lacks, inWords(c.said.lacks(mode)), mode)
				s := newStanding(mode)
				s.learn(c.said)
				require.Equal(t, mode, s.way().mode, "what is configured is done")
			}
			s := newStanding(Auto)
			s.learn(c.said)
			require.Equal(t, c.auto, s.way().mode)
		})
	}
	t.Run("NothingKnown", func(t *testing.T) {
		t.Parallel()
		require.Equal(t, ConditionalUpdate, newStanding(Auto).way().mode)
		require.Equal(t, ConditionalUpdate, newStanding("").way().mode)
		require.Equal(t, Transaction, newStanding(Transaction).way().mode)
	})
	t.Run("EveryModeHasItsWay", func(t *testing.T) {
		t.Parallel()
		for _, mode := range Modes()[1:] {
			require.Equal(t, mode, wayOf(mode).mode)
		}
	})
}

// TestDiscovery: what the target says is told once, in the log and to the
// observer, and the mode follows it.
func TestDiscovery(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	for name, c := range map[string]struct {
		mode   Mode
		kind   sandbox.Kind
		chosen Mode
		says   string
	}{
		"AutoThatCanDoAll":      {Auto, sandbox.Kind{}, ConditionalCreate, `level=INFO msg="write mode of the target" target=brindlemoor mode=conditional-create-then-update because="the target states that it can do it" fhir=4.0.1 versioning=versioned-update`},
		"AutoAtHAPI":            {Auto, sandbox.Kind{HAPI: true}, ConditionalCreate, `level=INFO msg="write mode of the target" target=brindlemoor mode=conditional-create-then-update because="the target states that it can do it" fhir=4.0.1 versioning=versioned-update`},
		"AutoWithout":           {Auto, sandbox.Kind{NoConditionalCreate: 400}, ConditionalUpdate, `level=INFO msg="write mode of the target" target=brindlemoor mode=conditional-update because="the target states that it can do it" fhir=4.0.1 versioning=versioned-update`},
		"AutoForTransactions":   {Auto, sandbox.Kind{TransactionOnly: true}, Transaction, `level=INFO msg="write mode of the target" target=brindlemoor mode=transaction because="the target states that it can do it" fhir=4.0.1 versioning=versioned-update`},
		"AutoAndNothingSaid":    {Auto, sandbox.Kind{Statement: sandbox.Modest}, ConditionalUpdate, `level=WARN msg="write mode of the target" target=brindlemoor mode=conditional-update because="the target states none that it can do, and this is tried first" fhir=4.0.1 versioning=no-version lacks="conditional update, search by identifier"`},
		"AutoAndNoStatement":    {Auto, sandbox.Kind{Statement: sandbox.Silent}, ConditionalUpdate, `level=INFO msg="write mode of the target" target=brindlemoor mode=conditional-update because="no CapabilityStatement could be read (gone), and this is tried first"`},
		"ConfiguredAndStated":   {Transaction, sandbox.Kind{}, Transaction, `level=INFO msg="write mode of the target" target=brindlemoor mode=transaction because="it is configured" fhir=4.0.1 versioning=versioned-update`},
		"ConfiguredNotStated":   {Transaction, sandbox.Kind{NoTransaction: true}, Transaction, `level=WARN msg="write mode of the target" target=brindlemoor mode=transaction because="it is configured" fhir=4.0.1 versioning=versioned-update lacks=transaction`},
		"ConfiguredNoStatement": {SearchThenWrite, sandbox.Kind{Statement: sandbox.Silent}, SearchThenWrite, `level=INFO msg="write mode of the target" target=brindlemoor mode=search-then-write because="it is configured; no CapabilityStatement could be read (gone)"`},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var text strings.Builder
			w := newWardIn(t, c.mode, sandbox.Options{Kind: c.kind}, func(o *Options) {
				o.Logger = slog.New(slog.NewTextHandler(&text, &slog.HandlerOptions{ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
					if a.Key == slog.TimeKey {
						return slog.Attr{}
					}
					return a
				}}))
			})
			for range 3 {
				w.worker.discover(ctx)
			}
			require.Equal(t, c.says+"\n", text.String(), "once")
			require.Equal(t, []Choice{{targetName, c.chosen, ""}}, w.seen.choices)
			require.Equal(t, c.chosen, w.worker.standing.way().mode)
			require.Equal(t, []string{"GET metadata?", "GET metadata?", "GET metadata?"}, w.asked())
		})
	}
	for name, c := range map[string]struct {
		handler http.HandlerFunc
		fault   Fault
	}{
		"HTML":            {func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "<html>") }, FaultNotFHIR},
		"AnotherResource": {func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, `{"resourceType":"Patient"}`) }, FaultNotFHIR},
		"BreaksOff":       {breakOff, FaultConnection},
		"NeverEnds": {func(w http.ResponseWriter, _ *http.Request) {
			for i := 0; i < maxStatement/1024+1; i++ {
				_, _ = io.WriteString(w, strings.Repeat(" ", 1024))
			}
		}, FaultTooLarge},
		"Unauthorised": {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(401) }, FaultLogin},
		"Error":        {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(500) }, FaultServer},
		"Redirects":    {func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, "/elsewhere", http.StatusFound) }, FaultRedirect},
		"HangsUp":      {func(w http.ResponseWriter, _ *http.Request) { hangUp(w) }, FaultConnection},
	} {
		t.Run("AStatementThat"+name+"IsNone", func(t *testing.T) {
			t.Parallel()
			asked := make(chan []string, 8) // a GET may be repeated by the transport
			asking := clientOf(t, listen(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				asked <- []string{r.Method, r.URL.String(), r.Header.Get("Accept")}
				c.handler(w, r)
			})), nil)
			limited, cancel := context.WithTimeout(ctx, patience)
			defer cancel()
			_, fault := asking.abilities(limited)
			require.Equal(t, c.fault, fault)
			require.Equal(t, []string{"GET", "/fhir/metadata?mode=full", mediaType}, <-asked)
		})
	}
	t.Run("IsAskedAgain", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		require.Equal(t, time.Hour, w.worker.discover(ctx), "slowly")
		w.hospital.Misbehave(sandbox.Refuse(500, ""), sandbox.Refuse(500, ""), sandbox.HTML())
		var waits []time.Duration
		for range 4 {
			waits = append(waits, w.worker.discover(ctx))
		}
		require.Equal(t, []time.Duration{time.Minute, 2 * time.Minute, 4 * time.Minute, time.Hour}, waits, "sooner, but less and less soon, after a failure")
	})
	t.Run("AStatementThatChangesChangesTheMode", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.worker.standing.learn(able)
		w.worker.tell(FaultNone)
		w.worker.standing.learn(but(func(a *abilities) { a.conditionalCreate = no }))
		w.worker.tell(FaultNone)
		require.Equal(t, []Choice{{targetName, ConditionalCreate, ""}, {targetName, ConditionalUpdate, ""}}, w.seen.choices)
	})
	t.Run("AFailureLaterForgetsNothing", func(t *testing.T) {
		t.Parallel()
		w := newWardIn(t, Auto, sandbox.Options{Kind: sandbox.Kind{NoConditionalUpdate: 400}})
		w.worker.discover(ctx)
		w.hospital.Misbehave(sandbox.Refuse(503, ""))
		w.worker.discover(ctx)
		require.Equal(t, ConditionalCreate, w.worker.standing.way().mode)
		require.Len(t, w.seen.choices, 1)
	})
}

// TestRunDiscovers: a worker asks before it writes, and again.
func TestRunDiscovers(t *testing.T) {
	t.Parallel()
	s, hospital := realStore(t), sandbox.New(sandbox.Options{Kind: sandbox.Kind{NoConditionalUpdate: 400}})
	asked := make(chan string, 1000)
	url := listen(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked <- r.Method + " " + r.URL.Path
		hospital.ServeHTTP(w, r)
	}))
	want(t, s, 1, false)
	o := duty(t, s, url, func(o *Options) { o.Discover = time.Millisecond })
	require.Equal(t, Delivered, o.told.next(t).Outcome)
	require.Equal(t, Choice{targetName, ConditionalCreate, ""}, await(t, o.told.choices))
	require.Equal(t, "GET /fhir/metadata", await(t, asked))
	for again := 0; again < 2; {
		select {
		case line := <-asked:
			if line == "GET /fhir/metadata" {
				again++
			}
		case <-time.After(patience):
			require.Fail(t, "it was not asked again")
		}
	}
	o.end(t)
}
