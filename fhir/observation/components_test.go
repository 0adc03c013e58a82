package observation_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// parts of directly, from the extent on: the same by every method but for A.
func parts(a, extentPart, objective string) []component {
	return []component{
		{"extent", a, "%"}, {"extent-part", extentPart, "{score}"}, {"intensity-part", "28.00", "{score}"},
		{"subjective-part", "8.10", "{score}"}, {"objective", objective, "{score}"},
	}
}

// rated are the grades and symptoms of directly.
var rated = []component{
	{"intensity-erythema", "2", "{score}"}, {"intensity-oedema", "1", "{score}"}, {"intensity-oozing", "1", "{score}"},
	{"intensity-excoriation", "2", "{score}"}, {"intensity-lichenification", "1", "{score}"}, {"intensity-dryness", "1", "{score}"},
	{"symptoms-itch", "5.7", "{score}"}, {"symptoms-sleep-loss", "2.4", "{score}"},
	{"also-seen-bleeding", "true", ""}, {"also-seen-scaling", "false", ""},
}

func all(lists ...[]component) (joined []component) {
	for _, list := range lists {
		joined = append(joined, list...)
	}
	return joined
}

var regionCodes = []string{
	"head-front", "head-back", "trunk-front", "trunk-back", "arm-right-front", "arm-right-back", "arm-left-front",
	"arm-left-back", "leg-right-front", "leg-right-back", "leg-left-front", "leg-left-back", "genitals",
}

// byRegions draws each region of an infant with another percent: 28.6 % in all.
func byRegions(group string) ([]answer, []component) {
	answers := []answer{choice("extent.method", "regions"), choice("extent.age-group", group)}
	var drawn []component
	for i, percent := range []int{50, 5, 20, 10, 30, 25, 35, 40, 45, 55, 15, 60, 0} {
		answers = append(answers, answer{"extent." + regionCodes[i], fmt.Sprintf(`"valueInteger":%d`, percent)})
		drawn = append(drawn, component{"extent-" + regionCodes[i], fmt.Sprint(percent), "%"})
	}
	return answers, drawn
}

// Every scored answer as it was given, then every part of the score.
func TestComponentsTraceTheScore(t *testing.T) {
	t.Parallel()
	regions, drawn := byRegions("under-1")
	for _, c := range []struct {
		name string
		*filled
		want []component
	}{
		{"directly", directly(), all([]component{{"extent-direct", "18.5", "%"}}, rated, parts("18.5", "3.70", "31.70"))},
		{
			"by palms", directly().extent(choice("extent.method", "hands"), answer{"extent.hands", `"valueInteger":12`}),
			all([]component{{"extent-hands", "12.0", "{palm}"}}, rated, parts("12.0", "2.40", "30.40")),
		},
		// A = 28.6 by Lund and Browder's column for 0 years, A/5 = 5.72.
		{"by regions", directly().extent(regions...), all(drawn, rated, parts("28.6", "5.72", "33.72"))},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, observe(t, c.filled).components(t))
		})
	}
}

func TestUnansweredItemsHaveNoComponent(t *testing.T) {
	t.Parallel()
	f := directly().set("also-seen.bleeding", "").set("also-seen.scaling", "").set("symptoms.itch", "").set("symptoms.sleep-loss", "")
	want := all([]component{{"extent-direct", "18.5", "%"}}, rated[:6], []component{
		{"extent", "18.5", "%"}, {"extent-part", "3.70", "{score}"}, {"intensity-part", "28.00", "{score}"}, {"objective", "31.70", "{score}"},
	})
	require.Equal(t, want, observe(t, f).components(t))
}

