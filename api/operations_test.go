package api_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/questionnaire"
)

// passed holds the answer to be an outcome without errors.
func (a answer) passed() {
	a.t.Helper()
	require.Equal(a.t, http.StatusOK, a.status, "%s", a.body)
	require.Equal(a.t, "OperationOutcome", a.text("resourceType"))
	require.NotZero(a.t, a.count("issue"))
	for i := range a.count("issue") {
		require.NotContains(a.t, []string{"error", "fatal"}, a.text("issue", i, "severity"), "%s", a.body)
	}
}

// faulted holds the answer to be an outcome, with 200, whose first error is of
// that type.
func (a answer) faulted(code string) {
	a.t.Helper()
	require.Equal(a.t, http.StatusOK, a.status, "%s", a.body)
	require.Equal(a.t, "OperationOutcome", a.text("resourceType"))
	for i := range a.count("issue") {
		if severity := a.text("issue", i, "severity"); severity == "error" || severity == "fatal" {
			require.Equal(a.t, code, a.text("issue", i, "code"), "%s", a.body)
			return
		}
	}
	require.Fail(a.t, "no error in the outcome", "%s", a.body)
}

// parametersWith writes Parameters; a value that begins with { is a resource, any
// other the JSON of a member such as "valueCode":"create".
func parametersWith(pairs ...string) string {
	var all []string
	for i := 0; i < len(pairs); i += 2 {
		member := pairs[i+1]
		if strings.HasPrefix(member, "{") {
			member = `"resource":` + member
		}
		all = append(all, `{"name":"`+pairs[i]+`",`+member+`}`)
	}
	return `{"resourceType":"Parameters","parameter":[` + strings.Join(all, ",") + `]}`
}

func (r *rig) post(path, body string, headers ...string) answer {
	r.t.Helper()
	return r.do(http.MethodPost, path, body, headers...)
}

func TestExtractOperation(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("operation")
	id := r.create(body.json()).id()
	r.run(t, "of a stored response is its score, from that version", func(t *testing.T, r *rig) {
		stored := r.score(id)
		for _, a := range []answer{r.get(responsePath + "/" + id + "/$extract"), r.post(responsePath+"/"+id+"/$extract", ""), r.post(responsePath+"/"+id+"/$extract", `{"resourceType":"Parameters"}`)} {
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			for _, member := range sameScore {
				require.Equal(t, stored.stateless(member), a.at(member), member)
			}
			require.Equal(t, stored.text("derivedFrom", 0, "reference"), a.text("derivedFrom", 0, "reference"))
			require.Empty(t, a.text("id"))
		}
		require.Equal(t, string(stored.body), string(r.score(id).body))
	})
	r.run(t, "of a stored response as a panel", func(t *testing.T, r *rig) {
		require.Equal(t, "Bundle", r.get(responsePath+"/"+id+"/$extract?shape=panel").text("resourceType"))
		require.Equal(t, "Bundle", r.post(responsePath+"/"+id+"/$extract", parametersWith("shape", `"valueCode":"panel"`)).text("resourceType"))
	})
	r.run(t, "with warnings tells them beside the score", func(t *testing.T, r *rig) {
		odd := oona("operation-odd")
		odd.extent = "0"
		a := r.post(extractPath, odd.json())
		require.Equal(t, "Parameters", a.text("resourceType"))
		require.Equal(t, "38.00", a.unwrapped().text("valueQuantity", "value"))
		require.Equal(t, "warning", a.text("parameter", 1, "resource", "issue", 0, "severity"))
	})
	r.run(t, "takes the form that the response names", func(t *testing.T, r *rig) {
		self, _ := questionnaire.Find("Questionnaire", strings.TrimSuffix(selfForm, "|1.0.0"))
		for _, form := range []string{`"valueCanonical":"` + selfForm + `"`, `"valueUri":"` + strings.TrimSuffix(selfForm, "|1.0.0") + `"`, string(self.JSON)} {
			a := r.post(extractPath, parametersWith("questionnaire-response", body.json(), "questionnaire", form))
			require.Equal(t, "Observation", a.text("resourceType"), "%s", a.body)
		}
	})
	r.run(t, "takes no other form", func(t *testing.T, r *rig) {
		r.post(extractPath, parametersWith("questionnaire-response", body.json(), "questionnaire", `"valueCanonical":"`+clinicianForm+`"`)).
			refused(http.StatusUnprocessableEntity, "business-rule")
		r.post(extractPath, parametersWith("questionnaire-response", body.json(), "questionnaire", `"valueCanonical":"https://other.example/form"`)).
			refused(http.StatusUnprocessableEntity, "not-found")
	})
	r.run(t, "of what is not stored, or was deleted", func(t *testing.T, r *rig) {
		r.get(responsePath+"/none/$extract").refused(http.StatusNotFound, "not-found")
		gone := r.create(oona("operation-gone").json()).id()
		require.Equal(t, http.StatusNoContent, r.remove(gone).status)
		r.get(responsePath+"/"+gone+"/$extract").refused(http.StatusGone, "deleted")
	})
	r.run(t, "of a stored draft is refused, of a stopped one there is nothing", func(t *testing.T, r *rig) {
		draft := oona("operation-draft")
		draft.status = "in-progress"
		r.get(responsePath+"/"+r.create(draft.json()).id()+"/$extract").refused(http.StatusUnprocessableEntity, "business-rule")
		draft.status, draft.identifier = "stopped", "operation-stopped"
		require.Equal(t, "warning", r.get(responsePath+"/"+r.create(draft.json()).id()+"/$extract").text("issue", 0, "severity"))
	})
	r.run(t, "without a body is refused", func(t *testing.T, r *rig) {
		r.post(extractPath, "").refused(http.StatusBadRequest, "required")
	})
}

