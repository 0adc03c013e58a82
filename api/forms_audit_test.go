package api_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store"
)

// TestFormsAreOnRecord: whoever registers or retires a form by the admin listener is
// on the audit trail, with the version that was written.
func TestFormsAreOnRecord(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	d.register(t, portalForm(t), http.StatusCreated)
	d.register(t, portalForm(t), http.StatusOK) // again
	require.Equal(t, http.StatusOK, d.admin(t, http.MethodDelete, "/Questionnaire/"+diary, "").status)

	page, err := d.store.Audits(context.Background(), store.AuditQuery{Limit: 10, Entities: []string{"Questionnaire/" + diary}})
	require.NoError(t, err)
	slices.Reverse(page.Records)
	require.Len(t, page.Records, 3)
	for i, want := range []struct{ subtype, entity string }{
		{"create", "Questionnaire/" + diary + "/_history/1"},
		{"update", "Questionnaire/" + diary + "/_history/1"},
		{"update", "Questionnaire/" + diary + "/_history/2"},
	} {
		a := page.Records[i]
		require.Equal(t, want.subtype, a.Subtype)
		require.Equal(t, "admin-token", a.Client)
		require.Equal(t, "0", a.Outcome)
		require.Contains(t, string(a.Event), `"reference":"`+want.entity+`"`)
		require.Contains(t, string(a.Event), `"address":"127.0.0.1"`)
		require.NotContains(t, string(a.Event), adminToken)
	}
}

// TestTurnedAwayFromAdminIsOnRecord: whoever comes to the admin listener without its
// token leaves a record, as a refused token of the FHIR server does, without
// what was sent; a flood of them fills no disk, and each counts.
func TestTurnedAwayFromAdminIsOnRecord(t *testing.T) {
	t.Parallel()
	const wrong = "a-guess-at-the-admin-token"
	listener := func(r *rig, token config.Secret) string {
		web := httptest.NewServer(api.Admin(r.store, r.metrics, r.server.FormsAdmin(token).Mount, r.server.DeliveriesAdmin(token).Mount))
		t.Cleanup(web.Close)
		return web.URL
	}
	t.Run("with another token, or none", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		admin := listener(r, adminToken)
		for i, c := range []struct{ method, path, authorization string }{
			{http.MethodPut, "/Questionnaire/x", "Bearer " + wrong}, {http.MethodGet, "/deliveries?target=ehr", ""},
			{http.MethodPost, "/deliveries/drop", "Basic " + adminToken}, {http.MethodDelete, "/Questionnaire/x", "Bearer " + adminToken + "x"},
		} {
			a, err := send(admin, c.method, c.path, "{}", "Authorization", c.authorization)
			require.NoError(t, err)
			require.Equal(t, http.StatusUnauthorized, a.status)
			trail := r.trail()
			require.Len(t, trail, i+1)
			slices.SortFunc(trail, func(a, b store.AuditRecord) int { return int(a.Sequence - b.Sequence) })
			record := trail[i]
			require.Equal(t, "110122", record.Subtype, "a login")
			require.Equal(t, "4", record.Outcome)
			require.Empty(t, record.Client, "nobody vouches for who it was")
			require.Equal(t, "HTTP 401 login", pick(t, record.Event, "outcomeDesc"))
			path, _, _ := strings.Cut(c.path, "?")
			require.Equal(t, "admin: "+c.method+" "+path, queryIn(t, record))
			require.Contains(t, string(record.Event), `"address":"127.0.0.1"`)
			require.NotContains(t, string(record.Event), wrong)
			require.NotContains(t, string(record.Event), adminToken)
		}
		a, err := send(admin, http.MethodGet, "/deliveries", "", "Authorization", "Bearer "+adminToken)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, a.status)
		require.Len(t, r.trail(), 4, "who has the token is not turned away")
		a, err = send(admin, http.MethodGet, "/metrics", "")
		require.NoError(t, err)
		require.Contains(t, string(a.body), `tidemark_auth_refused_total{reason="admin-token"} 4`)
	})
	t.Run("where no token is set", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		_, err := send(listener(r, ""), http.MethodGet, "/Questionnaire", "", "Authorization", "Bearer "+wrong)
		require.NoError(t, err)
		require.Equal(t, "HTTP 403 forbidden", pick(t, r.trail()[0].Event, "outcomeDesc"))
	})
	t.Run("many times over", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		admin := listener(r, adminToken)
		const flood = 700
		var senders sync.WaitGroup
		for range 4 {
			senders.Go(func() {
				for range flood / 4 {
					_, _ = send(admin, http.MethodGet, "/deliveries", "", "Authorization", "Bearer "+wrong) // what fails shows below
				}
			})
		}
		senders.Wait()
		r.server.Close()
		total := 0
		for _, record := range r.trail() {
			total += requestsIn(t, record)
		}
		require.Equal(t, flood, total)
		require.Less(t, len(r.trail()), flood)
	})
	t.Run("also when the trail cannot be written", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		admin := listener(r, adminToken)
		require.NoError(t, r.store.Close())
		a, err := send(admin, http.MethodGet, "/deliveries", "", "Authorization", "Bearer "+wrong)
		require.NoError(t, err)
		require.Equal(t, http.StatusUnauthorized, a.status, "nothing is given, so the refusal stands")
		require.Contains(t, r.log.String(), "audit lost")
	})
}
