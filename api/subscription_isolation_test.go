package api_test

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// tenant is whoever has a token of its own kind.
type tenant struct{ name, scope, patient, client, user string }

// tenants are all who must not meet: other clients, and within one client other
// patients, other users, and the client as a system.
var tenants = []tenant{
	{"system", "system/Subscription.cruds system/Observation.rs", "", "fernway-portal", ""},
	{"another system", "system/Subscription.cruds system/Observation.rs", "", "meadow-portal", ""},
	{"oona", "patient/Subscription.cruds patient/Observation.rs", oonaID, "fernway-portal", ""},
	{"casper", "patient/Subscription.cruds patient/Observation.rs", casperID, "fernway-portal", ""},
	{"oona elsewhere", "patient/Subscription.cruds patient/Observation.rs", oonaID, "meadow-portal", ""},
	{"oona's client with a wide scope", "patient/Subscription.cruds system/Observation.rs", oonaID, "third-portal", ""},
	{"of nothing but categories", "system/Subscription.cruds system/Observation.rs?category=laboratory", "", "fourth-portal", ""},
}

func (r *authRig) bearerOf(of tenant) string {
	more := claims{"client_id": of.client, "sub": of.client}
	if of.user != "" {
		more["fhirUser"] = of.user
	}
	return r.token(of.scope, of.patient, more)
}

// TestTenantsDoNotMeet: nobody reads, finds, changes or deletes another's
// subscription, nor learns whether it is there, nor is told of what they may not
// read.
func TestTenantsDoNotMeet(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t, hooked(t))
	hooks, ids := map[string]*hook{}, map[string]string{}
	for _, each := range tenants {
		hooks[each.name] = newHook(t)
		ids[each.name] = r.subscribed(wants(hooks[each.name].URL), "Authorization", "Bearer "+r.bearerOf(each))
	}
	for _, mine := range tenants {
		token := r.bearerOf(mine)
		require.Equal(t, []any{ids[mine.name]}, subscriptionsIn(r.as(token, http.MethodGet, "/fhir/Subscription", "")), mine.name)
		require.Contains(t, string(r.as(token, http.MethodGet, "/fhir/Subscription/$status", "").body), `"total":1`)
		for _, theirs := range tenants {
			if theirs.name == mine.name {
				continue
			}
			path := "/fhir/Subscription/" + ids[theirs.name]
			w := wants(hooks[mine.name].URL + "/stolen")
			w.id = ids[theirs.name]
			missing := strings.Replace(path, path[len(path)-6:], "000000", 1)
			for _, ask := range []struct{ method, suffix, body string }{
				{http.MethodGet, "", ""}, {http.MethodGet, "/$status", ""}, {http.MethodGet, "/$events", ""},
				{http.MethodPost, "/$status", `{"resourceType":"Parameters"}`}, {http.MethodPut, "", w.json()}, {http.MethodDelete, "", ""},
			} {
				not := r.as(token, ask.method, path+ask.suffix, ask.body)
				nothing := r.as(token, ask.method, missing+ask.suffix, strings.ReplaceAll(ask.body, path[len(path)-36:], missing[len(missing)-36:]))
				require.Equal(t, nothing.status, not.status, "%s of %s by %s", ask.method, theirs.name, mine.name)
				require.Equal(t, string(nothing.body), string(not.body))
			}
			require.Empty(t, subscriptionsIn(r.as(token, http.MethodGet, "/fhir/Subscription?_id="+ids[theirs.name], "")))
		}
	}
	for _, each := range tenants {
		found, err := r.store.Subscription(context.Background(), ids[each.name])
		require.NoError(t, err)
		require.Equal(t, store.SubscriptionActive, found.Status, "nobody has changed it")
		require.NotContains(t, string(found.Body), "stolen")
	}
	oonas := `Observation/` + r.keep(filledFor(oonaID, "fw-1")) + ` W/"1"`
	caspers := `Observation/` + r.keep(filledFor(casperID, "fw-2")) + ` W/"1"`
	for name, want := range map[string][]string{
		"system": {oonas, caspers}, "another system": {oonas, caspers}, "oona": {oonas}, "casper": {caspers}, "oona elsewhere": {oonas},
		"oona's client with a wide scope": {oonas, caspers},
	} {
		for i := range want {
			want[i] = fmt.Sprintf("%d %s", i+1, want[i])
		}
		hooks[name].eventually(t, want...)
	}
	require.Empty(t, hooks["of nothing but categories"].told(t))
	require.Contains(t, string(r.as(r.bearerOf(tenants[3]), http.MethodGet, "/fhir/Subscription/"+ids["casper"]+"/$events", "").body), strings.Fields(caspers)[0])
}

