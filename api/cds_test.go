package api_test

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/scoring"
)

// cdsService is the one service.
const cdsService = "/cds-services/scorad-patient-view"

// cdsNow is the clock of these tests.
var cdsNow = time.Date(2026, 3, 16, 9, 0, 0, 0, time.UTC)

// openCDS answers everybody, at the time of these tests.
func openCDS(o *api.Options) {
	o.CDS = &api.CDS{Open: true, Now: func() time.Time { return cdsNow }}
}

// hookCall is a call of patient-view; more are further members, each with a comma
// before.
func hookCall(patient string, more ...string) string {
	return `{"hook":"patient-view","hookInstance":"` + uuid.NewString() + `","context":{"userId":"Practitioner/iris-fenwarden","patientId":"` + patient + `"}` + strings.Join(more, "") + `}`
}

// call makes a call that must be answered with cards, each of which is held to the
// schema.
func (r *rig) call(body string, headers ...string) answer {
	r.t.Helper()
	a := r.do(http.MethodPost, cdsService, body, append([]string{"Content-Type", "application/json"}, headers...)...)
	require.Equal(r.t, http.StatusOK, a.status, "%s", a.body)
	require.Equal(r.t, "application/json", a.header.Get("Content-Type"))
	require.Equal(r.t, "no-store", a.header.Get("Cache-Control"))
	holdsCards(r.t, a.body)
	return a
}

// rated stores a response and gives its id.
func (r *rig) rated(authored string, change func(*response)) string {
	r.t.Helper()
	body := oona(random())
	body.authored = authored
	if change != nil {
		change(&body)
	}
	return r.create(body.json()).id()
}

func byClinician(b *response) { b.form, b.source = clinicianForm, "Practitioner/iris-fenwarden" }

// holdsCards holds an answer to CDS Hooks 2.0: "CDS Service Response", "Card
// Attributes", "Source", "Link", and "Null and empty JSON elements".
func holdsCards(t testing.TB, body []byte) {
	t.Helper()
	var answer struct {
		Cards *[]map[string]any `json:"cards"`
	}
	decoder := json.NewDecoder(bytes.NewReader(body))
	decoder.DisallowUnknownFields()
	require.NoError(t, decoder.Decode(&answer))
	require.NotNil(t, answer.Cards, "cards is required, and may be empty")
	for _, card := range *answer.Cards {
		requireNothingEmpty(t, card)
		for name := range card {
			require.Contains(t, []string{"uuid", "summary", "detail", "indicator", "source", "suggestions", "selectionBehavior", "overrideReasons", "links"}, name)
		}
		require.NoError(t, uuid.Validate(card["uuid"].(string)))
		require.Less(t, utf8.RuneCountInString(card["summary"].(string)), 140, card["summary"])
		require.NotContains(t, card["summary"], "\n")
		require.Contains(t, []any{"info", "warning", "critical"}, card["indicator"])
		source := card["source"].(map[string]any)
		require.IsType(t, "", source["label"])
		requireAbsolute(t, source["url"])
		require.NotContains(t, card, "suggestions", "a score suggests no treatment")
		require.NotContains(t, card, "selectionBehavior")
		for _, each := range card["links"].([]any) {
			link := each.(map[string]any)
			require.Len(t, link, 3)
			require.IsType(t, "", link["label"])
			require.Equal(t, "absolute", link["type"])
			requireAbsolute(t, link["url"])
		}
	}
}

func requireAbsolute(t testing.TB, text any) {
	t.Helper()
	u, err := url.Parse(text.(string))
	require.NoError(t, err)
	require.True(t, u.IsAbs() && u.Host != "", text)
}

func requireNothingEmpty(t testing.TB, value any) {
	t.Helper()
	switch v := value.(type) {
	case map[string]any:
		require.NotEmpty(t, v)
		for _, each := range v {
			requireNothingEmpty(t, each)
		}
	case []any:
		require.NotEmpty(t, v)
		for _, each := range v {
			requireNothingEmpty(t, each)
		}
	default:
		require.NotEmpty(t, v)
	}
}

