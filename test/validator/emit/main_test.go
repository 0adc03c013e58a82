package main

import (
	"context"
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// emitted runs the command once for all tests; what it wrote, by file name.
var emitted = sync.OnceValues(func() (map[string][]byte, error) {
	dir, err := os.MkdirTemp("", "tidemark-emitted-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	if _, err := emit(context.Background(), dir); err != nil {
		return nil, err
	}
	files, err := filepath.Glob(filepath.Join(dir, "*.json"))
	if err != nil {
		return nil, err
	}
	all := map[string][]byte{}
	for _, file := range files {
		if all[strings.TrimSuffix(filepath.Base(file), ".json")], err = os.ReadFile(file); err != nil {
			return nil, err
		}
	}
	return all, nil
})

func resources(t *testing.T) map[string][]byte {
	t.Helper()
	all, err := emitted()
	require.NoError(t, err)
	return all
}

// score is what the tests read of an Observation.
type score struct {
	Status           string
	ValueQuantity    *struct{ Value json.Number }
	DataAbsentReason *struct{ Text string }
	Method           struct{ Coding []struct{ Code string } }
	Note             []note
}

type note struct{ Text string }

func scoreOf(t *testing.T, name string) score {
	t.Helper()
	body, ok := resources(t)[name]
	require.True(t, ok, "%s was not written", name)
	var s score
	require.NoError(t, json.Unmarshal(body, &s))
	return s
}

// eachKind runs a test for every form and method.
func eachKind(t *testing.T, test func(t *testing.T, form, method string)) {
	t.Helper()
	for form := range forms {
		for _, method := range methods {
			t.Run(form+" by "+method, func(t *testing.T) {
				t.Parallel()
				test(t, form, method)
			})
		}
	}
}

func TestEveryResourceDecodesStrictly(t *testing.T) {
	t.Parallel()
	all := resources(t)
	require.Greater(t, len(all), 150)
	for name, body := range all {
		document, err := fhir.Decode(body)
		if name == "Basic-topic" { // its status is a modifier extension, which a reader must know of
			require.ErrorContains(t, err, "Basic.modifierExtension[0]")
			continue
		}
		require.NoError(t, err, name)
		kind, _, _ := strings.Cut(name, "-")
		require.Equal(t, kind, document.Root().Type(), name)
		document.Release()
	}
}

func TestEveryKindIsWritten(t *testing.T) {
	t.Parallel()
	all := resources(t)
	for _, name := range []string{
		"Questionnaire-scorad-self-assessment", "Questionnaire-scorad-clinician-assessment",
		"CodeSystem-scorad", "CodeSystem-scorad-grade", "CodeSystem-severity-band", "CodeSystem-data-quality",
		"StructureDefinition-scorad-observation", "StructureDefinition-scorad-panel", "StructureDefinition-scorad-panel-member",
		"StructureDefinition-scorad-self-assessment-response", "StructureDefinition-scorad-clinician-assessment-response",
		"ValueSet-scorad", "ValueSet-scorad-method", "ValueSet-scorad-grade", "ValueSet-severity-band", "ValueSet-data-quality",
		"Device", "CapabilityStatement", "Provenance-self-direct-completed-3",
		"OperationOutcome-refused", "OperationOutcome-malformed", "OperationOutcome-not-found",
		"OperationOutcome-accepted", "OperationOutcome-warned",
		"Bundle-searchset-Observation", "Bundle-searchset-empty", "Bundle-searchset-page",
		"Bundle-transaction-response", "Bundle-batch-response", "Observation-sent-1",
		"CodeSystem-receipt", "ValueSet-receipt", "Task-received", "Task-stopped", "Task-waiting", "Task-parked", "Task-given-up", "Task-delivered", "Task-taken-back",
		"Bundle-searchset-Task", "Subscription", "Basic-topic", "Bundle-subscription-status", "Bundle-subscription-events", "StructureDefinition-subscription-signing-key",
		"Bundle-notification-handshake-id-only", "Bundle-notification-heartbeat-id-only", "Bundle-notification-event-notification-id-only", "Bundle-notification-event-notification-empty",
		"OperationDefinition-scorad-trend", "OperationDefinition-scorad-agreement", "Parameters-trend", "Parameters-agreement", "Parameters-agreement-all",
		"AuditEvent-create-0-of-Subscription", "AuditEvent-update-0-of-Subscription-person", "AuditEvent-delete-0-of-Subscription-person", "AuditEvent-read-0-of-Task", "AuditEvent-110122-4",
	} {
		require.Contains(t, all, name)
	}
}

func TestEveryStateOfAScoreIsWritten(t *testing.T) {
	t.Parallel()
	eachKind(t, func(t *testing.T, form, method string) {
		for state, status := range map[string]string{
			"completed": "final", "completed-amended": "amended", "completed-entered-in-error": "entered-in-error",
		} {
			s := scoreOf(t, "Observation-"+form+"-"+method+"-"+state)
			require.Equal(t, status, s.Status)
			require.Equal(t, form+"-"+method, s.Method.Coding[0].Code)
			require.NotNil(t, s.ValueQuantity)
		}
	})
}

func TestAScoreWithoutTotalSaysWhy(t *testing.T) {
	t.Parallel()
	eachKind(t, func(t *testing.T, form, method string) {
		s := scoreOf(t, "Observation-"+form+"-"+method+"-no-total")
		require.Nil(t, s.ValueQuantity)
		require.NotNil(t, s.DataAbsentReason)
	})
}

func TestAZeroIsAScore(t *testing.T) {
	t.Parallel()
	eachKind(t, func(t *testing.T, form, method string) {
		s := scoreOf(t, "Observation-"+form+"-"+method+"-zero")
		require.Equal(t, json.Number("0.00"), s.ValueQuantity.Value)
	})
}

// TestDoubtfulDataIsNoted: what the answers themselves make doubtful. What earlier
// scores do depends on which of those emitted side by side came first.
func TestDoubtfulDataIsNoted(t *testing.T) {
	t.Parallel()
	const large, restless = "Eczema on 80 percent of the skin or more was recorded", "Sleep loss is much greater than itch"
	eachKind(t, func(t *testing.T, form, method string) {
		for name, doubtful := range map[string]bool{"completed": false, "noted": true} {
			notes := scoreOf(t, "Observation-"+form+"-"+method+"-"+name).Note
			require.NotEmpty(t, notes)
			require.Contains(t, notes[len(notes)-1].Text, "never replaces, the judgement of a clinician", "the caution comes last")
			for _, start := range []string{large, restless} {
				said := slices.ContainsFunc(notes, func(n note) bool { return strings.HasPrefix(n.Text, start) })
				require.Equal(t, doubtful, said, "%s: %s", name, start)
			}
		}
	})
}

func TestEveryStateIsSentToTheHospital(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for name := range resources(t) {
		if strings.HasPrefix(name, "Observation-sent-") {
			seen[scoreOf(t, name).Status] = true
		}
	}
	require.Equal(t, map[string]bool{"final": true, "amended": true, "entered-in-error": true}, seen)
}

func TestABundleAnswersEachEntry(t *testing.T) {
	t.Parallel()
	statuses := func(name string) []string {
		var bundle struct {
			Entry []struct{ Response struct{ Status string } }
		}
		require.NoError(t, json.Unmarshal(resources(t)[name], &bundle))
		var all []string
		for _, entry := range bundle.Entry {
			all = append(all, entry.Response.Status[:3])
		}
		return all
	}
	require.Equal(t, []string{"201", "201", "200"}, statuses("Bundle-transaction-response"))
	require.Equal(t, []string{"201", "422", "404"}, statuses("Bundle-batch-response"))
}

func TestAnUnexpectedAnswerStopsTheCommand(t *testing.T) {
	t.Parallel()
	e := &emitter{ctx: context.Background(), dir: t.TempDir(), handler: http.NotFoundHandler()}
	e.published()
	require.ErrorContains(t, e.err, "answered 404, not 200")
	require.Zero(t, e.written)
	first := e.err
	e.scores()
	require.Equal(t, first, e.err, "the first error is the one told")
}

func TestWhatCannotBeSavedStopsTheCommand(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	_, err := emit(context.Background(), file)
	require.ErrorContains(t, err, "making the directory")
	e := &emitter{dir: filepath.Join(t.TempDir(), "nowhere")}
	e.save("Device", nil)
	require.ErrorContains(t, e.err, "saving Device")
}

func TestAnswersDifferOnlyInWhatIsAskedFor(t *testing.T) {
	t.Parallel()
	full := assessment{form: forms["clinician"], method: "regions", name: "n", percent: "1", itch: "1", sleep: "1", grade: "mild"}
	linkIDs := func(a assessment) (ids []string) {
		for _, group := range a.items() {
			for _, item := range group["item"].([]object) {
				ids = append(ids, item["linkId"].(string))
			}
		}
		return ids
	}
	all := linkIDs(full)
	require.Len(t, all, 1+1+13+6+2+2+1)
	require.Contains(t, all, "bonus.face-hands")
	none := linkIDs(full.as("none", func(a *assessment) { a.itch, a.sleep, a.bare = "", "", true }))
	require.False(t, slices.ContainsFunc(none, func(id string) bool {
		return strings.HasPrefix(id, "symptoms.") || strings.HasPrefix(id, "bonus.") || strings.HasPrefix(id, "also-seen.")
	}))
	direct := linkIDs(full.as("direct", func(a *assessment) { a.method = "direct" }))
	require.Equal(t, []string{"extent.method", "extent.direct"}, direct[:2])
	require.Equal(t, "intensity.erythema", direct[2])
}
