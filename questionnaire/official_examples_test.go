package questionnaire

import (
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// official reads one of HL7's example resources, which are not ours to commit;
// FHIR_EXAMPLES names another place for them.
func official(t *testing.T, name string) []byte {
	t.Helper()
	dir := os.Getenv("FHIR_EXAMPLES")
	if dir == "" {
		dir = filepath.Join("..", "..", "shared", "fhir-examples")
	}
	data, err := os.ReadFile(filepath.Join(dir, name))
	if os.IsNotExist(err) {
		t.Skipf("HL7's official examples are not at %s; set FHIR_EXAMPLES to a directory of them", dir)
	}
	require.NoError(t, err)
	return data
}

func officialNode(t *testing.T, name string) fhir.Node {
	t.Helper()
	document, err := fhir.Decode(official(t, name))
	require.NoError(t, err)
	t.Cleanup(document.Release)
	return document.Root()
}

// each visits every item of a response, nested ones too.
func each(node fhir.Node, visit func(item fhir.Node)) {
	for item := range node.Each("item") {
		visit(item)
		each(item, visit)
	}
}

// whole reads a number that must be a whole one, exactly.
func whole(t *testing.T, node fhir.Node) int {
	t.Helper()
	decimal, ok := fhir.ParseDecimal([]byte(node.Text()))
	require.True(t, ok, node.Text())
	n, exact := decimal.At(0)
	require.True(t, exact, node.Text())
	return int(n)
}

// ordinal adds up the weights that a coding carries itself.
func ordinal(t *testing.T, coding fhir.Node) int {
	t.Helper()
	for extension := range coding.Each("extension") {
		if extension.Get("url").Is(ordinalValueURL) {
			return whole(t, extension.Choice("value[x]"))
		}
	}
	return 0
}

// The official example of R4: 4 + 5 + 4 = 13, with the weights in the response,
// and the Observation derived from it states 13 {score}.
func TestOfficialGlasgowComaScoreAddsUp(t *testing.T) {
	t.Parallel()
	var grades []int
	each(officialNode(t, "r4-questionnaireresponse-example-gcs.json"), func(item fhir.Node) {
		grades = append(grades, ordinal(t, item.Get("answer").Choice("value[x]")))
	})
	require.Equal(t, []int{4, 5, 4}, grades)
	value := officialNode(t, "r4-observation-example-glasgow.json").Choice("value[x]")
	require.Equal(t, 13, whole(t, value.Get("value")))
	require.True(t, value.Get("code").Is("{score}"))
}

// The official examples of R4: five signs of 0, and five of 2.
func TestOfficialApgarScoresAddUp(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]int{
		"r4-observation-example-1minute-apgar-score.json": 0, "r4-observation-example-20minute-apgar-score.json": 10,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			observation, components, sum := officialNode(t, name), 0, 0
			for component := range observation.Each("component") {
				components++
				for coding := range component.Choice("value[x]").Each("coding") {
					sum += ordinal(t, coding)
				}
			}
			require.Equal(t, 5, components)
			require.Equal(t, want, sum)
			require.Equal(t, want, whole(t, observation.Choice("value[x]").Get("value")))
		})
	}
}

// The official example of US Core, with the weights in the form: the nine items
// come to 12, as the response states. The tenth has weights and counts for
// nothing, so that only the linkIds tell what is summed.
func TestOfficialPatientHealthQuestionnaireAddsUp(t *testing.T) {
	t.Parallel()
	form := newForm(Published{JSON: official(t, "uscore-Questionnaire-phq-9-example.json")})
	const total, tenth = "/44261-6", "/69722-7"
	read := reader{}
	read.out.Form = form
	sum, stated := 0, -1
	each(officialNode(t, "uscore-QuestionnaireResponse-phq-9-example.json"), func(item fhir.Node) {
		link, value := item.Get("linkId").Text(), item.Get("answer").Choice("value[x]")
		at, known := form.byLink[link]
		require.True(t, known, link)
		switch link {
		case total:
			stated = whole(t, value)
		default:
			chosen, ok := read.choice(&form.items[at], value)
			require.True(t, ok, link)
			if link != tenth {
				sum += form.items[at].options[chosen].weight
			}
		}
	})
	require.Empty(t, read.out.Issues)
	require.Equal(t, 12, sum)
	require.Equal(t, 12, stated)
}

// None of the official responses is to a form published here, so that none may
// come to a score; each is refused for a reason its sender can act on.
func TestOfficialResponsesToOtherFormsAreRefused(t *testing.T) {
	t.Parallel()
	for name, why := range map[string]fhir.IssueType{
		"r4-questionnaireresponse-example-gcs.json":            fhir.IssueNotFound,
		"r4-questionnaireresponse-example.json":                fhir.IssueRequired,
		"r4-questionnaireresponse-example-bluebook.json":       fhir.IssueRequired,
		"r4-questionnaireresponse-example-f201-lifelines.json": fhir.IssueRequired,
		"uscore-QuestionnaireResponse-phq-9-example.json":      fhir.IssueNotFound,
		"uscore-QuestionnaireResponse-AUDIT-C.json":            fhir.IssueNotFound,
		"uscore-QuestionnaireResponse-glasgow-coma-score.json": fhir.IssueRequired,
		"sdc3-PHQ9-response.json":                              fhir.IssueNotFound,
		"validator-integer-min-max-qr.json":                    fhir.IssueNotFound,
		"validator-decimal-max-decimal-places-qr.json":         fhir.IssueNotFound,
		"validator-choice-answer-option-qr.json":               fhir.IssueNotFound,
		"validator-group-with-string-invalid-nesting-qr.json":  fhir.IssueNotFound,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := Read(officialNode(t, name))
			var issues fhir.Issues
			require.ErrorAs(t, err, &issues)
			require.False(t, issues.Malformed(), "valid FHIR, but not ours: 422")
			var found []string
			for i, issue := range issues {
				if issue.Expression == "QuestionnaireResponse.questionnaire" || issue.Expression == "QuestionnaireResponse" {
					found = append(found, strconv.Itoa(i)+" "+string(issue.Code)+" "+issue.Text)
					if issue.Code == why {
						return
					}
				}
			}
			require.Fail(t, "no issue of the form", "want %s among %v", why, found)
		})
	}
}
