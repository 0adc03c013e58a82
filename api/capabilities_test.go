package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/subscription"
)

// claim is one line of the statement: an interaction, a search parameter or an
// operation of a type; without a type it is of the whole server.
type claim struct{ kind, of, name string }

// claims takes the statement that a server publishes apart.
func (r *rig) claims() []claim {
	r.t.Helper()
	a := r.get("/fhir/metadata")
	require.Equal(r.t, http.StatusOK, a.status)
	var all []claim
	rest := func(path ...any) []any { return append([]any{"rest", 0}, path...) }
	for i := range a.count(rest("interaction")...) {
		all = append(all, claim{"interaction", "", a.text(rest("interaction", i, "code")...)})
	}
	for i := range a.count(rest("operation")...) {
		all = append(all, claim{"operation", "", a.text(rest("operation", i, "name")...)})
	}
	for i := range a.count(rest("resource")...) {
		of := a.text(rest("resource", i, "type")...)
		for _, list := range []struct{ kind, member string }{{"interaction", "code"}, {"searchParam", "name"}, {"operation", "name"}} {
			for j := range a.count(rest("resource", i, list.kind)...) {
				all = append(all, claim{list.kind, of, a.text(rest("resource", i, list.kind, j, list.member)...)})
			}
		}
		for _, condition := range []string{"conditionalUpdate", "conditionalDelete"} {
			if value := a.text(rest("resource", i, condition)...); value == "true" || value == "single" {
				all = append(all, claim{"condition", of, condition})
			}
		}
	}
	return all
}

// examples are one resource of each type that the server has.
func (r *rig) examples() map[string]string {
	r.t.Helper()
	body := oona("claimed")
	body.members = `,"author":{"reference":"Practitioner/ilse-varnholt"},"encounter":{"reference":"Encounter/day-unit-7"},"basedOn":[{"reference":"CarePlan/c"}],"partOf":[{"reference":"Procedure/p"}]`
	id := r.create(body.json()).id()
	return map[string]string{
		"QuestionnaireResponse": id, "Observation": id, "Provenance": r.found(r.t, "/fhir/Provenance?target="+id)[0],
		"Questionnaire": "scorad-self-assessment", "CodeSystem": "scorad", "ValueSet": "scorad-grade", "StructureDefinition": "scorad-panel", "Device": "tidemark-1.0.0",
		"AuditEvent": r.audited(id), "Task": id, "DiagnosticReport": id, "OperationDefinition": "scorad-trend",
		"Subscription": r.post("/fhir/Subscription", wants(somewhere).json()).id(), "Basic": subscription.TopicID,
	}
}

// valueOf is what a search parameter of an example asks for, told from the
// example itself: paths into its JSON, by parameter.
var valueOf = map[string][]any{
	"_id": {"id"}, "_lastUpdated": {"meta", "lastUpdated"}, "patient": {"subject", "reference"}, "subject": {"subject", "reference"},
	"questionnaire": {"questionnaire"}, "status": {"status"}, "authored": {"authored"}, "author": {"author", "reference"},
	"source": {"source", "reference"}, "encounter": {"encounter", "reference"}, "code": {"code", "coding", 0, "code"},
	"category": {"category", 0, "coding", 0, "code"}, "date": {"effectivePeriod", "end"}, "derived-from": {"derivedFrom", 0, "reference"},
	"focus": {"focus", "reference"}, "method": {"method", "coding", 0, "code"}, "target": {"target", 0, "reference"}, "url": {"url"}, "version": {"version"},
	"name": {"name"}, "title": {"title"}, "identifier": {"identifier", 0, "value"},
	"based-on": {"basedOn", 0, "reference"}, "part-of": {"partOf", 0, "reference"}, "device": {"device", "reference"},
	"component-code": {"component", 3, "code", "coding", 0, "code"},
	"value-quantity": {"valueQuantity", "value"}, "component-value-quantity": {"component", 3, "valueQuantity", "value"},
	"combo-value-quantity": {"valueQuantity", "value"}, "code-value-quantity": {"valueQuantity", "value"},
	"component-code-value-quantity": {"component", 3, "valueQuantity", "value"}, "combo-code-value-quantity": {"valueQuantity", "value"},
	"experimental": {"experimental"}, "description": {"description"}, "publisher": {"publisher"}, "jurisdiction": {"jurisdiction", 0, "coding", 0, "code"},
	"context-type": {"useContext", 0, "code", "code"}, "context": {"useContext", 0, "valueCodeableConcept", "coding", 0, "code"},
	"subject-type": {"subjectType", 0}, "questionnaire-code": {"code", 0, "code"}, "combo-code": {"item", 0, "code", 0, "code"},
	"effective": {"effectivePeriod", "start"}, "type": {"type"}, "base": {"baseDefinition"}, "system": {"url"}, "action": {"action"}, "outcome": {"outcome"}, "entity": {"entity", 1, "what", "reference"}, "reference": {"compose", "include", 0, "system"},
}

