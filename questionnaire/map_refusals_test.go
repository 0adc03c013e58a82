package questionnaire_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// object is a JSON object to be changed.
type object = map[string]any

// portal is the example's form, to be changed.
func portal(t testing.TB) object {
	t.Helper()
	var form object
	require.NoError(t, json.Unmarshal(example(t, "portal-form.json"), &form))
	return form
}

// at finds the item of a linkId, wherever it stands.
func at(t testing.TB, form object, link string) object {
	t.Helper()
	var search func(parent object) object
	search = func(parent object) object {
		items, _ := parent["item"].([]any)
		for _, each := range items {
			item := each.(object)
			if item["linkId"] == link {
				return item
			}
			if found := search(item); found != nil {
				return found
			}
		}
		return nil
	}
	found := search(form)
	require.NotNil(t, found, link)
	return found
}

func optionAt(t testing.TB, form object, link string, n int) object {
	t.Helper()
	return at(t, form, link)["answerOption"].([]any)[n].(object)
}

// add puts an item at the end of the form.
func add(form object, item object) { form["item"] = append(form["item"].([]any), item) }

func scorad(code string) []any {
	return []any{object{"system": questionnaire.ScoradSystem, "code": code}}
}

func ext(url, kind string, value any) object {
	return object{"url": "http://hl7.org/fhir/StructureDefinition/" + url, kind: value}
}

// withRegions adds the age group and all thirteen regions, as shown by the
// option given of the question for the method.
func withRegions(t testing.TB, form object) {
	how := at(t, form, "skin-how")
	how["answerOption"] = append(how["answerOption"].([]any), object{"valueCoding": object{"system": questionnaire.ScoradSystem, "code": "regions"}})
	when := []any{object{"question": "skin-how", "operator": "=", "answerCoding": object{"system": questionnaire.ScoradSystem, "code": "regions"}}}
	add(form, object{"linkId": "age", "type": "choice", "required": true, "code": scorad("extent-age-group"), "enableWhen": when, "answerOption": []any{
		object{"valueCoding": object{"system": questionnaire.ScoradSystem, "code": "1-to-2"}},
		object{"valueCoding": object{"system": "urn:fernway", "code": "2-and-over"}},
	}})
	for i := range scoring.RegionCount {
		add(form, object{"linkId": "part-" + scoring.Region(i).String(), "type": "integer", "required": true,
			"code": scorad("extent-" + scoring.Region(i).String()), "enableWhen": when,
			"extension": []any{ext("minValue", "valueInteger", 0), ext("maxValue", "valueInteger", 100)}})
	}
}

func mapped(t testing.TB, form object) (*questionnaire.Form, error) {
	t.Helper()
	data, err := json.Marshal(form)
	require.NoError(t, err)
	return questionnaire.Map(data, asTheFormSays)
}

