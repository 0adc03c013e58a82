package api_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// General clients put a slash between the base and an empty path.
func TestTrailingSlashIsAsIfItWereNotThere(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for _, path := range []string{"/fhir/metadata/", "/fhir/Observation/?patient=Patient/oona", "/fhir/Questionnaire/scorad-self-assessment/"} {
		require.Equal(t, http.StatusOK, r.get(path).status, path)
	}
	posted := r.do(http.MethodPost, "/fhir/", `{"resourceType":"Bundle","type":"batch"}`)
	require.Equal(t, http.StatusOK, posted.status, string(posted.body))
	for _, path := range []string{"/", "//", "/fhir//"} {
		require.Equal(t, http.StatusNotFound, r.get(path).status, path)
	}
}