// valueIn is the value of a parameter where types differ in what it means.
var valueIn = map[claim][]any{
	{"searchParam", "Questionnaire", "date"}: {"date"}, {"searchParam", "CodeSystem", "date"}: {"date"}, {"searchParam", "ValueSet", "date"}: {"date"}, {"searchParam", "StructureDefinition", "date"}: {"date"}, {"searchParam", "OperationDefinition", "date"}: {"date"},
	{"searchParam", "OperationDefinition", "code"}: {"code"},
	{"searchParam", "Task", "patient"}:             {"for", "reference"}, {"searchParam", "Task", "subject"}: {"for", "reference"},
	{"searchParam", "Subscription", "criteria"}: {"criteria"}, {"searchParam", "Subscription", "url"}: {"channel", "endpoint"},
	{"searchParam", "Subscription", "type"}: {"channel", "type"}, {"searchParam", "Subscription", "payload"}: {"channel", "payload"},
	{"searchParam", "AuditEvent", "date"}: {"recorded"}, {"searchParam", "AuditEvent", "patient"}: {"entity", 2, "what", "reference"}, {"searchParam", "AuditEvent", "agent"}: {"agent", 0, "who", "identifier", "value"},
	{"searchParam", "AuditEvent", "type"}: {"type", "code"}, {"searchParam", "AuditEvent", "subtype"}: {"subtype", 0, "code"},
	{"searchParam", "Observation", "combo-code"}: {"code", "coding", 0, "code"}, {"searchParam", "Questionnaire", "code"}: {"item", 0, "code", 0, "code"}, {"searchParam", "CodeSystem", "code"}: {"concept", 0, "code"},
}

// wanted is what a claimed search parameter finds an example by.
func (c claim) wanted(example answer) string {
	example.t.Helper()
	if c.name == "context-type-value" {
		return claim{"", "", "context-type"}.wanted(example) + "$" + claim{"", "", "context"}.wanted(example)
	}
	path, known := valueIn[c]
	if !known {
		path, known = valueOf[c.name]
	}
	require.True(example.t, known, "a search parameter without a test: %v", c)
	return example.text(path...)
}

// codeOf is the code beside the value of a composite parameter, and otherOf what
// finds nothing where a text would be refused.
var (
	codeOf = map[string][]any{
		"code-value-quantity": {"code", "coding", 0, "code"}, "combo-code-value-quantity": {"code", "coding", 0, "code"},
		"component-code-value-quantity": {"component", 3, "code", "coding", 0, "code"},
	}
	otherOf = map[string]string{
		"date": "1999", "authored": "1999", "effective": "1999", "_lastUpdated": "1999", "value-quantity": "777", "component-value-quantity": "777", "combo-value-quantity": "777",
	}
)

func TestEveryClaimIsTrue(t *testing.T) {
	t.Parallel()
	r := newRig(t, withEditions, offered)
	examples, claims := r.examples(), r.claims()
	require.Greater(t, len(claims), 60)
	for i, c := range claims {
		require.NotContains(t, claims[:i], c, "claimed twice")
		r.run(t, strings.Join([]string{c.kind, c.of, c.name}, " "), func(t *testing.T, r *rig) {
			switch c.kind {
			case "interaction", "condition":
				r.tryInteraction(c, examples[c.of])
			case "searchParam":
				r.trySearch(c, examples[c.of])
			case "operation":
				r.tryOperation(c, examples[c.of])
			}
		})
	}
}

