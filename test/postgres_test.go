package test_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestReplicasOnPostgreSQL: two programs on one database are one server, and what
// one of them leaves undone when it is killed the other does.
func TestReplicasOnPostgreSQL(t *testing.T) {
	t.Parallel()
	own, database := cluster(t)
	h := newHospital(t)
	settings := []string{"TIDEMARK_EHR_URL=" + h.base, "TIDEMARK_EHR_TIMEOUT=" + requestTime.String(), "TIDEMARK_BASE_URL=https://tidemark.brindlemoor.example/fhir"}
	one, other := serve(t, database, settings...), serve(t, database, settings...)

	first, err := call(http.MethodPost, one.fhir+"/QuestionnaireResponse", oona("before", "6"))
	require.NoError(t, err)
	require.Equal(t, http.StatusCreated, first.status, "%s", first.body)
	again, err := call(http.MethodPost, other.fhir+"/QuestionnaireResponse", oona("before", "6"))
	require.NoError(t, err)
	require.Equal(t, first.status, again.status)
	require.Equal(t, string(first.body), string(again.body), "the same, sent to the other, is answered as the first time")
	second, err := call(http.MethodPost, one.fhir+"/QuestionnaireResponse", oona("at-the-end", "7.5"))
	one.kill()
	require.NoError(t, err)
	require.Equal(t, http.StatusCreated, second.status, "%s", second.body)

	h.revive()
	score := parse(t, get(t, other.fhir+"/Observation/"+parse(t, second.body).ID))
	require.Equal(t, "43.50", score.ValueQuantity.Value.String(), "20/5 + 3.5*8 + 7.5 + 4")
	require.Eventually(t, func() bool { return len(h.Current("Observation")) == 2 }, leasePatience, 20*time.Millisecond)
	require.ElementsMatch(t, []string{"42.00", "43.50"}, values(t, h))

	checked := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
	require.Equal(t, 0, checked.code, "%s", checked.err)
	require.Contains(t, checked.out, "2 scores computed again, 0 differ")
	require.Equal(t, 0, other.stop())
	require.NotContains(t, one.log.String()+other.log.String()+checked.out+checked.err, own.Password())

	wrong := []string{"TIDEMARK_DATABASE=" + strings.Replace(database, own.Password(), "hunter2", 1),
		"TIDEMARK_AUTH=off", "TIDEMARK_LISTEN=127.0.0.1:0", "TIDEMARK_ADMIN_LISTEN=127.0.0.1:0"}
	for _, command := range []string{"serve", "verify"} {
		r := tidemark(t, "", wrong, command)
		require.Equal(t, 3, r.code, command)
		require.Contains(t, r.err, "TIDEMARK_DATABASE")
		require.NotContains(t, r.err, "hunter2")
	}
}
