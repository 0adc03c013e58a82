package observation_test

import (
	"encoding/json"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
)

// worrying has data that is marked: itch without any sign, and no total.
func worrying() *filled {
	f := directly().set("extent.direct", `"valueDecimal":85.5`)
	for _, sign := range []string{"erythema", "oedema", "oozing", "excoriation", "lichenification"} {
		f.set("intensity."+sign, grade(sign, "absent").value)
	}
	return f
}

func TestNarrativeIsInTheLanguageOfTheResponse(t *testing.T) {
	t.Parallel()
	for code, want := range map[string]string{
		"de": "SCORAD, beurteilt von Patient oder Betreuungsperson: 39,80 von 103 Punkten (mittelschwer, Einteilung usual-25-50); objektiver Wert 31,70 von 83 Punkten. ",
		"es": "SCORAD, valorado por el paciente o un cuidador: 39,80 de 103 puntos (moderado, clasificación usual-25-50); puntuación objetiva 31,70 de 83 puntos. ",
		"fr": "SCORAD, évalué par le patient ou un proche aidant: 39,80 sur 103 points (modéré, classification usual-25-50); score objectif 31,70 sur 83 points. ",
		"it": "SCORAD, valutato dal paziente o da chi lo assiste: 39,80 punti su 103 (moderato, classificazione usual-25-50); punteggio oggettivo 31,70 punti su 83. ",
		"nl": "SCORAD, beoordeeld door patiënt of verzorger: 39,80 van 103 punten (matig, indeling usual-25-50); objectieve score 31,70 van 83 punten. ",
		"pl": "SCORAD, ocena pacjenta lub opiekuna: 39,80 na 103 punkty (umiarkowane, podział usual-25-50); wynik obiektywny 31,70 na 83 punkty. ",
		"pt": "SCORAD, avaliado pelo doente ou cuidador: 39,80 de 103 pontos (moderado, classificação usual-25-50); pontuação objetiva 31,70 de 83 pontos. ",
	} {
		l := languages.Match(code)
		o := observe(t, directly().in(code))
		require.Equal(t, code, *o.Language)
		require.Equal(t, `<div xmlns="http://www.w3.org/1999/xhtml" lang="`+code+`" xml:lang="`+code+`"><p>`+want+l.Text(observation.Caution)+`</p></div>`, o.Text.Div)
		require.Equal(t, l.Band("Moderate")+strings.TrimPrefix(l.Text("{band} (band set {set})"), "{band}"), strings.Replace(*o.Interpretation[0].Text, "usual-25-50", "{set}", 1))
		require.Equal(t, "Moderate", *o.Interpretation[0].Coding[0].Display, "a display is the code system's")
		require.Equal(t, l.Text(observation.Caution), o.Note[len(o.Note)-1].Text)
		require.Equal(t, l.Text("Erythema"), *o.Component[1].Code.Text)
		require.Equal(t, l.Text("Rated by patient or carer, extent estimated directly"), *o.Method.Text)
		o = observe(t, directly().in(code).set("symptoms.itch", ""))
		require.Equal(t, l.Text("Itch or sleep loss was not answered, so there is no SCORAD."), *o.DataAbsentReason.Text)
		require.Contains(t, o.Text.Div, ": "+l.Text("no total, since itch or sleep loss was not answered")+"; ")
	}
}

func TestWarningsAreInTheLanguageOfTheResponse(t *testing.T) {
	t.Parallel()
	for _, l := range languages.All() {
		var notes []string
		for _, note := range observe(t, worrying().in(l.Code)).Note {
			notes = append(notes, note.Text)
		}
		require.Equal(t, []string{
			l.Text(questionnaire.ExtentWithoutLesions.Warning().Definition), l.Text(questionnaire.ExtentVeryLarge.Warning().Definition), l.Text(observation.Caution),
		}, notes, l.Code)
	}
}

func TestOtherLanguagesAndVariants(t *testing.T) {
	t.Parallel()
	for language, want := range map[string]string{"de-AT": "de", "pt-BR": "pt", "en-GB": "en", "zh": "en", "x-clinic": "en", strings.Repeat("de-", 80) + "de": "en"} {
		require.Equal(t, want, *observe(t, directly().in(language)).Language, language)
	}
	german := observe(t, directly().in("de-CH")).json
	require.Equal(t, observe(t, directly().in("de")).json, german)
}

var wordsOfScore = regexp.MustCompile(`"text":"[^"]*"|"text":\{"status":"generated","div":"(?:[^"\\]|\\.)*"\}|"language":"[a-z]+"`)

