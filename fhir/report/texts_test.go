package report_test

import (
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/report"
	"tidemark.example/tidemark/questionnaire/languages"
)

// empties lists the texts that are not there, by their path.
func empties(path string, v reflect.Value) (all []string) {
	switch v.Kind() {
	case reflect.String:
		if v.String() == "" {
			all = append(all, path)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			all = append(all, empties(path+"."+v.Type().Field(i).Name, v.Field(i))...)
		}
	case reflect.Array, reflect.Slice:
		for i := range v.Len() {
			all = append(all, empties(path, v.Index(i))...)
		}
	case reflect.Map:
		if v.Len() == 0 {
			all = append(all, path)
		}
		for _, key := range v.MapKeys() {
			all = append(all, empties(path+"."+key.String(), v.MapIndex(key))...)
		}
	}
	return all
}

// TestEveryLanguageHasEveryText: the way of giving the extent has one that is none.
func TestEveryLanguageHasEveryText(t *testing.T) {
	t.Parallel()
	require.NotEmpty(t, report.Languages())
	for _, language := range report.Languages() {
		require.Equal(t, []string{language + ".methods"}, empties(language, reflect.ValueOf(report.Texts(language))))
	}
}

// neutral are the texts that every language has alike.
var neutral = []string{".tag", ".decimal", ".date", ".monthYear", ".sincePercent", ".region"}

// pairs walks two values of one type side by side.
func pairs(path string, a, b reflect.Value, visit func(path, a, b string)) {
	switch a.Kind() {
	case reflect.String:
		visit(path, a.String(), b.String())
	case reflect.Struct:
		for i := range a.NumField() {
			pairs(path+"."+a.Type().Field(i).Name, a.Field(i), b.Field(i), visit)
		}
	case reflect.Array, reflect.Slice:
		for i := range a.Len() {
			pairs(path, a.Index(i), b.Index(i), visit)
		}
	case reflect.Map:
		for _, key := range a.MapKeys() {
			pairs(path, a.MapIndex(key), b.MapIndex(key), visit)
		}
	}
}

// TestNothingOfThePageIsLeftInEnglish lists what a language is missing: readers get
// it in English meanwhile. Places are the same in every language.
func TestNothingOfThePageIsLeftInEnglish(t *testing.T) {
	t.Parallel()
	require.Equal(t, []string{"de", "en", "es", "fr", "it", "nl", "pl", "pt"}, report.Languages())
	place := regexp.MustCompile(`%\[\d\][sd]|%%`)
	sorted := func(text string) []string {
		found := place.FindAllString(text, -1)
		slices.Sort(found)
		return found
	}
	for _, language := range report.Languages() {
		if language == "en" {
			continue
		}
		pairs("", reflect.ValueOf(report.Texts("en")), reflect.ValueOf(report.Texts(language)), func(path, english, text string) {
			require.Equal(t, sorted(english), sorted(text), "%s%s", language, path)
			if english == "" || english == "SCORAD" || slices.Contains(neutral, path) {
				return
			}
			require.NotEqual(t, english, text, "%s%s has no translation", language, path)
		})
	}
}

// cautioned are the cautions of clinical.md 7 in each language: 7.3 supports and
// never replaces, nobody may be watching; 7.4 dark skin; 7.1 near the eye; 7.2 the
// emergency number; and that a rise is no flare, a band no threshold of treatment.
var cautioned = map[string][]string{
	"de": {"es kann sein, dass niemand mitliest", "auf dunkler Haut schwerer zu sehen", "nahe am Auge", "sofort den Notruf", "Ein Anstieg ist kein Schub", "keine Schwellen für eine Behandlung", "unabhängig vom Wert"},
	"es": {"puede que nadie esté vigilando", "se ve peor en la piel oscura", "cerca del ojo", "número de emergencias", "Una subida no es un brote", "no umbrales de tratamiento", "sea cual sea la puntuación"},
	"fr": {"il se peut que personne ne surveille", "plus difficile à voir sur peau foncée", "près de l'œil", "le numéro d'urgence", "Une hausse n'est pas une poussée", "non des seuils de traitement", "quel que soit le score"},
	"it": {"può darsi che nessuno stia controllando", "si vede meno sulla pelle scura", "vicino all'occhio", "il numero di emergenza", "Un aumento non è una riacutizzazione", "non soglie di trattamento", "qualunque sia il punteggio"},
	"nl": {"het kan zijn dat niemand meekijkt", "op donkere huid moeilijker te zien", "bij het oog", "het alarmnummer", "Een stijging is geen opvlamming", "geen drempels voor behandeling", "wat de score ook is"},
	"pl": {"możliwe, że nikt nie śledzi", "trudniej dostrzec na ciemnej skórze", "przy oku", "numer alarmowy", "Wzrost nie jest zaostrzeniem", "nie progami leczenia", "bez względu na wynik"},
	"pt": {"pode acontecer que ninguém esteja a vigiar", "vê-se pior em pele escura", "perto do olho", "número de emergência", "Uma subida não é uma crise", "não limiares de tratamento", "seja qual for a pontuação"},
}

