package questionnaire

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// translatedForm is a form of one question whose options carry translations,
// as the translation extension writes them.
const translatedForm = `{"item":[{"linkId":"intensity.erythema","text":"Redness","type":"choice","answerOption":[
	{"valueCoding":{"system":"urn:grades","code":"absent","display":"Absent","_display":{"extension":[
		{"url":"http://hl7.org/fhir/StructureDefinition/translation","extension":[
			{"url":"lang","valueCode":"de"},{"url":"content","valueString":"Keine Rötung"}]},
		{"url":"http://hl7.org/fhir/StructureDefinition/translation","extension":[
			{"url":"lang","valueCode":"fr"},{"url":"content","valueString":"Absente"}]},
		{"url":"https://tidemark.example/other","extension":[{"url":"content","valueString":"Other"}]}]}},
	 "extension":[{"url":"http://hl7.org/fhir/StructureDefinition/itemWeight","valueDecimal":0}]},
	{"valueCoding":{"system":"urn:grades","code":"mild","display":"Mild"},
	 "extension":[{"url":"http://hl7.org/fhir/StructureDefinition/itemWeight","valueDecimal":1.0}]}]}]}`

// A portal may send the option's text in the language it showed.
func TestPublishedTranslationOfAnOptionIsUnderstood(t *testing.T) {
	t.Parallel()
	form := newForm(Published{ID: SelfAssessment, JSON: []byte(translatedForm)})
	for text, want := range map[string]int{
		"Absent": 0, "Keine Rötung": 0, "keine rötung": 0, "absente": 0, "Mild": 1, "Other": -1, "de": -1, " ": -1,
	} {
		t.Run(text, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, want, chosen(t, form, text))
		})
	}
	require.Equal(t, 1, form.items[0].options[1].weight, "1.0 is the weight 1")
}

// chosen is the option that the text is taken for, -1 for none.
func chosen(t *testing.T, form *Form, text string) int {
	t.Helper()
	body := `{"resourceType":"QuestionnaireResponse","status":"completed","item":[{"linkId":"x","answer":[{"valueString":"` + text + `"}]}]}`
	document, err := fhir.Decode([]byte(body))
	require.NoError(t, err)
	defer document.Release()
	r := reader{}
	r.out.Form = form
	at, ok := r.choice(&form.items[0], document.Root().Get("item").Get("answer").Choice("value[x]"))
	if !ok {
		return -1
	}
	return at
}

func TestFormsThatCannotBeReadStopTheStart(t *testing.T) {
	t.Parallel()
	for name, json := range map[string]string{
		"not JSON":                 `{`,
		"weight that is a half":    `{"item":[{"linkId":"a","answerOption":[{"extension":[{"url":"` + itemWeightURL + `","valueDecimal":0.5}]}]}]}`,
		"more items than are held": `{"item":[` + repeated(`{"linkId":"a"}`, fewItems+1) + `]}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Panics(t, func() { newForm(Published{ID: SelfAssessment, JSON: []byte(json)}) })
		})
	}
	t.Run("as many items as are held are fine", func(t *testing.T) {
		t.Parallel()
		form := newForm(Published{ID: SelfAssessment, JSON: []byte(`{"item":[` + repeated(`{"linkId":"a"}`, fewItems) + `]}`)})
		require.Len(t, form.items, fewItems)
	})
}

func repeated(text string, n int) string {
	all := text
	for range n - 1 {
		all += "," + text
	}
	return all
}

// Semantic versions count by numbers, part by part.
func TestNewestVersionIsTheHighest(t *testing.T) {
	t.Parallel()
	for _, pair := range [][2]string{
		{"1.0.1", "1.0.0"}, {"1.10.0", "1.9.0"}, {"2.0.0", "1.99.99"}, {"1.0.0", ""}, {"1.0.0.1", "1.0.0"},
	} {
		require.True(t, newer(pair[0], pair[1]), "%v", pair)
		require.False(t, pair[1] != "" && newer(pair[1], pair[0]), "%v", pair)
	}
	require.False(t, newer("1.0.0", "1.0.0"))
}

// Every item of the forms that a rater answers has a meaning to the reader.
func TestNoQuestionIsWithoutAMeaning(t *testing.T) {
	t.Parallel()
	for _, form := range Forms() {
		for _, it := range form.items {
			asked := it.kind != "group" && it.kind != "display"
			require.Equal(t, asked, it.role != roleNone, it.linkID)
		}
		require.Less(t, len(form.items), fewItems)
	}
}

func TestLongTextsAreShortenedByCharacters(t *testing.T) {
	t.Parallel()
	sixty := repeated("ä", 30) + "x" // 30 letters, 29 commas and one more
	require.Equal(t, `"`+sixty+`"`, clipText(sixty))
	require.Equal(t, `"`+sixty[:len(sixty)-len(",äx")]+`..."`, clipText(sixty+"y"))
}
