package api_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestUnknownRoutes(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for _, path := range []string{
		"/", "/fhir/Patient", "/fhir/Patient/oona-thistledown", "/fhir/questionnaireresponse", "/FHIR/metadata",
		"//fhir/metadata", "/fhir//Observation", "/fhir%2Fmetadata2", "/fhir/%2e%2e/metrics",
		"/fhir/Observation/a/_history/1/more", "/fhir/Observation/a/b", "/metrics", "/healthz", "/debug/pprof/", "/fhir/%00", "/fhir/..%2f..%2fetc",
	} {
		for _, method := range []string{http.MethodGet, http.MethodPost, http.MethodDelete, "OONA-THISTLEDOWN"} {
			r.run(t, method+" "+path, func(t *testing.T, r *rig) {
				body := ""
				if method == http.MethodPost {
					body = "{}"
				}
				// Whatever the formats: that there is nothing comes first.
				a := r.do(method, r.origin+path, body, "Content-Type", "text/plain", "Accept", "text/html")
				a.refused(http.StatusNotFound, "not-supported")
				require.NotContains(t, string(a.body), "oona")
			})
		}
	}
}

func TestWrongMethods(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	methods := []string{"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "TRACE", "SEARCH", "OONA-THISTLEDOWN"}
	for path, allowed := range map[string]string{
		"/fhir":                                    "POST",
		"/fhir/metadata":                           "GET, HEAD",
		"/fhir/QuestionnaireResponse":              "POST, PUT, DELETE, GET, HEAD",
		"/fhir/QuestionnaireResponse/a":            "PUT, DELETE, GET, HEAD",
		"/fhir/QuestionnaireResponse/a/_history/1": "GET, HEAD",
		"/fhir/Observation":                        "GET, HEAD",
		"/fhir/Observation/a":                      "GET, HEAD",
		"/fhir/Provenance/a/_history/1":            "GET, HEAD",
		"/fhir/Questionnaire":                      "GET, HEAD",
		"/fhir/CodeSystem/scorad":                  "GET, HEAD",
		"/fhir/Device/a":                           "GET, HEAD",
	} {
		for _, method := range methods {
			if strings.Contains(", "+allowed+",", " "+method+",") {
				continue
			}
			r.run(t, method+" "+path, func(t *testing.T, r *rig) {
				a := r.do(method, path, "", "Accept", "image/png")
				require.Equal(t, allowed+", OPTIONS", a.header.Get("Allow"))
				if method == http.MethodHead {
					require.Equal(t, http.StatusMethodNotAllowed, a.status)
					return
				}
				a.refused(http.StatusMethodNotAllowed, "not-supported")
				require.NotContains(t, string(a.body), "OONA", "a method is any text")
			})
		}
	}
}

func TestMediaTypes(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("media").json()
	for _, path := range []string{"/fhir/QuestionnaireResponse", "/fhir/QuestionnaireResponse/$extract", "/fhir"} {
		for _, header := range [][]string{
			{"Content-Type", ""}, {"Content-Type", "text/plain"}, {"Content-Type", "application/fhir+xml"}, {"Content-Type", "application/json-patch+json"},
			{"Content-Type", "application/x-www-form-urlencoded"}, {"Content-Type", "application/fhir+json; charset=iso-8859-1"},
			{"Content-Type", "application/fhir+json; charset=utf-16"}, {"Content-Type", "application/fhir+json; fhirVersion=5.0"},
			{"Content-Type", "application/fhir+json; fhirVersion=4.3"}, {"Content-Type", "application/fhir+json; fhirVersion=3.0"},
			{"Content-Type", "application/fhir+json;;;="}, {"Content-Encoding", "br"},
		} {
			r.run(t, path+" with "+strings.Join(header, ": "), func(t *testing.T, r *rig) {
				r.do(http.MethodPost, path, body, header...).refused(http.StatusUnsupportedMediaType, "not-supported")
			})
		}
	}
	for _, accept := range []string{"text/html", "application/fhir+xml", "application/fhir+json; fhirVersion=5.0", "application/fhir+json;q=0", "application/fhir+json;q=0.00", "x", "image/*"} {
		r.run(t, "not for those who accept "+accept, func(t *testing.T, r *rig) {
			for _, path := range []string{"/fhir/metadata", "/fhir/Observation", "/fhir/Observation/a"} {
				r.get(path, "Accept", accept).refused(http.StatusNotAcceptable, "not-supported")
			}
			r.do(http.MethodPost, "/fhir/QuestionnaireResponse", body, "Accept", accept).refused(http.StatusNotAcceptable, "not-supported")
		})
	}
	for _, format := range []string{"xml", "html", "application/fhir%2Bxml", "application/fhir%2Bjson%3BfhirVersion%3D5.0", "ttl", "json2"} {
		r.run(t, "not in _format "+format, func(t *testing.T, r *rig) {
			r.get("/fhir/metadata?_format="+format, "Accept", "application/fhir+json").refused(http.StatusNotAcceptable, "not-supported")
		})
	}
	require.Equal(t, kept{}, r.kept())
	for _, header := range []string{
		"", "*/*", "application/*", "application/fhir+json", "application/json", "text/json", "APPLICATION/FHIR+JSON", "application/fhir+json; fhirVersion=4.0",
		"application/fhir+json; charset=UTF-8; fhirVersion=4.0.1", "text/html, application/xhtml+xml;q=0.9, */*;q=0.8", "application/fhir+xml, application/json;q=0.1",
	} {
		r.run(t, "for those who accept "+header, func(t *testing.T, r *rig) {
			require.Equal(t, http.StatusOK, r.get("/fhir/metadata", "Accept", header).status)
		})
		if header != "" && !strings.ContainsAny(header, "*,") {
			r.run(t, "sent as "+header, func(t *testing.T, r *rig) {
				r.create(oona("media "+header).json(), "Content-Type", header)
			})
		}
	}
	for _, format := range []string{"json", "application/json", "text/json", "application/fhir%2Bjson", "application/fhir+json", "application/fhir%2Bjson%3BfhirVersion%3D4.0"} {
		r.run(t, "in _format "+format+" whatever is accepted", func(t *testing.T, r *rig) {
			require.Equal(t, http.StatusOK, r.get("/fhir/metadata?_format="+format, "Accept", "text/html").status)
		})
	}
}

// TestBodiesThatAreNotFHIR: each is refused with 400 before any rule is judged,
// on every path that takes a body, and nothing is stored.
func TestBodiesThatAreNotFHIR(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	good := oona("json").json()
	member := func(text string) string { return strings.Replace(good, `"status"`, text+`,"status"`, 1) }
	for name, c := range map[string]struct{ body, code string }{
		"empty object":       {`{}`, "structure"},
		"white space":        {" \n", "structure"},
		"array":              {`[` + good + `]`, "structure"},
		"text":               {`"a"`, "structure"},
		"null":               {`null`, "structure"},
		"XML":                {`<QuestionnaireResponse/>`, "structure"},
		"form":               {`a=b&c=d`, "structure"},
		"cut short":          {good[:len(good)-1], "structure"},
		"two documents":      {good + good, "structure"},
		"trailing text":      {good + "x", "structure"},
		"comment":            {member(`/* c */"language":"en"`), "structure"},
		"trailing comma":     {strings.Replace(good, `]}`, `],}`, 1), "structure"},
		"byte order mark":    {"\ufeff" + good, "structure"},
		"UTF-16":             {"{\x00\"\x00r\x00\"\x00:\x001\x00}\x00", "structure"},
		"invalid UTF-8":      {member("\"language\":\"e\xff\""), "structure"},
		"lone surrogate":     {member(`"language":"\ud800"`), "structure"},
		"control character":  {member("\"language\":\"e\x01\""), "structure"},
		"NUL":                {good + "\x00", "structure"},
		"duplicate name":     {member(`"language":"en","language":"en"`), "structure"},
		"duplicate escaped":  {member(`"language":"en","l\u0061nguage":"en"`), "structure"},
		"wrong case":         {member(`"Language":"en"`), "structure"},
		"unknown name":       {member(`"flavour":"sour"`), "structure"},
		"null value":         {member(`"language":null`), "structure"},
		"empty text":         {member(`"language":""`), "value"},
		"empty object value": {member(`"meta":{}`), "structure"},
		"empty array":        {member(`"contained":[]`), "structure"},
		"number for text":    {member(`"language":7`), "value"},
		"quoted number":      {strings.Replace(good, `"valueDecimal":6`, `"valueDecimal":"6"`, 1), "value"},
		"infinite number":    {strings.Replace(good, `"valueDecimal":6`, `"valueDecimal":Infinity`, 1), "structure"},
		"leading zero":       {strings.Replace(good, `"valueDecimal":6`, `"valueDecimal":06`, 1), "structure"},
		"no day":             {strings.Replace(good, "2026-03-04T", "2026-02-30T", 1), "value"},
		"unknown type":       {`{"resourceType":"Scorad"}`, "structure"},
		"no type":            {strings.Replace(good, `"resourceType":"QuestionnaireResponse",`, "", 1), "structure"},
		"deep":               {member(`"item":` + strings.Repeat(`[{"linkId":"a","item":`, 5000)), "structure"},
		"deep arrays":        {strings.Repeat("[", 100000), "structure"},
	} {
		for _, path := range []string{"/fhir/QuestionnaireResponse", "/fhir/QuestionnaireResponse/$extract", "/fhir"} {
			r.run(t, name+" to "+path, func(t *testing.T, r *rig) {
				a := r.do(http.MethodPost, path, c.body)
				require.Equal(t, http.StatusBadRequest, a.status, "%s", a.body)
				a.refused(http.StatusBadRequest, a.text("issue", 0, "code"))
				if path != "/fhir" {
					require.Equal(t, c.code, a.text("issue", 0, "code"), "%s", a.body)
				}
			})
		}
	}
	r.run(t, "no body at all", func(t *testing.T, r *rig) {
		r.do(http.MethodPost, "/fhir", "", "Content-Type", "application/fhir+json").refused(http.StatusBadRequest, "structure")
	})
	t.Cleanup(func() { require.Equal(t, kept{}, r.kept()) })
}

// TestEveryFaultIsTold: faults against the form and the rules are told at once,
// each with its place, and as 422; with one against FHIR among them all are 400.
func TestEveryFaultIsTold(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("faults")
	body.patient, body.authored, body.itch, body.sleep, body.extent, body.grades = "", "2026-03", "10.5", "7.25", "100.5", "2111"
	body.source = "Practitioner/ilse-varnholt"
	a := r.do(http.MethodPost, "/fhir/QuestionnaireResponse", body.json())
	a.refused(http.StatusUnprocessableEntity, a.text("issue", 0, "code"))
	var told []string
	for i := range a.count("issue") {
		if a.text("issue", i, "severity") == "error" {
			told = append(told, a.text("issue", i, "expression", 0)+" "+a.text("issue", i, "code"))
		}
	}
	require.Len(t, told, 8, "%s", strings.Join(told, "\n"))
	for _, place := range []string{
		"QuestionnaireResponse.item[0].item[1].answer[0].value", "QuestionnaireResponse.item[2].item[0].answer[0].value",
		"QuestionnaireResponse.item[2].item[1].answer[0].value", "QuestionnaireResponse.source", "QuestionnaireResponse.authored",
	} {
		require.Contains(t, strings.Join(told, "\n"), place)
	}
	malformed := strings.Replace(body.json(), `"status"`, `"flavour":"sour","status"`, 1)
	b := r.do(http.MethodPost, "/fhir/QuestionnaireResponse", malformed)
	b.refused(http.StatusBadRequest, "structure")
	require.Equal(t, kept{}, r.kept())
}

// TestErrorsRepeatNothingThatWasSent: neither answers nor names.
func TestErrorsRepeatNothingThatWasSent(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	const mark = "Zebulon-Quagmire"
	for name, body := range map[string]string{
		"numbers": func() string {
			b := oona(mark)
			b.itch, b.sleep, b.extent = "77.7777", "-77.7777", "777.777"
			return b.json()
		}(),
		"patient":   func() string { b := oona(mark); b.patient, b.authored = "Group/"+mark, mark; return b.json() }(),
		"form":      func() string { b := oona(mark); b.form = "https://tidemark.example/" + mark; return b.json() }(),
		"status":    func() string { b := oona(mark); b.status = strings.ToLower(mark); return b.json() }(),
		"code":      strings.Replace(oona(mark).json(), `"code":"moderate"`, `"code":"`+mark+`"`, 1),
		"system":    strings.Replace(oona(mark).json(), `CodeSystem/scorad-grade`, mark, 1),
		"text":      strings.Replace(oona(mark).json(), `"valueDecimal":6`, `"valueString":"`+mark+`"`, 1),
		"date":      strings.Replace(oona(mark).json(), `"valueDecimal":6`, `"valueDate":"`+mark+`"`, 1),
		"reference": strings.Replace(oona(mark).json(), `"valueDecimal":6`, `"valueReference":{"reference":"Patient/`+mark+`","display":"`+mark+`"}`, 1),
		"id":        strings.Replace(oona(mark).json(), `"status"`, `"id":"`+mark+` !","status"`, 1),
		"contained": strings.Replace(oona(mark).json(), `"status"`, `"contained":[{"resourceType":"Patient","id":"p","name":[{"family":"`+mark+`"}],"birthDate":"`+mark+`"}],"status"`, 1),
		"language":  strings.Replace(oona(mark).json(), `"status"`, `"language":" `+mark+`","status"`, 1),
		"JSON":      strings.Replace(oona(mark).json(), `"valueDecimal":6`, `"valueDecimal":`+mark, 1),
		"extension": strings.Replace(oona(mark).json(), `"status"`, `"modifierExtension":[{"url":"https://x.example/x","valueString":"`+mark+`"}],"status"`, 1),
	} {
		r.run(t, name, func(t *testing.T, r *rig) {
			for _, path := range []string{"/fhir/QuestionnaireResponse", "/fhir/QuestionnaireResponse/$extract"} {
				requireSilent(t, r.do(http.MethodPost, path, body), mark)
			}
			for _, kind := range []string{"batch", "transaction"} {
				requireSilent(t, r.bundle(kind, entryOf(http.MethodPost, "QuestionnaireResponse", body)), mark)
			}
		})
	}
	r.run(t, "warnings", func(t *testing.T, r *rig) {
		body := strings.Replace(oona("warned").json(), `"code":"moderate"`, `"code":"moderate","display":"`+mark+`"`, 1)
		body = strings.Replace(body, `{"linkId":"symptoms",`, `{"linkId":"symptoms","text":"`+mark+`",`, 1)
		a := r.create(body, "Prefer", "return=OperationOutcome")
		require.Equal(t, "warning", a.text("issue", 0, "severity"))
		require.NotContains(t, string(a.body), mark)
	})
	for i, path := range []string{
		"/fhir/Observation/" + mark + "!", "/fhir/Observation/" + mark, "/fhir/" + mark, "/fhir/Observation?date=" + mark, "/fhir/Observation?_count=" + mark,
		"/fhir/Observation?_sort=" + mark, "/fhir/Observation?_cursor=" + mark, "/fhir/Observation?patient=" + mark + "%zz", "/fhir/metadata?_format=" + mark,
	} {
		r.run(t, fmt.Sprint("path ", i), func(t *testing.T, r *rig) { requireSilent(t, r.get(path), mark) })
	}
}

// requireSilent holds an answer to be an error that does not repeat what was sent.
func requireSilent(t *testing.T, a answer, mark string) {
	t.Helper()
	if a.status == http.StatusOK { // a batch says it in its entry
		require.Contains(t, "400 Bad Request 422 Unprocessable Entity", a.text("entry", 0, "response", "status"), "%s", a.body)
	} else {
		require.GreaterOrEqual(t, a.status, 400, "%s", a.body)
	}
	require.NotContains(t, strings.ToLower(string(a.body)), strings.ToLower(mark))
	require.NotContains(t, string(a.body), "77.7") // a port may well have two sevens
}
