package api_test

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir/store"
)

// random is a text that is nowhere else, for tokens and identifiers.
func random() string {
	var b [12]byte
	_, _ = rand.Read(b[:]) // it never fails
	return hex.EncodeToString(b[:])
}

// TestEveryRouteHasARule: a new route without one is refused, and found here.
func TestEveryRouteHasARule(t *testing.T) {
	t.Parallel()
	r := newCDSRig(t, offered)
	rules := r.server.Rules()
	require.Greater(t, len(rules), 90)
	var opened []string
	for _, rule := range rules {
		if rule.Open {
			opened = append(opened, rule.Path)
			continue
		}
		require.True(t, rule.Ruled, "no rule for %s %s", rule.Method, rule.Path)
		free := rule.Path == "/fhir" || rule.Path == cdsService || // whose callers have JWTs of their own, see TestCDSCallers
			rule.Operation == "validate" && !strings.Contains(rule.Path, ":id")
		require.Equal(t, free, len(rule.Needs) == 0, "%s %s", rule.Method, rule.Path)
	}
	require.Equal(t, []string{"/fhir/metadata", "/cds-services", "/fhir/.well-known/smart-configuration"}, opened)
}

// whoAnswered is in all that is kept of Oona and in nothing that is asked.
const whoAnswered = "who-answered-for-oona"

func withSecret(identifier string) response {
	body := filledFor(oonaID, identifier)
	body.source = "RelatedPerson/" + whoAnswered
	return body
}

// subject is what a request of the matrix names: a response and what follows
// from it, that is there or not.
type subject struct{ id, identifier string }

// asking is the request of a route that names a subject, with content about a
// patient.
func asking(rule api.Rule, s subject, patient string) (method, path, body string, headers []string) {
	path = strings.NewReplacer(":id", s.id, ":vid", "1").Replace(rule.Path)
	content := filledFor(patient, s.identifier)
	if isExport(rule) {
		return askingExport(rule, path)
	}
	if rule.Resource == "Subscription" {
		body, query := aboutSubscription(rule, s)
		return rule.Method, path + query, body, nil
	}
	switch {
	case rule.Resource == "Provenance" && rule.Operation == "" && strings.Contains(rule.Path, ":id"):
		// Its id is found by its target, which is done by the caller.
	case rule.Interaction == "create":
		content.identifier = random()
		return rule.Method, path, content.json(), []string{"If-None-Exist", "identifier=" + portalSystem + "|" + s.identifier}
	case rule.Interaction == "update":
		content.id, content.status, content.itch = s.id, "amended", "7"
		return rule.Method, path, content.json(), nil
	case rule.Interaction == "conditional update":
		content.status, content.itch, content.identifier = "amended", "7", s.identifier
		return rule.Method, path + "?identifier=" + portalSystem + "|" + s.identifier, content.json(), nil
	case rule.Interaction == "conditional delete":
		return rule.Method, path + "?identifier=" + portalSystem + "|" + s.identifier, "", nil
	case rule.Interaction == "transaction":
		return rule.Method, path, `{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"GET","url":"QuestionnaireResponse/` + s.id + `"}},` +
			`{"request":{"method":"GET","url":"Observation?_id=` + s.id + `"}},{"request":{"method":"DELETE","url":"QuestionnaireResponse/` + s.id + `"}}]}`, nil
	case rule.Interaction == "search-type" && rule.Method == http.MethodPost:
		return rule.Method, path, searched(rule.Resource, s), []string{"Content-Type", "application/x-www-form-urlencoded"}
	case rule.Interaction == "search-type":
		return rule.Method, path + "?" + searched(rule.Resource, s), "", nil
	case rule.Operation == "lastn" && rule.Method == http.MethodGet:
		return rule.Method, path + "?category=survey&patient=" + oonaID, "", nil
	case rule.Operation == "stats" && rule.Method == http.MethodGet:
		return rule.Method, path + "?code=scorad&statistic=total-count&include=true&subject=Patient/" + oonaID, "", nil
	case (rule.Operation == "scorad-trend" || rule.Operation == "scorad-agreement") && rule.Method == http.MethodGet:
		return rule.Method, path + "?patient=Patient/" + oonaID, "", nil
	case rule.Operation == "scorad-trend", rule.Operation == "scorad-agreement":
		return rule.Method, path, parameters(`"patient","valueString":"Patient/` + oonaID + `"`), nil
	case rule.Operation == "lastn":
		return rule.Method, path, parameters(`"category","valueString":"survey"`, `"patient","valueString":"`+oonaID+`"`), nil
	case rule.Operation == "stats":
		return rule.Method, path, parameters(`"code","valueString":"scorad"`, `"statistic","valueString":"average"`, `"subject","valueString":"Patient/`+oonaID+`"`), nil
	case rule.Operation == "populate":
		return rule.Method, strings.Replace(path, s.id, "scorad-self-assessment", 1), parameters(`"questionnaire","valueCanonical":"`+selfForm+`"`,
			`"subject","valueReference":{"reference":"Patient/`+oonaID+`"}`,
			`"context","part":[{"name":"name","valueString":"previous"},{"name":"content","valueReference":{"reference":"QuestionnaireResponse/`+s.id+`"}}]`), nil
	case rule.Operation == "process-response":
		content.status, content.itch = "amended", "7" // under the identifier of what is kept
		return rule.Method, strings.Replace(path, s.id, "scorad-self-assessment", 1), content.json(), nil
	case rule.Method == http.MethodPost:
		return rule.Method, path, content.json(), nil
	}
	return rule.Method, path, "", nil
}