func TestValidateResponses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	const path = responsePath + "/$validate"
	id := r.create(oona("validated").json()).id()
	stored := oona("validated")
	stored.id = id
	good, bad, odd := oona("valid"), wrong("invalid"), oona("odd")
	odd.extent = "0"
	r.run(t, "a good one has no faults, alone or in Parameters", func(t *testing.T, _ *rig) {
		r := newRig(t)
		r.post(path, good.json()).passed()
		r.post(path, parametersWith("resource", good.json())).passed()
		require.Equal(t, kept{}, r.kept())
	})
	r.run(t, "a bad one has the faults that creating it has, with 200", func(t *testing.T, r *rig) {
		a := r.post(path, bad.json())
		a.faulted("value")
		require.Equal(t, string(r.post(responsePath, bad.json()).body), string(a.body))
	})
	r.run(t, "warnings are told", func(t *testing.T, r *rig) {
		a := r.post(path, odd.json())
		a.passed()
		require.Equal(t, "warning", a.text("issue", 0, "severity"))
	})
	r.run(t, "what is no FHIR is told with 200 too", func(t *testing.T, r *rig) {
		r.post(path, `{"resourceType":"QuestionnaireResponse","status":"final"}`).faulted("code-invalid")
		r.post(path, `{"resourceType":"QuestionnaireResponse","flavour":1,"status":"completed"}`).faulted("structure")
		r.post(path, `{"resourceType":`).faulted("structure")
		r.post(path, `{"resourceType":"Patient"}`).faulted("structure")
	})
	r.run(t, "a call that cannot be carried out is refused", func(t *testing.T, r *rig) {
		r.post(path, "").refused(http.StatusBadRequest, "required")
		r.post(path, `{"resourceType":"Parameters"}`).refused(http.StatusBadRequest, "required")
		r.post(path+"?mode=profile", good.json()).refused(http.StatusBadRequest, "not-supported")
		r.post(path+"?profile=https://other.example/profile", good.json()).refused(http.StatusUnprocessableEntity, "not-supported")
		r.post(path, parametersWith("resource", good.json(), "profile", `"valueCanonical":"https://other.example/profile"`)).refused(http.StatusUnprocessableEntity, "not-supported")
		r.post(path+"?profile=http://hl7.org/fhir/StructureDefinition/QuestionnaireResponse|4.3.0", good.json()).refused(http.StatusUnprocessableEntity, "not-supported")
		r.post(path+"?mode=delete", good.json()).refused(http.StatusBadRequest, "invalid")
		r.get(responsePath+"/none/$validate").refused(http.StatusNotFound, "not-found")
		r.get(responsePath+"/none/$validate?mode=delete").refused(http.StatusNotFound, "not-found")
		r.post(path, good.json(), "Content-Type", "application/fhir+xml").refused(http.StatusUnsupportedMediaType, "not-supported")
	})
	r.run(t, "profiles that are held may be named", func(t *testing.T, r *rig) {
		for _, profile := range append(questionnaire.Profiles("QuestionnaireResponse"), "http://hl7.org/fhir/StructureDefinition/QuestionnaireResponse", "http://hl7.org/fhir/StructureDefinition/QuestionnaireResponse|4.0.1") {
			r.post(path, parametersWith("resource", good.json(), "profile", `"valueUri":"`+profile+`"`)).passed()
		}
	})
	r.run(t, "mode create tries it against what is stored, and leaves nothing", func(t *testing.T, _ *rig) {
		r := newRig(t)
		r.create(oona("validated").json())
		before := r.kept()
		r.post(path+"?mode=create", good.json()).passed()
		r.post(path, parametersWith("mode", `"valueCode":"create"`, "resource", good.json())).passed()
		taken := oona("validated")
		taken.itch = "1"
		r.post(path+"?mode=create", taken.json()).faulted("duplicate")
		r.post(path, taken.json()).passed()
		require.Equal(t, before, r.kept())
		require.Equal(t, http.StatusCreated, r.post(responsePath, oona("valid-afterwards").json()).status)
	})
	r.run(t, "mode update tries the transition", func(t *testing.T, r *rig) {
		amended := stored
		amended.status, amended.itch = "amended", "1"
		again := stored
		again.itch = "1"
		for _, at := range []string{responsePath + "/" + id + "/$validate?mode=update", path + "?mode=update"} {
			r.post(at, amended.json()).passed()
			r.post(at, again.json()).faulted("business-rule")
		}
		other := amended
		other.id = "another"
		r.post(responsePath+"/"+id+"/$validate?mode=update", other.json()).faulted("invalid")
		r.post(path+"?mode=update", other.json()).faulted("not-supported")
		require.Equal(t, "1", r.get(responsePath+"/"+id).text("meta", "versionId"))
	})
	r.run(t, "mode delete tries the deletion", func(t *testing.T, r *rig) {
		r.get(responsePath + "/" + id + "/$validate?mode=delete").passed()
		r.post(responsePath+"/"+id+"/$validate", parametersWith("mode", `"valueCode":"delete"`)).passed()
		require.Equal(t, http.StatusOK, r.get(responsePath+"/"+id).status)
		r.get("/fhir/Observation/" + id + "/$validate?mode=delete").faulted("not-supported")
	})
	r.run(t, "an instance without a body is checked itself", func(t *testing.T, r *rig) {
		r.get(responsePath + "/" + id + "/$validate").passed()
		r.post(responsePath+"/"+id+"/$validate", "").passed()
	})
}

