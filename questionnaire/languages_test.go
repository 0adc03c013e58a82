package questionnaire_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
)

// translated is a string of a form's file with what hangs on it, read by a plain
// decoder.
type translated struct {
	Extension []struct {
		URL       string
		Extension []struct{ URL, ValueCode, ValueString string }
	}
}

// in is the translation by the extension of R4 (extension-translation).
func (s translated) in(code string) string {
	for _, e := range s.Extension {
		if e.URL == extensions+"translation" && e.Extension[0].URL == "lang" && e.Extension[0].ValueCode == code && e.Extension[1].URL == "content" {
			return e.Extension[1].ValueString
		}
	}
	return ""
}

// shown is an item as a renderer would show it in another language.
type shown struct {
	LinkID       string
	Text         translated `json:"_text"`
	AnswerOption []struct {
		ValueCoding struct {
			Code, Display string
			Translations  translated `json:"_display"`
		}
	}
	Item []shown
}

func shownItems(t *testing.T, id string) map[string]shown {
	t.Helper()
	form, ok := questionnaire.Find("Questionnaire", questionnaire.Base+"/Questionnaire/"+id)
	require.True(t, ok)
	var root shown
	require.NoError(t, json.Unmarshal(form.JSON, &root))
	all := map[string]shown{}
	var walk func(items []shown)
	walk = func(items []shown) {
		for _, it := range items {
			all[it.LinkID] = it
			walk(it.Item)
		}
	}
	walk(root.Item)
	return all
}

// An option's text in any language is understood as the option itself.
func TestOptionTextsAreUnderstoodInEveryLanguage(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		items := shownItems(t, id)
		for _, code := range languages.Codes {
			t.Run(id+" "+code, func(t *testing.T) {
				t.Parallel()
				answers := 0
				for _, q := range answerable(id) {
					for _, option := range items[q.link].AnswerOption {
						text := option.ValueCoding.Translations.in(code)
						require.NotEmpty(t, text, "%s %s", q.link, option.ValueCoding.Code)
						byCode := answeredBy(id)
						want := *byCode
						want.answers = map[string]string{}
						for link, answer := range byCode.answers {
							want.answers[link] = answer
						}
						said := answeredBy(id)
						system := questionnaire.ScoradSystem
						if strings.HasPrefix(q.link, "intensity.") {
							system = questionnaire.GradeSystem
						}
						want.answers[q.link] = coding(system, option.ValueCoding.Code)
						said.answers[q.link] = `"valueString":` + quoted(text)
						if q.link == "extent.method" {
							continue // enabling differs; TestWholeFormsInEveryLanguage has it
						}
						answers++
						require.Equal(t, scored(t, &want).Assessment, scored(t, said).Assessment, "%s %s", q.link, text)
					}
				}
				require.Equal(t, 6*4+3, answers)
			})
		}
	}
}

// answeredBy is a form with every question of the extent by regions answered.
func answeredBy(id string) *sheet {
	s := byRegions()
	if id == questionnaire.ClinicianAssessment {
		s.form = id
		s.header["questionnaire"] = quoted(questionnaire.Base + "/Questionnaire/" + id + "|1.0.0")
		s.header["source"] = clinician
	}
	return s
}

// A portal that shows the form in one language sends its texts back in it.
func TestWholeFormsInEveryLanguage(t *testing.T) {
	t.Parallel()
	items := shownItems(t, questionnaire.SelfAssessment)
	for _, code := range languages.Codes {
		for _, method := range []string{"regions", "direct"} {
			t.Run(code+" "+method, func(t *testing.T) {
				t.Parallel()
				s, want := directly(), directlyAssessed()
				if method == "regions" {
					s, want = byRegions(), byRegionsAssessed()
				}
				warnings := 0
				for link, answer := range s.answers {
					for _, option := range items[link].AnswerOption {
						if strings.Contains(answer, `"code":`+quoted(option.ValueCoding.Code)) {
							answer = `"valueString":` + quoted(option.ValueCoding.Translations.in(code))
							warnings++
						}
					}
					s.items[link] = `,"text":` + quoted(items[link].Text.in(code)) + `,"answer":[{` + answer + `}]`
				}
				s.flat = true
				response := scored(t, s)
				require.Equal(t, want, response.Assessment)
				require.Len(t, response.Issues, warnings, "a text in place of a coding is remarked on, a translated item is not: %v", response.Issues)
			})
		}
	}
}

func TestItemTextsOfNoLanguageAreRemarkedOn(t *testing.T) {
	t.Parallel()
	s := directly()
	s.flat = true
	s.items["symptoms.itch"] = `,"text":"Juckreiz, irgendwie","answer":[{"valueDecimal":5.7}]`
	response := scored(t, s)
	require.Len(t, response.Issues, 1)
	require.Equal(t, fhir.IssueInvalid, response.Issues[0].Code)
	require.Contains(t, response.Issues[0].Text, "The text differs from the form's")
}

// No text may mean two options, whatever the languages.
func TestNoTextMeansTwoOptions(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		for link, item := range shownItems(t, id) {
			means := map[string]string{}
			for _, option := range item.AnswerOption {
				texts := []string{option.ValueCoding.Display}
				for _, code := range languages.Codes {
					texts = append(texts, option.ValueCoding.Translations.in(code))
				}
				for _, text := range texts {
					other, taken := means[strings.ToLower(text)]
					require.False(t, taken && other != option.ValueCoding.Code, "%s: %s", link, text)
					means[strings.ToLower(text)] = option.ValueCoding.Code
				}
			}
		}
	}
}

