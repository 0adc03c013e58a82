package scoring_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/scoring"
)

// codes lists String of every value from 0 to the last.
func codes[T fmt.Stringer](count int, of func(int) T) []string {
	all := make([]string, count)
	for i := range all {
		all[i] = of(i).String()
	}
	return all
}

// The codes are published (in forms, terminology and stored scores) and may
// never change nor move. They are written out here a second time for that.
func TestCodesAreThePublishedOnes(t *testing.T) {
	t.Parallel()
	check := func(name string, got []string, want ...string) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, want, got)
		})
	}
	check("Rater", codes(2, func(i int) scoring.Rater { return scoring.Rater(i) }), "self", "clinician")
	check("Method", codes(4, func(i int) scoring.Method { return scoring.Method(i) }), "", "regions", "hands", "direct")
	check("AgeGroup", codes(4, func(i int) scoring.AgeGroup { return scoring.AgeGroup(i) }),
		"", "2-and-over", "1-to-2", "under-1")
	check("Region", codes(scoring.RegionCount, func(i int) scoring.Region { return scoring.Region(i) }),
		"head-front", "head-back", "trunk-front", "trunk-back",
		"arm-right-front", "arm-right-back", "arm-left-front", "arm-left-back",
		"leg-right-front", "leg-right-back", "leg-left-front", "leg-left-back", "genitals")
	// The six items of intensity (Oranje AP. Curr Probl Dermatol 2011;41:149-155).
	check("Sign", codes(scoring.SignCount, func(i int) scoring.Sign { return scoring.Sign(i) }),
		"erythema", "oedema", "oozing", "excoriation", "lichenification", "dryness")
	check("AlsoSeen", codes(scoring.AlsoSeenCount, func(i int) scoring.AlsoSeen { return scoring.AlsoSeen(i) }),
		"bleeding", "fissures", "scaling")
	check("Band", codes(scoring.BandCount, func(i int) scoring.Band { return scoring.Band(i) }),
		"clear", "clear-or-almost-clear", "mild", "moderate", "moderate-or-severe", "severe")
	check("Measure", codes(2, func(i int) scoring.Measure { return scoring.Measure(i) }), "scorad", "objective")
}

// The constants are the places in those lists that their names promise.
func TestConstantsCarryTheirCodes(t *testing.T) {
	t.Parallel()
	for code, value := range map[string]fmt.Stringer{
		"self": scoring.RatedBySelf, "clinician": scoring.RatedByClinician,
		"regions": scoring.ByRegions, "hands": scoring.ByHands, "direct": scoring.ByDirect,
		"2-and-over": scoring.TwoAndOver, "1-to-2": scoring.OneToTwo, "under-1": scoring.UnderOne,
		"head-front": scoring.HeadFront, "head-back": scoring.HeadBack,
		"trunk-front": scoring.TrunkFront, "trunk-back": scoring.TrunkBack,
		"arm-right-front": scoring.ArmRightFront, "arm-right-back": scoring.ArmRightBack,
		"arm-left-front": scoring.ArmLeftFront, "arm-left-back": scoring.ArmLeftBack,
		"leg-right-front": scoring.LegRightFront, "leg-right-back": scoring.LegRightBack,
		"leg-left-front": scoring.LegLeftFront, "leg-left-back": scoring.LegLeftBack,
		"genitals": scoring.Genitals,
		"erythema": scoring.Erythema, "oedema": scoring.Oedema, "oozing": scoring.Oozing,
		"excoriation": scoring.Excoriation, "lichenification": scoring.Lichenification, "dryness": scoring.Dryness,
		"bleeding": scoring.Bleeding, "fissures": scoring.Fissures, "scaling": scoring.Scaling,
		"clear": scoring.Clear, "clear-or-almost-clear": scoring.ClearOrAlmostClear, "mild": scoring.Mild,
		"moderate": scoring.Moderate, "moderate-or-severe": scoring.ModerateOrSevere, "severe": scoring.Severe,
		"scorad": scoring.OfScorad, "objective": scoring.OfObjective,
	} {
		require.Equal(t, code, value.String())
	}
}

// A value that no version of this program wrote prints as nothing and stops
// nobody.
func TestUnknownValueHasNoCode(t *testing.T) {
	t.Parallel()
	for _, value := range []fmt.Stringer{
		scoring.Rater(2), scoring.Method(4), scoring.AgeGroup(4), scoring.Region(13), scoring.Sign(6),
		scoring.AlsoSeen(3), scoring.Band(6), scoring.Measure(2), scoring.Region(255), scoring.MethodUnknown,
		scoring.AgeGroupUnknown,
	} {
		require.Empty(t, value.String(), "%T", value)
	}
}

func TestBlankIsTheZeroValueAndZeroIsNot(t *testing.T) {
	t.Parallel()
	var blank scoring.Optional[uint8]
	require.False(t, blank.Answered)
	require.True(t, scoring.Answer[uint8](0).Answered)
	require.NotEqual(t, blank, scoring.Answer[uint8](0))
	require.Equal(t, uint8(3), scoring.Answer[uint8](3).Value)
}