func TestValidateOthers(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("others").json()).id()
	r.run(t, "an Observation is checked for its structure", func(t *testing.T, r *rig) {
		score := string(r.score(id).body)
		a := r.post("/fhir/Observation/$validate", score)
		a.passed()
		require.Contains(t, string(a.body), "profiles, invariants and terminology were not")
		r.post("/fhir/Observation/$validate", strings.Replace(score, `"status":"final"`, `"status":"finished"`, 1)).faulted("code-invalid")
		r.post("/fhir/Observation/$validate?mode=create", score).faulted("not-supported")
		r.post("/fhir/Observation/$validate?profile="+questionnaire.Profiles("Observation")[0], score).refused(http.StatusUnprocessableEntity, "not-supported")
	})
	for _, p := range questionnaire.All() {
		r.run(t, p.Type+"/"+p.ID+" passes", func(t *testing.T, r *rig) {
			r.post("/fhir/"+p.Type+"/$validate", string(p.JSON)).passed()
			r.get("/fhir/" + p.Type + "/" + p.ID + "/$validate").passed()
		})
	}
	r.run(t, "a form is told whether it could be scored", func(t *testing.T, r *rig) {
		a := r.post("/fhir/Questionnaire/$validate", `{"resourceType":"Questionnaire","status":"active","url":"https://fernway-portal.example/form","version":"1","item":[{"linkId":"a","type":"string"}]}`)
		a.passed()
		require.Contains(t, string(a.body), "could not be scored here")
		self, _ := questionnaire.Find("Questionnaire", questionnaire.Base+"/Questionnaire/"+questionnaire.SelfAssessment)
		require.NotContains(t, string(r.post("/fhir/Questionnaire/$validate", string(self.JSON)).body), "could not be scored here")
		r.post("/fhir/Questionnaire/$validate", `{"resourceType":"Questionnaire","status":"active","item":[{"type":"string"}]}`).faulted("required")
	})
}