func TestThePageHasItsCautionsInEveryLanguage(t *testing.T) {
	t.Parallel()
	for _, l := range languages.All()[1:] {
		texts := strings.Join(wellFormed(t, of(t, winter()).SVG(l.Code)), " ")
		for _, want := range append([]string{l.Text(observation.Caution)}, cautioned[l.Code]...) {
			require.Contains(t, texts, want, l.Code)
		}
		require.NotEqual(t, observation.Caution, l.Text(observation.Caution))
		for _, stem := range []string{"steroid", "stéroïde", "kortison", "cortison", "salbe", "crema ", "crème", "pomad", "maść", "maści", "zalf"} {
			require.NotContains(t, strings.ToLower(texts), stem, l.Code)
		}
	}
}

// TestThePageHasItsCautions, and names no treatment but to say that it chooses
// none.
func TestThePageHasItsCautions(t *testing.T) {
	t.Parallel()
	texts := strings.Join(wellFormed(t, of(t, winter()).SVG("en")), " ")
	for _, want := range []string{observation.Caution, "nobody may be watching what is entered", "harder to see on dark skin", "above all near the eye", "the emergency number now",
		"A rise is not a flare", "conventions of experts, not thresholds of treatment"} {
		require.Contains(t, texts, want)
	}
	for _, word := range []string{"you are fine", "steroid", "cream", "medicine", "dose", "should be treated"} {
		require.NotContains(t, strings.ToLower(texts), word)
	}
}

// TestItIsToldApartWithoutColour: inks differ by a third in how light they are
// (WCAG 2.2 contrast of 1.5 at least, but for the two dark ones, which differ in
// nothing that is said), text has a contrast of 7 to paper, and eczema is shown by
// how close lines are.
func TestItIsToldApartWithoutColour(t *testing.T) {
	t.Parallel()
	inks := report.Inks()
	require.Len(t, inks, 5)
	for _, dark := range []string{"black", "deep", "grey"} {
		require.GreaterOrEqual(t, contrast(inks[dark], inks["white"]), 7.0, dark)
	}
	require.GreaterOrEqual(t, contrast(inks["pale"], inks["white"]), 1.5)
	require.GreaterOrEqual(t, contrast(inks["grey"], inks["pale"]), 1.5)
	require.GreaterOrEqual(t, contrast(inks["black"], inks["grey"]), 1.5)
	for percent := 2; percent <= 100; percent++ {
		if percent != 50 { // there the lines begin to cross
			require.Less(t, report.HatchSpacing(float64(percent)), report.HatchSpacing(float64(percent-1)), percent)
		}
	}
}

// contrast of two colours (WCAG 2.2, relative luminance of sRGB, to the precision
// that is needed here).
func contrast(a, b [3]uint8) float64 {
	light := func(c [3]uint8) float64 {
		linear := func(v uint8) float64 { s := float64(v) / 255; return s*s*(s*0.305306+0.682171) + s*0.012523 }
		return 0.2126*linear(c[0]) + 0.7152*linear(c[1]) + 0.0722*linear(c[2])
	}
	x, y := light(a)+0.05, light(b)+0.05
	return max(x, y) / min(x, y)
}
