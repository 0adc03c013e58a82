package test_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// TestBirthDateOfTheHospital: the real program asks the hospital's server if it is set
// to, and only then; the warning is on the score, and the birth date nowhere.
func TestBirthDateOfTheHospital(t *testing.T) {
	t.Parallel()
	const born = "2090-02-03" // every rating of today was before it
	hospital := sandbox.New(sandbox.Options{})
	hospital.Put([]byte(`{"resourceType":"Patient","id":"oona-thistledown","birthDate":"` + born + `"}`))
	web := httptest.NewServer(hospital)
	t.Cleanup(web.Close)
	for setting, lookups := range map[string]int{"off": 0, "ask": 1} {
		t.Run(setting, func(t *testing.T) {
			t.Parallel()
			s := serve(t, filepath.Join(t.TempDir(), "tidemark.db"), "TIDEMARK_EHR_URL="+web.URL+"/fhir", "TIDEMARK_EHR_BIRTH_DATE="+setting)
			body := oona("born-"+setting, "3")
			now := time.Now().UTC().Format("2006-01-02T15:04:05Z")
			r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", dated(t, body, now))
			require.NoError(t, err)
			require.Equal(t, http.StatusCreated, r.status, "%s", r.body)
			score := string(get(t, s.fhir+"/Observation/"+parse(t, r.body).ID))
			require.Equal(t, lookups == 1, strings.Contains(score, "before birth"), score)
			require.Contains(t, string(get(t, s.admin+"/metrics")), fmt.Sprintf(`tidemark_birth_lookups_total{outcome="found"} %d`, lookups))
			require.NotContains(t, score+s.log.String(), born)
		})
	}
}

// dated is a response of another time.
func dated(t *testing.T, body []byte, authored string) []byte {
	t.Helper()
	before, rest, found := strings.Cut(string(body), `"authored":"`)
	require.True(t, found)
	_, after, found := strings.Cut(rest, `"`)
	require.True(t, found)
	return []byte(before + `"authored":"` + authored + `"` + after)
}
