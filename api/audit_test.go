package api_test

import (
	"context"
	"encoding/base64"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/subscription"
)

// auditTried is a request that has an entry of the audit trail, and what that
// says: subtype, action, outcome, entity without its version, and patient.
type auditTried struct {
	method, path, body                        string
	status                                    int
	subtype, action, outcome, entity, patient string
}

const oonas = "Patient/oona-thistledown"

// auditOf is how each route of the router is tried.
func auditOf(route, id, provenance, device, event, wish, job string) (auditTried, bool) {
	method, path, _ := strings.Cut(route, " ")
	kind := strings.Split(strings.TrimPrefix(path, "/fhir/"), "/")[0]
	ids := map[string]string{"QuestionnaireResponse": id, "Observation": id, "Provenance": provenance, "Device": device, "AuditEvent": event, "Task": id, "DiagnosticReport": id,
		"Subscription": wish, "Basic": subscription.TopicID, "$export": job, "Group": someGroup,
		"Questionnaire": "scorad-self-assessment", "CodeSystem": "scorad", "ValueSet": "scorad-grade", "StructureDefinition": "scorad-panel", "OperationDefinition": "scorad-trend"}
	patients := map[string]string{"QuestionnaireResponse": oonas, "Observation": oonas, "Provenance": oonas, "Task": oonas, "DiagnosticReport": oonas}
	versions := map[string]string{"Questionnaire": "1.0.0", "CodeSystem": "1.0.0", "ValueSet": "1.0.0", "StructureDefinition": "1.0.0", "OperationDefinition": "1.0.0"}
	version := versions[kind]
	if version == "" {
		version = "1"
	}
	a := auditTried{method: method, path: strings.NewReplacer(":id", ids[kind], ":vid", version).Replace(path), status: http.StatusOK, outcome: "0"}
	if method == http.MethodHead {
		method = http.MethodGet
	}
	instance := strings.Contains(path, "/:id")
	if instance {
		a.entity, a.patient = kind+"/"+ids[kind], patients[kind]
	}
	rest := strings.TrimPrefix(path, "/fhir/"+kind)
	switch {
	case path == "/fhir":
		a.body, a.subtype, a.action = `{"resourceType":"Bundle","type":"transaction"}`, "transaction", "E"
	case path == "/fhir/metadata", path == "/cds-services":
		a.subtype, a.action = "capabilities", "R"
	case path == cdsService:
		a.body, a.subtype, a.action, a.patient = hookCall("oona-thistledown"), "operation", "E", oonas
	case kind == "$export" && instance:
		a.path, a.entity, a.subtype, a.action = strings.Replace(a.path, ":file", "1", 1), "", "operation", "E"
		switch {
		case method == "DELETE":
			a.status = http.StatusAccepted
		case strings.HasSuffix(path, ":file") && a.method == http.MethodGet:
			a.patient = oonas
		}
	case strings.HasPrefix(kind, "$"):
		a.subtype, a.action = "operation", "E"
		return a, a.call(kind, kind[1:], instance)
	case strings.Contains(rest, "$"):
		a.subtype, a.action = "operation", "E"
		return a, a.call(kind, rest[strings.Index(rest, "$")+1:], instance)
	case kind == "Subscription" && a.subscribes(rest, wish):
	case method+rest == "GET", method+rest == "POST/_search":
		a.subtype, a.action, a.patient = "search-type", "E", patients[kind]
	case method+rest == "POST":
		a.body, a.status, a.subtype, a.action, a.entity, a.patient = oona("another").json(), http.StatusCreated, "create", "C", "new", oonas
	case method == "PUT" && instance:
		change := oona("audited")
		change.id, change.status, change.itch = id, "amended", "1"
		a.body, a.subtype, a.action = change.json(), "update", "U"
	case method == "PUT":
		a.path, a.body, a.status, a.subtype, a.action, a.entity, a.patient = a.path+"?"+byIdentifier("third"), oona("third").json(), http.StatusCreated, "create", "C", "new", oonas
	case method == "DELETE" && instance:
		a.status, a.subtype, a.action = http.StatusNoContent, "delete", "D"
	case method == "DELETE":
		a.path, a.status, a.subtype, a.action, a.entity, a.patient = a.path+"?"+byIdentifier("audited"), http.StatusNoContent, "delete", "D", kind+"/"+id, oonas
	case method+rest == "GET/:id":
		a.subtype, a.action = "read", "R"
	case method+rest == "GET/:id/_history/:vid":
		a.subtype, a.action = "vread", "R"
	case method+rest == "GET/:id/_history":
		a.subtype, a.action = "history-instance", "R"
	default:
		return a, false
	}
	return a, true
}

