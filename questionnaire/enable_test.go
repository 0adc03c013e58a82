package questionnaire_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// General renderers leave the form's initial 0 in regions that the method
// switches off; that is ignored, told, and goes nowhere.
func TestInitialOfASwitchedOffRegionIsIgnored(t *testing.T) {
	t.Parallel()
	for name, zero := range map[string]string{
		"integer": `"valueInteger":0`, "decimal": `"valueDecimal":0.0`, "Quantity": `"valueQuantity":{"value":0,"code":"%"}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.answers["extent.head-front"] = zero
			s.answers["extent.genitals"] = zero
			response := accepted(t, s,
				fault{fhir.IssueInvalid, root + "item[0].item[1].answer[0].value", "extent.head-front", "The item is switched off by extent.method, and its initial 0 was ignored; leave it out."},
				fault{fhir.IssueInvalid, root + "item[0].item[2].answer[0].value", "extent.genitals", "its initial 0 was ignored"})
			require.Equal(t, directlyAssessed(), response.Assessment, "the zeros go nowhere")
		})
	}
}

func TestAllInitialsOfSwitchedOffRegionsAreIgnored(t *testing.T) {
	t.Parallel()
	s := byHands(`"valueDecimal":3.5`)
	for _, link := range regionLinks {
		s.answers[link] = `"valueInteger":0`
	}
	response, err := read(t, s)
	require.NoError(t, err)
	require.Len(t, response.Issues, len(regionLinks))
	require.Zero(t, response.Assessment.Regions)
	require.Equal(t, "3.5", response.Result.Extent.Value.String())
}

// Any other answer in an item that is switched off would be lost without a
// word; it is refused.
func TestAnyOtherAnswerInASwitchedOffItemIsRefused(t *testing.T) {
	t.Parallel()
	const says = "The item is switched off by the answer to extent.method and takes no answer; remove it or correct extent.method."
	off := func(link string) fault {
		return fault{fhir.IssueInvalid, root + "item[0].item[1].answer[0].value", link, says}
	}
	ageGroup := coding(questionnaire.ScoradSystem, "under-1")
	for _, c := range []struct{ name, method, link, value string }{
		{"region with direct", "direct", "extent.head-back", `"valueInteger":1`},
		{"region with hands", "hands", "extent.genitals", `"valueInteger":100`},
		{"region that is no number", "direct", "extent.head-back", `"valueString":"0"`},
		{"region with more digits than a number has", "direct", "extent.head-back", `"valueDecimal":1e29`},
		{"age group with direct", "direct", "extent.age-group", ageGroup},
		{"age group with hands", "hands", "extent.age-group", ageGroup},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			if c.method == "hands" {
				s = byHands(`"valueDecimal":3.5`)
			}
			s.answers[c.link] = c.value
			refused(t, s, off(c.link))
		})
	}
	t.Run("palms with direct", func(t *testing.T) {
		t.Parallel()
		s := directly()
		s.answers["extent.hands"] = `"valueDecimal":0`
		refused(t, s, off("extent.hands"))
	})
	t.Run("percent with hands", func(t *testing.T) {
		t.Parallel()
		s := byHands(`"valueDecimal":3.5`)
		s.answers["extent.direct"] = `"valueDecimal":3.5`
		refused(t, s, fault{fhir.IssueInvalid, root + "item[0].item[2].answer[0].value", "extent.direct", says})
	})
	t.Run("palms and percent with regions", func(t *testing.T) {
		t.Parallel()
		s := byRegions()
		s.answers["extent.hands"], s.answers["extent.direct"] = `"valueDecimal":0`, `"valueDecimal":0`
		refused(t, s,
			fault{fhir.IssueInvalid, root + "item[0].item[15].answer[0].value", "extent.hands", says},
			fault{fhir.IssueInvalid, root + "item[0].item[16].answer[0].value", "extent.direct", says})
	})
}

// R4 lets an item that is switched off stand without an answer.
func TestSwitchedOffItemsMayStandEmpty(t *testing.T) {
	t.Parallel()
	s := byRegions()
	s.empties = true
	response := accepted(t, s)
	require.Equal(t, byRegionsAssessed(), response.Assessment)
	require.Equal(t, scoring.Optional[scoring.Tenths]{}, response.Assessment.Hands)
}

// In a region that is switched on 0 is an answer, not an initial left behind.
func TestZeroInARegionThatIsOnIsAnAnswer(t *testing.T) {
	t.Parallel()
	s := byRegions()
	for _, link := range regionLinks {
		s.answers[link] = `"valueInteger":0`
	}
	response, err := read(t, s)
	require.NoError(t, err)
	require.Empty(t, withoutQuality(response.Issues))
	for _, region := range response.Assessment.Regions {
		require.Equal(t, scoring.Answer[uint8](0), region)
	}
	require.Equal(t, scoring.Answer[scoring.Tenths](0), response.Result.Extent)
}

func TestWithoutAMethodEverythingOfTheExtentIsOff(t *testing.T) {
	t.Parallel()
	s := directly()
	delete(s.answers, "extent.method")
	s.answers["extent.head-front"] = `"valueInteger":0`
	response, err := read(t, s)
	require.Zero(t, response)
	var issues fhir.Issues
	require.ErrorAs(t, err, &issues)
	require.Len(t, issues, 3)
	require.Equal(t, fhir.IssueRequired, issues[0].Code)
	require.Equal(t, "extent.method", issues[0].LinkID)
	require.Equal(t, fhir.Warning, issues[1].Severity, "an initial")
	require.Equal(t, "extent.direct", issues[2].LinkID)
	require.Equal(t, fhir.IssueInvalid, issues[2].Code)
}
