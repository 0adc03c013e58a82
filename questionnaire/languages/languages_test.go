package languages_test

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/number"

	"tidemark.example/tidemark/questionnaire/languages"
)

// row is one text of a table: the English and its translation, or all plural
// forms of it.
type row struct{ english, translated, section string }

// rowsOf reads a table by itself, all plural forms as rows.
func rowsOf(t *testing.T, code string) []row {
	t.Helper()
	data, err := os.ReadFile(code + ".yaml")
	require.NoError(t, err)
	var table map[string]yaml.Node
	require.NoError(t, yaml.Unmarshal(data, &table))
	var rows []row
	for _, section := range []string{"forms", "bands", "scores", "report", "cards", "plurals"} {
		node := table[section]
		var pairs []map[string]any
		require.NoError(t, node.Decode(&pairs))
		require.NotEmpty(t, pairs, section)
		for _, pair := range pairs {
			english := pair["en"].(string)
			switch translated := pair[code].(type) {
			case string:
				rows = append(rows, row{english, translated, section})
			case map[string]any:
				for _, form := range translated {
					rows = append(rows, row{english, form.(string), section})
				}
			}
		}
	}
	return rows
}

func eachRow(t *testing.T, check func(t *testing.T, code string, r row)) {
	for _, code := range languages.Codes {
		t.Run(code, func(t *testing.T) {
			t.Parallel()
			for _, r := range rowsOf(t, code) {
				check(t, code, r)
			}
		})
	}
}

func TestEveryLanguageHasItsTableAndIsADraft(t *testing.T) {
	t.Parallel()
	require.Equal(t, []string{"de", "es", "fr", "it", "nl", "pl", "pt"}, languages.Codes)
	var codes []string
	for _, l := range languages.All() {
		codes = append(codes, l.Code)
		require.NotEmpty(t, l.Name)
		want := "draft"
		if l.Code == "en" {
			want = "signed"
		}
		require.Equal(t, want, l.Status, "a table that is signed off says so, and the resources and README then too")
	}
	require.Equal(t, append([]string{"en"}, languages.Codes...), codes)
	for _, code := range languages.Codes {
		var texts []string
		for _, r := range rowsOf(t, code) {
			texts = append(texts, r.english)
		}
		slices.Sort(texts)
		want := []string{}
		for _, r := range rowsOf(t, "de") {
			want = append(want, r.english)
		}
		slices.Sort(want)
		require.Equal(t, slices.Compact(want), slices.Compact(texts), "all tables translate the same texts: %s", code)
	}
}

// same are the words that a language has from the same root as English.
var same = map[string][]string{
	"fr": {"SCORAD", "Absent", "Fissures", "points"}, "de": {"SCORAD"}, "es": {"SCORAD", "no"},
	"it": {"SCORAD", "no"}, "nl": {"SCORAD"}, "pl": {"SCORAD"}, "pt": {"SCORAD"},
}

func TestNothingIsLeftInEnglishByMistake(t *testing.T) {
	t.Parallel()
	eachRow(t, func(t *testing.T, code string, r row) {
		if r.section == "plurals" {
			return // {n} points is French too
		}
		require.Equal(t, slices.Contains(same[code], r.english), r.english == r.translated, r.english)
	})
}

var (
	digits = regexp.MustCompile(`\d+`)
	places = regexp.MustCompile(`\{\w+\}`)
	marks  = regexp.MustCompile(`(?:A/5|7B/2|SCORAD|%)`)
)

// Numbers, places to be filled, formulas and the name of the index are the same
// in every language.
func TestNumbersAndPlacesAreKept(t *testing.T) {
	t.Parallel()
	eachRow(t, func(t *testing.T, _ string, r row) {
		for _, pattern := range []*regexp.Regexp{digits, places, marks} {
			want, got := pattern.FindAllString(r.english, -1), pattern.FindAllString(r.translated, -1)
			slices.Sort(want)
			slices.Sort(got)
			require.Equal(t, want, got, r.translated)
		}
	})
}

// Texts are put into JSON and XHTML as they stand, and end as the English does.
func TestTextsAreClean(t *testing.T) {
	t.Parallel()
	eachRow(t, func(t *testing.T, _ string, r row) {
		require.False(t, strings.ContainsAny(r.translated, "\"\\<>&\n\t"), r.translated)
		require.Equal(t, strings.TrimSpace(r.translated), r.translated)
		require.NotContains(t, r.translated, "  ")
		for _, end := range []string{".", "?", ":"} {
			require.Equal(t, strings.HasSuffix(r.english, end), strings.HasSuffix(r.translated, end), r.translated)
		}
	})
}

// phrases are the words on which safety and comparison hang, by language.
var phrases = map[string]struct{ recall, whatever, dark string }{
	"de": {"letzten drei Tage", "unabhängig vom Wert", "oder dunkler"},
	"es": {"últimos tres días y noches", "sea cual sea la puntuación", "más oscura"},
	"fr": {"trois derniers jours et nuits", "quel que soit le score", "plus foncée"},
	"it": {"ultimi tre giorni e notti", "qualunque sia il punteggio", "più scur"},
	"nl": {"laatste drie dagen en nachten", "wat de score ook is", "donkerder"},
	"pl": {"ostatnich trzech dni", "bez względu na wynik", "ciemniejsz"},
	"pt": {"últimos três dias e noites", "seja qual for a pontuação", "mais escura"},
}