// A language changes words and nothing else: no value, no code, no unit, no
// display. The same again gives the same bytes.
func TestOnlyWordsDiffer(t *testing.T) {
	t.Parallel()
	for name, f := range map[string]func() *filled{"direct": directly, "clinician": func() *filled { return directly().byClinician() }, "marked": worrying} {
		english := observe(t, f()).json
		for _, l := range languages.All() {
			written := observe(t, f().in(l.Code)).json
			require.Equal(t, wordsOfScore.ReplaceAllString(english, ""), wordsOfScore.ReplaceAllString(written, ""), name+" "+l.Code)
			require.Equal(t, written, observe(t, f().in(l.Code)).json)
			require.Equal(t, l.Code == "en", english == written)
		}
	}
}

// All that follows from a score has its language.
func TestWhatIsMadeOfAScoreHasItsLanguage(t *testing.T) {
	t.Parallel()
	o := observe(t, directly().in("pl"))
	members := panelOf(t, o.root)
	said := map[string]string{}
	for _, m := range members {
		require.Equal(t, "pl", *m.Language)
		said[m.Member.Code] = regexp.MustCompile(`<p>(.*)</p>`).FindStringSubmatch(m.Text.Div)[1]
	}
	require.Equal(t, "Zestaw SCORAD: 17 obserwacji, w tym wynik łączny.", said["panel"])
	require.Equal(t, "SCORAD: 39,80 punktu.", said["scorad"])
	require.Equal(t, "Rumień: 2 punkty.", said["intensity-erythema"])
	require.Equal(t, "Obrzęk/grudki: 1 punkt.", said["intensity-oedema"])
	require.Equal(t, "Rozległość jako procent: 18,5 %.", said["extent-direct"])
	require.Equal(t, "Krwawienie: tak.", said["also-seen-bleeding"])
	palms := observe(t, directly().in("pl").extent(choice("extent.method", "hands"), answer{"extent.hands", `"valueDecimal":18.5`}))
	require.Contains(t, string(observation.PanelBundle(nil, palms.root)), "Rozległość w dłoniach: 18,5 dłoni.")

	retracted := decode(t, observation.AppendRetracted(nil, o.root, fhir.Stamp{ID: *o.Id, Version: 4, LastUpdated: issued}, ""))
	require.Equal(t, "pl", *retracted.Language)
	require.Equal(t, `<div xmlns="http://www.w3.org/1999/xhtml" lang="pl" xml:lang="pl"><p>SCORAD: wprowadzono omyłkowo, nie używać.</p></div>`, retracted.Text.Div)
	require.Contains(t, string(observation.PanelBundle(nil, retracted.root)), "Rumień: wprowadzono omyłkowo, nie używać.")
	require.Contains(t, documentOf(t, observation.Profile{}, retracted.root).said, "WPROWADZONO OMYŁKOWO, NIE UŻYWAĆ\n")
}

// The German text of the worked example, read by hand.
func TestDocumentIsInTheLanguageOfTheScore(t *testing.T) {
	t.Parallel()
	golden, err := os.ReadFile("testdata/document-de.txt")
	require.NoError(t, err)
	d := documentOf(t, observation.Profile{}, observe(t, directly().in("de")).root)
	require.Equal(t, string(golden), d.said)
	require.Equal(t, "de", *d.Language)
	require.Equal(t, "de", *d.Content[0].Attachment.Language)
	require.Equal(t, "SCORAD, beurteilt von Patient oder Betreuungsperson", *d.Content[0].Attachment.Title)
	d = documentOf(t, observation.Profile{}, observe(t, directly().in("de").set("symptoms.sleep-loss", `"valueDecimal":7`)).root)
	require.Contains(t, d.said, "- Der Schlafverlust beträgt 7 oder mehr von 10: ")
	d = documentOf(t, observation.Profile{}, observe(t, directly().in("de").set("symptoms.itch", "")).root)
	require.Contains(t, d.said, "SCORAD: keiner. Juckreiz oder Schlafverlust wurde nicht beantwortet, daher gibt es keinen SCORAD.\n")
}

// ofCards are the plurals that only a card says, see the tests of package api.
var ofCards = []string{"{n} days ago"}

// Every sentence that scores say is in every table, and no other.
func TestTablesHaveTheSentencesOfScores(t *testing.T) {
	t.Parallel()
	for _, code := range languages.Codes {
		scores, plurals := observation.SentencesOf(t, code)
		want := slices.Clone(observation.Sentences)
		slices.Sort(want)
		slices.Sort(scores)
		require.Equal(t, want, scores, code)
		require.ElementsMatch(t, slices.Concat(observation.PluralSentences, ofCards), plurals, code)
	}
}

// What is written needs no escaping, in any language and set of bands.
func TestNothingWrittenNeedsEscaping(t *testing.T) {
	t.Parallel()
	for _, l := range languages.All() {
		for _, f := range []*filled{directly(), worrying(), directly().byClinician()} {
			o := observe(t, f.in(l.Code))
			again, err := json.Marshal(o.Note[0].Text)
			require.NoError(t, err)
			require.Contains(t, o.json, string(again))
			require.NotContains(t, o.Text.Div, "{", "every place is filled")
		}
	}
}