// aboutSubscription is the body and the query of such a request.
func aboutSubscription(rule api.Rule, s subject) (body, query string) {
	switch {
	case rule.Interaction == "create":
		return wants(somewhere).json(), ""
	case rule.Interaction == "update":
		w := wants(somewhere)
		w.id = s.id
		return w.json(), ""
	case rule.Interaction == "search-type":
		return "", "?_id=" + s.id
	case rule.Method == http.MethodPost:
		return parameters(`"id","valueString":"` + s.id + `"`), ""
	case rule.Operation == "status" && !strings.Contains(rule.Path, ":id"):
		return "", "?id=" + s.id
	}
	return "", ""
}

func parameters(all ...string) string {
	return `{"resourceType":"Parameters","parameter":[{"name":` + strings.Join(all, `},{"name":`) + `}]}`
}

// searched asks for a subject and all that belongs to it.
func searched(resource string, s subject) string {
	switch resource {
	case "Observation":
		return "_id=" + s.id + "&_include=Observation:derived-from&_revinclude=Provenance:target&_count=1"
	case "Provenance":
		return "target=Observation/" + s.id + "&_include=Provenance:target"
	}
	return "_id=" + s.id
}

// Everything that differs between two answers for no reason of its own.
var (
	anyUUID = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`)
	anyTime = regexp.MustCompile(`2[0-9]{3}-[01][0-9]-[0-3][0-9]T[0-9:.]+(Z|[+-][0-9:]+)`)
	sealed  = regexp.MustCompile(`_sealed=[A-Za-z0-9_-]+`)
	digest  = regexp.MustCompile(`[0-9a-f]{24,32}`)
)

// likeness is an answer without what the client sent itself.
func (a answer) likeness(s subject) string {
	header := a.header.Clone()
	for _, name := range []string{"Date", "X-Request-Id", "Last-Modified"} {
		header.Del(name)
	}
	var b strings.Builder
	require.NoError(a.t, header.Write(&b))
	text := strings.NewReplacer(s.id, "ID", s.identifier, "IDENTIFIER").Replace(http.StatusText(a.status) + "\n" + b.String() + string(a.body))
	for _, each := range []*regexp.Regexp{anyUUID, anyTime, sealed, digest} {
		text = each.ReplaceAllString(text, "*")
	}
	return text
}

// TestMatrixOfRoutesAndTokens walks every route with every kind of token.
func TestMatrixOfRoutesAndTokens(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t, offered)
	for _, rule := range r.server.Rules() {
		if rule.Open {
			continue
		}
		r.run(t, rule.Method+" "+rule.Path, func(t *testing.T, own *rig) {
			(&authRig{rig: own}).walk(rule)
		})
	}
}

// walk tries one route.
func (r *authRig) walk(rule api.Rule) {
	r.t.Helper()
	kept := r.kept(rule, "patient", oonaID)
	ask := func(token string, s subject, patient string) answer {
		r.t.Helper()
		method, path, body, headers := asking(rule, s, patient)
		return r.do(method, path, body, append([]string{"Authorization", token}, headers...)...)
	}
	r.refusedTokens(rule, func(token string) answer { return ask(token, kept, oonaID) })
	bearer := func(context, patient string) string {
		return "Bearer " + r.token(scopesFor(context, r.needs(rule)), patient)
	}

	// Another patient's token learns nothing from what is there.
	other := bearer("patient", casperID)
	for _, patient := range []string{oonaID, casperID} {
		missing := subject{uuid.Must(uuid.NewV7()).String(), random()}
		not, nothing := ask(other, kept, patient), ask(other, missing, patient)
		require.Equal(r.t, nothing.likeness(missing), not.likeness(kept), "what is not there and what is not yours")
		require.NotContains(r.t, string(not.body), whoAnswered)
	}
	require.EqualValues(r.t, 1, r.version(rule, kept), "nothing has changed")

	// The patient's own token and a system's are served.
	mine := ask(bearer("patient", oonaID), kept, oonaID)
	if slices.Contains([]string{"AuditEvent", "Group"}, rule.Resource) || isExport(rule) && rule.Resource == "" && rule.Operation != "" {
		mine.refused(http.StatusForbidden, "forbidden")
	} else {
		r.served(rule, mine)
	}
	r.served(rule, ask(bearer("system", ""), r.kept(rule, "system", ""), oonaID))
}

// kept is what a route is tried on: a response and what follows from it, or a
// subscription of whoever has such a token.
func (r *authRig) kept(rule api.Rule, of, patient string) subject {
	r.t.Helper()
	s := subject{identifier: random()}
	if rule.Resource != "Subscription" {
		s.id = r.keep(withSecret(s.identifier))
		if isExport(rule) && rule.Operation == "" {
			s.id = r.exportedAs(r.token(scopesFor(of, rule.Needs), patient), "/fhir/Patient/$export", "")
		}
		return s
	}
	token := r.token(of+"/Subscription.cruds "+of+"/Observation.rs", patient)
	a := r.as(token, http.MethodPost, "/fhir/Subscription", wants(somewhere+"/"+whoAnswered).json())
	require.Equal(r.t, http.StatusCreated, a.status, "%s", a.body)
	s.id = a.id()
	return s
}

// version is that of what is kept, as the store has it.
func (r *authRig) version(rule api.Rule, s subject) int64 {
	r.t.Helper()
	if isExport(rule) && rule.Operation == "" {
		_, err := r.store.Export(context.Background(), s.id)
		require.NoError(r.t, err)
		return 1
	}
	if rule.Resource == "Subscription" {
		found, err := r.store.Subscription(context.Background(), s.id)
		require.NoError(r.t, err)
		return found.Version
	}
	found, err := r.store.Get(context.Background(), store.Key{Type: "QuestionnaireResponse", ID: s.id})
	require.NoError(r.t, err)
	return found.Version
}

// needs are those of the request that asking makes.
func (r *authRig) needs(rule api.Rule) []auth.Need {
	needs := slices.Clone(rule.Needs)
	switch {
	case rule.Resource == "Subscription" && (rule.Interaction == "create" || rule.Interaction == "update"):
		needs = append(needs, auth.Need{Type: "Observation", Does: auth.Read}) // which it is to be told of
	case rule.Interaction == "create":
		needs[0].Does |= auth.Search // it has If-None-Exist
	case rule.Operation == "process-response":
		needs[0].Does |= auth.Update
	case rule.Interaction == "transaction":
		needs = []auth.Need{{Type: "QuestionnaireResponse", Does: auth.Read | auth.Delete}, {Type: "Observation", Does: auth.Search}}
	case rule.Interaction == "search-type" && rule.Resource == "Observation":
		needs = append(needs, auth.Need{Type: "QuestionnaireResponse", Does: auth.Search}, auth.Need{Type: "Provenance", Does: auth.Search})
	case rule.Interaction == "search-type" && rule.Resource == "Provenance":
		needs = append(needs, auth.Need{Type: "Observation", Does: auth.Search})
	}
	return needs
}

// served holds that a request came through: what it asked for may still not be
// there, where ids are not those of responses.
func (r *authRig) served(rule api.Rule, a answer) {
	r.t.Helper()
	if !isExport(rule) && strings.Contains(rule.Path, ":id") && !slices.Contains([]string{"QuestionnaireResponse", "Observation", "Task", "DiagnosticReport", "Subscription"}, rule.Resource) && !slices.Contains([]string{"populate", "process-response"}, rule.Operation) {
		require.Contains(r.t, []int{http.StatusOK, http.StatusNotFound}, a.status, "%s", a.body)
		return
	}
	require.Less(r.t, a.status, 300, "%s", a.body)
}

// refusedTokens are those that no route takes.
func (r *authRig) refusedTokens(rule api.Rule, ask func(string) answer) {
	r.t.Helper()
	scope := scopesFor("system", r.needs(rule))
	for _, c := range []struct {
		token, code string
		status      int
	}{
		{"", "login", http.StatusUnauthorized},
		{"Bearer " + r.token(scope, "", claims{"exp": 1_700_000_000}), "expired", http.StatusUnauthorized},
		{"Bearer " + r.token(scope, "", claims{"aud": "https://elsewhere.example/fhir"}), "unknown", http.StatusUnauthorized},
	} {
		a := ask(c.token)
		a.refused(c.status, c.code)
		require.True(r.t, strings.HasPrefix(a.header.Get("WWW-Authenticate"), `Bearer realm="fhir"`), a.header)
	}
	if len(rule.Needs) > 0 {
		a := ask("Bearer " + r.token("system/Encounter.cruds patient/Encounter.cruds", oonaID))
		a.refused(http.StatusForbidden, "forbidden")
		require.Contains(r.t, a.header.Get("WWW-Authenticate"), `error="insufficient_scope"`)
	}
}