// TestCDSDiscovery holds the description to CDS Hooks 2.0, "Discovery".
func TestCDSDiscovery(t *testing.T) {
	t.Parallel()
	for name, r := range map[string]*rig{"open": newRig(t, openCDS), "with tokens, and without one": newCDSRig(t).rig} {
		a := r.get("/cds-services", "Accept", "application/json")
		require.Equal(t, http.StatusOK, a.status, name)
		require.Equal(t, "application/json", a.header.Get("Content-Type"))
		require.Equal(t, 1, a.count("services"))
		service := a.at("services", 0).(map[string]any)
		requireNothingEmpty(t, service)
		require.Equal(t, "patient-view", service["hook"])
		require.Equal(t, "/cds-services/"+service["id"].(string), cdsService)
		require.NotEmpty(t, service["title"])
		require.NotEmpty(t, service["description"])
		require.Equal(t, map[string]any{"patient": "Patient/{{context.patientId}}"}, service["prefetch"])
		require.Equal(t, http.StatusOK, r.do(http.MethodHead, "/cds-services", "").status)
	}
}

// TestCDSIsNotThereUnlessConfigured, and says so in JSON.
func TestCDSIsNotThereUnlessConfigured(t *testing.T) {
	t.Parallel()
	for _, r := range []*rig{newRig(t), newAuthRig(t).rig, newRig(t, func(o *api.Options) { o.CDS = &api.CDS{} })} {
		for _, a := range []answer{r.get("/cds-services"), r.do(http.MethodPost, cdsService, hookCall("oona-thistledown"))} {
			a.wrong(http.StatusNotFound, "not-supported", "")
		}
		require.NotContains(t, string(r.get("/fhir/metadata").body), "cds-services")
	}
}

// wrong holds an answer to be a refusal in plain JSON whose faults include one.
func (a answer) wrong(status int, code, path string) {
	a.t.Helper()
	require.Equal(a.t, status, a.status, "%s", a.body)
	require.Equal(a.t, "application/json", a.header.Get("Content-Type"))
	require.NotEmpty(a.t, a.header.Get("X-Request-Id"))
	var all []string
	for i := range a.count("errors") {
		all = append(all, a.text("errors", i, "code")+" "+a.text("errors", i, "path"))
		require.NotEmpty(a.t, a.text("errors", i, "message"))
	}
	require.Contains(a.t, all, code+" "+path)
}

