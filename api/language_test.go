package api_test

import (
	"net/http"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
)

// What is stored is in the language of the response, whatever the client of the
// moment would like to read; so a repetition finds it as it was.
func TestScoreIsInTheLanguageOfTheResponse(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("language-1")
	body.members = `,"language":"pl"`
	id := r.create(body.json()).id()
	score := r.score(id)
	require.Equal(t, "pl", score.text("language"))
	require.Contains(t, score.text("text", "div"), "42,00 na 103 punkty")
	require.Equal(t, "42.00", score.text("valueQuantity", "value"), "numbers are for programs")
	path := "/fhir/Observation/" + id
	german := r.get(path, "Accept-Language", "de")
	require.Equal(t, string(score.body), string(german.body))
	again := r.do(http.MethodPost, "/fhir/QuestionnaireResponse", body.json(), "Accept-Language", "de")
	require.Equal(t, id, again.id())
	require.Equal(t, string(score.body), string(r.get(path).body))
}

// R4 languages.html: a resource carries its translations. Nothing is left out by
// Accept-Language, so what caches keep is right for everyone.
func TestFormsCarryEveryLanguageWhateverIsAsked(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for _, path := range []string{"/fhir/Questionnaire/scorad-self-assessment", "/fhir/CodeSystem/data-quality"} {
		plain := r.get(path)
		require.Equal(t, http.StatusOK, plain.status)
		for _, code := range languages.Codes {
			require.Contains(t, string(plain.body), `"`+code+`"`)
			asked := r.get(path, "Accept-Language", code)
			require.Equal(t, string(plain.body), string(asked.body))
			require.Equal(t, plain.header.Get("ETag"), asked.header.Get("ETag"))
		}
		require.NotContains(t, plain.header.Values("Vary"), "Accept-Language")
		kept := r.get(path, "If-None-Match", plain.header.Get("ETag"))
		require.Equal(t, http.StatusNotModified, kept.status)
	}
}

// TestReportIsInTheLanguageAsked: it is drawn as it is read, for who reads it.
func TestReportIsInTheLanguageAsked(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("report-language").json()).id()
	tags := map[string]bool{}
	for _, l := range languages.All() {
		for _, path := range []string{"/fhir/DiagnosticReport/" + id, "/fhir/DiagnosticReport?patient=oona-thistledown"} {
			a := r.get(path, "Accept-Language", "zh, "+l.Code+"-AT;q=0.8, en;q=0.1")
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			require.Contains(t, a.header.Values("Vary"), "Accept-Language")
			at := []any{}
			if a.text("resourceType") == "Bundle" {
				at = []any{"entry", 0, "resource"}
			} else {
				tags[a.header.Get("ETag")] = true
			}
			require.Equal(t, l.Code, a.text(append(at, "language")...))
			require.Equal(t, l.Code, a.text(append(at, "presentedForm", 0, "language")...))
			require.Contains(t, a.text(append(at, "conclusion")...), l.Text(observation.Caution))
			require.Contains(t, a.text(append(at, "conclusion")...), l.Number("42.00"))
		}
	}
	require.Len(t, tags, len(languages.All()), "each language is another representation")
	require.Equal(t, "en", r.get("/fhir/DiagnosticReport/"+id).text("language"))
}

// TestCDSCardIsInTheLanguageAsked: with numbers, plurals and cautions of it, and
// nothing of it in English.
func TestCDSCardIsInTheLanguageAsked(t *testing.T) {
	t.Parallel()
	r := newRig(t, openCDS)
	r.rated("2026-02-01T10:00:00Z", func(b *response) { b.itch = "2"; b.sleep = "0" })
	r.rated("2026-03-04T10:00:00Z", func(b *response) { b.itch = "10"; b.sleep = "10" })
	r.rated("2026-02-10T10:00:00Z", func(b *response) { byClinician(b); b.grades = "222222" })
	r.rated("2026-03-15T10:00:00Z", func(b *response) { byClinician(b); b.grades = "111111" })
	for code, want := range map[string]string{
		"de": "SCORAD 35,00 (mittelschwer), Fachperson, gestern, minus 21,00; Patient oder Betreuungsperson: 52,00 (schwer), vor 12 Tagen",
		"fr": "SCORAD 35,00 (modéré), clinicien, hier, baisse de 21,00; patient ou proche aidant : 52,00 (sévère), il y a 12 jours",
		"pl": "SCORAD 35,00 (umiarkowane), klinicysta, wczoraj, spadek o 21,00; pacjent lub opiekun: 52,00 (ciężkie), 12 dni temu",
	} {
		a := r.call(hookCall("oona-thistledown"), "Accept-Language", code)
		require.Equal(t, want, a.text("cards", 0, "summary"))
		require.Contains(t, a.header.Values("Vary"), "Accept-Language")
	}
	english := r.call(hookCall("oona-thistledown"))
	for _, l := range languages.All()[1:] {
		a := r.call(hookCall("oona-thistledown"), "Accept-Language", l.Code)
		detail := a.text("cards", 0, "detail")
		require.Contains(t, detail, l.Text(observation.Caution))
		require.Contains(t, detail, l.Text("A band is a convention of experts, and no band or number says that all is well."))
		require.Contains(t, detail, "18,00")
		require.Contains(t, detail, "8,7")
		require.Less(t, utf8.RuneCountInString(a.text("cards", 0, "summary")), 140)
		lines := strings.Split(english.text("cards", 0, "detail"), "\n")
		translated := strings.Split(detail, "\n")
		require.Len(t, translated, len(lines))
		for i, line := range lines {
			require.True(t, line == "" || line != translated[i], "%s: %s", l.Code, line)
		}
		require.NotEqual(t, english.text("cards", 0, "links", 0, "label"), a.text("cards", 0, "links", 0, "label"))
		require.Equal(t, english.text("cards", 0, "links", 0, "url"), a.text("cards", 0, "links", 0, "url"))
	}
}

// TestLongSummariesGiveWayInEveryLanguage (CDS Hooks 2.0: fewer than 140 characters).
func TestLongSummariesGiveWayInEveryLanguage(t *testing.T) {
	t.Parallel()
	set, _ := scoring.BandSetByName("barbarot-2024")
	r := newRig(t, openCDS, func(o *api.Options) { o.Bands = set })
	for _, change := range []func(*response){func(*response) {}, byClinician} {
		r.rated("0999-01-01T10:00:00Z", func(b *response) { change(b); b.extent, b.grades, b.itch, b.sleep = "0", "000000", "0", "0" })
		r.rated("1000-01-01T10:00:00Z", func(b *response) { change(b); b.extent, b.grades, b.itch, b.sleep = "100", "333333", "10", "10" })
	}
	for _, l := range languages.All() {
		summary := r.call(hookCall("oona-thistledown"), "Accept-Language", l.Code).text("cards", 0, "summary")
		require.Less(t, utf8.RuneCountInString(summary), 140, summary)
		require.Contains(t, summary, l.Number("103.00"))
	}
}