func TestZerosAreWrittenOut(t *testing.T) {
	t.Parallel()
	f := directly().set("extent.direct", `"valueInteger":0`).set("symptoms.itch", `"valueInteger":0`).set("symptoms.sleep-loss", `"valueDecimal":0.0`)
	for _, sign := range []string{"erythema", "oedema", "oozing", "excoriation", "lichenification", "dryness"} {
		f.set("intensity."+sign, grade(sign, "absent").value)
	}
	o := observe(t, f)
	require.Equal(t, "0.00", o.ValueQuantity.Value.String())
	require.Equal(t, "clear", *o.Interpretation[0].Coding[0].Code)
	for _, c := range o.components(t) {
		if c.unit != "" {
			require.Contains(t, []string{"0", "0.0", "0.00"}, c.value, c.code)
		}
	}
}

func TestBonusIsAComponentOnlyWhenFlagged(t *testing.T) {
	t.Parallel()
	bonus := func(o decoded) (found []component) {
		for _, c := range o.components(t) {
			if c.code == "objective-with-bonus" {
				found = append(found, c)
			}
		}
		return found
	}
	f := directly().byClinician()
	require.Empty(t, bonus(observe(t, f)))
	f.answers = append(f.answers, answer{"bonus.face-hands", `"valueBoolean":false`})
	require.Empty(t, bonus(observe(t, f)))
	f.set("bonus.face-hands", `"valueBoolean":true`)
	o := observe(t, f)
	require.Equal(t, []component{{"objective-with-bonus", "41.70", "{score}"}}, bonus(o))
	require.Equal(t, "39.80", o.ValueQuantity.Value.String(), "never inside SCORAD")
	require.Equal(t, "moderate", *o.Interpretation[0].Coding[0].Code, "nor in the band")
}

// Ours comes first, the confirmed SNOMED CT code rides beside it.
func TestSecondCodingsRideBesideOurs(t *testing.T) {
	t.Parallel()
	second := map[string]string{}
	for _, c := range observe(t, directly()).Component {
		require.Equal(t, *c.Code.Coding[0].Display, *c.Code.Text)
		require.Equal(t, questionnaire.Display(questionnaire.ScoradSystem, *c.Code.Coding[0].Code), *c.Code.Coding[0].Display)
		if len(c.Code.Coding) > 1 {
			require.Equal(t, "http://snomed.info/sct", *c.Code.Coding[1].System)
			second[*c.Code.Coding[0].Code] = *c.Code.Coding[1].Code + " " + *c.Code.Coding[1].Display
		}
	}
	require.Equal(t, map[string]string{
		"intensity-erythema": "444827008 Erythema of skin", "intensity-oedema": "95322002 Edematous skin",
		"intensity-excoriation": "247444006 Excoriation of skin", "intensity-lichenification": "279002006 Lichenification of skin",
		"intensity-dryness": "16386004 Dry skin", "symptoms-itch": "418363000 Itching of skin", "also-seen-scaling": "271761007 Scaly skin",
	}, second)
}

func TestMethodSaysWhoRatedAndHow(t *testing.T) {
	t.Parallel()
	regions, _ := byRegions("2-and-over")
	extents := map[string][]answer{
		"regions": regions,
		"hands":   {choice("extent.method", "hands"), {"extent.hands", `"valueDecimal":3.5`}},
		"direct":  {choice("extent.method", "direct"), {"extent.direct", `"valueDecimal":3.5`}},
	}
	for method, answers := range extents {
		for rater, f := range map[string]*filled{"self": directly(), "clinician": directly().byClinician()} {
			t.Run(rater+" "+method, func(t *testing.T) {
				t.Parallel()
				o := observe(t, f.extent(answers...))
				require.Len(t, o.Method.Coding, 1)
				code := rater + "-" + method
				require.Equal(t, questionnaire.ScoradSystem, *o.Method.Coding[0].System)
				require.Equal(t, code, *o.Method.Coding[0].Code)
				require.Equal(t, questionnaire.Display(questionnaire.ScoradSystem, code), *o.Method.Coding[0].Display)
			})
		}
	}
}

