package questionnaire_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// answered is the example's response, to be changed.
func answered(t testing.TB) object {
	t.Helper()
	var response object
	require.NoError(t, json.Unmarshal(example(t, "portal-response.json"), &response))
	return response
}

func give(t testing.TB, response object, link string, value object) {
	t.Helper()
	at(t, response, link)["answer"] = []any{value}
}

// readBy reads a response by a form that must be mapped.
func readBy(t testing.TB, form, response object) (questionnaire.Response, error) {
	t.Helper()
	f, err := mapped(t, form)
	require.NoError(t, err)
	catalog, err := questionnaire.Ours().With(f)
	require.NoError(t, err)
	data, err := json.Marshal(response)
	require.NoError(t, err)
	document, err := fhir.Decode(data)
	require.NoError(t, err)
	t.Cleanup(document.Release)
	return catalog.Read(document.Root())
}

// gradesAsked are ways in which a form may ask for dryness, and an answer of
// each that means mild, as the example's does.
var gradesAsked = map[string]struct {
	change func(t *testing.T, item object)
	mild   object
}{
	"by our codes": {func(_ *testing.T, item object) {
		var options []any
		for _, code := range []string{"severe", "absent", "moderate", "mild"} {
			options = append(options, object{"valueCoding": object{"system": questionnaire.GradeSystem, "code": code}})
		}
		item["answerOption"] = options
	}, object{"valueCoding": object{"system": questionnaire.GradeSystem, "code": "mild"}}},
	"by codes equal to ours": {func(_ *testing.T, item object) {
		var options []any
		for _, code := range gradeCodes {
			options = append(options, object{"valueCoding": object{"system": "urn:fernway", "code": code}})
		}
		item["answerOption"] = options
	}, object{"valueCoding": object{"system": "urn:fernway", "code": "mild"}}},
	"by weights in the coding": {func(_ *testing.T, item object) {
		for i, each := range item["answerOption"].([]any) {
			o := each.(object)
			delete(o, "extension")
			o["valueCoding"].(object)["extension"] = []any{ext("ordinalValue", "valueDecimal", json.Number([]string{"0", "1.0", "2", "3.00"}[i]))}
		}
	}, object{"valueCoding": object{"system": "https://fernway-portal.example/fhir/CodeSystem/amount", "code": "some"}}},
	"by our value set": {func(_ *testing.T, item object) {
		delete(item, "answerOption")
		item["answerValueSet"] = questionnaire.Base + "/ValueSet/scorad-grade|1.0.0"
	}, object{"valueCoding": object{"system": questionnaire.GradeSystem, "code": "mild"}}},
	"by an open choice": {func(_ *testing.T, item object) { item["type"] = "open-choice" }, object{"valueCoding": object{"system": "https://fernway-portal.example/fhir/CodeSystem/amount", "code": "some"}}},
	"by a choice of numbers": {func(_ *testing.T, item object) {
		item["answerOption"] = []any{object{"valueInteger": 0}, object{"valueInteger": 1}, object{"valueInteger": 2}, object{"valueInteger": 3}}
	}, object{"valueInteger": 1}},
	"by a whole number": {func(_ *testing.T, item object) {
		delete(item, "answerOption")
		item["type"], item["extension"] = "integer", []any{ext("minValue", "valueInteger", 0), ext("maxValue", "valueInteger", 3)}
	}, object{"valueInteger": 1}},
	"by a quantity": {func(_ *testing.T, item object) {
		delete(item, "answerOption")
		item["type"], item["extension"] = "quantity", []any{
			object{"url": "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-minQuantity", "valueQuantity": object{"value": 0}},
			object{"url": "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-maxQuantity", "valueQuantity": object{"value": 3}},
			ext("questionnaire-unitOption", "valueCoding", object{"system": questionnaire.UCUM, "code": "{score}"}),
		}
	}, object{"valueQuantity": object{"value": 1, "system": questionnaire.UCUM, "code": "{score}"}}},
}

