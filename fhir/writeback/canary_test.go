package writeback

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/questionnaire"
)

// aviary is a hospital that canaries are sent to.
type aviary struct {
	*sandbox.Server
	t   *testing.T
	web *httptest.Server
	// refuses answers a request in place of the hospital, if it says so.
	refuses func(w http.ResponseWriter, r *http.Request) bool
}

func newAviary(t *testing.T, kind sandbox.Kind) *aviary {
	a := &aviary{Server: sandbox.New(sandbox.Options{Kind: kind}), t: t}
	a.web = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if a.refuses == nil || !a.refuses(w, r) {
			a.ServeHTTP(w, r)
		}
	}))
	t.Cleanup(a.web.Close)
	return a
}

// canary is the one of the tests, as the statement of the hospital has it.
func (a *aviary) canary(mode Mode, profile observation.Profile) Canary {
	target := Target{Name: targetName, Base: a.web.URL + "/fhir", Mode: mode, Profile: profile}
	seen, err := target.Inspect(context.Background())
	require.NoError(a.t, err)
	return Canary{Target: target, Seen: seen, Identifier: "of-this-installation", Timeout: 5 * time.Second}
}

// fly sends it.
func (a *aviary) fly(ctx context.Context, mode Mode, profile observation.Profile) Flight {
	a.t.Helper()
	flight, err := a.canary(mode, profile).Fly(ctx)
	require.NoError(a.t, err)
	return flight
}

// held is what a test reads of a canary at the hospital.
type held struct {
	ResourceType, ID, Status string
	Meta                     struct {
		Security []struct{ System, Code string }
	}
	Code, Type struct {
		Coding []struct{ System, Code string }
		Text   string
	}
	Subject   *struct{ Reference string }
	HasMember []struct{ Reference string }
}

// versions are the statuses that a resource of the hospital has had.
func (a *aviary) versions(kind, id string) (statuses []string) {
	for _, body := range a.Versions(kind, id) {
		if body == nil {
			statuses = append(statuses, "deleted")
			continue
		}
		var h held
		require.NoError(a.t, json.Unmarshal(body, &h))
		statuses = append(statuses, h.Status)
	}
	return statuses
}

func (a *aviary) holds(kind string) (all []held) {
	for _, body := range a.Current(kind) {
		var h held
		require.NoError(a.t, json.Unmarshal(body, &h))
		all = append(all, h)
	}
	return all
}

// TestCanary: in every mode and shape a canary is written, taken back, and there
// once, however often it is sent.
func TestCanary(t *testing.T) {
	t.Parallel()
	for _, mode := range Modes() {
		for shape, kinds := range map[observation.Shape][]string{
			observation.Single: {"Observation"}, observation.Singles: {"Observation"},
			observation.PanelShape: {"Observation", "Observation"}, observation.Document: {"DocumentReference"},
		} {
			t.Run(string(mode)+"/"+string(shape), func(t *testing.T) {
				t.Parallel()
				a := newAviary(t, sandbox.Kind{})
				for times := range 2 {
					flight := a.fly(context.Background(), mode, observation.Profile{Shape: shape})
					require.Empty(t, flight.Text)
					require.Equal(t, Flight{Requests: flight.Requests, ReadBack: ReadBack{Checked: true}}, flight)
					there := a.holds(kinds[0])
					require.Len(t, there, len(kinds))
					for _, h := range there {
						valid := []string{"final", "entered-in-error"}
						if h.ResourceType == "DocumentReference" {
							valid[0] = "current"
						}
						statuses := a.versions(h.ResourceType, h.ID)
						require.Equal(t, valid, statuses[2*times:2*times+2], "%v", statuses)
						require.Equal(t, "entered-in-error", statuses[len(statuses)-1])
						require.Equal(t, "HTEST", h.Meta.Security[0].Code)
						require.Contains(t, h.Code.Text+h.Type.Text, "not a clinical result")
						require.Equal(t, "HTEST", append(h.Code.Coding, h.Type.Coding...)[0].Code)
						require.Nil(t, h.Subject)
					}
					if shape == observation.PanelShape {
						require.Equal(t, "Observation/"+there[0].ID, there[1].HasMember[0].Reference)
					}
				}
			})
		}
	}
}