// subscribes says how what is written of Subscriptions is tried; false for what
// is read of them.
func (a *auditTried) subscribes(rest, id string) bool {
	w := wants(somewhere)
	switch a.method + rest {
	case "POST":
		a.status, a.subtype, a.action, a.entity = http.StatusCreated, "create", "C", "new"
	case "PUT/:id":
		w.id, a.subtype, a.action = id, "update", "U"
	case "DELETE/:id":
		a.status, a.subtype, a.action = http.StatusNoContent, "delete", "D"
		return true
	default:
		return false
	}
	a.body = w.json()
	return true
}

// call says how an operation is called.
func (a *auditTried) call(kind, operation string, instance bool) bool {
	get := a.method != http.MethodPost
	switch operation {
	case "extract", "process-response":
		if !get && !(instance && operation == "extract") {
			a.body = oona("operated").json()
		}
	case "lastn":
		if a.patient = oonas; get {
			a.path += "?patient=oona-thistledown&code=scorad"
		} else {
			a.body = parametersOf(`{"name":"patient","valueString":"oona-thistledown"}`, `{"name":"code","valueString":"scorad"}`)
		}
	case "stats":
		if a.patient = oonas; get {
			a.path += "?subject=Patient/oona-thistledown&code=scorad&statistic=count"
		} else {
			a.body = parametersOf(`{"name":"subject","valueUri":"Patient/oona-thistledown"}`, `{"name":"code","valueString":"scorad"}`, `{"name":"statistic","valueCode":"count"}`)
		}
	case "scorad-trend", "scorad-agreement":
		if a.patient = oonas; get {
			a.path += "?patient=oona-thistledown"
		} else {
			a.body = parametersOf(`{"name":"patient","valueString":"Patient/oona-thistledown"}`)
		}
	case "export", "scorad-research-export":
		if a.status = http.StatusAccepted; !get {
			a.body = parametersOf(`{"name":"_outputFormat","valueString":"ndjson"}`)
		}
	case "status", "events":
		if !get {
			a.body = parametersOf(`{"name":"status","valueString":"requested"}`)
		}
	case "validate":
		if !get {
			a.body = `{"resourceType":"` + kind + `"}`
			a.patient = ""
		}
	case "populate":
		a.body = `{"resourceType":"Parameters","parameter":[{"name":"subject","valueReference":{"reference":"Patient/oona-thistledown"}},` +
			`{"name":"questionnaire","valueCanonical":"https://tidemark.example/fhir/Questionnaire/scorad-self-assessment"}]}`
	default:
		return false
	}
	return true
}

// TestEveryRouteIsOnRecord: whatever the router has leaves an AuditEvent that
// says what was done, to what, and whose it was. A route added later fails until
// it is in auditOf.
func TestEveryRouteIsOnRecord(t *testing.T) {
	t.Parallel()
	routes := api.New(api.Options{CDS: &api.CDS{Open: true}, Subscriptions: &api.Subscriptions{}, Exports: exportsOffered()}, api.NewMetrics()).Routes()
	require.Greater(t, len(routes), 90)
	for _, each := range routes {
		route := each.Method + " " + each.Path
		t.Run(route, func(t *testing.T) {
			t.Parallel()
			r := newRig(t, openCDS, offered)
			id, wish := r.create(oona("audited").json()).id(), r.post("/fhir/Subscription", wants(somewhere).json()).id()
			job := ""
			if strings.Contains(each.Path, "/$export/:id") {
				job = r.exported("/fhir/Patient/$export")
			}
			a, known := auditOf(route, id, r.found(t, "/fhir/Provenance?target="+id)[0], "tidemark-1.0.0", r.newest().AuditPlace.String(), wish, job)
			require.True(t, known, "a route without a test of its audit")
			before := r.trailLength()
			var headers []string
			if a.body == "" && strings.HasSuffix(a.path, "/_search") {
				headers = []string{"Content-Type", "application/x-www-form-urlencoded"}
			}
			if a.status == http.StatusAccepted && a.method != http.MethodDelete {
				headers = []string{"Prefer", "respond-async"}
			}
			answer := r.do(a.method, a.path, a.body, headers...)
			if answer.status == http.StatusBadRequest && strings.Contains(a.path, "$validate") {
				a.status = answer.status
			}
			require.Equal(t, a.status, answer.status, "%s", answer.body)
			r.server.Close()
			require.Greater(t, r.trailLength(), before, "one entry at least")
			r.requireRecorded(a, answer)
		})
	}
}

// newest is the newest entry of the trail.
func (r *rig) newest() store.AuditRecord {
	r.t.Helper()
	page, err := r.store.Audits(context.Background(), store.AuditQuery{Limit: 1})
	require.NoError(r.t, err)
	require.NotEmpty(r.t, page.Records)
	return page.Records[0]
}

// trail is all of it, newest first.
func (r *rig) trail() []store.AuditRecord {
	r.t.Helper()
	page, err := r.store.Audits(context.Background(), store.AuditQuery{Limit: 100000})
	require.NoError(r.t, err)
	return page.Records
}