func TestGradesAreUnderstoodHoweverTheFormAsksForThem(t *testing.T) {
	t.Parallel()
	for name, c := range gradesAsked {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			form, response := portal(t), answered(t)
			c.change(t, at(t, form, "skin-dry"))
			give(t, response, "skin-dry", c.mild)
			read, err := readBy(t, form, response)
			require.NoError(t, err)
			require.Empty(t, read.Issues, "what the form asks for is nothing to warn of")
			require.Equal(t, scoring.Answer[uint8](1), read.Assessment.Grades[scoring.Dryness])
			require.Equal(t, "34.00", read.Result.Scorad.Value.String())
		})
	}
}

// A number could be the code of one option and the weight of another; it is not
// guessed which is meant.
func TestNumbersThatCouldBeCodesAreRefused(t *testing.T) {
	t.Parallel()
	form, response := portal(t), answered(t)
	for i, each := range at(t, form, "skin-dry")["answerOption"].([]any) {
		each.(object)["valueCoding"] = object{"system": "urn:fernway", "code": []string{"1", "2", "3", "4"}[i]}
	}
	give(t, response, "skin-dry", object{"valueInteger": 2})
	_, err := readBy(t, form, response)
	require.ErrorContains(t, err, "must be a valueCoding, one of 1, 2, 3, 4")

	give(t, response, "skin-dry", object{"valueCoding": object{"system": "urn:fernway", "code": "2"}})
	read, err := readBy(t, form, response)
	require.NoError(t, err)
	require.Equal(t, scoring.Answer[uint8](1), read.Assessment.Grades[scoring.Dryness], "as a code it is plain")

	give(t, answered(t), "skin-dry", object{"valueInteger": 2})
	response = answered(t)
	give(t, response, "skin-dry", object{"valueInteger": 2})
	read, err = readBy(t, portal(t), response)
	require.NoError(t, err)
	require.Equal(t, scoring.Answer[uint8](2), read.Assessment.Grades[scoring.Dryness], "and where codes are words, a number is the weight")
}

// One way of giving the extent needs no question for it.
func TestFormOfOneMethodNeedsNotAskForIt(t *testing.T) {
	t.Parallel()
	form, response := portal(t), answered(t)
	skin := at(t, form, "skin")
	items := skin["item"].([]any)
	skin["item"] = items[:6]
	palms := items[7].(object)
	delete(palms, "enableWhen")
	add(form, palms)
	given := at(t, response, "skin")["item"].([]any)
	at(t, response, "skin")["item"] = given[:6]
	response["item"] = append(response["item"].([]any), given[7])
	read, err := readBy(t, form, response)
	require.NoError(t, err)
	require.Equal(t, scoring.ByHands, read.Assessment.Method)
	require.Equal(t, "34.00", read.Result.Scorad.Value.String())

	response["item"] = response["item"].([]any)[:5]
	_, err = readBy(t, form, response)
	require.ErrorContains(t, err, `skin-palms ("How many palms?")`)
}

// By regions of a form's own: 13 regions of 10 percent are 10 percent.
func TestRegionsOfAFormOfAnothersAreScored(t *testing.T) {
	t.Parallel()
	form, response := portal(t), answered(t)
	withRegions(t, form)
	give(t, response, "skin-how", object{"valueCoding": object{"system": questionnaire.ScoradSystem, "code": "regions"}})
	skin := at(t, response, "skin")
	skin["item"] = skin["item"].([]any)[:7]
	add(response, object{"linkId": "age", "answer": []any{object{"valueCoding": object{"system": "urn:fernway", "code": "2-and-over"}}}})
	for i := range scoring.RegionCount {
		add(response, object{"linkId": "part-" + scoring.Region(i).String(), "answer": []any{object{"valueInteger": 10}}})
	}
	read, err := readBy(t, form, response)
	require.NoError(t, err)
	require.Empty(t, read.Issues)
	require.Equal(t, scoring.TwoAndOver, read.Assessment.AgeGroup)
	require.Equal(t, "10.0", read.Result.Extent.Value.String())
	require.Equal(t, "33.50", read.Result.Scorad.Value.String(), "10/5 + 3.5*7 + 7")
}

