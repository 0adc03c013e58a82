package test_test

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// recorded counts the AuditEvents of a resource with an action.
func recorded(t testing.TB, s *server, entity, action string) int {
	t.Helper()
	var bundle struct{ Entry []json.RawMessage }
	require.NoError(t, json.Unmarshal(get(t, s.fhir+"/AuditEvent?_count=200&entity="+entity+"&action="+action), &bundle))
	return len(bundle.Entry)
}

// TestKilledAfterTheAnswerTheRecordIsThere: whatever was answered, written or
// read, is on record after a kill -9, and the chains are whole.
func TestKilledAfterTheAnswerTheRecordIsThere(t *testing.T) {
	t.Parallel()
	database := filepath.Join(t.TempDir(), "tidemark.db")
	s := serve(t, database)
	var mu sync.Mutex
	written, read := map[string]int{}, map[string]int{}
	var clients sync.WaitGroup
	enough := make(chan struct{}, 10000)
	for c := range 6 {
		clients.Go(func() {
			for n := range 1000 {
				r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona(fmt.Sprintf("kill-%d-%d", c, n), "6"))
				if err != nil || r.status != http.StatusCreated {
					return
				}
				id := path.Base(path.Dir(path.Dir(r.location)))
				mu.Lock()
				written[id]++
				mu.Unlock()
				for range 2 {
					if r, err = call(http.MethodGet, s.fhir+"/Observation/"+id, nil); err != nil || r.status != http.StatusOK {
						return
					}
					mu.Lock()
					read[id]++
					mu.Unlock()
				}
				enough <- struct{}{}
			}
		})
	}
	for range 40 {
		select {
		case <-enough:
		case <-time.After(patience):
			require.FailNow(t, "too slow")
		}
	}
	s.kill()
	clients.Wait()

	s = serve(t, database)
	require.GreaterOrEqual(t, len(written), 40)
	for id, count := range written {
		require.Equal(t, count, recorded(t, s, "QuestionnaireResponse/"+id, "C"), "what was acknowledged is on record")
		require.GreaterOrEqual(t, recorded(t, s, "Observation/"+id, "R"), read[id], "so is what was read")
	}
	require.Equal(t, 0, s.stop())
	checked := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
	require.Equal(t, 0, checked.code, "%s%s", checked.out, checked.err)
	require.Contains(t, checked.out, " entries of the audit trail followed, 0 faults\n")
	require.Equal(t, 2, strings.Count(checked.out, "audit chain "), "one of each process")
}

// TestTamperedTrailIsReported: verify names the entry.
func TestTamperedTrailIsReported(t *testing.T) {
	t.Parallel()
	database := filepath.Join(t.TempDir(), "tidemark.db")
	s := serve(t, database)
	for n := range 4 {
		_, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona(fmt.Sprint("tamper-", n), "6"))
		require.NoError(t, err)
	}
	require.Equal(t, 0, s.stop())
	db, err := sql.Open("sqlite", "file:"+database)
	require.NoError(t, err)
	for _, statement := range []string{"DROP TRIGGER audit_never_shrinks", "DELETE FROM audit WHERE aid = (1<<40)+2"} {
		_, err = db.Exec(statement)
		require.NoError(t, err)
	}
	require.NoError(t, db.Close())
	checked := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
	require.Equal(t, 1, checked.code)
	require.Regexp(t, `AuditEvent/[0-9a-f]{16}-2: the entry is missing\n`, checked.out)
	require.Contains(t, checked.out, "3 entries of the audit trail followed, 2 faults")
}

// TestShippedToAFile: the program gives its trail away as lines, and goes on
// where it was when it starts again.
func TestShippedToAFile(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	database, file := filepath.Join(dir, "tidemark.db"), filepath.Join(dir, "audit.jsonl")
	for round := range 2 {
		s := serve(t, database, "TIDEMARK_AUDIT_SHIP="+file)
		_, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona(fmt.Sprint("ship-", round), "6"))
		require.NoError(t, err)
		require.Eventually(t, func() bool { return metric(t, s, "tidemark_audit_ship_pending", "") == 0 }, patience, 20*time.Millisecond)
		require.Zero(t, metric(t, s, "tidemark_audit_ship_failures_total", ""))
		require.Equal(t, 0, s.stop())
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		seen := map[string]bool{}
		for line := range strings.Lines(string(text)) {
			event := parse(t, []byte(line))
			require.Equal(t, "AuditEvent", event.ResourceType)
			require.False(t, seen[event.ID], "given twice without need")
			seen[event.ID] = true
		}
		require.Len(t, seen, round+1)
	}
}
