package test_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// deskToken is the admin token of these tests.
const deskToken = "an-invented-admin-token"

// moody is a hospital's server that refuses every write until it is opened.
type moody struct {
	*httptest.Server
	open atomic.Bool
}

func newMoody(t *testing.T) *moody {
	t.Helper()
	m := &moody{}
	hospital := sandbox.New(sandbox.Options{})
	m.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && !m.open.Load() {
			w.Header().Set("Content-Type", "application/fhir+json")
			w.WriteHeader(http.StatusUnprocessableEntity)
			_, _ = w.Write([]byte(`{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"business-rule","expression":["Observation.category"]}]}`))
			return
		}
		hospital.ServeHTTP(w, r)
	}))
	t.Cleanup(m.Close)
	return m
}

// receipt is what a sender reads of the Task of a response.
type receipt struct {
	Status         string
	BusinessStatus struct{ Coding []struct{ Code string } }
	StatusReason   struct{ Text string }
	Output         []struct {
		Type           struct{ Text string }
		ValueReference struct{ Reference string }
	}
}

// polled polls the receipt of a response until it has a business status.
func (s *server) polled(id, status string) (r receipt) {
	s.t.Helper()
	require.Eventually(s.t, func() bool {
		r = receipt{}
		require.NoError(s.t, json.Unmarshal(get(s.t, s.fhir+"/Task/"+id), &r))
		return r.BusinessStatus.Coding[0].Code == status
	}, patience, 20*time.Millisecond, "%s: %s", status, s.log)
	return r
}

// TestDeliveries: a hospital refuses a score; the sender sees it, the operator
// has it changed and tries again, and both see that it has arrived.
func TestDeliveries(t *testing.T) {
	t.Parallel()
	hospital := newMoody(t)
	database := filepath.Join(t.TempDir(), "tidemark.db")
	settings := []string{"TIDEMARK_EHR_URL=" + hospital.URL + "/fhir", "TIDEMARK_ADMIN_TOKEN=" + deskToken}
	s := serve(t, database, settings...)
	deliveries := func(args ...string) result {
		t.Helper()
		return tidemark(t, "", []string{"TIDEMARK_ADMIN_TOKEN=" + deskToken}, append([]string{"deliveries"}, append(args, "--admin", s.admin)...)...)
	}
	created, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("delivered", "6"))
	require.NoError(t, err)
	id := parse(t, created.body).ID
	parked := s.polled(id, "parked")
	require.Equal(t, "on-hold", parked.Status)
	require.Contains(t, parked.StatusReason.Text, "Observation.category")

	listed := deliveries("list")
	require.Zero(t, listed.code, listed.err)
	for _, word := range []string{"TARGET", "ehr", "parked", "Observation/" + id, "0 of 1", "content", "business-rule at Observation.category"} {
		require.Contains(t, listed.out, word)
	}
	require.Contains(t, listed.err, "1 of 1\n")
	require.NotContains(t, listed.out, "thistledown")
	var list struct {
		Total      int
		Deliveries []struct{ Resource, State, Fault string }
	}
	require.NoError(t, json.Unmarshal([]byte(deliveries("list", "--json", "--state", "parked", "--fault", "content").out), &list))
	require.Equal(t, 1, list.Total)
	require.Equal(t, "Observation/"+id, list.Deliveries[0].Resource)
	require.Empty(t, deliveries("list", "--target", "registry").out)

	hospital.open.Store(true)
	retried := deliveries("retry", "--resource", id)
	require.Equal(t, result{0, "1 to be tried again\n", ""}, retried)
	delivered := s.polled(id, "delivered")
	require.Equal(t, "ehr", delivered.Output[1].Type.Text)
	reference := delivered.Output[1].ValueReference.Reference
	require.True(t, strings.HasPrefix(reference, hospital.URL+"/fhir/Observation/"), reference)
	require.Equal(t, "final", parse(t, get(t, reference)).Status, "and it is there")
	require.Empty(t, deliveries("list").out)
	require.Contains(t, deliveries("list", "--state", "delivered").out, id)

	require.Equal(t, result{1, "0 given up\n", ""}, deliveries("drop", "--target", "ehr", "--reason", "The child has moved."))
	require.Equal(t, result{0, `{"changed":1}` + "\n", ""}, deliveries("want", "--target", "ehr", "--json"))
	require.Equal(t, result{1, "0 wanted\n", ""}, deliveries("want", "--target", "ehr", "--since", "2099-01-01"))
}

func TestDeliveriesRefuses(t *testing.T) {
	t.Parallel()
	s := serve(t, filepath.Join(t.TempDir(), "tidemark.db"), "TIDEMARK_ADMIN_TOKEN="+deskToken)
	closed := httptest.NewServer(nil)
	closed.Close()
	stranger := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("<html>")) }))
	t.Cleanup(stranger.Close)
	token := "TIDEMARK_ADMIN_TOKEN=" + deskToken
	for name, c := range map[string]struct {
		settings []string
		args     []string
		code     int
		says     string
	}{
		"nothing":                          {nil, nil, 2, "list, retry, drop or want"},
		"a verb it does not know":          {nil, []string{"lose"}, 2, "list, retry, drop or want"},
		"a flag of another verb":           {[]string{token}, []string{"retry", "--reason", "x"}, 2, "reason"},
		"to drop without a reason":         {[]string{token}, []string{"drop", "--target", "ehr"}, 2, "--reason"},
		"to want without a target":         {[]string{token}, []string{"want"}, 2, "--target"},
		"a target that is not there":       {[]string{token}, []string{"want", "--target", "nowhere", "--admin", s.admin}, 2, "configured"},
		"to retry whatever there is":       {[]string{token}, []string{"retry", "--admin", s.admin}, 2, "a target, a resource or a fault"},
		"a state that is none":             {[]string{token}, []string{"list", "--state", "lost", "--admin", s.admin}, 2, "parked"},
		"to ask without a token":           {nil, []string{"list", "--admin", s.admin}, 2, "TIDEMARK_ADMIN_TOKEN"},
		"another token":                    {[]string{token + "x"}, []string{"list", "--admin", s.admin}, 2, "admin token"},
		"a server that does not run":       {[]string{token}, []string{"list", "--admin", closed.URL}, 3, "is the server running"},
		"a server that is another":         {[]string{token}, []string{"list", "--admin", stranger.URL}, 3, "nothing that this program knows"},
		"an address of the settings alone": {[]string{token, "TIDEMARK_ADMIN_LISTEN=" + strings.TrimPrefix(closed.URL, "http://")}, []string{"list"}, 3, "is the server running"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := tidemark(t, "", c.settings, append([]string{"deliveries"}, c.args...)...)
			require.Equal(t, c.code, r.code, r.err)
			require.Contains(t, r.err, c.says)
			require.Empty(t, r.out)
			require.NotContains(t, r.err, deskToken)
		})
	}
	r := tidemark(t, "", []string{token, "TIDEMARK_ADMIN_LISTEN=" + strings.TrimPrefix(s.admin, "http://")}, "deliveries", "list")
	require.Zero(t, r.code, r.err)
	require.Contains(t, tidemark(t, "", nil, "deliveries", "--help").out, "--since DATE")
}