// tryOperation calls an operation on its type and on an instance.
func (r *rig) tryOperation(c claim, id string) {
	r.t.Helper()
	path := strings.TrimSuffix("/fhir/"+c.of, "/")
	switch c.name {
	case "export", "scorad-research-export":
		if c.of == "Group" {
			path += "/" + someGroup
		}
		require.NotEmpty(r.t, r.exported(path+"/$"+c.name))
		require.NotEmpty(r.t, r.exportedBy(path+"/$"+c.name, parametersOf(`{"name":"_outputFormat","valueString":"ndjson"}`)))
	case "extract":
		require.Equal(r.t, "Observation", r.do(http.MethodPost, path+"/$extract", oona("").json()).text("resourceType"))
		require.Equal(r.t, "Observation", r.get(path+"/"+id+"/$extract").text("resourceType"))
	case "lastn":
		require.Equal(r.t, "Bundle", r.get(path+"/$lastn?patient=x&code=scorad").text("resourceType"))
		require.Equal(r.t, "Bundle", r.do(http.MethodPost, path+"/$lastn", parametersOf(`{"name":"patient","valueString":"x"}`, `{"name":"code","valueString":"scorad"}`)).text("resourceType"))
	case "stats":
		require.Equal(r.t, http.StatusOK, r.get(path+"/$stats?subject=x&code=scorad&statistic=count").status)
		require.Equal(r.t, http.StatusOK, r.do(http.MethodPost, path+"/$stats", parametersOf(`{"name":"subject","valueUri":"x"}`, `{"name":"code","valueString":"scorad"}`, `{"name":"statistic","valueCode":"count"}`)).status)
	case "scorad-trend", "scorad-agreement":
		require.Equal(r.t, "Parameters", r.get(path+"/$"+c.name+"?patient=x").text("resourceType"))
		require.Equal(r.t, "Parameters", r.do(http.MethodPost, path+"/$"+c.name, parametersOf(`{"name":"patient","valueString":"x"}`)).text("resourceType"))
	case "status":
		for _, of := range []string{path, path + "/" + id} {
			require.Contains(r.t, string(r.get(of+"/$status").body), "/Subscription/"+id+`"`)
			require.Contains(r.t, string(r.do(http.MethodPost, of+"/$status", parametersOf(`{"name":"id","valueString":"`+id+`"}`)).body), "/Subscription/"+id+`"`)
		}
	case "events":
		require.Equal(r.t, "history", r.get(path+"/"+id+"/$events").text("type"))
		require.Equal(r.t, "history", r.do(http.MethodPost, path+"/"+id+"/$events", parametersOf(`{"name":"eventsSinceNumber","valueString":"1"}`)).text("type"))
	case "validate":
		body := string(r.get(path + "/" + id).body)
		for _, a := range []answer{r.do(http.MethodPost, path+"/$validate", body), r.do(http.MethodPost, path+"/"+id+"/$validate", body), r.get(path + "/" + id + "/$validate")} {
			a.passed()
		}
	case "process-response":
		r.do(http.MethodPost, path+"/$process-response", oona("claim-process").json()).passed()
		r.do(http.MethodPost, path+"/"+id+"/$process-response", oona("claim-process-to").json()).passed()
	case "populate":
		const body = `{"resourceType":"Parameters","parameter":[{"name":"subject","valueReference":{"reference":"Patient/oona-thistledown"}},` +
			`{"name":"questionnaire","valueCanonical":"https://tidemark.example/fhir/Questionnaire/scorad-self-assessment"}]}`
		require.Equal(r.t, "QuestionnaireResponse", r.do(http.MethodPost, path+"/$populate", body).text("parameter", 0, "resource", "resourceType"))
		require.Equal(r.t, "QuestionnaireResponse", r.do(http.MethodPost, path+"/"+id+"/$populate", body).text("parameter", 0, "resource", "resourceType"))
	default:
		require.Fail(r.t, "an operation without a test", "%v", c)
	}
}