// unmappable forms, each with the one fault it is refused for: its place by
// linkId or, at the root, by expression, and a part of what it says to change.
var unmappable = map[string]struct {
	change func(t *testing.T, form object)
	code   fhir.IssueType
	where  string
	says   string
}{
	"no url":           {func(_ *testing.T, f object) { delete(f, "url") }, fhir.IssueRequired, "Questionnaire", "url is missing"},
	"url with version": {func(_ *testing.T, f object) { f["url"] = "https://fernway-portal.example/q|1" }, fhir.IssueValue, "Questionnaire.url", "must not contain |"},
	"url of ours": {func(_ *testing.T, f object) {
		f["url"] = questionnaire.Base + "/Questionnaire/scorad-self-assessment"
	}, fhir.IssueDuplicate, "Questionnaire.url", "a url of its own"},
	"no version":         {func(_ *testing.T, f object) { delete(f, "version") }, fhir.IssueRequired, "Questionnaire", "version is missing"},
	"version with a bar": {func(_ *testing.T, f object) { f["version"] = "1|2" }, fhir.IssueValue, "Questionnaire.version", "must not contain |"},
	"no id":              {func(_ *testing.T, f object) { delete(f, "id") }, fhir.IssueRequired, "Questionnaire", "id is missing"},
	"id of ours":         {func(_ *testing.T, f object) { f["id"] = questionnaire.SelfAssessment }, fhir.IssueDuplicate, "Questionnaire.id", "give the form another"},
	"rules of its own": {func(_ *testing.T, f object) { f["implicitRules"] = "https://fernway-portal.example/rules" },
		fhir.IssueNotSupported, "Questionnaire.implicitRules", "leave them out"},
	"modifier at the root": {func(_ *testing.T, f object) {
		f["modifierExtension"] = []any{object{"url": "urn:fernway:reversed", "valueBoolean": true}}
	}, fhir.IssueExtension, "Questionnaire.modifierExtension[0]", "can change the meaning"},
	"modifier of an item": {func(t *testing.T, f object) {
		at(t, f, "skin-dry")["modifierExtension"] = []any{object{"url": "urn:fernway:reversed", "valueBoolean": true}}
	}, fhir.IssueExtension, "Questionnaire.item[2].item[5].modifierExtension[0]", "can change the meaning"},
	"not of patients":       {func(_ *testing.T, f object) { f["subjectType"] = []any{"Group", "Device"} }, fhir.IssueValue, "Questionnaire.subjectType[0]", "must allow Patient"},
	"rated by nobody known": {func(_ *testing.T, f object) { delete(f, "extension") }, fhir.IssueRequired, "Questionnaire", "rater=self or rater=clinician"},
	"rated by both": {func(_ *testing.T, f object) { f["extension"].([]any)[0].(object)["valueCode"] = "Practitioner" },
		fhir.IssueMultipleMatches, "Questionnaire", "make two forms"},
	"derived from a version that never was": {func(_ *testing.T, f object) {
		f["derivedFrom"] = []any{questionnaire.Base + "/Questionnaire/scorad-self-assessment|0.1.0"}
	}, fhir.IssueNotFound, "Questionnaire.derivedFrom[0]", "No such form"},

	"linkId twice":   {func(t *testing.T, f object) { at(t, f, "cream-days")["linkId"] = "cream-name" }, fhir.IssueInvariant, "cream-name", "que-2"},
	"sign not asked": {func(t *testing.T, f object) { delete(at(t, f, "skin-dry"), "code") }, fhir.IssueRequired, "Questionnaire", "No item asks for intensity.dryness"},
	"itch not asked": {func(t *testing.T, f object) { delete(at(t, f, "nights-itch"), "code") }, fhir.IssueRequired, "Questionnaire", "No item asks for symptoms.itch"},
	"no extent at all": {func(t *testing.T, f object) {
		for _, link := range []string{"skin-how", "skin-palms", "skin-percent"} {
			delete(at(t, f, link), "code")
		}
	}, fhir.IssueRequired, "Questionnaire", "No item asks for the extent"},
	"method not asked":        {func(t *testing.T, f object) { delete(at(t, f, "skin-how"), "code") }, fhir.IssueRequired, "Questionnaire", "no item asks by which"},
	"method without its item": {func(t *testing.T, f object) { delete(at(t, f, "skin-palms"), "code") }, fhir.IssueRequired, "skin-how", "option hands can be chosen"},
	"item without its method": {func(t *testing.T, f object) {
		how := at(t, f, "skin-how")
		how["answerOption"] = how["answerOption"].([]any)[:1]
		at(t, f, "skin-percent")["enableWhen"].([]any)[0].(object)["operator"] = "!="
		at(t, f, "skin-percent")["enableWhen"].([]any)[0].(object)["answerCoding"].(object)["code"] = "hands"
	}, fhir.IssueRequired, "skin-how", "No option stands for the extent by direct"},
	"one region missing": {func(t *testing.T, f object) { withRegions(t, f); delete(at(t, f, "part-genitals"), "code") },
		fhir.IssueRequired, "Questionnaire", "No item asks for extent.genitals"},
	"age group missing": {func(t *testing.T, f object) { withRegions(t, f); delete(at(t, f, "age"), "code") },
		fhir.IssueRequired, "Questionnaire", "No item asks for extent.age-group"},

	"code that does not exist": {func(t *testing.T, f object) {
		add(f, object{"linkId": "x", "type": "boolean", "code": scorad("also-seen-freckles")})
	},
		fhir.IssueCodeInvalid, "x", "has no such code"},
	"code of the clinician's form": {func(t *testing.T, f object) {
		add(f, object{"linkId": "x", "type": "boolean", "code": scorad("bonus-face-hands")})
	},
		fhir.IssueCodeInvalid, "x", "of no item of"},
	"code of a group on a question": {func(t *testing.T, f object) {
		add(f, object{"linkId": "x", "type": "decimal", "code": scorad("extent")})
	}, fhir.IssueStructure, "x", "extent-direct"},
	"code of a question on a group": {func(t *testing.T, f object) {
		at(t, f, "creams")["code"] = scorad("also-seen-scaling")
	}, fhir.IssueStructure, "creams", "takes no answer"},
	"two codes": {func(t *testing.T, f object) {
		add(f, object{"linkId": "x", "type": "boolean", "code": append(scorad("also-seen-scaling"), scorad("also-seen-fissures")...)})
	}, fhir.IssueMultipleMatches, "x", "also-seen.scaling, also-seen.fissures"},
	"code twice": {func(t *testing.T, f object) {
		add(f, object{"linkId": "x", "type": "integer", "code": scorad("symptoms-itch")})
	}, fhir.IssueDuplicate, "x", "as is the item nights-itch"},
	"definition that points nowhere": {func(t *testing.T, f object) {
		add(f, object{"linkId": "x", "type": "integer", "definition": questionnaire.Base + "/Questionnaire/scorad-self-assessment#symptoms.pain"})
	}, fhir.IssueNotFound, "x", "points at no item"},
	"item that repeats": {func(t *testing.T, f object) { at(t, f, "nights-itch")["repeats"] = true }, fhir.IssueInvariant, "nights-itch", "let it not repeat"},
	"item in a group that repeats": {func(t *testing.T, f object) {
		group := at(t, f, "creams")
		group["item"] = append(group["item"].([]any), object{"linkId": "x", "type": "boolean", "code": scorad("also-seen-scaling")})
	}, fhir.IssueInvariant, "x", "let it not repeat"},

	"grade as free text": {func(t *testing.T, f object) {
		at(t, f, "skin-dry")["type"] = "string"
		delete(at(t, f, "skin-dry"), "answerOption")
	}, fhir.IssueStructure, "skin-dry", "cannot be of type string"},
	"itch as a choice": {func(t *testing.T, f object) { at(t, f, "nights-itch")["type"] = "choice" }, fhir.IssueStructure, "nights-itch", "cannot be of type choice"},
	"scale not stated": {func(t *testing.T, f object) {
		at(t, f, "nights-itch")["extension"] = []any{ext("minValue", "valueInteger", 0)}
	}, fhir.IssueRequired, "nights-itch", "maxValue is not stated"},
	"scale to 100": {func(t *testing.T, f object) {
		at(t, f, "nights-itch")["extension"].([]any)[1].(object)["valueInteger"] = 100
	}, fhir.IssueValue, "nights-itch", "maxValue must be 10"},
	"scale from 1": {func(t *testing.T, f object) {
		at(t, f, "nights-itch")["extension"].([]any)[0].(object)["valueInteger"] = 1
	}, fhir.IssueValue, "nights-itch", "minValue must be 0"},
	"palms up to 200": {func(t *testing.T, f object) {
		at(t, f, "skin-palms")["extension"] = []any{ext("maxValue", "valueDecimal", 200)}
	}, fhir.IssueValue, "skin-palms", "maxValue must be 100"},
	"itch in millimetres": {func(t *testing.T, f object) {
		at(t, f, "nights-itch")["extension"] = append(at(t, f, "nights-itch")["extension"].([]any), ext("questionnaire-unit", "valueCoding", object{"system": questionnaire.UCUM, "code": "mm"}))
	}, fhir.IssueValue, "nights-itch", "must be 1 or {score}"},
	"units of a value set": {func(t *testing.T, f object) {
		at(t, f, "nights-itch")["extension"] = append(at(t, f, "nights-itch")["extension"].([]any), ext("questionnaire-unitValueSet", "valueCanonical", "urn:fernway:units"))
	}, fhir.IssueNotSupported, "nights-itch", "Value sets are not looked up"},
	"grade without bounds": {func(t *testing.T, f object) {
		dry := at(t, f, "skin-dry")
		delete(dry, "answerOption")
		dry["type"] = "integer"
		dry["extension"] = []any{ext("maxValue", "valueInteger", 3)}
	}, fhir.IssueRequired, "skin-dry", "minValue is not stated"},
	"options of a value set": {func(t *testing.T, f object) {
		dry := at(t, f, "skin-dry")
		delete(dry, "answerOption")
		dry["answerValueSet"] = "urn:fernway:grades"
	}, fhir.IssueNotSupported, "skin-dry", "list the options"},
	"no options": {func(t *testing.T, f object) { delete(at(t, f, "skin-dry"), "answerOption") }, fhir.IssueRequired, "skin-dry", "has no options"},

	"option of text": {func(t *testing.T, f object) {
		o := optionAt(t, f, "skin-dry", 0)
		delete(o, "valueCoding")
		o["valueString"] = "none"
	}, fhir.IssueStructure, "skin-dry", "must be a valueCoding"},
	"option without a code":    {func(t *testing.T, f object) { delete(optionAt(t, f, "skin-dry", 0)["valueCoding"].(object), "code") }, fhir.IssueRequired, "skin-dry", "has no code"},
	"option without a meaning": {func(t *testing.T, f object) { delete(optionAt(t, f, "skin-dry", 1), "extension") }, fhir.IssueCodeInvalid, "skin-dry", "cannot be told what the option means"},
	"option of another grade system": {func(t *testing.T, f object) {
		optionAt(t, f, "skin-dry", 1)["valueCoding"] = object{"system": questionnaire.GradeSystem, "code": "slight"}
	}, fhir.IssueCodeInvalid, "skin-dry", "absent, mild, moderate, severe"},
	"half a weight": {func(t *testing.T, f object) {
		optionAt(t, f, "skin-dry", 1)["extension"].([]any)[0].(object)["valueDecimal"] = 1.5
	}, fhir.IssueValue, "skin-dry", "0, 1, 2 or 3"},
	"weight of four": {func(t *testing.T, f object) {
		optionAt(t, f, "skin-dry", 3)["extension"] = []any{ext("itemWeight", "valueDecimal", 4)}
	}, fhir.IssueValue, "skin-dry", "0, 1, 2 or 3"},
	"two weights": {func(t *testing.T, f object) {
		optionAt(t, f, "skin-dry", 1)["extension"].([]any)[0].(object)["valueDecimal"] = 2
	}, fhir.IssueMultipleMatches, "skin-dry", "contradict each other"},
	"weight against our code": {func(t *testing.T, f object) {
		optionAt(t, f, "skin-dry", 1)["valueCoding"] = object{"system": questionnaire.GradeSystem, "code": "severe"}
	}, fhir.IssueMultipleMatches, "skin-dry", "contradict each other"},
	"two options of one grade": {func(t *testing.T, f object) {
		dry := at(t, f, "skin-dry")
		dry["answerOption"] = append(dry["answerOption"].([]any), object{"valueCoding": object{"system": questionnaire.GradeSystem, "code": "severe"}})
	}, fhir.IssueDuplicate, "skin-dry", "mean the same"},
	"three options": {func(t *testing.T, f object) {
		dry := at(t, f, "skin-dry")
		dry["answerOption"] = dry["answerOption"].([]any)[:3]
	}, fhir.IssueRequired, "skin-dry", "no option for grade 3 (severe)"},
	"two options of one code": {func(t *testing.T, f object) {
		optionAt(t, f, "skin-dry", 1)["valueCoding"] = object{"system": "urn:other", "code": "none"}
	}, fhir.IssueDuplicate, "skin-dry", "the same code"},
	"two options of one text": {func(t *testing.T, f object) {
		optionAt(t, f, "skin-dry", 1)["valueCoding"].(object)["display"] = "not there"
	}, fhir.IssueDuplicate, "skin-dry", "the same text"},
	"method without a meaning": {func(t *testing.T, f object) {
		optionAt(t, f, "skin-how", 1)["valueCoding"] = object{"system": "urn:fernway", "code": "percent"}
	}, fhir.IssueCodeInvalid, "skin-how", "regions, hands or direct"},

	"depends on another question": {func(t *testing.T, f object) {
		at(t, f, "nights-itch")["enableWhen"] = []any{object{"question": "mood", "operator": "exists", "answerBoolean": true}}
	}, fhir.IssueNotSupported, "nights-itch", "depends on a question other"},
	"group depends on another question": {func(t *testing.T, f object) {
		at(t, f, "nights")["enableWhen"] = []any{object{"question": "mood", "operator": "exists", "answerBoolean": true}}
	}, fhir.IssueNotSupported, "nights", "depends on a question other"},
	"depends on an expression": {func(t *testing.T, f object) {
		at(t, f, "nights")["extension"] = []any{object{"url": "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-enableWhenExpression",
			"valueExpression": object{"language": "text/fhirpath", "expression": "true"}}}
	}, fhir.IssueNotSupported, "nights", "Expressions are not evaluated"},
	"compares with no option": {func(t *testing.T, f object) {
		at(t, f, "skin-palms")["enableWhen"].([]any)[0].(object)["answerCoding"] = object{"code": "hands"}
	}, fhir.IssueNotSupported, "skin-palms", "by system and code"},
	"compares by order": {func(t *testing.T, f object) {
		at(t, f, "skin-palms")["enableWhen"].([]any)[0].(object)["operator"] = ">="
	}, fhir.IssueNotSupported, "skin-palms", "by = or !="},
	"two conditions and no behaviour": {func(t *testing.T, f object) {
		palms := at(t, f, "skin-palms")
		palms["enableWhen"] = append(palms["enableWhen"].([]any), object{"question": "skin-how", "operator": "exists", "answerBoolean": true})
	}, fhir.IssueRequired, "skin-palms", "que-12"},
	"switched off when needed": {func(t *testing.T, f object) {
		at(t, f, "skin-palms")["enableWhen"].([]any)[0].(object)["operator"] = "!="
		delete(at(t, f, "skin-palms"), "required")
	}, fhir.IssueConflict, "skin-palms", "switched off when the extent is given by hands"},
	"grade switched off by the method": {func(t *testing.T, f object) {
		at(t, f, "skin-dry")["enableWhen"] = at(t, f, "skin-palms")["enableWhen"]
	}, fhir.IssueConflict, "skin-dry", "switched off when the extent is given by direct"},
	"two extents required": {func(t *testing.T, f object) { delete(at(t, f, "skin-palms"), "enableWhen") },
		fhir.IssueConflict, "skin-palms", "two extents"},
}