// The window of three days and nights, red flags that hold whatever the score,
// and darker skin (clinical.md 1.6, 7.1, 7.4) are said in every language.
func TestWindowAndRedFlagsAreKept(t *testing.T) {
	t.Parallel()
	eachRow(t, func(t *testing.T, code string, r row) {
		said := phrases[code]
		if strings.Contains(r.english, "last three days and nights") {
			require.True(t, strings.Contains(r.translated, said.recall) || code == "pl" && strings.Contains(r.translated, "ostatnich trzech dniach"), r.translated)
		}
		require.Equal(t, strings.Contains(r.english, "whatever the score"), strings.Contains(r.translated, said.whatever), r.translated)
		if strings.Contains(r.english, "grey") {
			require.Contains(t, r.translated, said.dark)
		}
	})
}

func TestMatchFindsTheLanguage(t *testing.T) {
	t.Parallel()
	for list, want := range map[string]string{
		"de": "de", "de-AT": "de", "de-CH": "de", "DE": "de", "pt-BR": "pt", "pt-PT": "pt", "es-419": "es", "fr-CA": "fr", "en-GB": "en",
		// RFC 9110 12.5.4: weights order the list, and q=0 is not acceptable.
		"da, en-gb;q=0.8, en;q=0.7": "en", "fr;q=0.5, pl": "pl", "de;q=0, it": "it", "zh, nl;q=0.1": "nl",
		// CLDR's languageMatching would have German, French, Spanish and no text in Cyrillic.
		"gsw": "en", "rw": "en", "qu": "en", "rw, pl;q=0.5": "pl", "de-Cyrl": "en",
		"": "en", "zh": "en", "uk": "en", "*": "en", "x": "en", "not a language": "en", ";;;": "en",
		strings.Repeat("de,", 400): "en",
	} {
		require.Equal(t, want, languages.Match(list).Code, list)
	}
}

// Every value that a score can have is written as the library writes it.
func TestNumbersAreThoseOfTheLibrary(t *testing.T) {
	t.Parallel()
	for _, l := range languages.All() {
		printer := message.NewPrinter(language.MustParse(l.Code))
		english := message.NewPrinter(language.English)
		for fiftieths := range 103*50 + 1 {
			value := float64(fiftieths) / 50
			require.Equal(t, printer.Sprint(number.Decimal(value, number.Scale(2))), l.Number(english.Sprint(number.Decimal(value, number.Scale(2)))))
		}
		require.Equal(t, "x18"+l.Number(".")+"5", string(l.AppendNumber([]byte("x"), []byte("18.5"))))
	}
}

// The samples that CLDR gives for its plural rules (plurals.xml, @integer and
// @decimal; from memory, and the library agrees).
func TestPluralsFollowCLDR(t *testing.T) {
	t.Parallel()
	for code, samples := range map[string]map[string]string{
		"en": {"1 point": "1", "0 points": "0", "1.0 points": "1.0", "2.50 points": "2.50", "1 palm": "1"},
		"de": {"1 Punkt": "1", "0 Punkte": "0", "1,0 Punkte": "1.0", "2,50 Punkte": "2.50"},
		"it": {"1 punto": "1", "1,0 punti": "1.0"},
		"nl": {"1 punt": "1", "1,0 punten": "1.0"},
		"es": {"1 punto": "1", "1,00 punto": "1.00", "0,50 puntos": "0.50"},
		"fr": {"0 point": "0", "1,5 point": "1.5", "2 points": "2", "2,00 points": "2.00"},
		"pt": {"0 ponto": "0", "1,5 ponto": "1.5", "2 pontos": "2"},
		"pl": {
			"1 punkt": "1", "2 punkty": "2", "4 punkty": "4", "22 punkty": "22", "103 punkty": "103",
			"0 punktów": "0", "5 punktów": "5", "12 punktów": "12", "14 punktów": "14", "100 punktów": "100",
			"1,0 punktu": "1.0", "39,80 punktu": "39.80",
		},
	} {
		l := languages.Match(code)
		require.Equal(t, code, l.Code)
		for want, decimal := range samples {
			sentence := "{n} points"
			if strings.Contains(want, "palm") {
				sentence = "{n} palms"
			}
			require.Equal(t, want, l.Plural(sentence, decimal))
		}
	}
	require.Equal(t, "3 moons", languages.Match("pl").Plural("{n} moons", "3"), "what has no translation stays English")
}

func TestWhatIsNotTranslatedStaysEnglish(t *testing.T) {
	t.Parallel()
	german := languages.Match("de")
	require.Equal(t, "Rötung", german.Text("Redness"))
	require.Equal(t, "Moonlight", german.Text("Moonlight"))
	_, ok := german.Translated("Moonlight")
	require.False(t, ok)
	require.Equal(t, "Mäßig", german.Text("Moderate"), "a grade")
	require.Equal(t, "Mittelschwer", german.Band("Moderate"), "a band")
	require.Equal(t, "Moonlight", german.Band("Moonlight"))
	require.Equal(t, "Redness", languages.English().Text("Redness"))
	require.Equal(t, "a 1 {c}", languages.Fill("{b} 1 {c}", "b", "a"))
}
