package questionnaire_test

import (
	"encoding/json"
	"fmt"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// rating is one assessment by direct extent, in the rater's own numbers.
type rating struct {
	extent      string
	grades      [6]int
	itch, sleep string // "" for blank
}

func (r rating) sheet() *sheet {
	s := directly()
	s.extentDirect(r.extent)
	s.gradeAll(r.grades[:]...)
	for link, value := range map[string]string{"symptoms.itch": r.itch, "symptoms.sleep-loss": r.sleep} {
		if delete(s.answers, link); value != "" {
			s.answers[link] = `"valueDecimal":` + value
		}
	}
	return s
}

// The warnings that one response shows by itself, on, below and above each
// threshold. Their numbers are the service's own choice.
func TestImplausibleAnswersAreMarked(t *testing.T) {
	t.Parallel()
	const (
		w01 = "lesions-without-extent"
		w02 = "extent-without-lesions"
		w03 = "symptoms-only"
		w04 = "extent-very-large"
		w05 = "sleep-loss-above-itch"
		w06 = "pattern-answers"
	)
	none, mild := [6]int{}, [6]int{2, 1, 1, 2, 1, 1}
	for _, c := range []struct {
		name string
		rating
		want []string
	}{
		{"plausible", rating{"18.5", mild, "5.7", "2.4"}, nil},
		{"clear", rating{"0", none, "0", "0"}, nil},
		{"W01 signs, no extent", rating{"0", mild, "5.7", "2.4"}, []string{w01}},
		{"W01 one sign of the five", rating{"0", [6]int{0, 0, 0, 0, 1, 0}, "0", "0"}, []string{w01}},
		{"W01 not by dryness alone, which is away from lesions", rating{"0", [6]int{0, 0, 0, 0, 0, 3}, "2", "0"}, nil},
		{"W01 not with a tenth of a percent", rating{"0.1", [6]int{1, 0, 0, 0, 0, 0}, "0", "0"}, nil},
		{"W02 extent, no signs", rating{"0.1", none, "0", "0"}, []string{w02}},
		{"W02 though there is dryness", rating{"10", [6]int{0, 0, 0, 0, 0, 2}, "3", "1"}, []string{w02}},
		{"W03 itch only", rating{"0", none, "0.1", "0"}, []string{w03}},
		{"W03 sleep loss only", rating{"0", none, "0", "0.1"}, []string{w03}},
		{"W03 sleep loss only, itch blank", rating{"0", none, "", "5"}, []string{w03}},
		{"W03 not with dryness", rating{"0", [6]int{0, 0, 0, 0, 0, 1}, "5", "1"}, nil},
		{"W04 from 80 percent", rating{"80.0", mild, "5.7", "2.4"}, []string{w04}},
		{"W04 not at 79.9", rating{"79.9", mild, "5.7", "2.4"}, nil},
		{"W05 sleep loss 5 above itch", rating{"18.5", mild, "1", "6.0"}, []string{w05}},
		{"W05 not 4.9 above", rating{"18.5", mild, "1", "5.9"}, nil},
		{"W05 not while itch is blank", rating{"18.5", mild, "", "6.0"}, nil},
		{"W05 not while sleep loss is blank", rating{"18.5", mild, "0", ""}, nil},
		{"W06 all at their highest", rating{"50", [6]int{3, 3, 3, 3, 3, 3}, "10", "10"}, []string{w06}},
		{"W06 not with one tenth less", rating{"50", [6]int{3, 3, 3, 3, 3, 3}, "10", "9.9"}, nil},
		{"W06 all equal", rating{"50", [6]int{2, 2, 2, 2, 2, 2}, "2", "2.0"}, []string{w06}},
		{"W06 not with one grade other", rating{"50", [6]int{2, 2, 2, 2, 2, 1}, "2", "2"}, nil},
		{"W06 not with itch other", rating{"50", [6]int{2, 2, 2, 2, 2, 2}, "2.1", "2"}, nil},
		{"W06 not with sleep loss other", rating{"50", [6]int{2, 2, 2, 2, 2, 2}, "2", "2.1"}, nil},
		{"W06 not while a symptom is blank", rating{"50", [6]int{2, 2, 2, 2, 2, 2}, "2", ""}, nil},
		{"several at once, in their order", rating{"0", [6]int{3, 3, 3, 3, 3, 3}, "10", "10"}, []string{w01, w06}},
		{"W02, W04 and W05", rating{"100", none, "0", "10"}, []string{w02, w04, w05}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			response, err := read(t, c.sheet())
			require.NoError(t, err)
			require.Equal(t, c.want, qualityCodes(t, response.Issues))
		})
	}
}

