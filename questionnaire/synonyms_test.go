package questionnaire_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/questionnaire"
)

func TestOwnCodes(t *testing.T) {
	t.Parallel()
	const snomed = "http://snomed.info/sct"
	for name, c := range map[string]struct {
		system, code string
		want         []string
	}{
		"OursStandsForItself":          {questionnaire.ScoradSystem, "symptoms-itch", []string{"symptoms-itch"}},
		"AResultStandsForItself":       {questionnaire.ScoradSystem, "objective", []string{"objective"}},
		"WithoutSystemAnySystemWill":   {"", "extent-hands", []string{"extent-hands"}},
		"AnotherSystemIsAnother":       {snomed, "symptoms-itch", nil},
		"AnUnknownCodeStandsForNone":   {questionnaire.ScoradSystem, "sour", nil},
		"AnUnknownSystemStandsForNone": {"http://loinc.org", "", nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, questionnaire.OwnCodes(c.system, c.code))
		})
	}
	t.Run("ASecondCodingStandsForTheItemThatCarriesIt", func(t *testing.T) {
		t.Parallel()
		second := 0
		for _, form := range questionnaire.Forms() {
			for _, linkID := range []string{"symptoms.itch", "intensity.erythema", "intensity.dryness", "also-seen.fissures"} {
				codings := form.Codings(linkID)
				for _, c := range codings[1:] {
					second++
					require.Contains(t, questionnaire.OwnCodes(c.System, c.Code), codings[0].Code)
					require.Contains(t, questionnaire.OwnCodes(c.System, ""), codings[0].Code)
				}
			}
		}
		require.Positive(t, second, "the forms carry none")
	})
}
