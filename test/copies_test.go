package test_test

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// newMeddling is a hospital where somebody meddles with the first score as soon
// as it is there.
func newMeddling(t *testing.T, meddle func(hospital *sandbox.Server, id, body string)) (hospital *sandbox.Server, base string) {
	t.Helper()
	hospital = sandbox.New(sandbox.Options{})
	var once sync.Once
	web := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		hospital.ServeHTTP(w, r)
		if held := hospital.Current("Observation"); len(held) > 0 {
			once.Do(func() { meddle(hospital, parse(t, held[0]).ID, string(held[0])) })
		}
	}))
	t.Cleanup(web.Close)
	return hospital, web.URL + "/fhir"
}

// TestCopiesAreLookedAfter: one hospital loses its copy, which is reported and
// brought again when the operator says so; another changes its copy, which is
// repaired by itself.
func TestCopiesAreLookedAfter(t *testing.T) {
	t.Parallel()
	loser, loserBase := newMeddling(t, func(hospital *sandbox.Server, id, _ string) { hospital.Delete("Observation", id) })
	changer, changerBase := newMeddling(t, func(hospital *sandbox.Server, _, body string) {
		hospital.Put([]byte(strings.Replace(body, `"status":"final"`, `"status":"preliminary"`, 1)))
	})
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "tidemark.yaml"), []byte("TIDEMARK_ADMIN_TOKEN: "+deskToken+"\nTIDEMARK_EHR_URL:\n"+
		"  - {name: loser, url: "+loserBase+", timeout: 1s}\n"+
		"  - {name: changer, url: "+changerBase+", timeout: 1s, read_back: {action: repair}}\n"), 0o600))
	s := serveWith(t, []string{"--config", filepath.Join(dir, "tidemark.yaml")}, filepath.Join(dir, "tidemark.db"))
	created, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("looked after", "6"))
	require.NoError(t, err)
	id := parse(t, created.body).ID
	deliveries := func(args ...string) result {
		t.Helper()
		return tidemark(t, "", []string{"TIDEMARK_ADMIN_TOKEN=" + deskToken}, append([]string{"deliveries"}, append(args, "--admin", s.admin)...)...)
	}
	require.Eventually(t, func() bool { return strings.Contains(deliveries("list", "--state", "differs").out, id) }, patience, 200*time.Millisecond, s.log)
	listed := deliveries("list")
	require.Contains(t, listed.out, "lost")
	require.Contains(t, listed.out, "The target's copy is gone.")
	require.Equal(t, 1.0, metric(t, s, "tidemark_writeback_copies_differing", `target="loser"`))
	told := s.polled(id, "delivered")
	require.Equal(t, "loser", told.Output[2].Type.Text)
	require.Empty(t, told.Output[2].ValueReference.Reference, "there is nothing to refer to")
	require.Empty(t, loser.Current("Observation"), "and it is left to the operator")

	require.Eventually(t, func() bool {
		held := changer.Current("Observation")
		return len(held) == 1 && parse(t, held[0]).Status == "final"
	}, patience, 50*time.Millisecond, s.log)
	require.Equal(t, 1.0, metric(t, s, "tidemark_writeback_copies_repairs_total", `target="changer"`))

	require.Equal(t, result{1, "0 to be tried again\n", ""}, deliveries("retry", "--target", "loser"), "it must be named")
	require.Equal(t, result{0, "1 to be tried again\n", ""}, deliveries("retry", "--fault", "lost"))
	require.Eventually(t, func() bool { return len(loser.Current("Observation")) == 1 }, patience, 50*time.Millisecond, s.log)
	require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_copies_differing", `target="loser"`) == 0 }, patience, 50*time.Millisecond)
}