// qualityCodes gives the codes of the data-quality warnings, and holds their
// form.
func qualityCodes(t require.TestingT, issues fhir.Issues) []string {
	var codes []string
	for _, issue := range issues {
		require.Equal(t, fhir.Warning, issue.Severity)
		require.Equal(t, fhir.IssueBusinessRule, issue.Code)
		require.Equal(t, "QuestionnaireResponse", issue.Expression)
		require.Equal(t, questionnaire.DataQualitySystem, issue.DetailSystem)
		require.NotEmpty(t, issue.Text)
		codes = append(codes, issue.Detail)
	}
	return codes
}

// W13: the clinician's flag for face or hands beside a drawing without either.
func TestBonusWithoutFaceOrHandsIsMarked(t *testing.T) {
	t.Parallel()
	flagged := func(method string, drawn map[string]int) *sheet {
		s := methodOf(question{needs: method})
		s.answers["bonus.face-hands"] = `"valueBoolean":true`
		if method == "regions" {
			for _, link := range regionLinks {
				s.answers[link] = fmt.Sprintf(`"valueInteger":%d`, drawn[link])
			}
		}
		return s
	}
	codes := func(t *testing.T, s *sheet) []string {
		response, err := read(t, s)
		require.NoError(t, err)
		return qualityCodes(t, response.Issues)
	}
	holdsFaceOrHands := map[string]bool{
		"extent.head-front": true, "extent.arm-right-front": true, "extent.arm-right-back": true,
		"extent.arm-left-front": true, "extent.arm-left-back": true,
	}
	for _, link := range regionLinks {
		t.Run("drawn on "+link, func(t *testing.T) {
			t.Parallel()
			got := codes(t, flagged("regions", map[string]int{link: 50}))
			if holdsFaceOrHands[link] {
				require.Empty(t, got)
			} else {
				require.Equal(t, []string{"bonus-without-extent"}, got)
			}
		})
	}
	t.Run("without the flag", func(t *testing.T) {
		t.Parallel()
		s := flagged("regions", map[string]int{"extent.trunk-back": 50})
		s.answers["bonus.face-hands"] = `"valueBoolean":false`
		require.Empty(t, codes(t, s))
	})
	for _, method := range []string{"direct", "hands"} {
		t.Run("by "+method+", which says nothing of where", func(t *testing.T) {
			t.Parallel()
			require.Empty(t, codes(t, flagged(method, nil)))
		})
	}
}

// The codes of CodeSystem/data-quality stand in the order W01 to W14.
func TestWarningsAreThePublishedConcepts(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("published/CodeSystem-data-quality-1.0.0.json")
	require.NoError(t, err)
	var system struct{ Concept []questionnaire.Warning }
	require.NoError(t, json.Unmarshal(data, &system))
	want := []string{
		"lesions-without-extent", "extent-without-lesions", "symptoms-only", "extent-very-large",
		"sleep-loss-above-itch", "pattern-answers", "large-or-early-change", "age-and-chart-differ",
		"circumstances-differ", "coarse-extent", "two-on-one-day", "date-implausible",
		"bonus-without-extent", "learning",
	}
	require.Len(t, system.Concept, len(want))
	for i, code := range want {
		warning := questionnaire.Quality(i + 1).Warning()
		require.Equal(t, code, warning.Code, "W"+strconv.Itoa(i+1))
		require.Equal(t, system.Concept[i], warning)
	}
	require.Equal(t, "bonus-without-extent", questionnaire.BonusWithoutFaceOrHands.Warning().Code)
}