// TestCanaryIsOfAPatientIfAsked: only then, and only of that one.
func TestCanaryIsOfAPatientIfAsked(t *testing.T) {
	t.Parallel()
	a := newAviary(t, sandbox.Kind{})
	c := a.canary(Auto, observation.Profile{WithoutNarrative: true, Category: []questionnaire.Coding{}})
	c.Patient = "Patient/invented-test-patient"
	_, err := c.Fly(context.Background())
	require.NoError(t, err)
	require.Equal(t, "Patient/invented-test-patient", a.holds("Observation")[0].Subject.Reference)
	require.NotContains(t, string(a.Current("Observation")[0]), `"text":{"status"`)
	require.NotContains(t, string(a.Current("Observation")[0]), `"category"`)
}

// TestCanaryAsksForIfNoneMatch: whether a target looks at it decides whether
// conditional update is safe there.
func TestCanaryAsksForIfNoneMatch(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		kind  sandbox.Kind
		mode  Mode
		finds bool
		safer Mode
	}{
		"OfTheStandard":         {sandbox.Kind{}, ConditionalUpdate, false, ConditionalCreate},
		"HAPI":                  {sandbox.Kind{HAPI: true}, ConditionalUpdate, true, ConditionalCreate},
		"HAPIInAnotherMode":     {sandbox.Kind{HAPI: true}, Auto, false, ConditionalCreate},
		"HAPIWithoutConditions": {sandbox.Kind{HAPI: true, NoConditionalCreate: 400}, ConditionalUpdate, true, SearchThenWrite},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := newAviary(t, c.kind)
			canary := a.canary(c.mode, observation.Profile{})
			require.Equal(t, c.safer, canary.Seen.Safer)
			for range 2 {
				flight, err := canary.Fly(context.Background())
				require.NoError(t, err)
				require.Empty(t, flight.Text)
				require.Equal(t, c.finds, flight.Overwrites)
			}
			require.Len(t, a.holds("Observation"), 1)
			require.Equal(t, "entered-in-error", a.holds("Observation")[0].Status)
		})
	}
}

// TestCanaryThatIsInterrupted is entered in error all the same, and what a
// process that was killed left is by the next.
func TestCanaryThatIsInterrupted(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(context.Background())
	a := newAviary(t, sandbox.Kind{})
	a.refuses = func(_ http.ResponseWriter, r *http.Request) bool {
		if r.Method == http.MethodPost {
			cancel() // and the hospital goes on with it
		}
		return false
	}
	flight := a.fly(ctx, SearchThenWrite, observation.Profile{})
	require.Empty(t, flight.Left)
	require.Len(t, a.holds("Observation"), 1)
	require.Equal(t, "entered-in-error", a.holds("Observation")[0].Status)

	left := strings.NewReplacer(`"status":"entered-in-error"`, `"status":"final"`).Replace(string(a.Current("Observation")[0]))
	a.Put([]byte(left))
	a.refuses = nil
	require.Equal(t, "final", a.holds("Observation")[0].Status)
	flight = a.fly(context.Background(), SearchThenWrite, observation.Profile{})
	require.True(t, flight.Earlier)
	require.Empty(t, flight.Text)
	require.Equal(t, []string{"final", "entered-in-error", "final", "entered-in-error", "final", "entered-in-error"}, a.versions("Observation", a.holds("Observation")[0].ID))
}

// shutting answers what some requests get.
func shutting(status int, when func(*http.Request) bool) func(http.ResponseWriter, *http.Request) bool {
	return func(w http.ResponseWriter, r *http.Request) bool {
		if !when(r) {
			return false
		}
		w.WriteHeader(status)
		return true
	}
}

func method(names ...string) func(*http.Request) bool {
	return func(r *http.Request) bool { return strings.Contains(strings.Join(names, " "), r.Method) }
}