func TestProcessResponse(t *testing.T) {
	t.Parallel()
	const path = "/fhir/Questionnaire/$process-response"
	r := newRig(t)
	r.run(t, "is scored and stored as if created", func(t *testing.T, r *rig) {
		a := r.post(path, oona("processed").json())
		a.passed()
		stored := r.get(a.header.Get("Location"))
		require.Equal(t, http.StatusOK, stored.status)
		require.Equal(t, "processed", stored.text("identifier", "value"))
		require.Equal(t, "42.00", r.score(stored.id()).text("valueQuantity", "value"))
		again := r.post(path, oona("processed").json())
		require.Equal(t, a.header.Get("Location"), again.header.Get("Location"), "repeated is answered as the first time")
	})
	r.run(t, "in Parameters", func(t *testing.T, r *rig) {
		r.post(path, parametersWith("in", oona("processed-in").json())).passed()
		r.post(path, parametersWith("other", oona("processed-in").json())).refused(http.StatusBadRequest, "required")
	})
	r.run(t, "warnings are told", func(t *testing.T, r *rig) {
		odd := oona("processed-odd")
		odd.extent = "0"
		a := r.post(path, odd.json())
		a.passed()
		require.Equal(t, "warning", a.text("issue", 0, "severity"))
	})
	r.run(t, "in progress is refused and not stored", func(t *testing.T, r *rig) {
		draft := oona("processed-draft")
		draft.status = "in-progress"
		r.post(path, draft.json()).refused(http.StatusUnprocessableEntity, "business-rule")
		require.Empty(t, r.found(t, responsePath+"?"+byIdentifier("processed-draft")))
	})
	r.run(t, "stopped is kept and not scored", func(t *testing.T, r *rig) {
		stopped := oona("processed-stopped")
		stopped.status = "stopped"
		a := r.post(path, stopped.json())
		a.passed()
		require.Equal(t, http.StatusOK, r.get(a.header.Get("Location")).status)
	})
	r.run(t, "with faults is refused as creating it is", func(t *testing.T, r *rig) {
		r.post(path, wrong("processed-wrong").json()).refused(http.StatusUnprocessableEntity, "value")
		taken := oona("processed-taken")
		r.post(path, taken.json()).passed()
		taken.itch = "1"
		r.post(path, taken.json()).refused(http.StatusConflict, "duplicate")
		r.post(path, "").refused(http.StatusBadRequest, "required")
		r.post(path, `{"resourceType":"Patient"}`).refused(http.StatusBadRequest, "structure")
	})
	unnamed := oona("processed-unnamed")
	unnamed.form = ""
	r.run(t, "without its form is refused at type level", func(t *testing.T, r *rig) {
		r.post(path, unnamed.json()).refused(http.StatusUnprocessableEntity, "required")
	})
	const to = "/fhir/Questionnaire/scorad-self-assessment/$process-response"
	r.run(t, "without its form is one to the form it was sent to", func(t *testing.T, r *rig) {
		a := r.post(to, unnamed.json())
		a.passed()
		require.Equal(t, selfForm, r.get(a.header.Get("Location")).text("questionnaire"))
	})
	r.run(t, "to another form than it was sent to is refused", func(t *testing.T, r *rig) {
		r.post(to, oona("processed-to").json()).passed()
		r.post("/fhir/Questionnaire/scorad-clinician-assessment/$process-response", oona("processed-else").json()).refused(http.StatusUnprocessableEntity, "business-rule")
		r.post("/fhir/Questionnaire/none/$process-response", oona("processed-else").json()).refused(http.StatusNotFound, "not-found")
	})
	r.run(t, "GET is not offered", func(t *testing.T, r *rig) {
		require.Contains(t, []int{http.StatusNotFound, http.StatusMethodNotAllowed}, r.get(path).status)
	})
}

// day writes the date so many years and days ago.
func day(years, days int) string {
	return time.Now().UTC().AddDate(-years, 0, -days).Format(time.DateOnly)
}

func patientOf(id, birth string) string {
	return `{"resourceType":"Patient","id":"` + id + `","birthDate":"` + birth + `"}`
}

func contextPart(name, content string) string {
	if strings.HasPrefix(content, "{") {
		content = `"resource":` + content
	}
	return `"part":[{"name":"name","valueString":"` + name + `"},{"name":"content",` + content + `}]`
}