// Worked examples, arithmetic on the formula of Oranje AP et al. Br J Dermatol
// 2007;157:645-648 done by hand, sent through the whole reader.
func TestWorkedExamplesComeOutOfAResponse(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		rating
		extentPart, intensityPart, subjectivePart, objective, scorad string
		band                                                         scoring.Band
		marked                                                       bool
	}{
		{rating{"0", [6]int{}, "0", "0"}, "0.00", "0.00", "0.00", "0.00", "0.00", scoring.Clear, false},
		{rating{"100", [6]int{3, 3, 3, 3, 3, 3}, "10", "10"}, "20.00", "63.00", "20.00", "83.00", "103.00", scoring.Severe, true},
		{rating{"100", [6]int{}, "0", "0"}, "20.00", "0.00", "0.00", "20.00", "20.00", scoring.Mild, true},
		{rating{"0", [6]int{3, 3, 3, 3, 3, 3}, "0", "0"}, "0.00", "63.00", "0.00", "63.00", "63.00", scoring.Severe, true},
		{rating{"0", [6]int{}, "10", "10"}, "0.00", "0.00", "20.00", "0.00", "20.00", scoring.Mild, true},
		{rating{"1", [6]int{}, "0", "0"}, "0.20", "0.00", "0.00", "0.20", "0.20", scoring.Mild, true},
		{rating{"0", [6]int{1, 0, 0, 0, 0, 0}, "0", "0"}, "0.00", "3.50", "0.00", "3.50", "3.50", scoring.Mild, true},
		{rating{"0", [6]int{0, 0, 0, 0, 0, 1}, "2", "0"}, "0.00", "3.50", "2.00", "3.50", "5.50", scoring.Mild, false},
		{rating{"10", [6]int{1, 1, 0, 1, 0, 0}, "3", "2"}, "2.00", "10.50", "5.00", "12.50", "17.50", scoring.Mild, false},
		{rating{"20", [6]int{2, 1, 1, 1, 1, 2}, "6", "4"}, "4.00", "28.00", "10.00", "32.00", "42.00", scoring.Moderate, false},
		{rating{"18.5", [6]int{2, 1, 1, 2, 1, 1}, "5.7", "2.4"}, "3.70", "28.00", "8.10", "31.70", "39.80", scoring.Moderate, false},
		{rating{"36", [6]int{2, 1, 0, 2, 1, 1}, "4.2", "3.1"}, "7.20", "24.50", "7.30", "31.70", "39.00", scoring.Moderate, false},
		{rating{"45", [6]int{2, 2, 1, 2, 2, 2}, "7.5", "5.5"}, "9.00", "38.50", "13.00", "47.50", "60.50", scoring.Severe, false},
		{rating{"60", [6]int{3, 2, 2, 3, 2, 2}, "8.3", "6.9"}, "12.00", "49.00", "15.20", "61.00", "76.20", scoring.Severe, false},
		{rating{"92", [6]int{3, 3, 2, 3, 3, 3}, "9.5", "9"}, "18.40", "59.50", "18.50", "77.90", "96.40", scoring.Severe, true},
		{rating{"9.5", [6]int{1, 1, 1, 1, 1, 1}, "1", "1"}, "1.90", "21.00", "2.00", "22.90", "24.90", scoring.Mild, true},
		{rating{"10", [6]int{1, 1, 1, 1, 1, 1}, "1", "1"}, "2.00", "21.00", "2.00", "23.00", "25.00", scoring.Moderate, true},
		{rating{"10.5", [6]int{1, 1, 1, 1, 1, 1}, "1", "1"}, "2.10", "21.00", "2.00", "23.10", "25.10", scoring.Moderate, true},
		{rating{"29.5", [6]int{2, 2, 1, 2, 1, 2}, "5", "4"}, "5.90", "35.00", "9.00", "40.90", "49.90", scoring.Moderate, false},
		{rating{"30", [6]int{2, 2, 1, 2, 1, 2}, "5", "4"}, "6.00", "35.00", "9.00", "41.00", "50.00", scoring.Moderate, false},
		{rating{"30.5", [6]int{2, 2, 1, 2, 1, 2}, "5", "4"}, "6.10", "35.00", "9.00", "41.10", "50.10", scoring.Severe, false},
		{rating{"5", [6]int{1, 1, 0, 1, 0, 1}, "0", "0"}, "1.00", "14.00", "0.00", "15.00", "15.00", scoring.Mild, false},
		{rating{"5", [6]int{1, 1, 0, 1, 0, 1}, "10", "10"}, "1.00", "14.00", "20.00", "15.00", "35.00", scoring.Moderate, false},
		{rating{"2.3", [6]int{1, 0, 0, 0, 0, 0}, "0.7", "0"}, "0.46", "3.50", "0.70", "3.96", "4.66", scoring.Mild, false},
	} {
		t.Run(c.extent+" "+c.scorad, func(t *testing.T) {
			t.Parallel()
			response, err := read(t, c.sheet())
			require.NoError(t, err)
			r := response.Result
			require.Equal(t,
				[]string{c.extentPart, c.intensityPart, c.subjectivePart, c.objective, c.scorad},
				[]string{r.ExtentPart.Value.String(), r.IntensityPart.Value.String(), r.SubjectivePart.Value.String(), r.Objective.Value.String(), r.Scorad.Value.String()})
			require.Equal(t, c.band, scoring.UsualBands.Band(r.Scorad.Value))
			require.Equal(t, c.marked, len(qualityCodes(t, response.Issues)) > 0)
		})
	}
}

