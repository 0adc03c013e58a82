package questionnaire_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

func TestProfilesAreListedByWhatTheyConstrain(t *testing.T) {
	t.Parallel()
	const base = questionnaire.Base + "/StructureDefinition/"
	require.Equal(t, []string{base + "scorad-observation", base + "scorad-panel", base + "scorad-panel-member"}, questionnaire.Profiles("Observation"))
	require.Equal(t, []string{
		base + questionnaire.ClinicianAssessment + "-response", base + questionnaire.SelfAssessment + "-response",
	}, questionnaire.Profiles("QuestionnaireResponse"), "one for each form, named after it")
	require.Equal(t, []string{base + "subscription-signing-key"}, questionnaire.Profiles("Extension"))
	require.Empty(t, questionnaire.Profiles("Patient"))
	require.Empty(t, questionnaire.Profiles(""), "what is no profile constrains nothing")
}

// A profile is of R4 and says what it constrains, alone and in full.
func TestProfilesHaveDifferentialAndSnapshot(t *testing.T) {
	t.Parallel()
	count := 0
	for _, p := range questionnaire.All() {
		if p.Type != "StructureDefinition" {
			require.Empty(t, p.Constrains, p.ID)
			continue
		}
		count++
		var profile struct {
			FhirVersion, Kind, Type, BaseDefinition, Derivation string
			Differential, Snapshot                              struct{ Element []struct{ ID string } }
		}
		require.NoError(t, json.Unmarshal(p.JSON, &profile))
		require.Equal(t, "4.0.1", profile.FhirVersion)
		require.Equal(t, map[bool]string{true: "complex-type", false: "resource"}[p.Constrains == "Extension"], profile.Kind)
		require.Equal(t, "constraint", profile.Derivation)
		require.Equal(t, p.Constrains, profile.Type)
		require.Equal(t, "http://hl7.org/fhir/StructureDefinition/"+p.Constrains, profile.BaseDefinition)
		full := map[string]bool{}
		for _, e := range profile.Snapshot.Element {
			require.False(t, full[e.ID], "%s has %s twice", p.ID, e.ID)
			full[e.ID] = true
		}
		for _, e := range profile.Differential.Element {
			require.True(t, full[e.ID], "the snapshot of %s lacks %s", p.ID, e.ID)
		}
	}
	require.Equal(t, 6, count)
}

// The value set that the profiles bind method to has what scores are written with.
func TestMethodValueSetHasEveryMethodOfScoring(t *testing.T) {
	t.Parallel()
	found, ok := questionnaire.Find("ValueSet", questionnaire.Base+"/ValueSet/scorad-method")
	require.True(t, ok)
	var set struct {
		Compose struct {
			Include []struct {
				System  string
				Concept []struct{ Code string }
			}
		}
	}
	require.NoError(t, json.Unmarshal(found.JSON, &set))
	require.Len(t, set.Compose.Include, 1)
	require.Equal(t, questionnaire.ScoradSystem, set.Compose.Include[0].System)
	var codes, want []string
	for _, c := range set.Compose.Include[0].Concept {
		codes = append(codes, c.Code)
	}
	for _, rater := range []scoring.Rater{scoring.RatedBySelf, scoring.RatedByClinician} {
		for _, method := range []scoring.Method{scoring.ByRegions, scoring.ByHands, scoring.ByDirect} {
			want = append(want, rater.String()+"-"+method.String())
		}
	}
	require.Equal(t, want, codes)
}
