package main

import (
	"encoding/json"
	"fmt"
	"net/http"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
)

// published saves what the server publishes, the Device and the
// CapabilityStatement.
func (e *emitter) published() {
	for _, p := range questionnaire.All() {
		e.get(p.Type+"-"+p.ID, "/"+p.Type+"/"+p.ID)
	}
	e.get("Device", "/Device/"+observation.DeviceID)
	e.get("CapabilityStatement", "/metadata")
}

// scores has both forms filled in by all three methods.
func (e *emitter) scores() {
	for short, form := range forms {
		for _, method := range methods {
			name := short + "-" + method
			usual := assessment{form: form, method: method, name: name, percent: "20", itch: "6.5", sleep: "4", grade: "moderate"}
			e.life(usual)
			e.once(usual.as("no-total", func(a *assessment) { a.sleep = "" }))
			e.once(usual.as("zero", func(a *assessment) { a.percent, a.grade, a.itch, a.sleep = "0", "absent", "0", "0" }))
			e.once(usual.as("noted", func(a *assessment) { a.percent, a.itch, a.sleep = "90", "1", "10" }))
			e.once(usual.as("polish", func(a *assessment) { a.language, a.percent = "pl", "90" }))
			e.once(usual.as("bare", func(a *assessment) { a.bare = true }))
			e.extracted(usual)
		}
	}
}

// as is a variant of the answers under a name of its own.
func (a assessment) as(name string, change func(*assessment)) assessment {
	a.name += "-" + name
	change(&a)
	return a
}

// life follows one response from completion over an amendment to retraction.
func (e *emitter) life(a assessment) {
	created := e.once(a.as("completed", func(*assessment) {}))
	a.name, a.itch = a.name+"-completed", "7"
	for _, status := range []string{"amended", "entered-in-error"} {
		body := e.encode(a.response(status, created))
		e.call(http.MethodPut, "/QuestionnaireResponse/"+created, body, http.StatusOK)
		e.keep(a.name+"-"+status, created)
		e.get("DiagnosticReport-"+a.name+"-"+status, "/DiagnosticReport/"+created)
	}
	e.provenances(a.name, created)
	for _, kind := range []string{"QuestionnaireResponse", "Observation"} {
		e.get("Bundle-history-"+kind+"-"+a.name, "/"+kind+"/"+created+"/_history")
	}
}

// deleted saves what a deletion leaves, and what a portal says of its origin.
func (e *emitter) deleted() {
	a := assessment{form: questionnaire.SelfAssessment, method: "direct", name: "deleted", percent: "20", itch: "2", sleep: "1", grade: "mild"}
	origin := e.encode(object{
		"resourceType": "Provenance", "recorded": "2026-03-04T19:31:00+01:00", "agent": []any{object{"who": object{"display": "Fernway Portal"}}},
	})
	id := e.call(http.MethodPost, "/QuestionnaireResponse", e.encode(a.response("completed", "")), http.StatusCreated, "X-Provenance", string(origin)).id()
	e.call(http.MethodDelete, "/QuestionnaireResponse/"+id, nil, http.StatusNoContent)
	e.get("Observation-"+a.name, "/Observation/"+id)
	e.get("Bundle-history-"+a.name, "/QuestionnaireResponse/"+id+"/_history")
	e.get("Bundle-provenances-of-response", "/Provenance?target=QuestionnaireResponse/"+id)
	e.get("Bundle-provenances-of-retraction", "/Provenance?target=Observation/"+id)
	e.save("OperationOutcome-deleted", e.call(http.MethodGet, "/QuestionnaireResponse/"+id, nil, http.StatusGone).body)
}

// once sends a response and saves what became of it. It gives the id.
func (e *emitter) once(a assessment) string {
	body := e.encode(a.response("completed", ""))
	id := e.call(http.MethodPost, "/QuestionnaireResponse", body, http.StatusCreated).id()
	e.keep(a.name, id)
	return id
}

// keep saves the response and its score as they are now stored.
func (e *emitter) keep(name, id string) {
	e.get("QuestionnaireResponse-"+name, "/QuestionnaireResponse/"+id)
	e.get("Observation-"+name, "/Observation/"+id)
}

// provenances saves those of all versions of a score.
func (e *emitter) provenances(name, id string) {
	found := e.get("Bundle-provenances-"+name, "/Provenance?target=Observation/"+id)
	var bundle struct {
		Entry []struct{ Resource json.RawMessage }
	}
	if err := json.Unmarshal(found.body, &bundle); err != nil {
		e.fail(fmt.Errorf("reading the Provenances: %w", err))
	}
	if len(bundle.Entry) != 3 {
		e.fail(fmt.Errorf("%s has %d Provenances, not 3", name, len(bundle.Entry)))
	}
	for i, entry := range bundle.Entry {
		e.save(fmt.Sprintf("Provenance-%s-%d", name, i+1), entry.Resource)
	}
}