const (
	subjectOona  = `"valueReference":{"reference":"Patient/oona-thistledown"}`
	populatePath = "/fhir/Questionnaire/scorad-self-assessment/$populate"
)

// offered is the response in an answer of $populate, which our own create must
// take as it is.
func (r *rig) offered(a answer) answer {
	r.t.Helper()
	require.Equal(r.t, http.StatusOK, a.status, "%s", a.body)
	require.Equal(r.t, "response", a.text("parameter", 0, "name"))
	var parameters struct {
		Parameter []struct{ Resource json.RawMessage }
	}
	require.NoError(r.t, json.Unmarshal(a.body, &parameters))
	draft := answer{t: r.t, body: parameters.Parameter[0].Resource}
	require.Equal(r.t, "in-progress", draft.text("status"))
	require.Equal(r.t, http.StatusCreated, r.post(responsePath, string(draft.body)).status, "%s", draft.body)
	return draft
}

// answersOf are the answers of the group extent by linkId.
func (a answer) answersOf() map[string]string {
	a.t.Helper()
	all := map[string]string{}
	for i := range a.count("item", 0, "item") {
		value := a.text("item", 0, "item", i, "answer", 0, "valueCoding", "code")
		if value == "" {
			value = a.text("item", 0, "item", i, "answer", 0, "valueInteger")
		}
		all[a.text("item", 0, "item", i, "linkId")] = value
	}
	return all
}