func TestFormsThatCannotBeMappedAreRefusedByName(t *testing.T) {
	t.Parallel()
	for name, c := range unmappable {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			form := portal(t)
			c.change(t, form)
			_, err := mapped(t, form)
			var issues fhir.Issues
			require.ErrorAs(t, err, &issues)
			require.False(t, issues.Malformed(), "a form that is FHIR is refused by 422")
			var faults []fhir.Issue
			for _, issue := range issues {
				if issue.Severity == fhir.Error {
					faults = append(faults, issue)
				}
			}
			require.Len(t, faults, 1, "%+v", faults)
			require.Equal(t, c.code, faults[0].Code, faults[0].Text)
			require.Contains(t, faults[0].Text, c.says)
			if faults[0].LinkID != "" {
				require.Equal(t, c.where, faults[0].LinkID)
				require.Contains(t, faults[0].Text, c.where+` ("`)
				require.Contains(t, faults[0].Expression, "Questionnaire.item[")
				return
			}
			require.Equal(t, c.where, faults[0].Expression)
		})
	}
}

// Everything is told at once, each at its place.
func TestAllThatIsMissingIsListedAtOnce(t *testing.T) {
	t.Parallel()
	form := portal(t)
	changes := []string{"no version", "rated by nobody known", "sign not asked", "code twice", "scale to 100", "two extents required", "depends on another question"}
	for _, name := range changes {
		unmappable[name].change(t, form)
	}
	_, err := mapped(t, form)
	var issues fhir.Issues
	require.ErrorAs(t, err, &issues)
	for _, name := range changes {
		found := false
		for _, issue := range issues {
			found = found || issue.Code == unmappable[name].code && (issue.LinkID == unmappable[name].where || issue.Expression == unmappable[name].where)
		}
		require.True(t, found, "%s among %+v", name, issues)
	}
	require.Len(t, issues, len(changes))
}

func TestWhatIsNoQuestionnaireIsRefusedAsMalformed(t *testing.T) {
	t.Parallel()
	for name, data := range map[string]string{
		"not JSON": `{`, "another resource": `{"resourceType":"Patient"}`, "unknown member": `{"resourceType":"Questionnaire","status":"active","titel":"x"}`,
		"no status": `{"resourceType":"Questionnaire"}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := questionnaire.Map([]byte(data), asTheFormSays)
			var issues fhir.Issues
			require.ErrorAs(t, err, &issues)
			require.True(t, issues.Malformed())
		})
	}
}