func TestEnabledByTheFormsOwnRules(t *testing.T) {
	t.Parallel()
	t.Run("an answer that the form had switched off is refused in its words", func(t *testing.T) {
		t.Parallel()
		response := answered(t)
		skin := at(t, response, "skin")
		skin["item"] = append(skin["item"].([]any), object{"linkId": "skin-percent", "answer": []any{object{"valueDecimal": 20}}})
		_, err := readBy(t, portal(t), response)
		require.ErrorContains(t, err, "switched off by the answer to skin-how")
	})
	t.Run("its initial answer left behind is forgiven", func(t *testing.T) {
		t.Parallel()
		form, response := portal(t), answered(t)
		at(t, form, "skin-percent")["initial"] = []any{object{"valueDecimal": 1}}
		skin := at(t, response, "skin")
		skin["item"] = append(skin["item"].([]any), object{"linkId": "skin-percent", "answer": []any{object{"valueDecimal": json.Number("1.0")}}})
		read, err := readBy(t, form, response)
		require.NoError(t, err)
		require.Len(t, read.Issues, 1)
		require.Contains(t, read.Issues[0].Text, "initial answer was ignored")
		require.False(t, read.Assessment.Direct.Answered)
	})
	t.Run("an answer to what the form always asks is not used where the method is another", func(t *testing.T) {
		t.Parallel()
		form, response := portal(t), answered(t)
		percent := at(t, form, "skin-percent")
		delete(percent, "enableWhen")
		delete(percent, "required")
		skin := at(t, response, "skin")
		skin["item"] = append(skin["item"].([]any), object{"linkId": "skin-percent", "answer": []any{object{"valueDecimal": 20}}})
		read, err := readBy(t, form, response)
		require.NoError(t, err)
		require.Len(t, read.Issues, 1)
		require.Contains(t, read.Issues[0].Text, "was not used")
		require.Equal(t, "34.00", read.Result.Scorad.Value.String())
	})
	t.Run("conditions are joined as the form says, with those of the group", func(t *testing.T) {
		t.Parallel()
		form := portal(t)
		palms := at(t, form, "skin-palms")
		hands := palms["enableWhen"].([]any)[0].(object)
		palms["enableWhen"] = []any{hands, object{"question": "skin-how", "operator": "exists", "answerBoolean": true}}
		for behaviour, says := range map[string]string{"all": "", "any": "two extents"} {
			palms["enableBehavior"] = behaviour
			_, err := mapped(t, form)
			if says == "" {
				require.NoError(t, err)
				continue
			}
			require.ErrorContains(t, err, says, "any: enabled by every answer")
		}
		palms["enableBehavior"] = "all"
		at(t, form, "skin")["enableWhen"] = []any{object{"question": "skin-how", "operator": "!=", "answerCoding": object{"system": questionnaire.ScoradSystem, "code": "direct"}}}
		_, err := mapped(t, form)
		require.ErrorContains(t, err, "skin-redness")
		require.ErrorContains(t, err, "switched off when the extent is given by direct")
	})
}

// What the portal asks beside is kept with the response and not looked at.
func TestQuestionsOfThePortalsOwnAreLeftAlone(t *testing.T) {
	t.Parallel()
	form, response := portal(t), answered(t)
	at(t, form, "mood")["repeats"] = true
	at(t, response, "mood")["answer"] = []any{object{"valueString": "one"}, object{"valueString": "two"}}
	for range 300 {
		add(form, object{"linkId": strings.Repeat("x", len(form["item"].([]any))), "type": "string", "required": true})
	}
	read, err := readBy(t, form, response)
	require.NoError(t, err)
	require.Empty(t, read.Issues)
	require.Equal(t, "34.00", read.Result.Scorad.Value.String())

	add(response, object{"linkId": "nobody-knows", "answer": []any{object{"valueString": "x"}}})
	_, err = readBy(t, form, response)
	require.ErrorContains(t, err, "no item of this linkId", "but not what the form does not ask")
}

