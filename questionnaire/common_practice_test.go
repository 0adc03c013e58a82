package questionnaire_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// The facts below are common practice of the trade, without a source of their
// own; they are what a practitioner would check a form by.

// itemOf finds an item of a form's file by its linkId.
func itemOf(t *testing.T, in formItem, linkID string) formItem {
	t.Helper()
	for _, it := range in.Item {
		if it.LinkID == linkID {
			return it
		}
		if strings.HasPrefix(linkID, it.LinkID+".") {
			return itemOf(t, it, linkID)
		}
	}
	require.Fail(t, "no such item", linkID)
	return formItem{}
}

// textOf is everything that a person reads of an item and what is in it.
func textOf(it formItem) string {
	text := it.Text
	for _, sub := range it.Item {
		text += "\n" + textOf(sub)
	}
	return text
}

// scored reads a sheet that may have warnings of whatever kind.
func scored(t *testing.T, s *sheet) questionnaire.Response {
	t.Helper()
	response, err := read(t, s)
	require.NoError(t, err)
	return response
}

// Common practice: the score speaks of the last three days.
func TestFormsAskAboutTheLastThreeDays(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		for _, linkID := range []string{"extent", "intensity", "symptoms.itch", "symptoms.sleep-loss"} {
			require.Contains(t, textOf(itemOf(t, published(id), linkID)), "last three days", id+" "+linkID)
		}
	}
}

// Common practice: dryness is rated on skin without eczema.
func TestDrynessIsThatOfSkinWithoutEczema(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		require.Regexp(t, "skin (without|that is free of) eczema", textOf(itemOf(t, published(id), "intensity.dryness")), id)
	}
}

// Common practice: signs in three levels above none, each one step.
func TestSignsHaveThreeLevelsAboveNone(t *testing.T) {
	t.Parallel()
	for i := range scoring.SignCount {
		for grade := range 4 {
			s := directly()
			grades := make([]int, scoring.SignCount)
			grades[i] = grade
			s.gradeAll(grades...)
			response := scored(t, s)
			require.Equal(t, fmt.Sprintf("%d.%d0", grade*7/2, grade*7%2*5), response.Result.IntensityPart.Value.String())
		}
	}
	require.Len(t, itemOf(t, published(questionnaire.SelfAssessment), "intensity.erythema").AnswerOption, 4)
}

// Common practice: itch and sleep loss go from 0, no disturbance, to 10, the
// worst.
func TestSymptomsGoFromNoneToTheWorst(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		for _, linkID := range []string{"symptoms.itch", "symptoms.sleep-loss"} {
			text := textOf(itemOf(t, published(id), linkID))
			require.Regexp(t, `\b0\b`, text, id+" "+linkID)
			require.Regexp(t, `\b10\b`, text, id+" "+linkID)
		}
	}
	for value, part := range map[string]string{"0": "0.00", "10": "20.00"} {
		s := directly()
		s.answers["symptoms.itch"], s.answers["symptoms.sleep-loss"] = `"valueDecimal":`+value, `"valueDecimal":`+value
		require.Equal(t, part, scored(t, s).Result.SubjectivePart.Value.String())
	}
}

// Common practice: bleeding, cracks and peeling are asked as yes or no, and do
// not change the score.
func TestBleedingCracksAndPeelingAreYesOrNo(t *testing.T) {
	t.Parallel()
	for _, sign := range []string{"bleeding", "fissures", "scaling"} {
		for _, id := range bothForms {
			require.Equal(t, "boolean", itemOf(t, published(id), "also-seen."+sign).Type)
		}
		for _, answer := range []string{"true", "false"} {
			s := directly()
			s.answers["also-seen."+sign] = `"valueBoolean":` + answer
			require.Equal(t, "39.80", scored(t, s).Result.Scorad.Value.String())
		}
	}
}

// Common practice: one palm of the patient's hand is about 1 % of the body
// surface.
func TestOnePalmIsOnePercentOfTheSkin(t *testing.T) {
	t.Parallel()
	for palms, extent := range map[string]string{"1": "1.0", "0.5": "0.5", "18.5": "18.5"} {
		s := byHands(`"valueDecimal":` + palms)
		require.Equal(t, extent, scored(t, s).Result.Extent.Value.String())
	}
	require.Contains(t, textOf(itemOf(t, published(questionnaire.SelfAssessment), "extent.hands")), "about one percent")
}