// tryInteraction does what a line claims.
func (r *rig) tryInteraction(c claim, id string) {
	r.t.Helper()
	path := "/fhir/" + c.of + "/" + id
	if c.of == "Subscription" && r.trySubscription(c.name) {
		return
	}
	switch c.name {
	case "read":
		a := r.get(path)
		require.Equal(r.t, http.StatusOK, a.status)
		require.Equal(r.t, c.of, a.text("resourceType"))
		require.Equal(r.t, id, a.id())
	case "vread":
		a := r.get(path)
		version, ok := strings.CutPrefix(strings.TrimSuffix(a.header.Get("ETag"), `"`), `W/"`)
		require.True(r.t, ok, "a version is told by its tag")
		require.Equal(r.t, string(a.body), string(r.get(path+"/_history/"+version).body))
	case "search-type":
		query := "?_count=200"
		switch c.of { // what all of the claims, tried meanwhile, leave may fill more than a page
		case "AuditEvent":
			query += "&agent=" + portal.Client
		case "DiagnosticReport":
			query += "&_id=" + id
		}
		require.Contains(r.t, r.found(r.t, "/fhir/"+c.of+query), id)
	case "create":
		a := r.create(oona("claim-create").json())
		require.Equal(r.t, http.StatusOK, r.get(a.header.Get("Location")).status)
	case "update":
		body := oona("claim-update")
		body.id = r.create(body.json()).id()
		body.status, body.itch = "amended", "1"
		require.Equal(r.t, "2", r.put(body).text("meta", "versionId"))
	case "delete":
		id := r.create(oona("claim-delete").json()).id()
		require.Equal(r.t, http.StatusNoContent, r.remove(id).status)
		require.Equal(r.t, http.StatusGone, r.get("/fhir/"+c.of+"/"+id).status)
	case "history-instance":
		a := r.get(path + "/_history")
		a.holdsHistory()
		require.Equal(r.t, []string{`W/"1"`}, a.tags())
	case "conditionalUpdate":
		id := r.create(oona("claim-update-where").json()).id()
		require.Equal(r.t, id, r.putWhere(byIdentifier("claim-update-where"), oona("claim-update-where")).id())
	case "conditionalDelete":
		id := r.create(oona("claim-delete-where").json()).id()
		require.Equal(r.t, http.StatusNoContent, r.do(http.MethodDelete, "/fhir/"+c.of+"?"+byIdentifier("claim-delete-where"), "").status)
		require.Equal(r.t, http.StatusGone, r.get("/fhir/"+c.of+"/"+id).status)
	case "transaction", "batch":
		require.Equal(r.t, c.name+"-response", r.bundle(c.name, postOf(oona("claim-"+c.name))).text("type"))
	default:
		require.Fail(r.t, "an interaction without a test", "%v", c)
	}
}

// trySubscription does what is claimed of Subscriptions otherwise than of
// responses; false if there is no difference.
func (r *rig) trySubscription(interaction string) bool {
	r.t.Helper()
	w := wants(somewhere)
	switch interaction {
	case "create", "update", "delete":
	default:
		return false
	}
	a := r.post("/fhir/Subscription", w.json())
	require.Equal(r.t, http.StatusCreated, a.status, "%s", a.body)
	path := "/fhir/Subscription/" + a.id()
	require.Equal(r.t, r.origin+path, a.header.Get("Location"))
	if interaction == "update" {
		w.id, w.status = a.id(), "off"
		require.Equal(r.t, "2", r.do(http.MethodPut, path, w.json()).text("meta", "versionId"))
		require.Equal(r.t, "off", r.get(path).text("status"))
	}
	if interaction == "delete" {
		require.Equal(r.t, http.StatusNoContent, r.do(http.MethodDelete, path, "").status)
		require.Equal(r.t, http.StatusNotFound, r.get(path).status)
	}
	return true
}

// trySearch finds an example by what it has, handled strictly so that the
// parameter cannot be ignored, and does not find it by anything else.
func (r *rig) trySearch(c claim, id string) {
	r.t.Helper()
	example := r.get("/fhir/" + c.of + "/" + id)
	value := c.wanted(example)
	if value == "" { // the identifier of a response is one, not a list
		value = example.text("identifier", "value")
	}
	require.NotEmpty(r.t, value, "the example has nothing to be found by")
	other := "something-else"
	if otherOf[c.name] != "" {
		other = otherOf[c.name]
	}
	if code := codeOf[c.name]; code != nil {
		value, other = example.text(code...)+"$"+value, example.text(code...)+"$777"
	}
	if c.name == "context-type-value" {
		other += "$"
	}
	if c.name == "date" || c.name == "effective" { // a moment does not contain the period
		value = value[:len("2006")]
	}
	count := "?_count=200&"
	if c.of == "AuditEvent" && c.name != "agent" { // all of the claims, tried meanwhile, may fill more than a page
		count += "agent=" + portal.Client + "&"
	}
	search := func(value string) answer {
		a := r.get("/fhir/"+c.of+count+c.name+"="+url.QueryEscape(strings.ReplaceAll(value, ",", `\,`)), "Prefer", "handling=strict")
		require.Equal(r.t, http.StatusOK, a.status, "%s", a.body)
		require.Contains(r.t, a.link("self"), c.name+"=")
		return a
	}
	require.Contains(r.t, string(search(value).body), `"fullUrl":"`+r.base+"/"+c.of+"/"+id+`"`)
	require.Equal(r.t, "0", search(other).text("total"))
}