func TestCDSCard(t *testing.T) {
	t.Parallel()
	t.Run("none where there is nothing", func(t *testing.T) {
		t.Parallel()
		require.JSONEq(t, `{"cards":[]}`, string(newRig(t, openCDS).call(hookCall("oona-thistledown")).body))
	})
	t.Run("one score of the family", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, openCDS)
		id := r.rated("2026-03-04T19:30:00+01:00", nil)
		a := r.call(hookCall("oona-thistledown"))
		require.Equal(t, 1, a.count("cards"))
		require.Equal(t, "SCORAD 42.00 (moderate) by patient or carer, 12 days ago", a.text("cards", 0, "summary"))
		require.Equal(t, "info", a.text("cards", 0, "indicator"))
		require.Equal(t, r.base+"/DiagnosticReport/"+id, a.text("cards", 0, "links", 0, "url"))
		require.Equal(t, http.StatusOK, r.get(a.text("cards", 0, "links", 0, "url")).status, "the link leads somewhere")
		require.Equal(t, 1, a.count("cards", 0, "links"))
		detail := a.text("cards", 0, "detail")
		for _, part := range []string{
			"**Rated by patient or carer, 2026-03-04 (12 days ago)**",
			"SCORAD 42.00 of 103, band moderate (25.00 to 50.00, band set usual-25-50)", "Objective SCORAD 32.00 of 83",
			"Extent: 4.00 of 20", "Intensity of the signs: 28.00 of 63", "Itch and sleep loss: 10.00 of 20",
			"There is no earlier score", "this one says nothing of the days since", "supports, and never replaces, the judgement of a clinician",
		} {
			require.Contains(t, detail, part)
		}
		require.NotContains(t, detail, "Corrected")
		require.NotContains(t, detail, "Rated by clinician")
		require.NotRegexp(t, regexp.MustCompile(`(?i)you are fine|increase|reduce|prescribe|steroid|emollient`), detail)
	})
	t.Run("both raters, the newest first, each compared with its own", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, openCDS)
		r.rated("2026-02-01T10:00:00Z", func(b *response) { b.itch = "2"; b.sleep = "0" })         // 34.00
		r.rated("2026-03-04T10:00:00Z", func(b *response) { b.itch = "10"; b.sleep = "10" })       // 52.00
		r.rated("2026-02-10T10:00:00Z", func(b *response) { byClinician(b); b.grades = "222222" }) // 4+42+10 = 56.00
		r.rated("2026-03-15T10:00:00Z", func(b *response) { byClinician(b); b.grades = "111111" }) // 4+21+10 = 35.00
		a := r.call(hookCall("oona-thistledown"))
		require.Equal(t, "SCORAD 35.00 (moderate) by clinician, yesterday, down 21.00; by patient or carer 52.00 (severe), 12 days ago", a.text("cards", 0, "summary"))
		detail := a.text("cards", 0, "detail")
		require.Contains(t, detail, "The score fell by 21.00 points since 2026-02-10. It was 56.00 then")
		require.Contains(t, detail, "The score rose by 18.00 points, which is more than 8.7, since 2026-02-01. It was 34.00 then")
		require.Contains(t, detail, "cannot be told from scores", "a rise is no flare")
		require.Equal(t, 2, a.count("cards", 0, "links"))
		require.Less(t, strings.Index(detail, "Rated by clinician"), strings.Index(detail, "Rated by patient"))
	})
	t.Run("a rise of exactly 8.7 is not more than that", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, openCDS)
		r.rated("2026-03-01T10:00:00Z", func(b *response) { b.itch = "0"; b.sleep = "0" })
		r.rated("2026-03-10T10:00:00Z", func(b *response) { b.itch = "8.7"; b.sleep = "0" })
		detail := r.call(hookCall("oona-thistledown")).text("cards", 0, "detail")
		require.Contains(t, detail, "The score rose by 8.70 points since 2026-03-01.")
		require.Contains(t, detail, "among the first two self-assessments")
	})
	t.Run("scores of another way of giving the extent are not compared", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, openCDS)
		r.create(strings.NewReplacer(`"code":"direct"`, `"code":"hands"`, "extent.direct", "extent.hands").Replace(oona("hands").json()))
		r.rated("2026-03-10T10:00:00Z", nil)
		a := r.call(hookCall("oona-thistledown"))
		require.Contains(t, a.text("cards", 0, "detail"), "There is no earlier score")
		require.NotContains(t, a.text("cards", 0, "summary"), "unchanged")
	})
	t.Run("without itch and sleep there is no total", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, openCDS)
		r.rated("2026-03-01T10:00:00Z", nil)
		r.rated("2026-03-16T08:00:00Z", func(b *response) { b.itch, b.sleep = "", "" })
		a := r.call(hookCall("oona-thistledown"))
		require.Equal(t, "objective SCORAD 32.00 (no total) by patient or carer, today", a.text("cards", 0, "summary"))
		require.Contains(t, a.text("cards", 0, "detail"), "no total and no band")
		require.NotContains(t, a.text("cards", 0, "detail"), "since the days")
	})
	t.Run("an old score is told its age", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, openCDS)
		r.rated("2024-03-16T10:00:00Z", nil)
		require.Contains(t, r.call(hookCall("oona-thistledown")).text("cards", 0, "summary"), "730 days ago")
	})
	t.Run("an amended score is the corrected one", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, openCDS)
		body := oona("amended")
		body.id = r.create(body.json()).id()
		body.status, body.itch = "amended", "1"
		require.Equal(t, http.StatusOK, r.put(body).status)
		a := r.call(hookCall("oona-thistledown"))
		require.Contains(t, a.text("cards", 0, "summary"), "SCORAD 37.00")
		require.Contains(t, a.text("cards", 0, "detail"), "Corrected after it was first sent")
	})
	t.Run("a retracted score is not shown", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, openCDS)
		r.rated("2026-03-01T10:00:00Z", func(b *response) { b.itch = "0" })
		id := r.rated("2026-03-10T10:00:00Z", nil)
		require.Contains(t, r.call(hookCall("oona-thistledown")).text("cards", 0, "summary"), "42.00")
		require.Equal(t, http.StatusNoContent, r.do(http.MethodDelete, "/fhir/QuestionnaireResponse/"+id, "").status)
		a := r.call(hookCall("oona-thistledown"))
		require.Contains(t, a.text("cards", 0, "summary"), "36.00")
		require.NotContains(t, string(a.body), id)
	})
	t.Run("the last of many on one day, among many days", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, openCDS)
		for i, itch := range strings.Fields("0 1 2 3 4 5 6 7 8 9 10 0 1 2 3 4 5 6 7 8") { // more than a page
			r.rated(time.Date(2026, 3, 9, 1, i, 0, 0, time.UTC).Format(time.RFC3339), func(b *response) { b.itch = itch })
		}
		r.rated("2026-03-08T23:00:00Z", func(b *response) { b.itch = "1" })
		a := r.call(hookCall("oona-thistledown"))
		require.Equal(t, "SCORAD 44.00 (moderate) by patient or carer, 7 days ago, up 7.00", a.text("cards", 0, "summary"))
	})
	t.Run("the longest summary is short enough", func(t *testing.T) {
		t.Parallel()
		set, ok := scoring.BandSetByName("usual-25-50")
		require.True(t, ok)
		for _, other := range scoring.BandSets() {
			if _, uses := other.Range(scoring.ModerateOrSevere); uses {
				set = other
			}
		}
		r := newRig(t, openCDS, func(o *api.Options) { o.Bands = set })
		for _, change := range []func(*response){func(*response) {}, byClinician} {
			r.rated("0999-01-01T10:00:00Z", func(b *response) { change(b); b.extent, b.grades, b.itch, b.sleep = "0", "000000", "0", "0" })
			r.rated("1000-01-01T10:00:00Z", func(b *response) { change(b); b.extent, b.grades, b.itch, b.sleep = "100", "333333", "10", "10" })
		}
		require.Greater(t, len(r.call(hookCall("oona-thistledown")).text("cards", 0, "summary")), 120)
	})
}

