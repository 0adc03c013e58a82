package test_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/sandbox"
)

// referring is what of a resource refers to others.
type referring struct {
	Device struct{ Reference string }
	Target []struct{ Reference string }
	Agent  []struct{ Who struct{ Reference string } }
	Entity []struct{ What struct{ Reference string } }
}

// referringIn reads one that must be sound R4.
func referringIn(t testing.TB, body []byte) referring {
	document, err := fhir.Decode(body)
	require.NoError(t, err, "%s", body)
	document.Release()
	var r referring
	require.NoError(t, json.Unmarshal(body, &r))
	return r
}

// TestModesOfTheRealProgram: a list of targets, each written to in its mode, by
// the program that is shipped.
func TestModesOfTheRealProgram(t *testing.T) {
	t.Parallel()
	hospitals := map[string]*sandbox.Server{}
	var list strings.Builder
	for _, target := range []struct {
		name, mode string
		kind       sandbox.Kind
	}{
		{"everything", "transaction", sandbox.Kind{}},
		{"unable", "transaction", sandbox.Kind{NoTransaction: true}},
		{"chosen", "auto", sandbox.Kind{NoConditionalUpdate: http.StatusBadRequest}},
		{"searched", "search-then-write", sandbox.Kind{NoVersions: true, NoConditionalUpdate: http.StatusNotImplemented, NoConditionalCreate: http.StatusNotImplemented}},
	} {
		hospitals[target.name] = sandbox.New(sandbox.Options{Kind: target.kind})
		web := httptest.NewServer(hospitals[target.name])
		t.Cleanup(web.Close)
		fmt.Fprintf(&list, "  - {name: %s, url: \"%s/fhir\", mode: %s}\n", target.name, web.URL, target.mode)
	}
	file := filepath.Join(t.TempDir(), "tidemark.yaml")
	require.NoError(t, os.WriteFile(file, []byte("TIDEMARK_EHR_URL:\n"+list.String()), 0o600))
	s := serveWith(t, []string{"--config", file}, filepath.Join(t.TempDir(), "tidemark.db"), "TIDEMARK_BASE_URL=https://tidemark.brindlemoor.example/fhir")
	created, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("one", "6"))
	require.NoError(t, err)
	require.Equal(t, http.StatusCreated, created.status, "%s", created.body)
	first := parse(t, created.body).ID
	delivered := func() {
		require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_pending", "") == 0 }, patience, 10*time.Millisecond)
	}
	delivered()
	// The same response once more, amended.
	amended := strings.Replace(string(oona("one", "8")), `"status":"completed"`, `"id":"`+first+`","status":"amended"`, 1)
	answer, err := call(http.MethodPut, s.fhir+"/QuestionnaireResponse/"+first, []byte(amended))
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, answer.status, "%s", answer.body)
	delivered()
	for name, h := range hospitals {
		held := h.Current("Observation")
		require.Len(t, held, 1, name)
		require.Contains(t, string(held[0]), `"status":"amended"`, name)
	}
	for _, mode := range []string{
		`mode="transaction",target="everything"`, `mode="search-then-write",target="unable"`,
		`mode="conditional-create-then-update",target="chosen"`, `mode="search-then-write",target="searched"`,
	} {
		require.InDelta(t, 1, metric(t, s, "tidemark_writeback_target_mode", mode), 0, mode)
	}
	require.InDelta(t, 4, metric(t, s, "tidemark_writeback_target_mode", ""), 0, "each has one mode")
	require.InDelta(t, 1, metric(t, s, "tidemark_writeback_mode_refused_total", ""), 0)
	require.Contains(t, s.log.String(), "write mode of the target")

	t.Run("WithProvenanceAndDevice", func(t *testing.T) {
		h := hospitals["everything"]
		require.Len(t, h.Current("Device"), 1)
		provenances := h.Current("Provenance")
		require.Len(t, provenances, 2, "one for each version")
		var device struct{ ID string }
		require.NoError(t, json.Unmarshal(h.Current("Device")[0], &device))
		var score struct{ ID string }
		require.NoError(t, json.Unmarshal(h.Current("Observation")[0], &score))
		require.Equal(t, "Device/"+device.ID, referringIn(t, h.Current("Observation")[0]).Device.Reference)
		for i, body := range provenances {
			r := referringIn(t, body)
			require.Equal(t, "Observation/"+score.ID, r.Target[0].Reference)
			require.Equal(t, "Device/"+device.ID, r.Agent[0].Who.Reference)
			require.Equal(t, "RelatedPerson/bram-thistledown", r.Agent[1].Who.Reference)
			require.Equal(t, fmt.Sprintf("https://tidemark.brindlemoor.example/fhir/QuestionnaireResponse/%s/_history/%d", first, i+1), r.Entity[0].What.Reference)
		}
	})
}