// Results that the portal computes are compared, and never trusted.
func TestResultsOfThePortalAreCompared(t *testing.T) {
	t.Parallel()
	form, response := portal(t), answered(t)
	add(form, object{"linkId": "total", "type": "decimal", "readOnly": true, "code": scorad("scorad")})
	for value, warnings := range map[string]int{"34": 0, "34.01": 0, "12": 1} {
		copied := object{}
		for name, member := range response {
			copied[name] = member
		}
		add(copied, object{"linkId": "total", "answer": []any{object{"valueDecimal": json.Number(value)}}})
		read, err := readBy(t, form, copied)
		require.NoError(t, err)
		require.Len(t, read.Issues, warnings, value)
		require.Equal(t, "34.00", read.Result.Scorad.Value.String())
	}
}

func TestWarningsOfAFormThatIsTaken(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(form object)
		says   string
	}{
		"a draft":                            {func(f object) { f["status"] = "draft" }, "The form is not active"},
		"a grade that may be left out":       {func(f object) { delete(at(t, f, "skin-dry"), "required") }, "make it required"},
		"an extent that may be left out":     {func(f object) { delete(at(t, f, "skin-palms"), "required") }, "make it required"},
		"itch that starts with 0":            {func(f object) { at(t, f, "nights-itch")["initial"] = []any{object{"valueInteger": 0}} }, "blank is not zero"},
		"a grade that starts with an option": {func(f object) { optionAt(t, f, "skin-dry", 0)["initialSelected"] = true }, "blank is not zero"},
		"a region that starts with eczema": {func(f object) {
			withRegions(t, f)
			at(t, f, "part-genitals")["initial"] = []any{object{"valueInteger": 5}}
			at(t, f, "part-trunk-front")["initial"] = []any{object{"valueInteger": 0}}
		}, "blank is not zero"},
		"more places than are scored": {func(f object) {
			at(t, f, "skin-palms")["extension"] = []any{ext("maxDecimalPlaces", "valueInteger", 2)}
		}, "more decimal places than 1"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			form := portal(t)
			c.change(form)
			read, err := mapped(t, form)
			require.NoError(t, err)
			require.Len(t, read.Warnings, 1)
			require.Equal(t, fhir.Warning, read.Warnings[0].Severity)
			require.Contains(t, read.Warnings[0].Text, c.says)
		})
	}
}

// The newest active version stands for the url, and one that is not active only
// where there is no other.
func TestCatalogResolvesAsPublishedFormsAre(t *testing.T) {
	t.Parallel()
	catalog := questionnaire.Ours()
	for _, v := range [][2]string{{"1.9.0", "active"}, {"1.10.0", "active"}, {"2.0.0", "draft"}, {"0.9.0", "retired"}} {
		form := portal(t)
		form["version"], form["status"] = v[0], v[1]
		f, err := mapped(t, form)
		require.NoError(t, err)
		catalog, err = catalog.With(f)
		require.NoError(t, err)
		_, err = catalog.With(f)
		require.ErrorContains(t, err, "there twice")
	}
	url := "https://fernway-portal.example/fhir/Questionnaire/eczema-diary"
	for canonical, want := range map[string]string{url: "1.10.0", url + "|1.9.0": "1.9.0", url + "|2.0.0": "2.0.0", url + "|3.0.0": "", url + "|": "", "urn:x": ""} {
		form, ok := catalog.Form(canonical)
		require.Equal(t, want != "", ok, canonical)
		if ok {
			require.Equal(t, want, form.Version)
		}
	}
	require.Len(t, catalog.Forms(), 6)
	require.Len(t, questionnaire.Ours().Forms(), 2, "a catalog never changes")
}