// TestCanaryThatFails: what step it was, and that nothing is left final.
func TestCanaryThatFails(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		refuses func(http.ResponseWriter, *http.Request) bool
		step    Step
		fault   Fault
		left    bool
	}{
		"SearchingIsForbidden": {shutting(403, func(r *http.Request) bool { return strings.Contains(r.URL.RawQuery, "identifier") }), StepSearch, FaultForbidden, false},
		"CreatingIsForbidden":  {shutting(403, method("POST")), StepCreate, FaultForbidden, false},
		"CreatingIsRefused":    {shutting(422, method("POST")), StepCreate, FaultContent, false},
		"ItIsNeverFound": {func(w http.ResponseWriter, r *http.Request) bool {
			if r.Method != http.MethodGet || r.URL.RawQuery == "" || strings.HasSuffix(r.URL.Path, "/metadata") {
				return false
			}
			_, _ = w.Write([]byte(`{"resourceType":"Bundle","type":"searchset"}`))
			return true
		}, StepCount, FaultUnsearchable, false},
		"UpdatingIsForbidden":   {shutting(403, method("PUT")), StepVoid, FaultForbidden, false},
		"NothingAtAllTakesBack": {shutting(403, method("PUT", "DELETE")), StepVoid, FaultForbidden, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := newAviary(t, sandbox.Kind{})
			a.refuses = c.refuses
			flight := a.fly(context.Background(), ConditionalCreate, observation.Profile{})
			require.Equal(t, c.step, flight.Failed)
			require.Equal(t, c.fault, flight.Fault)
			require.NotEmpty(t, flight.Text)
			require.Equal(t, c.left, flight.Left != "", flight.Left)
			if c.left {
				a.refuses = nil
				again := a.fly(context.Background(), ConditionalCreate, observation.Profile{})
				require.True(t, again.Earlier)
				require.Empty(t, again.Text)
				require.Equal(t, flight.Left, "Observation/"+a.holds("Observation")[0].ID)
			}
			for _, h := range a.holds("Observation") {
				require.Equal(t, "entered-in-error", h.Status)
			}
		})
	}
}

// TestCanaryThatIsLocked: a target may let nothing leave entered-in-error, as we do.
func TestCanaryThatIsLocked(t *testing.T) {
	t.Parallel()
	a := newAviary(t, sandbox.Kind{})
	require.Empty(t, a.fly(context.Background(), ConditionalCreate, observation.Profile{}).Locked)
	a.refuses = shutting(422, method("PUT"))
	flight := a.fly(context.Background(), ConditionalCreate, observation.Profile{})
	require.Equal(t, "Observation/"+a.holds("Observation")[0].ID, flight.Locked)
	require.Empty(t, flight.Failed)
}

// TestCanariesThatAreTwo are both entered in error, and told.
func TestCanariesThatAreTwo(t *testing.T) {
	t.Parallel()
	a := newAviary(t, sandbox.Kind{IgnoreIfNoneExist: true})
	for range 2 {
		body, err := (&observation.Profile{}).AppendCanary(nil, observation.Canary{Identifier: "of-this-installation", At: time.Now()}, observation.Whole, "")
		require.NoError(t, err)
		response, err := http.Post(a.web.URL+"/fhir/Observation", mediaType, strings.NewReader(string(body)))
		require.NoError(t, err)
		require.NoError(t, response.Body.Close())
	}
	flight := a.fly(context.Background(), SearchThenWrite, observation.Profile{})
	require.Equal(t, FaultAmbiguous, flight.Fault)
	require.True(t, flight.Earlier)
	for _, h := range a.holds("Observation") {
		require.Equal(t, "entered-in-error", h.Status)
	}
}

// TestWhatACanaryShowsOfReadBack: what the target dropped is told.
func TestWhatACanaryShowsOfReadBack(t *testing.T) {
	t.Parallel()
	a := newAviary(t, sandbox.Kind{})
	c := a.canary(ConditionalCreate, observation.Profile{})
	a.refuses = func(_ http.ResponseWriter, r *http.Request) bool {
		if r.Method == http.MethodPost {
			a.Misbehave(sandbox.DropComponents())
		}
		return false
	}
	flight, err := c.Fly(context.Background())
	require.NoError(t, err)
	require.Equal(t, []string{"component"}, flight.ReadBack.Dropped)
}