// Half of the head's front and both arms' fronts by the rule of nines (Wallace
// AB. Lancet 1951;1:501-504): 2.25 + 9 = 11.25 %, rounded once, half up.
func TestRegionsRoundOnceHalfUp(t *testing.T) {
	t.Parallel()
	s := byRegions()
	s.choose("extent.age-group", "2-and-over")
	for _, link := range regionLinks {
		s.answers[link] = `"valueInteger":0`
	}
	s.answers["extent.head-front"] = `"valueInteger":50`
	s.answers["extent.arm-right-front"], s.answers["extent.arm-left-front"] = `"valueInteger":100`, `"valueInteger":100`
	response := accepted(t, s)
	require.Equal(t, "11.3", response.Result.Extent.Value.String())
	require.Equal(t, "2.26", response.Result.ExtentPart.Value.String())
}

// What the examples call to be refused: a blank item and every number beyond
// its range.
func TestRatingsBeyondTheirRangeAreRefused(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*sheet){
		"extent 100.1":   answer("extent.direct", `"valueDecimal":100.1`),
		"extent -1":      answer("extent.direct", `"valueDecimal":-1`),
		"grade 4":        answer("intensity.oedema", `"valueInteger":4`),
		"grade -1":       answer("intensity.oedema", `"valueInteger":-1`),
		"grade 1.5":      answer("intensity.oedema", `"valueDecimal":1.5`),
		"itch 10.1":      answer("symptoms.itch", `"valueDecimal":10.1`),
		"blank grade":    func(s *sheet) { delete(s.answers, "intensity.oedema") },
		"number as text": answer("extent.direct", `"valueString":"18.5"`),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			change(s)
			_, err := read(t, s)
			var issues fhir.Issues
			require.ErrorAs(t, err, &issues)
			require.True(t, issues.Refused())
		})
	}
}