// Each set's bands stand in the Observation, both ends included, with the set's
// name; the score's band is the one whose range holds it.
func TestEveryBandSetIsWrittenOut(t *testing.T) {
	t.Parallel()
	for _, set := range scoring.BandSets() {
		t.Run(set.Name, func(t *testing.T) {
			t.Parallel()
			in := stored(directly().read(t))
			in.Bands = &set
			o := decode(t, observation.Append(nil, in))
			require.Len(t, o.ReferenceRange, len(set.Ranges))
			next, held := scoring.Points(0), ""
			for i, r := range o.ReferenceRange {
				band := set.Ranges[i]
				require.Equal(t, next.String(), r.Low.Value.String(), "no gap and no overlap")
				require.Equal(t, band.High.String(), r.High.Value.String())
				require.Equal(t, "{score}", *r.Low.Code)
				require.Equal(t, "{score}", *r.High.Code)
				require.Equal(t, questionnaire.BandSystem, *r.Type.Coding[0].System)
				require.Equal(t, band.Band.String(), *r.Type.Coding[0].Code)
				require.True(t, strings.HasSuffix(*r.Text, " (band set "+set.Name+")"), *r.Text)
				if score := scoring.Points(1990); band.Low <= score && score <= band.High {
					held = *r.Type.Coding[0].Code
				}
				next = band.High + 1
			}
			require.Equal(t, "103.02", next.String(), "up to 103")
			require.Equal(t, held, *o.Interpretation[0].Coding[0].Code)
			require.Contains(t, *o.Interpretation[0].Text, "(band set "+set.Name+")")
			require.Contains(t, o.Text.Div, "("+strings.ReplaceAll(held, "moderate-or-severe", "moderate or severe")+", set "+set.Name+")")
		})
	}
}

// 24.98 is mild and 25.00 moderate, 50.00 moderate and 50.02 severe.
func TestBandFollowsTheExactScore(t *testing.T) {
	t.Parallel()
	// Six grades of mild are 21 points; the extent adds a fiftieth of a point for
	// each tenth of a percent.
	for extent, want := range map[string][2]string{
		"19.9": {"24.98", "mild"}, "20.0": {"25.00", "moderate"}, "20.1": {"25.02", "moderate"},
	} {
		o := observe(t, mildAll(extent, "0"))
		require.Equal(t, want, [2]string{o.ValueQuantity.Value.String(), *o.Interpretation[0].Coding[0].Code})
	}
	for extent, want := range map[string][2]string{
		"49.9": {"49.98", "moderate"}, "50.0": {"50.00", "moderate"}, "50.1": {"50.02", "severe"},
	} {
		f := mildAll(extent, "9.0").set("symptoms.sleep-loss", `"valueDecimal":10`)
		o := observe(t, f)
		require.Equal(t, want, [2]string{o.ValueQuantity.Value.String(), *o.Interpretation[0].Coding[0].Code})
	}
}

func mildAll(extent, itch string) *filled {
	f := directly().set("extent.direct", `"valueDecimal":`+extent).set("symptoms.itch", `"valueDecimal":`+itch).set("symptoms.sleep-loss", `"valueDecimal":0`)
	for _, sign := range []string{"erythema", "oedema", "oozing", "excoriation", "lichenification", "dryness"} {
		f.set("intensity."+sign, grade(sign, "mild").value)
	}
	return f
}

// The warnings about the data are notes, and the caution is always the last.
func TestNotesTellWarningsAndTheCaution(t *testing.T) {
	t.Parallel()
	notes := func(f *filled) (texts []string) {
		for _, note := range observe(t, f).Note {
			texts = append(texts, note.Text)
		}
		return texts
	}
	require.Equal(t, []string{observation.Caution}, notes(directly()))
	require.Equal(t, []string{
		questionnaire.ExtentVeryLarge.Warning().Definition, questionnaire.SleepLossAboveItch.Warning().Definition, observation.Caution,
	}, notes(directly().set("extent.direct", `"valueDecimal":92.0`).set("symptoms.sleep-loss", `"valueDecimal":10`).set("symptoms.itch", `"valueDecimal":5`)))
	t.Run("what only concerns the sender's software is no note", func(t *testing.T) {
		t.Parallel()
		require.Equal(t, []string{observation.Caution}, notes(directly().set("intensity.dryness", `"valueInteger":1`)))
	})
}