// TestCDSKeepsPatientsApart: a card is of whom the context names.
func TestCDSKeepsPatientsApart(t *testing.T) {
	t.Parallel()
	r := newRig(t, openCDS)
	r.rated("2026-03-10T10:00:00Z", nil)
	r.rated("2026-03-11T10:00:00Z", func(b *response) { b.patient = "Patient/casper-quillfeather"; b.itch = "0" })
	r.rated("2026-03-12T10:00:00Z", func(b *response) {
		b.patient = "https://ehr.brindlemoor.example/fhir/Patient/oona-thistledown"
		b.itch = "1"
	})
	require.Contains(t, r.call(hookCall("oona-thistledown")).text("cards", 0, "summary"), "42.00")
	require.Contains(t, r.call(hookCall("casper-quillfeather")).text("cards", 0, "summary"), "36.00")
	require.Contains(t, r.call(hookCall("oona-thistledown", `,"fhirServer":"https://ehr.brindlemoor.example/fhir/"`)).text("cards", 0, "summary"), "37.00")
	require.JSONEq(t, `{"cards":[]}`, string(r.call(hookCall("oona")).body))
}

// TestCDSTakesWhatItDoesNotKnow: extensions, other prefetches, and a token that is
// never used, kept or logged.
func TestCDSTakesWhatItDoesNotKnow(t *testing.T) {
	t.Parallel()
	r := newRig(t, openCDS)
	r.rated("2026-03-10T10:00:00Z", nil)
	secret := "a-token-of-the-hospital"
	for _, more := range []string{
		`,"fhirServer":"https://ehr.brindlemoor.example/fhir","fhirAuthorization":{"access_token":"` + secret + `","token_type":"Bearer","expires_in":300,"scope":"user/*.read","subject":"x"}`,
		`,"extension":{"com.example.timestamp":"2026"},"prefetch":{"other":{"resourceType":"Bundle","type":"searchset"}}`,
		`,"prefetch":null`, `,"prefetch":{"patient":null}`, `,"prefetch":{"patient":{"resourceType":"OperationOutcome"}}`,
		`,"prefetch":{"patient":{"resourceType":"Patient","id":"oona-thistledown"}}`,
	} {
		require.Equal(t, 1, r.call(hookCall("oona-thistledown", more)).count("cards"), more)
	}
	require.Equal(t, 1, r.call(hookCall("Patient/oona-thistledown")).count("cards"))
	require.NotContains(t, r.log.String(), secret)
	require.NotContains(t, r.log.String(), "oona")
	for _, each := range r.trail() {
		require.NotContains(t, string(each.Event), secret)
	}
}