// TestRightsAreThoseOfTheLastWrite: what a narrower token writes again tells no
// more of what it may not read, also not of what had happened before.
func TestRightsAreThoseOfTheLastWrite(t *testing.T) {
	t.Parallel()
	r, h := newAuthRig(t, hooked(t)), newHook(t)
	wide := r.token("system/Subscription.cruds system/Observation.rs", "")
	w := wants(h.URL)
	id := r.subscribed(w, "Authorization", "Bearer "+wide)
	h.answers(http.StatusServiceUnavailable)
	r.keep(filledFor(casperID, "fw-1"))
	r.becomes(id, store.SubscriptionError)
	w.id = id
	h.answers(http.StatusOK)
	narrow := r.token("system/Subscription.cruds patient/Observation.rs", oonaID)
	require.Equal(t, http.StatusOK, r.as(narrow, http.MethodPut, "/fhir/Subscription/"+id, w.json()).status)
	r.becomes(id, store.SubscriptionActive)
	r.keep(filledFor(casperID, "fw-2"))
	oonas := r.keep(filledFor(oonaID, "fw-3"))
	h.eventually(t, "1", "2 Observation/"+oonas+` W/"1"`)
	require.NotContains(t, string(r.as(narrow, http.MethodGet, "/fhir/Subscription/"+id+"/$events", "").body), `"number","valueString":"3"`)
}

// TestSubscribingNeedsScopes: each interaction its letter, and a subscription the
// right to read scores.
func TestSubscribingNeedsScopes(t *testing.T) {
	t.Parallel()
	r, h := newAuthRig(t, hooked(t)), newHook(t)
	all := r.token("system/Subscription.cruds system/Observation.rs", "")
	id := r.subscribed(wants(h.URL), "Authorization", "Bearer "+all)
	w := wants(h.URL)
	w.id = id
	path := "/fhir/Subscription/" + id
	for _, c := range []struct{ scope, method, path, body string }{
		{"system/Subscription.ruds system/Observation.rs", http.MethodPost, "/fhir/Subscription", wants(h.URL).json()},
		{"system/Subscription.c", http.MethodPost, "/fhir/Subscription", wants(h.URL).json()},
		{"system/Subscription.cruds system/Observation.s", http.MethodPost, "/fhir/Subscription", wants(h.URL).json()},
		{"system/Subscription.cuds", http.MethodGet, path, ""},
		{"system/Subscription.cuds", http.MethodGet, path + "/$status", ""},
		{"system/Subscription.cuds", http.MethodGet, path + "/$events", ""},
		{"system/Subscription.crud", http.MethodGet, "/fhir/Subscription", ""},
		{"system/Subscription.crud", http.MethodGet, "/fhir/Subscription/$status", ""},
		{"system/Subscription.crds system/Observation.rs", http.MethodPut, path, w.json()},
		{"system/Subscription.crus", http.MethodDelete, path, ""},
		{"patient/Subscription.cruds patient/Observation.rs", http.MethodPost, "/fhir/Subscription", wants(h.URL).json()},
		{"system/Subscription.cruds?code=x system/Observation.rs", http.MethodGet, path, ""},
		{"system/Observation.cruds", http.MethodGet, path, ""},
	} {
		r.as(r.token(c.scope, ""), c.method, c.path, c.body).refused(http.StatusForbidden, "forbidden")
	}
	require.Equal(t, http.StatusOK, r.as(r.token("system/Subscription.r", ""), http.MethodGet, path, "").status)
	require.Equal(t, http.StatusNoContent, r.as(r.token("system/*.cruds", ""), http.MethodDelete, path, "").status)
}

// TestSubscribingIsOnRecord: who subscribed, changed and deleted.
func TestSubscribingIsOnRecord(t *testing.T) {
	t.Parallel()
	r, h := newAuthRig(t, hooked(t)), newHook(t)
	token := r.token("system/Subscription.cruds system/Observation.rs", "")
	id := r.subscribed(wants(h.URL), "Authorization", "Bearer "+token)
	w := wants(h.URL)
	w.id = id
	require.Equal(t, http.StatusOK, r.as(token, http.MethodPut, "/fhir/Subscription/"+id, w.json()).status)
	require.Equal(t, http.StatusOK, r.as(token, http.MethodGet, "/fhir/Subscription/"+id, "").status)
	require.Equal(t, http.StatusNoContent, r.as(token, http.MethodDelete, "/fhir/Subscription/"+id, "").status)
	page, err := r.store.Audits(context.Background(), store.AuditQuery{Entities: []string{"Subscription/" + id}, Limit: 100})
	require.NoError(t, err)
	var done []string
	for _, each := range page.Records {
		require.Equal(t, "fernway-portal", each.Client)
		done = append(done, each.Subtype)
	}
	require.Equal(t, []string{"delete", "read", "update", "create"}, done)
}
