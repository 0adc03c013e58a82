package test_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/scoring"
)

// TestRescoring: the program reports what another band set would change, writes it
// only when it is told to and once, and the hospital gets the amended versions.
func TestRescoring(t *testing.T) {
	t.Parallel()
	t.Run("SQLite", func(t *testing.T) { t.Parallel(); rescores(t, filepath.Join(t.TempDir(), "tidemark.db")) })
	t.Run("PostgreSQL", func(t *testing.T) { t.Parallel(); _, database := cluster(t); rescores(t, database) })
}

func rescores(t *testing.T, database string) {
	h := newHospital(t)
	h.revive()
	settings := []string{"TIDEMARK_EHR_URL=" + h.base, "TIDEMARK_BASE_URL=https://tidemark.brindlemoor.example/fhir"}
	s := serve(t, database, settings...)
	var ids []string
	for n, itch := range []string{"6", "7", "8"} {
		r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona(fmt.Sprint("rescored-", n), itch))
		require.NoError(t, err)
		ids = append(ids, parse(t, r.body).ID)
	}
	arrived := func(sets ...string) func() bool {
		return func() bool {
			held := h.Current("Observation")
			found := 0
			for _, body := range held {
				for _, set := range sets {
					if strings.Contains(string(body), set) {
						found++
					}
				}
			}
			return len(held) == len(ids) && found == len(ids)
		}
	}
	require.Eventually(t, arrived("usual-25-50"), leasePatience, 20*time.Millisecond)
	settings = append(settings, "TIDEMARK_DATABASE="+database)
	chopra := append([]string{"TIDEMARK_BANDS=chopra-2017"}, settings...)

	r := tidemark(t, "", settings, "verify", "--bands", "chopra-2017")
	require.Equal(t, 1, r.code, r.err)
	for _, id := range ids {
		require.Regexp(t, `(?m)^Observation/`+id+` +1  band set$`, r.out)
	}
	require.Contains(t, r.out, "algorithm as each score names it, band set chopra-2017: 3 scores computed again, 3 differ, 0 stay as they are, 0 cannot be computed again\n"+
		"BAND NOW  BAND THEN  SCORES\nmoderate  moderate   3\nNothing was written; --write writes what differs\n")
	require.NotContains(t, r.out+r.err, "thistledown")
	require.Equal(t, 0, tidemark(t, "", settings, "verify").code, "nothing was written")
	require.Equal(t, 0, tidemark(t, "", settings, "verify", "--algorithm", "1.0.0").code, "the version they name changes nothing")

	refused := func(settings []string, says string, args ...string) {
		t.Helper()
		r := tidemark(t, "", settings, append([]string{"verify"}, args...)...)
		require.Equal(t, 2, r.code, "%v", args)
		require.Contains(t, r.err, says)
		require.Empty(t, r.out)
	}
	refused(settings, `there is no version "1.0"; it is one of 1.0.0`, "--algorithm", "1.0")
	refused(settings, "it is one of usual-25-50, ", "--bands", "none")
	refused(settings, "go with --algorithm or --bands", "--write")
	refused(settings, "set TIDEMARK_BANDS to chopra-2017 and restart", "--bands", "chopra-2017", "--write", "--yes")
	refused(chopra, "give --yes", "--bands", "chopra-2017", "--write")
	refused(chopra, "--yes confirms --write", "--bands", "chopra-2017", "--yes")

	r = tidemark(t, "", chopra, "verify", "--bands", "chopra-2017", "--write", "--yes", "--json")
	require.Equal(t, 0, r.code, r.err)
	require.Contains(t, r.err, "3 scores are to be written as amended versions, which 1 targets")
	var told struct {
		Algorithm, Bands              string
		Scores                        []struct{ Score string }
		Looked, Differ, Stay, Written int
		Moves                         []struct{ From, To string }
	}
	require.NoError(t, json.Unmarshal([]byte(r.out), &told), r.out)
	require.Len(t, told.Scores, 3)
	require.Equal(t, []int{3, 3, 0, 3}, []int{told.Looked, told.Differ, told.Stay, told.Written})
	require.Equal(t, []struct{ From, To string }{{"moderate", "moderate"}}, told.Moves)
	require.Eventually(t, arrived("chopra-2017"), leasePatience, 20*time.Millisecond, "the running server delivers what was written beside it")

	r = tidemark(t, "", chopra, "verify", "--bands", "chopra-2017", "--write", "--yes")
	require.Equal(t, 0, r.code, r.err)
	require.Contains(t, r.out, "3 scores computed again, 0 differ, 3 stay as they are, 0 cannot be computed again\n0 amended scores written\n")
	r = tidemark(t, "", chopra, "verify")
	require.Equal(t, 0, r.code, "%s%s", r.out, r.err)
	for _, id := range ids {
		require.Contains(t, string(get(t, s.fhir+"/Observation/"+id)), "Computed again from the same answers by SCORAD algorithm "+scoring.AlgorithmVersion+" and band set chopra-2017")
		require.Contains(t, string(get(t, s.fhir+"/Observation/"+id+"/_history")), `"total":2`)
	}
	require.Equal(t, 0, s.stop())
}