func TestPopulate(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	t.Run("fills in form, subject, status and time", func(t *testing.T) {
		t.Parallel()
		r := newRig(t) // of its own, since what is stored is counted
		a := r.post(populatePath, parametersWith("subject", subjectOona))
		require.Equal(t, 1, a.count("parameter"), "there is nothing to tell")
		draft := r.offered(a)
		require.Equal(t, selfForm, draft.text("questionnaire"))
		require.Equal(t, "Patient/oona-thistledown", draft.text("subject", "reference"))
		at, err := time.Parse(time.RFC3339, draft.text("authored"))
		require.NoError(t, err)
		require.WithinDuration(t, time.Now(), at, time.Minute)
		require.Zero(t, draft.count("item"))
		require.Equal(t, 1, len(r.found(t, responsePath+"?patient=oona-thistledown&status=in-progress")), "only what the test itself created is stored")
	})
	for birth, group := range map[string]string{
		day(0, 0): "under-1", day(0, 200): "under-1", day(1, 2): "1-to-2", day(1, 200): "1-to-2", day(2, 2): "2-and-over", day(5, 0): "2-and-over", day(17, 0): "2-and-over", "1950": "2-and-over",
	} {
		r.run(t, "born "+birth+" is "+group, func(t *testing.T, r *rig) {
			draft := r.offered(r.post(populatePath, parametersWith("context", contextPart("patient", patientOf("casper-"+birth, birth)))))
			require.Equal(t, "Patient/casper-"+birth, draft.text("subject", "reference"))
			answers := draft.answersOf()
			require.Equal(t, group, answers["extent.age-group"])
			require.Equal(t, "regions", answers["extent.method"])
			require.Equal(t, "0", answers["extent.genitals"], "the form's own initial value")
			require.Len(t, answers, 15)
		})
	}
	for _, birth := range []string{day(0, -20), time.Now().UTC().Format("2006"), "2999"} {
		r.run(t, "born "+birth+" leaves the age group open", func(t *testing.T, r *rig) {
			a := r.post(populatePath, parametersWith("subject", subjectOona, "context", contextPart("patient", patientOf("oona-thistledown", birth))))
			require.Equal(t, "warning", a.text("parameter", 1, "resource", "issue", 0, "severity"))
			require.Empty(t, r.offered(a).answersOf())
		})
	}
	r.run(t, "the form is named by parameter at type level", func(t *testing.T, r *rig) {
		self, _ := questionnaire.Find("Questionnaire", strings.TrimSuffix(selfForm, "|1.0.0"))
		for _, form := range []string{
			`"valueCanonical":"` + selfForm + `"`, `"valueUri":"` + strings.TrimSuffix(selfForm, "|1.0.0") + `"`,
			`"valueReference":{"reference":"Questionnaire/scorad-self-assessment"}`, `"valueReference":{"reference":"` + r.base + `/Questionnaire/scorad-self-assessment"}`, string(self.JSON),
		} {
			require.Equal(t, selfForm, r.offered(r.post("/fhir/Questionnaire/$populate", parametersWith("questionnaire", form, "subject", subjectOona))).text("questionnaire"))
		}
	})
	r.run(t, "or by an identifier", func(t *testing.T, _ *rig) {
		own := newRig(t, withEditions)
		a := own.post("/fhir/Questionnaire/$populate", parametersWith("identifier", `"valueIdentifier":{"system":"https://brindlemoor.example/forms","value":"nothing"}`, "subject", subjectOona))
		a.refused(http.StatusUnprocessableEntity, "not-found")
	})
	for name, c := range map[string]struct {
		path, body, code string
		status           int
	}{
		"without a body":              {populatePath, "", "required", 400},
		"without a subject":           {populatePath, parametersWith("local", `"valueBoolean":true`), "required", 400},
		"without a form":              {"/fhir/Questionnaire/$populate", parametersWith("subject", subjectOona), "required", 400},
		"of an unknown form":          {"/fhir/Questionnaire/$populate", parametersWith("subject", subjectOona, "questionnaire", `"valueCanonical":"https://other.example/form"`), "not-found", 422},
		"of an unknown reference":     {"/fhir/Questionnaire/$populate", parametersWith("subject", subjectOona, "questionnaire", `"valueReference":{"reference":"Questionnaire/none"}`), "not-found", 422},
		"of an unknown version":       {"/fhir/Questionnaire/$populate", parametersWith("subject", subjectOona, "questionnaire", `"valueCanonical":"`+strings.TrimSuffix(selfForm, "1.0.0")+`9.0.0"`), "not-found", 422},
		"of an unknown instance":      {"/fhir/Questionnaire/none/$populate", parametersWith("subject", subjectOona), "not-found", 404},
		"for a group":                 {populatePath, parametersWith("subject", `"valueReference":{"reference":"Group/a"}`), "value", 422},
		"for a contained patient":     {populatePath, parametersWith("subject", `"valueReference":{"reference":"#p"}`), "value", 422},
		"for two patients":            {populatePath, parametersWith("subject", subjectOona, "context", contextPart("patient", patientOf("casper-quillfeather", day(1, 0)))), "business-rule", 422},
		"with a patient that is none": {populatePath, parametersWith("subject", subjectOona, "context", contextPart("patient", `{"resourceType":"Group","type":"person","actual":true}`)), "structure", 400},
		"of a resource alone":         {populatePath, patientOf("oona-thistledown", day(5, 0)), "structure", 400},
		"with another patient's map":  {populatePath, parametersWith("subject", subjectOona, "context", contextPart("previous", mapOf("Patient/casper-quillfeather", "2026-03-01", 3))), "business-rule", 422},
		"with a map that is none":     {populatePath, parametersWith("subject", subjectOona, "context", contextPart("previous", patientOf("oona-thistledown", day(5, 0)))), "value", 422},
		"with a map not here":         {populatePath, parametersWith("subject", subjectOona, "context", contextPart("previous", `"valueReference":{"reference":"QuestionnaireResponse/none"}`)), "not-found", 422},
		"with a map elsewhere":        {populatePath, parametersWith("subject", subjectOona, "context", contextPart("previous", `"valueReference":{"reference":"https://other.example/fhir/QuestionnaireResponse/a"}`)), "value", 422},
	} {
		r.run(t, name+" is refused", func(t *testing.T, r *rig) { r.post(c.path, c.body).refused(c.status, c.code) })
	}
	r.run(t, "what it does not know it says", func(t *testing.T, r *rig) {
		a := r.post(populatePath, parametersWith("subject", subjectOona, "dataEndpoint", `"valueString":"x"`))
		require.Equal(t, "not-supported", a.text("parameter", 1, "resource", "issue", 0, "code"))
	})
}

// mapOf is a completed response by regions, each of that percent.
func mapOf(patient, authored string, percent int) string {
	body := oona("map-" + patient + authored)
	body.patient, body.authored, body.extent = patient, authored, ""
	var items []string
	for _, region := range []string{"head-front", "head-back", "trunk-front", "trunk-back", "arm-right-front", "arm-right-back", "arm-left-front", "arm-left-back",
		"leg-right-front", "leg-right-back", "leg-left-front", "leg-left-back", "genitals"} {
		items = append(items, fmt.Sprintf(`{"linkId":"extent.%s","answer":[{"valueInteger":%d}]}`, region, percent))
	}
	coding := func(linkID, code string) string {
		return `{"linkId":"` + linkID + `","answer":[{"valueCoding":{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":"` + code + `"}}]}`
	}
	group := `{"linkId":"extent","item":[` + coding("extent.method", "regions") + "," + coding("extent.age-group", "2-and-over") + "," + strings.Join(items, ",") + `]},`
	return strings.Replace(body.json(), `"item":[`, `"item":[`+group, 1)
}