// A registered form's own translations are known too.
func TestTranslationsOfRegisteredFormsAreKnown(t *testing.T) {
	t.Parallel()
	for text, remarks := range map[string]int{"Wie sehr hat es gejuckt?": 0, "Wie war der Juckreiz?": 1} {
		var form object
		require.NoError(t, json.Unmarshal(example(t, "portal-form.json"), &form))
		at(t, form, "nights-itch")["_text"] = object{"extension": []any{object{"url": extensions + "translation", "extension": []any{
			object{"url": "lang", "valueCode": "de"}, object{"url": "content", "valueString": "Wie sehr hat es gejuckt?"},
		}}}}
		response := answered(t)
		at(t, response, "nights-itch")["text"] = text
		read, err := readBy(t, form, response)
		require.NoError(t, err)
		require.Len(t, read.Issues, remarks, text)
	}
}

// The marks of a draft stand where a reader of the resource sees them.
func TestTranslationsAreMarkedAsDrafts(t *testing.T) {
	t.Parallel()
	for _, p := range questionnaire.All() {
		if p.Type != "Questionnaire" && p.Type != "CodeSystem" {
			continue
		}
		var resource struct {
			Purpose string
			More    struct {
				Extension []struct {
					Extension []struct{ ValueCode, ValueMarkdown string }
				}
			} `json:"_purpose"`
		}
		require.NoError(t, json.Unmarshal(p.JSON, &resource))
		require.Contains(t, resource.Purpose, "are drafts until a clinician has signed them off", p.ID)
		if p.Type == "Questionnaire" {
			require.Len(t, resource.More.Extension, len(languages.Codes), "and in every language")
		}
	}
}

// help is what a rater is told, by the section of clinical.md that says it.
func TestHelpForRaters(t *testing.T) {
	t.Parallel()
	self, team := questionnaire.SelfAssessment, questionnaire.ClinicianAssessment
	for _, c := range []struct{ section, form, link, says string }{
		{"1.5 only inflammatory lesions count", self, "extent.method", "skin that is only dry does not count"},
		{"1.5 only inflammatory lesions count", team, "extent.method", "skin that is only dry does not count"},
		{"1.5 an area of average intensity, not the worst and not the newest", self, "intensity", "neither the best, nor the worst, nor the newest"},
		{"1.5 the same", team, "intensity", "of average intensity over the last three days and nights: neither the worst nor the newest"},
		{"1.5 localised disease", team, "intensity", "grade the area that brought the patient"},
		{"1.5 dryness away from inflamed areas", team, "intensity.dryness", "at a distance from lesions"},
		{"1.5 dryness away from inflamed areas", self, "intensity.dryness", "skin that has no eczema"},
		{"1.5 four grades", self, "intensity", "Absent: the sign is not there. Mild: it is there and slight. Moderate: it is plain to see. Severe: it is very strong."},
		{"1.5 four grades", team, "intensity", "Absent: the sign is not there. Mild: it is there and slight. Moderate: it is plain to see. Severe: it is very strong."},
		{"1.7 no half grades", self, "intensity", "no half grades"},
		{"1.5 patients have most trouble with swelling", self, "intensity.oedema", "Many people find this hard to judge"},
		{"1.5 and lichenification", self, "intensity.lichenification", "Many people find this hard to judge"},
		{"1.5 hardest for observers", team, "intensity.oozing", "among the hardest"},
		{"1.5 hardest for observers", team, "intensity.lichenification", "among the hardest"},
		{"1.1 hard to rate on slides", team, "intensity.oedema", "hard to rate from pictures"},
		{"1.6 three days and nights", self, "extent", "the last three days and nights"},
		{"2 hand count", self, "extent.hands", "about one percent"},
		{"3.4 learning note, first two scores", self, "extent", "Your first two scores are for practice"},
		{"7.5 change of respondent", self, "extent", "Let the same person rate each time"},
		{"7.4 darker skin", self, "intensity.erythema", "grey, brown, purple or darker patches, and feel for warmth and swelling"},
		{"7.4 marks left after eczema", self, "intensity.erythema", "darker or lighter, that stay after eczema has healed do not count"},
		{"7.4 understates severity", team, "intensity.erythema", "the score can understate severity"},
		{"7.5 who answers", self, "symptoms.itch", "Under six years a carer answers; from six to eleven the child answers together with a carer; from twelve on the patient answers, with a carer if wished."},
		{"7.5 who answers", self, "symptoms.sleep-loss", "Under six years a carer answers"},
		{"7.5 who answers", team, "symptoms.itch", "Under six years ask the carer, from six to eleven the child together with the carer, from twelve on the patient."},
		{"1.6 blank is not zero", team, "symptoms.itch", "blank is not zero"},
		{"7.1 erythroderma, and 7.4", self, "safety", "on brown or black skin also grey, purple or darker"},
	} {
		require.Contains(t, textOf(itemOf(t, published(c.form), c.link)), c.says, c.section)
	}
}

// Help is told by general renderers from the item it belongs to: one child with
// the control help (SDC 4 rendering.html), and one only, since some show the first.
func TestHelpIsOneChildOfItsQuestion(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		helped := 0
		published(id).walk(func(item formItem, _ string) {
			helps := 0
			for _, child := range item.Item {
				if control, ok := child.extension(extensions + "questionnaire-itemControl"); ok && child.Type == "display" {
					require.Equal(t, item.LinkID+".help", child.LinkID)
					require.NotEmpty(t, control)
					helps++
				}
			}
			require.LessOrEqual(t, helps, 1, item.LinkID)
			helped += helps
		})
		require.GreaterOrEqual(t, helped, 25, fmt.Sprintf("%s: every question is explained but those that speak for themselves", id))
	}
}