// TestEveryRouteIsClaimed: the router has nothing that the statement hides.
func TestEveryRouteIsClaimed(t *testing.T) {
	t.Parallel()
	r := newRig(t, offered)
	claims := r.claims()
	options := api.Options{Store: r.store, BaseURL: r.base}
	offered(&options)
	routes := api.New(options, api.NewMetrics()).Routes()
	require.Greater(t, len(routes), 20)
	seen := map[claim]bool{}
	for _, route := range routes {
		of, rest, _ := strings.Cut(strings.TrimPrefix(route.Path, "/fhir/"), "/")
		var c claim
		switch method := route.Method + " " + rest; {
		case route.Path == "/fhir/metadata", route.Method == http.MethodHead:
			continue // the statement itself, and what R4 allows wherever GET is
		case route.Path == "/fhir":
			c = claim{"interaction", "", "batch"}
		case of == "$export" && strings.HasPrefix(rest, ":id"):
			continue // where what the operation began is followed
		case strings.HasPrefix(of, "$"):
			c = claim{"operation", "", of[1:]}
		case strings.Contains(rest, "$"):
			c = claim{"operation", of, rest[strings.Index(rest, "$")+1:]}
		case method == "GET ", method == "POST _search":
			c = claim{"interaction", of, "search-type"}
		case method == "GET :id":
			c = claim{"interaction", of, "read"}
		case method == "GET :id/_history/:vid":
			c = claim{"interaction", of, "vread"}
		case method == "POST ":
			c = claim{"interaction", of, "create"}
		case method == "PUT :id":
			c = claim{"interaction", of, "update"}
		case method == "DELETE :id":
			c = claim{"interaction", of, "delete"}
		case method == "GET :id/_history":
			c = claim{"interaction", of, "history-instance"}
		case method == "PUT ":
			c = claim{"condition", of, "conditionalUpdate"}
		case method == "DELETE ":
			c = claim{"condition", of, "conditionalDelete"}
		default:
			require.Fail(t, "a route that no claim is known for", "%s %s", route.Method, route.Path)
		}
		require.Contains(t, claims, c, "%s %s", route.Method, route.Path)
		seen[c] = true
	}
	for _, c := range claims {
		if c.kind != "searchParam" && c != (claim{"interaction", "", "transaction"}) {
			require.True(t, seen[c], "no route is what is claimed: %v", c)
		}
	}
}

// TestNothingElseIsOffered: what a statement does not list is not supported (R4
// capabilitystatement.html).
func TestNothingElseIsOffered(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	examples, claims := r.examples(), r.claims()
	requests := map[string][2]string{
		"read": {"GET", "/%s"}, "vread": {"GET", "/%s/_history/1"}, "update": {"PUT", "/%s"}, "patch": {"PATCH", "/%s"}, "delete": {"DELETE", "/%s"},
		"history-instance": {"GET", "/%s/_history"}, "history-type": {"GET", "/_history"}, "create": {"POST", ""}, "search-type": {"GET", ""},
	}
	for _, of := range []string{"Patient", "Bundle", "Practitioner", "DiagnosticReport", "SearchParameter", "Binary"} {
		examples[of] = "any"
	}
	for of, id := range examples {
		for interaction, request := range requests {
			if slices.Contains(claims, claim{"interaction", of, interaction}) {
				continue
			}
			r.run(t, interaction+" "+of, func(t *testing.T, r *rig) {
				path := "/fhir/" + of + request[1]
				if strings.Contains(path, "%s") {
					path = fmt.Sprintf(path, id)
				}
				body := ""
				if request[0] == http.MethodPut || request[0] == http.MethodPost {
					body = `{"resourceType":"` + of + `","id":"` + id + `"}`
				}
				require.Contains(t, []int{http.StatusNotFound, http.StatusMethodNotAllowed}, r.do(request[0], path, body).status)
			})
		}
	}
}

