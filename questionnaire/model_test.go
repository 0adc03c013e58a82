package questionnaire_test

import (
	"encoding/json"
	"testing"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// remarshalled is a questionnaire as the model library would publish it.
func remarshalled(t *testing.T, data []byte) []byte {
	t.Helper()
	var model models.Questionnaire
	require.NoError(t, json.Unmarshal(data, &model))
	again, err := json.Marshal(model)
	require.NoError(t, err)
	return again
}

// The reason why the forms are files that are served byte for byte: the library
// has the choices value[x] and answer[x] of required elements as plain members
// that it always writes, all of them at once.
func TestModelLibraryCannotPublish(t *testing.T) {
	t.Parallel()
	for _, id := range []string{questionnaire.SelfAssessment, questionnaire.ClinicianAssessment} {
		t.Run(id, func(t *testing.T) {
			t.Parallel()
			form, ok := questionnaire.Find("Questionnaire", questionnaire.Base+"/Questionnaire/"+id)
			require.True(t, ok)
			document, err := fhir.Decode(form.JSON)
			require.NoError(t, err, "the file is valid FHIR")
			document.Release()

			again := remarshalled(t, form.JSON)
			var root struct {
				Item []struct{ Item []map[string]any }
			}
			require.NoError(t, json.Unmarshal(again, &root))
			items := map[any]map[string]any{}
			for _, item := range root.Item[0].Item {
				items[item["linkId"]] = item
			}
			method, ageGroup := items["extent.method"], items["extent.age-group"]
			require.Len(t, choices(method["answerOption"], "value"), 6, "value[x] of one option")
			require.Len(t, choices(ageGroup["enableWhen"], "answer"), 10, "answer[x] of one enableWhen")

			_, err = fhir.Decode(again)
			var issues fhir.Issues
			require.ErrorAs(t, err, &issues, "what the library wrote is not FHIR")
			require.True(t, issues.Malformed())
		})
	}
}

// choices are the names of a choice that the first element of an array has.
func choices(array any, stem string) []string {
	var names []string
	for name := range array.([]any)[0].(map[string]any) {
		if len(name) > len(stem) && name[:len(stem)] == stem {
			names = append(names, name)
		}
	}
	return names
}

func TestModelLibraryDropsWhatHangsOnPrimitives(t *testing.T) {
	t.Parallel()
	const form = `{"resourceType":"Questionnaire","status":"draft","title":"Skin",
		"_title":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/translation","extension":[
			{"url":"lang","valueCode":"de"},{"url":"content","valueString":"Haut"}]}]},
		"contained":[{"resourceType":"ValueSet","id":"v","status":"draft"}]}`
	document, err := fhir.Decode([]byte(form))
	require.NoError(t, err)
	document.Release()
	again := string(remarshalled(t, []byte(form)))
	require.Contains(t, again, `"title":"Skin"`)
	require.NotContains(t, again, "Haut", "translations are lost")
	require.NotContains(t, again, "ValueSet", "contained resources are lost")
}