func (r *rig) trailLength() int { r.t.Helper(); return len(r.trail()) }

// requireRecorded finds the entry of a request by its X-Request-Id.
func (r *rig) requireRecorded(a auditTried, response answer) {
	r.t.Helper()
	id := response.header.Get("X-Request-Id")
	var found []string
	for _, record := range r.trail() {
		if !strings.Contains(string(record.Event), `"value":"`+id+`"`) {
			continue
		}
		entity := record.Entity
		if a.entity == "new" && entity != "" {
			entity = "new"
		}
		found = append(found, fmt.Sprint(record.Subtype, " ", record.Action, " ", record.Outcome, " ", entity, " ", record.Patient))
	}
	outcome := a.outcome
	if response.status >= http.StatusBadRequest {
		outcome = "4"
	}
	require.Contains(r.t, found, fmt.Sprint(a.subtype, " ", a.action, " ", outcome, " ", a.entity, " ", a.patient))
}

func TestAuditOfSearches(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.create(oona("one").json())
	other := oona("two")
	other.patient = "Patient/tamsin-quill"
	r.create(other.json())
	t.Run("one entry for each patient whose data it gave, with the query as it came and nothing of the results", func(t *testing.T) {
		before := r.trailLength()
		require.Equal(t, "2", r.get("/fhir/Observation?code=scorad").text("total"))
		trail := r.trail()
		require.Len(t, trail, before+2)
		require.ElementsMatch(t, []string{oonas, "Patient/tamsin-quill"}, []string{trail[0].Patient, trail[1].Patient})
		for _, record := range trail[:2] {
			require.Equal(t, "Observation?code=scorad", queryIn(t, record))
			require.NotContains(t, string(record.Event), "42.00")
			require.NotContains(t, string(record.Event), "Observation/")
		}
	})
	t.Run("what a POST kept out of the URL is asked for all the same", func(t *testing.T) {
		r.do(http.MethodPost, "/fhir/Observation/_search", "patient=oona-thistledown", "Content-Type", "application/x-www-form-urlencoded")
		record := r.newest()
		require.Equal(t, "Observation/_search?patient=oona-thistledown", queryIn(t, record))
		require.Equal(t, oonas, record.Patient)
	})
	t.Run("finding nothing is on record too", func(t *testing.T) {
		r.get("/fhir/Observation?patient=nobody")
		require.Equal(t, "Observation?patient=nobody", queryIn(t, r.newest()))
		require.Empty(t, r.newest().Patient)
	})
}

// queryIn is what an event says was asked.
func queryIn(t *testing.T, record store.AuditRecord) string {
	t.Helper()
	for i := range 4 {
		if query, ok := pick(t, record.Event, "entity", i, "query").(string); ok {
			text, err := base64.StdEncoding.DecodeString(query)
			require.NoError(t, err)
			return string(text)
		}
	}
	return ""
}

func TestAuditOfBundles(t *testing.T) {
	t.Parallel()
	kinds := func(r *rig, before int) []string {
		var all []string
		trail := r.trail()
		for _, record := range trail[:len(trail)-before] {
			all = append(all, record.Subtype+" "+record.Outcome+" "+record.Patient)
		}
		return all
	}
	t.Run("each entry of a batch has its own", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		id := r.create(oona("there").json()).id()
		before := r.trailLength()
		r.bundle("batch", postOf(oona("new")), postOf(wrong("bad")), entryOf(http.MethodGet, "Observation/"+id, ""), entryOf(http.MethodGet, "Observation/none", ""))
		require.ElementsMatch(t, []string{"create 0 " + oonas, "create 4 ", "read 0 " + oonas, "read 4 ", "batch 0 "}, kinds(r, before))
	})
	t.Run("so has each of a transaction, and reads that were only tried have none", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		before := r.trailLength()
		r.bundle("transaction", postOf(oona("a")), postOf(oona("b")), entryOf(http.MethodGet, "Observation?patient=oona-thistledown", ""))
		require.ElementsMatch(t, []string{"create 0 " + oonas, "create 0 " + oonas, "transaction 0 ", "search-type 0 " + oonas}, kinds(r, before))
	})
	t.Run("one that was refused did nothing, and is on record as a whole", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		before := r.trailLength()
		r.bundle("transaction", postOf(oona("a")), postOf(wrong("b")))
		require.Equal(t, []string{"transaction 4 "}, kinds(r, before))
	})
}