func TestPopulateOffersTheLastMap(t *testing.T) {
	t.Parallel()
	const mirren = `"valueReference":{"reference":"Patient/mirren-ashby-vale"}`
	r := newRig(t)
	r.create(mapOf("Patient/mirren-ashby-vale", "2026-03-01", 3))
	latest := r.create(mapOf("Patient/mirren-ashby-vale", "2026-03-08", 8))
	r.create(mapOf("Patient/oona-thistledown", "2026-03-09", 9))
	without := oona("mirren-direct")
	without.patient, without.authored = "Patient/mirren-ashby-vale", "2026-03-20"
	r.create(without.json())
	r.run(t, "of the patient alone, if asked", func(t *testing.T, r *rig) {
		a := r.post(populatePath, parametersWith("subject", mirren, "local", `"valueBoolean":true`))
		require.Equal(t, "information", a.text("parameter", 1, "resource", "issue", 0, "severity"))
		answers := r.offered(a).answersOf()
		require.Equal(t, "8", answers["extent.head-front"], "the latest by regions")
		require.Equal(t, "8", answers["extent.genitals"])
		require.Equal(t, "regions", answers["extent.method"])
		require.NotContains(t, answers, "extent.age-group", "no birth date was given")
		require.Len(t, answers, 14)
	})
	r.run(t, "with the age group of today", func(t *testing.T, r *rig) {
		answers := r.offered(r.post(populatePath, parametersWith("local", `"valueBoolean":true`, "context", contextPart("patient", patientOf("mirren-ashby-vale", day(17, 3)))))).answersOf()
		require.Equal(t, "2-and-over", answers["extent.age-group"])
		require.Equal(t, "8", answers["extent.head-front"])
	})
	r.run(t, "not if not asked", func(t *testing.T, r *rig) {
		require.Empty(t, r.offered(r.post(populatePath, parametersWith("subject", mirren))).answersOf())
		require.Empty(t, r.offered(r.post(populatePath, parametersWith("subject", mirren, "local", `"valueBoolean":false`))).answersOf())
	})
	r.run(t, "of the response given", func(t *testing.T, r *rig) {
		for _, previous := range []string{mapOf("Patient/mirren-ashby-vale", "2026-02-01", 5), mapOf(r.base+"/Patient/mirren-ashby-vale", "2026-02-01", 5)} {
			require.Equal(t, "5", r.offered(r.post(populatePath, parametersWith("subject", mirren, "context", contextPart("previous", previous)))).answersOf()["extent.trunk-back"])
		}
		for _, reference := range []string{"QuestionnaireResponse/" + latest.id(), r.base + "/QuestionnaireResponse/" + latest.id()} {
			answers := r.offered(r.post(populatePath, parametersWith("subject", mirren, "context", contextPart("previous", `"valueReference":{"reference":"`+reference+`"}`)))).answersOf()
			require.Equal(t, "8", answers["extent.trunk-back"])
		}
	})
	r.run(t, "there may be none", func(t *testing.T, r *rig) {
		a := r.post(populatePath, parametersWith("subject", `"valueReference":{"reference":"Patient/nobody-yet"}`, "local", `"valueBoolean":true`))
		require.Equal(t, "not-found", a.text("parameter", 1, "resource", "issue", 0, "code"))
		require.Empty(t, r.offered(a).answersOf())
		direct := without.json()
		b := r.post(populatePath, parametersWith("subject", mirren, "context", contextPart("previous", direct)))
		require.Equal(t, "warning", b.text("parameter", 1, "resource", "issue", 0, "severity"))
	})
	r.run(t, "a family's map is not offered to a clinician", func(t *testing.T, r *rig) {
		a := r.post("/fhir/Questionnaire/scorad-clinician-assessment/$populate", parametersWith("subject", mirren, "local", `"valueBoolean":true`))
		require.Equal(t, "not-found", a.text("parameter", 1, "resource", "issue", 0, "code"))
	})
}