func TestStatementOfThisServer(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a := r.get("/fhir/metadata")
	for path, want := range map[string]string{
		"resourceType": "CapabilityStatement", "status": "active", "kind": "instance", "fhirVersion": "4.0.1", "format 0": "application/fhir+json",
		"software name": "Tidemark", "software version": "9.9.9-test", "implementation url": r.base, "rest 0 mode": "server",
	} {
		var steps []any
		for step := range strings.SplitSeq(path, " ") {
			if step == "0" {
				steps = append(steps, 0)
				continue
			}
			steps = append(steps, step)
		}
		require.Equal(t, want, a.text(steps...), path)
	}
	require.NotEmpty(t, a.text("date"))
	require.NotEmpty(t, a.text("implementation", "description"), "cpb-14")
	document, err := fhir.Decode(a.body)
	require.NoError(t, err)
	document.Release()
	require.Nil(t, a.at("patchFormat"))
	require.NotContains(t, string(a.body), "+xml\"")
	require.Contains(t, a.text("rest", 0, "documentation"), "XML is not offered")
	require.Contains(t, a.text("rest", 0, "documentation"), "text/fhirpath")
	require.Equal(t, "false", a.text("rest", 0, "security", "cors"))
	require.Contains(t, a.text("rest", 0, "security", "description"), "not authenticated")
	for i := range a.count("rest", 0, "resource") {
		if a.text("rest", 0, "resource", i, "type") != "QuestionnaireResponse" {
			continue
		}
		// Each of these has its own test: TestIfNoneExist, TestUpdate, TestRead.
		require.Equal(t, "versioned-update", a.text("rest", 0, "resource", i, "versioning"))
		require.Equal(t, "true", a.text("rest", 0, "resource", i, "conditionalCreate"))
		require.Equal(t, "true", a.text("rest", 0, "resource", i, "readHistory"))
		require.Equal(t, "false", a.text("rest", 0, "resource", i, "updateCreate"))
	}
}

// TestSearchDefinitions: each parameter names HL7's own definition. The shared
// ones of R4 (searchparameter-registry.html) are clinical-*.
func TestSearchDefinitions(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a := r.get("/fhir/metadata")
	const hl7 = "http://hl7.org/fhir/SearchParameter/"
	shared := map[string]string{"patient": "clinical-patient", "code": "clinical-code", "date": "clinical-date", "identifier": "clinical-identifier"}
	common := map[string]string{"_id": "Resource-id", "_lastUpdated": "Resource-lastUpdated"}
	seen := 0
	for i := range a.count("rest", 0, "resource") {
		resource := []any{"rest", 0, "resource", i}
		of := a.text(append(resource, "type")...)
		if !slices.Contains([]string{"Observation", "QuestionnaireResponse", "Provenance"}, of) {
			continue
		}
		for j := range a.count(append(resource, "searchParam")...) {
			param := append(slices.Clone(resource), "searchParam", j)
			name := a.text(append(param, "name")...)
			want := of + "-" + name
			if common[name] != "" {
				want = common[name]
			} else if of == "Observation" && shared[name] != "" {
				want = shared[name]
			}
			require.Equal(t, hl7+want, a.text(append(param, "definition")...))
			seen++
		}
	}
	require.Greater(t, seen, 30)
	for of, joins := range map[string][2]string{"Observation": {"Observation:derived-from", "Provenance:target"}, "QuestionnaireResponse": {"", "Observation:derived-from"}, "Provenance": {"Provenance:target", ""}} {
		for i := range a.count("rest", 0, "resource") {
			if a.text("rest", 0, "resource", i, "type") == of {
				require.Equal(t, joins[0], a.text("rest", 0, "resource", i, "searchInclude", 0), of)
				require.Equal(t, joins[1], a.text("rest", 0, "resource", i, "searchRevInclude", 0), of)
			}
		}
	}
}