func TestAuditOfRefusals(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(t, "what is nowhere", func(t *testing.T, r *rig) {
		a := r.get("/nothing?patient=oona-thistledown")
		record := r.find(a)
		require.Equal(t, "4", record.Outcome)
		require.Equal(t, "GET /nothing?patient=oona-thistledown", queryIn(t, record))
		require.Equal(t, "HTTP 404 not-supported", pick(t, record.Event, "outcomeDesc"))
	})
	r.run(t, "a format that is not offered", func(t *testing.T, r *rig) {
		record := r.find(r.get("/fhir/Observation/x", "Accept", "application/fhir+xml"))
		require.Equal(t, "HTTP 406 not-supported", pick(t, record.Event, "outcomeDesc"))
		require.Nil(t, pick(t, record.Event, "meta", "profile"), "a failure claims no pattern")
	})
	r.run(t, "a response that breaks a rule, without its content", func(t *testing.T, r *rig) {
		record := r.find(r.do(http.MethodPost, responsePath, wrong("audit-wrong").json()))
		require.Equal(t, "create", record.Subtype)
		require.Equal(t, "HTTP 422 value", pick(t, record.Event, "outcomeDesc"))
		require.NotContains(t, string(record.Event), "thistledown")
	})
}

// find is the one entry of a request.
func (r *rig) find(a answer) store.AuditRecord {
	r.t.Helper()
	var found []store.AuditRecord
	for _, record := range r.trail() {
		if strings.Contains(string(record.Event), `"value":"`+a.header.Get("X-Request-Id")+`"`) {
			found = append(found, record)
		}
	}
	require.Len(r.t, found, 1)
	return found[0]
}

func TestReadingTheTrail(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.as(portal)
	id := r.create(oona("trail").json()).id()
	r.score(id)
	r.get("/fhir/Observation/none")
	search := func(t *testing.T, query string) answer {
		t.Helper()
		a := r.get("/fhir/AuditEvent?" + query)
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		return a
	}
	for query, want := range map[string]int{
		"patient=oona-thistledown": 2, "patient=Patient/oona-thistledown": 2, "patient=nobody": 0,
		"entity=Observation/" + id: 1, "entity=Patient/oona-thistledown": 2, "entity=QuestionnaireResponse/" + id: 1,
		"action=C": 1, "outcome=4": 1, "subtype=http://hl7.org/fhir/restful-interaction|create": 1, "type=110114": 0,
		"agent=ilse-varnholt&action=C": 1, "agent:identifier=https://login.fernway-portal.example|fernway-portal&action=C": 1, "agent=nobody": 0,
		"date=ge2026&action=C": 1, "date=lt2001": 0, "action=C,R&entity=Observation/" + id: 1,
	} {
		t.Run(query, func(t *testing.T) {
			require.Equal(t, want, search(t, query).count("entry"))
		})
	}
	t.Run("pages lead through all of it once", func(t *testing.T) {
		seen := map[string]bool{}
		address := r.base + "/AuditEvent?_count=2&entity=QuestionnaireResponse/" + id + ",Observation/" + id + ",Observation/none"
		for address != "" {
			a := r.get(address)
			for i := range a.count("entry") {
				require.False(t, seen[a.text("entry", i, "fullUrl")])
				seen[a.text("entry", i, "fullUrl")] = true
			}
			address = a.link("next")
		}
		require.Len(t, seen, 3)
	})
	t.Run("what cannot be asked is refused", func(t *testing.T) {
		r.get("/fhir/AuditEvent?_cursor=x").refused(http.StatusBadRequest, "value")
		r.get("/fhir/AuditEvent?patient:missing=true").refused(http.StatusBadRequest, "not-supported")
		r.get("/fhir/AuditEvent?action=C&action=R").refused(http.StatusBadRequest, "not-supported")
		r.get("/fhir/AuditEvent?made-up=1", "Prefer", "handling=strict").refused(http.StatusBadRequest, "not-supported")
		r.get("/fhir/AuditEvent?_sort=date").refused(http.StatusBadRequest, "value")
		r.get("/fhir/AuditEvent/none").refused(http.StatusNotFound, "not-found")
		r.get("/fhir/AuditEvent/none-1").refused(http.StatusNotFound, "not-found")
		r.do(http.MethodDelete, "/fhir/AuditEvent/x", "").refused(http.StatusMethodNotAllowed, "not-supported")
	})
	t.Run("reading it is on record", func(t *testing.T) {
		a := search(t, "action=C")
		record := r.find(a)
		require.Equal(t, "search-type", record.Subtype)
		require.Equal(t, "AuditEvent?action=C", queryIn(t, record))
	})
	t.Run("a posted search keeps its question out of the links", func(t *testing.T) {
		a := r.do(http.MethodPost, "/fhir/AuditEvent/_search", url.Values{"patient": {"oona-thistledown"}, "_count": {"1"}}.Encode(), "Content-Type", "application/x-www-form-urlencoded")
		require.Equal(t, 1, a.count("entry"))
		require.NotContains(t, a.link("next"), "oona")
		require.Equal(t, 1, r.get(a.link("next")).count("entry"))
	})
}
