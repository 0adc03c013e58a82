package observation

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
)

// Sentences are those that the tables of languages translate under scores.
var Sentences = append([]string{
	Caution, totalSays, objectiveSays, noTotalSays, absentSays, bandSays, retractedSays, rescoredSays, yesSays, noSays,
	plainSays, retractedHeading, totalLine, objectiveLine, noneLine, daysLine, methodLine, versionLine, answersHeading,
	cautionsHeading, gradeSays, symptomSays, sleepAndMoodLine, "final", "amended", statusOfRetracted,
}, documentCautions...)

// PluralSentences are those that they have in every plural form.
var PluralSentences = []string{membersSay, pointsSay, palmsSay}

// SentencesOf reads what a table has of both.
func SentencesOf(t *testing.T, code string) (scores, plurals []string) {
	t.Helper()
	data, err := os.ReadFile("../../questionnaire/languages/" + code + ".yaml")
	require.NoError(t, err)
	var table struct{ Scores, Plurals []map[string]any }
	require.NoError(t, yaml.Unmarshal(data, &table))
	for _, row := range table.Scores {
		scores = append(scores, row["en"].(string))
	}
	for _, row := range table.Plurals {
		plurals = append(plurals, row["en"].(string))
	}
	return scores, plurals
}