// TestStatementIsTagged: the tag changes with the statement and with nothing
// else.
func TestStatementIsTagged(t *testing.T) {
	t.Parallel()
	r := newRig(t, func(o *api.Options) { o.BaseURL = "https://tidemark.brindlemoor.example/fhir" })
	again := newRig(t, func(o *api.Options) { o.BaseURL = "https://tidemark.brindlemoor.example/fhir" })
	other := newRig(t, func(o *api.Options) { o.CORSOrigins = []string{"https://fernway-portal.example"} })
	a := r.get("/fhir/metadata")
	require.Regexp(t, `^W/"[0-9a-f]{16}"$`, a.header.Get("ETag"))
	require.Equal(t, a.header.Get("ETag"), again.get("/fhir/metadata").header.Get("ETag"))
	require.NotEqual(t, a.header.Get("ETag"), other.get("/fhir/metadata").header.Get("ETag"))
	require.Equal(t, "true", other.get("/fhir/metadata").text("rest", 0, "security", "cors"))
	require.Equal(t, http.StatusNotModified, r.get("/fhir/metadata", "If-None-Match", a.header.Get("ETag")).status)
	require.Equal(t, string(a.body), string(r.get("/fhir/metadata?mode=normative").body))
	require.Equal(t, string(a.body), unzipped(t, r.get("/fhir/metadata", "Accept-Encoding", "gzip").body))
}

// rolesOfSDC are the SHALLs of the roles that the statement instantiates (SDC 4,
// their CapabilityStatements).
var rolesOfSDC = map[string][]claim{
	"form-fill-manager": {
		{"interaction", "Questionnaire", "search-type"}, {"interaction", "Questionnaire", "read"},
		{"searchParam", "Questionnaire", "url"}, {"searchParam", "Questionnaire", "version"}, {"searchParam", "Questionnaire", "status"}, {"searchParam", "Questionnaire", "experimental"},
		{"interaction", "ValueSet", "search-type"}, {"searchParam", "ValueSet", "url"}, {"searchParam", "ValueSet", "version"},
	},
	"form-response-manager": {
		{"interaction", "QuestionnaireResponse", "create"}, {"interaction", "QuestionnaireResponse", "update"},
		{"interaction", "QuestionnaireResponse", "search-type"}, {"interaction", "QuestionnaireResponse", "read"},
		{"searchParam", "QuestionnaireResponse", "questionnaire"}, {"searchParam", "QuestionnaireResponse", "status"}, {"searchParam", "QuestionnaireResponse", "subject"},
		{"searchParam", "QuestionnaireResponse", "authored"}, {"searchParam", "QuestionnaireResponse", "author"},
	},
	"form-receiver": {{"operation", "Questionnaire", "process-response"}},
}

func TestRolesAreHeld(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a, claims := r.get("/fhir/metadata"), r.claims()
	require.Equal(t, len(rolesOfSDC), a.count("instantiates"))
	for i := range a.count("instantiates") {
		role, ok := strings.CutPrefix(a.text("instantiates", i), "http://hl7.org/fhir/uv/sdc/CapabilityStatement/sdc-")
		require.True(t, ok)
		require.NotEmpty(t, rolesOfSDC[role], role)
		require.Subset(t, claims, rolesOfSDC[role], role)
	}
}

// TestFlagsAreTrue tries what the statement says of each type by a flag.
func TestFlagsAreTrue(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	examples, statement := r.examples(), r.get("/fhir/metadata")
	for i := range statement.count("rest", 0, "resource") {
		flag := func(name string) string { return statement.text("rest", 0, "resource", i, name) }
		of := flag("type")
		r.run(t, of, func(t *testing.T, r *rig) {
			path := "/fhir/" + of + "/" + examples[of]
			a := r.get(path)
			tag, modified := a.header.Get("ETag"), a.header.Get("Last-Modified")
			switch flag("conditionalRead") {
			case "full-support":
				require.Equal(t, http.StatusNotModified, r.get(path, "If-Modified-Since", modified).status)
				require.Equal(t, http.StatusNotModified, r.get(path, "If-None-Match", tag).status)
			case "not-match":
				require.Equal(t, http.StatusNotModified, r.get(path, "If-None-Match", tag).status)
			default:
				require.Empty(t, flag("conditionalRead"))
			}
			if flag("readHistory") == "true" {
				version := "1"
				if tag != "" {
					version = tag[len(`W/"`) : len(tag)-1]
				}
				require.Equal(t, http.StatusOK, r.get(path+"/_history/"+version).status)
			}
			if flag("versioning") == "versioned-update" {
				body := oona("flags")
				body.id = r.create(body.json()).id()
				body.status, body.itch = "amended", "1"
				r.put(body, "If-Match", `W/"9"`).refused(http.StatusPreconditionFailed, "conflict")
			}
		})
	}
}