// TestCDSFindsByIdentifier what names the patient by identifier alone.
func TestCDSFindsByIdentifier(t *testing.T) {
	t.Parallel()
	r := newRig(t, openCDS)
	sent := strings.Replace(oona("by-identifier").json(), `{"reference":"Patient/oona-thistledown"}`, `{"identifier":{"system":"https://brindlemoor.example/mrn","value":"0017"}}`, 1)
	r.create(sent)
	with := func(system string) string {
		return hookCall("77", `,"prefetch":{"patient":{"resourceType":"Patient","id":"77","identifier":[{"system":"`+system+`","value":"0017"}]}}`)
	}
	require.Equal(t, 1, r.call(with("https://brindlemoor.example/mrn")).count("cards"))
	require.Zero(t, r.call(with("https://elsewhere.example/mrn")).count("cards"))
}

// TestCDSRefusesCalls that are wrong, with everything that is, and repeats nothing.
func TestCDSRefusesCalls(t *testing.T) {
	t.Parallel()
	r := newRig(t, openCDS)
	good := hookCall("oona-thistledown")
	without := func(old, replacement string) string { return strings.Replace(good, old, replacement, 1) }
	for name, c := range map[string]struct{ body, code, path string }{
		"no JSON":          {"hook=patient-view", "structure", ""},
		"nothing":          {"", "structure", ""},
		"an array":         {"[" + good + "]", "structure", ""},
		"two objects":      {good + good, "structure", ""},
		"cut off":          {good[:len(good)-1], "structure", ""},
		"a name twice":     {without(`"hook":"patient-view"`, `"hook":"patient-view","hook":"patient-view"`), "structure", ""},
		"not UTF-8":        {without("iris", "ir\xff"), "structure", ""},
		"another case":     {without(`"hook"`, `"Hook"`), "required", "hook"},
		"another hook":     {without("patient-view", "order-sign"), "not-supported", "hook"},
		"hook null":        {without(`"patient-view"`, "null"), "value", "hook"},
		"no instance":      {`{"hook":"patient-view","context":{"userId":"Practitioner/1","patientId":"2"}}`, "required", "hookInstance"},
		"instance no UUID": {`{"hook":"patient-view","hookInstance":"urn:uuid:x","context":{"userId":"Practitioner/1","patientId":"2"}}`, "value", "hookInstance"},
		"no context":       {without(`"context"`, `"kontext"`), "required", "context"},
		"context a text":   {`{"hook":"patient-view","hookInstance":"` + uuid.NewString() + `","context":"x"}`, "structure", "context"},
		"patient twice":    {without(`"patientId"`, `"patientId":"1","patientId"`), "structure", "context"},
		"no patient":       {without(`"patientId"`, `"patient"`), "required", "context.patientId"},
		"patient empty":    {without(`"oona-thistledown"`, `""`), "value", "context.patientId"},
		"patient a number": {without(`"oona-thistledown"`, `7`), "value", "context.patientId"},
		"patient no id":    {without("oona-thistledown", "oona?x"), "value", "context.patientId"},
		"patient a URL":    {without("oona-thistledown", "https://a.example/Patient/1"), "value", "context.patientId"},
		"no user":          {without(`"userId"`, `"user"`), "required", "context.userId"},
		"user a group":     {without("Practitioner/", "Group/"), "value", "context.userId"},
		"encounter":        {without(`"userId"`, `"encounterId":"a b","userId"`), "value", "context.encounterId"},
		"server no URL":    {hookCall("2", `,"fhirServer":"ehr"`), "value", "fhirServer"},
		"prefetch a list":  {hookCall("2", `,"prefetch":[]`), "structure", "prefetch"},
		"another patient":  {hookCall("2", `,"prefetch":{"patient":{"resourceType":"Patient","id":"3"}}`), "conflict", "prefetch.patient.id"},
		"patient no FHIR":  {hookCall("2", `,"prefetch":{"patient":{"resourceType":"Patient","id":"2","identifier":"x"}}`), "structure", "prefetch.patient"},
	} {
		t.Run(name, func(t *testing.T) {
			a := r.do(http.MethodPost, cdsService, c.body, "Content-Type", "application/json")
			a.wrong(http.StatusBadRequest, c.code, c.path)
			for _, sent := range []string{"thistledown", "oona", "iris", "elsewhere"} {
				require.NotContains(t, string(a.body), sent)
			}
		})
	}
	all := r.do(http.MethodPost, cdsService, `{"hook":"x","context":{"patientId":"?"}}`, "Content-Type", "application/json")
	require.Equal(t, 4, all.count("errors"), "all at once: %s", all.body)

	r.do(http.MethodPost, cdsService, good, "Content-Type", "application/xml").wrong(http.StatusUnsupportedMediaType, "not-supported", "")
	r.do(http.MethodPost, cdsService, good, "Content-Type", "").wrong(http.StatusUnsupportedMediaType, "not-supported", "")
	r.do(http.MethodGet, cdsService, "").wrong(http.StatusMethodNotAllowed, "not-supported", "")
	r.do(http.MethodPost, "/cds-services/other", good).wrong(http.StatusNotFound, "not-supported", "")
	r.do(http.MethodPost, cdsService+"/feedback", good).wrong(http.StatusNotFound, "not-supported", "")
	large := newRig(t, openCDS, func(o *api.Options) { o.MaxBody = 1000 })
	large.do(http.MethodPost, cdsService, hookCall("2", `,"x":"`+strings.Repeat("x", 1000)+`"`), "Content-Type", "application/json").wrong(http.StatusRequestEntityTooLarge, "too-long", "")
}