// extracted saves scores of responses that are not stored.
func (e *emitter) extracted(a assessment) {
	for _, bare := range []bool{false, true} {
		a.bare = bare
		body := e.encode(a.response("completed", ""))
		found := e.call(http.MethodPost, "/QuestionnaireResponse/$extract", body, http.StatusOK)
		e.save(fmt.Sprintf("Observation-%s-extracted-bare-%t", a.name, bare), found.body)
	}
}

// spoilt is a response with several mistakes.
func spoilt() object {
	a := assessment{form: questionnaire.SelfAssessment, method: "direct", name: "spoilt", percent: "120", itch: "11", sleep: "1", grade: "medium"}
	return a.response("completed", "")
}

// outcomes saves OperationOutcomes: of refusals by status, and of acceptance
// with and without warnings.
func (e *emitter) outcomes() {
	refused := e.call(http.MethodPost, "/QuestionnaireResponse", e.encode(spoilt()), http.StatusUnprocessableEntity)
	e.save("OperationOutcome-refused", refused.body)
	malformed := e.call(http.MethodPost, "/QuestionnaireResponse", []byte(`{"resourceType":"QuestionnaireResponse","status":1,"mood":"good"}`), http.StatusBadRequest)
	e.save("OperationOutcome-malformed", malformed.body)
	noJSON := e.call(http.MethodPost, "/QuestionnaireResponse", []byte(`{"resourceType"`), http.StatusBadRequest)
	e.save("OperationOutcome-no-json", noJSON.body)
	e.save("OperationOutcome-not-found", e.call(http.MethodGet, "/Observation/nobody", nil, http.StatusNotFound).body)
	e.save("OperationOutcome-no-route", e.call(http.MethodGet, "/Patient", nil, http.StatusNotFound).body)
	e.save("OperationOutcome-no-method", e.call(http.MethodDelete, "/metadata", nil, http.StatusMethodNotAllowed).body)
	for name, percent := range map[string]json.Number{"accepted": "20", "warned": "90"} {
		a := assessment{form: questionnaire.SelfAssessment, method: "direct", name: name, percent: percent, itch: "2", sleep: "1", grade: "mild"}
		accepted := e.call(http.MethodPost, "/QuestionnaireResponse", e.encode(a.response("completed", "")), http.StatusCreated, "Prefer", "return=OperationOutcome")
		e.save("OperationOutcome-"+name, accepted.body)
	}
}

// bundles saves the answers to a transaction and to a batch, the batch with
// one entry refused and one not found.
func (e *emitter) bundles() {
	usual := assessment{form: questionnaire.SelfAssessment, method: "hands", name: "bundle", percent: "12.5", itch: "3", sleep: "2.5", grade: "mild"}
	warned := usual.as("warned", func(a *assessment) { a.percent = "85" })
	read := object{"request": object{"method": "GET", "url": "QuestionnaireResponse/" + e.once(usual.as("read", func(*assessment) {}))}}
	done := e.bundle("transaction", post(usual.response("completed", "")), post(warned.response("completed", "")), read)
	e.save("Bundle-transaction-response", done.body)
	done = e.bundle("batch",
		post(usual.as("batch", func(*assessment) {}).response("completed", "")), post(spoilt()),
		object{"request": object{"method": "GET", "url": "Observation/nobody"}})
	e.save("Bundle-batch-response", done.body)
	beside := usual.as("beside", func(*assessment) {}).response("completed", "")
	beside["subject"] = object{"reference": "urn:uuid:0190a1b2-0000-7000-8000-00000000000a"}
	done = e.bundle("transaction", post(beside), object{
		"fullUrl":  "urn:uuid:0190a1b2-0000-7000-8000-00000000000a",
		"resource": object{"resourceType": "Patient", "identifier": []any{object{"system": "https://brindlemoor.example/chart", "value": "1"}}},
		"request":  object{"method": "POST", "url": "Patient"},
	})
	e.save("Bundle-transaction-response-beside", done.body)
}

func (e *emitter) bundle(kind string, entries ...object) answer {
	body := e.encode(object{"resourceType": "Bundle", "type": kind, "entry": entries})
	return e.call(http.MethodPost, "", body, http.StatusOK)
}

func post(resource object) object {
	return object{"resource": resource, "request": object{"method": "POST", "url": "QuestionnaireResponse"}}
}

// searches saves searchsets: a page with another after it, an empty one, and
// one of each type; and the statistics over what they find.
func (e *emitter) searches() {
	e.get("Bundle-searchset-page", "/Observation?patient=oona-thistledown&_sort=-date&_count=5")
	e.get("Bundle-searchset-empty", "/Observation?patient=nobody")
	e.get("Parameters-trend", "/Observation/$scorad-trend?patient=oona-thistledown")
	e.get("Parameters-agreement", "/Observation/$scorad-agreement?patient=oona-thistledown")
	e.get("Parameters-agreement-all", "/Observation/$scorad-agreement")
	for _, kind := range []string{"Observation", "QuestionnaireResponse", "Provenance", "Device", "Questionnaire", "CodeSystem", "ValueSet", "StructureDefinition", "OperationDefinition", "DiagnosticReport"} {
		e.get("Bundle-searchset-"+kind, "/"+kind)
	}
}