// TestCDSFromABrowser: CDS clients in a browser need CORS (CDS Hooks 2.0,
// Cross-Origin Resource Sharing), and have it from listed origins.
func TestCDSFromABrowser(t *testing.T) {
	t.Parallel()
	const origin = "https://ehr.brindlemoor.example"
	r := newRig(t, openCDS, func(o *api.Options) { o.CORSOrigins = []string{origin} })
	a := r.do(http.MethodOptions, cdsService, "", "Origin", origin, "Access-Control-Request-Method", "POST", "Access-Control-Request-Headers", "authorization, content-type")
	require.Equal(t, http.StatusNoContent, a.status)
	require.Equal(t, origin, a.header.Get("Access-Control-Allow-Origin"))
	require.Equal(t, "POST, OPTIONS", a.header.Get("Access-Control-Allow-Methods"))
	require.Contains(t, a.header.Get("Access-Control-Allow-Headers"), "Authorization")
	require.Contains(t, a.header.Get("Access-Control-Allow-Headers"), "Content-Type")
	require.Equal(t, origin, r.call(hookCall("2"), "Origin", origin).header.Get("Access-Control-Allow-Origin"))
	require.Equal(t, origin, r.get("/cds-services", "Origin", origin).header.Get("Access-Control-Allow-Origin"))
	require.Empty(t, r.get("/cds-services", "Origin", "https://elsewhere.example").header.Get("Access-Control-Allow-Origin"))
}
