package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/scoring"
)

// casesOf lists what one kind of rater is asked in the grid.
func casesOf(rater scoring.Rater) []testCase {
	var all []testCase
	for c := range allCases() {
		if c.assessment.Rater == rater {
			all = append(all, c)
		}
	}
	return all
}

// eachRater runs a check of the cases for both forms.
func eachRater(t *testing.T, check func(t *testing.T, cases []testCase)) {
	t.Helper()
	for _, rater := range raters {
		t.Run(rater.String(), func(t *testing.T) {
			t.Parallel()
			check(t, casesOf(rater))
		})
	}
}

func TestGridHasEveryCombinationOfGradesWithEachMethod(t *testing.T) {
	t.Parallel()
	type combination struct {
		grades [scoring.SignCount]scoring.Optional[uint8]
		method scoring.Method
	}
	eachRater(t, func(t *testing.T, cases []testCase) {
		seen := map[combination]bool{}
		for _, c := range cases {
			if result, err := scoring.Score(&c.assessment); err == nil && result.Scorad.Answered {
				seen[combination{c.assessment.Grades, c.assessment.Method}] = true
			}
		}
		require.Len(t, seen, 4*4*4*4*4*4*3)
	})
}

func TestGridHasEveryTenthAndEveryPairOfScales(t *testing.T) {
	t.Parallel()
	eachRater(t, func(t *testing.T, cases []testCase) {
		hands, direct := map[scoring.Tenths]bool{}, map[scoring.Tenths]bool{}
		scales := map[[2]scoring.Tenths]bool{}
		for _, c := range cases {
			a := &c.assessment
			if a.Hands.Answered {
				hands[a.Hands.Value] = true
			}
			if a.Direct.Answered {
				direct[a.Direct.Value] = true
			}
			if a.Itch.Answered && a.SleepLoss.Answered {
				scales[[2]scoring.Tenths{a.Itch.Value, a.SleepLoss.Value}] = true
			}
		}
		require.Len(t, hands, 1001)
		require.Len(t, direct, 1001)
		require.Len(t, scales, 101*101)
	})
}

func TestGridHasEveryRegionAloneInEachAgeGroup(t *testing.T) {
	t.Parallel()
	eachRater(t, func(t *testing.T, cases []testCase) {
		alone := map[[2]int]bool{}
		for _, c := range cases {
			affected := slices.DeleteFunc(percents(&c.assessment), func(p scoring.Optional[uint8]) bool { return p.Value == 0 })
			if len(affected) == 1 && affected[0].Value == 100 {
				region := slices.IndexFunc(percents(&c.assessment), func(p scoring.Optional[uint8]) bool { return p.Value > 0 })
				alone[[2]int{int(c.assessment.AgeGroup), region}] = true
			}
		}
		require.Len(t, alone, 3*13)
	})
}

func percents(a *scoring.Assessment) []scoring.Optional[uint8] { return slices.Clone(a.Regions[:]) }

func TestGridMovesTheRoundedExtentByTheSmallestStep(t *testing.T) {
	t.Parallel()
	eachRater(t, func(t *testing.T, cases []testCase) {
		edges := map[scoring.AgeGroup]int{}
		for pair := range slices.Chunk(edgesOf(cases[0].assessment.Rater), 2) {
			below, above := pair[0].assessment, pair[1].assessment
			require.Equal(t, below.Regions[scoring.Genitals].Value+1, above.Regions[scoring.Genitals].Value)
			low, err := scoring.Score(&below)
			require.NoError(t, err)
			high, err := scoring.Score(&above)
			require.NoError(t, err)
			require.Equal(t, low.Extent.Value+1, high.Extent.Value)
			edges[below.AgeGroup]++
		}
		require.Equal(t, map[scoring.AgeGroup]int{
			scoring.TwoAndOver: edgesPerGroup, scoring.OneToTwo: edgesPerGroup, scoring.UnderOne: edgesPerGroup,
		}, edges)
	})
}

func edgesOf(rater scoring.Rater) []testCase {
	var all []testCase
	roundingEdges(rater, newRandom(rater), func(c testCase) bool {
		all = append(all, c)
		return true
	})
	return all
}

// required are the answers without which there is no total, by method.
func required(method string) []string {
	items := []string{
		"extent.method", "intensity.erythema", "intensity.oedema", "intensity.oozing", "intensity.excoriation",
		"intensity.lichenification", "intensity.dryness", "symptoms.itch", "symptoms.sleep-loss",
	}
	if method != "regions" {
		return append(items, "extent."+method)
	}
	for i := range scoring.RegionCount {
		items = append(items, "extent."+scoring.Region(i).String())
	}
	return append(items, "extent.age-group")
}

func TestGridLeavesOutEachAnswerInEachShape(t *testing.T) {
	t.Parallel()
	eachRater(t, func(t *testing.T, cases []testCase) {
		seen := map[string]bool{}
		for _, c := range cases {
			if result, err := scoring.Score(&c.assessment); err != nil || result.Scorad.Answered {
				continue
			}
			got := answers(&c.assessment)
			for _, method := range []string{"regions", "hands", "direct"} {
				gaps := slices.DeleteFunc(required(method), func(linkID string) bool { return got[linkID] != nil })
				if len(gaps) == 1 {
					seen[string(c.shape)+" "+method+" "+gaps[0]] = true
				}
			}
		}
		for _, shape := range []string{"nested", "flat", "leftovers"} {
			for _, method := range []string{"regions", "hands", "direct"} {
				for _, linkID := range required(method) {
					require.Contains(t, seen, shape+" "+method+" "+linkID)
				}
			}
		}
	})
}

func TestOnlyTheCliniciansFormHasTheFlag(t *testing.T) {
	t.Parallel()
	flags := map[scoring.Rater]map[scoring.Optional[bool]]bool{}
	for _, rater := range raters {
		flags[rater] = map[scoring.Optional[bool]]bool{}
		for _, c := range casesOf(rater) {
			flags[rater][c.assessment.FaceOrHands] = true
		}
	}
	require.Equal(t, map[scoring.Optional[bool]]bool{{}: true}, flags[scoring.RatedBySelf])
	for _, flag := range []scoring.Optional[bool]{{}, scoring.Answer(false), scoring.Answer(true)} {
		require.Contains(t, flags[scoring.RatedByClinician], flag)
	}
}

func TestLineHasAnswersAndResultsByLinkID(t *testing.T) {
	t.Parallel()
	a := scoring.Assessment{
		Rater: scoring.RatedByClinician, Method: scoring.ByHands, Hands: scoring.Answer(scoring.Tenths(185)),
		Grades: grades(0b11_10_01_00_01_10), Itch: scoring.Answer(scoring.Tenths(57)),
		FaceOrHands: scoring.Answer(true),
	}
	a.AlsoSeen[scoring.Scaling] = scoring.Answer(false)
	l, err := newLine(&testCase{flat, a})
	require.NoError(t, err)
	text, err := json.Marshal(l)
	require.NoError(t, err)
	// 18.5/5 = 3.70; B = 2+1+0+1+2+3 = 9, 7*9/2 = 31.50.
	require.JSONEq(t, `{
		"form": "scorad-clinician-assessment", "shape": "flat",
		"answers": {
			"extent.method": "hands", "extent.hands": 18.5,
			"intensity.erythema": "moderate", "intensity.oedema": "mild", "intensity.oozing": "absent",
			"intensity.excoriation": "mild", "intensity.lichenification": "moderate", "intensity.dryness": "severe",
			"symptoms.itch": 5.7, "also-seen.scaling": false, "bonus.face-hands": true
		},
		"results": {
			"result.extent-part": 3.70, "result.intensity-part": 31.50,
			"result.objective": 35.20, "result.objective-with-bonus": 45.20
		}
	}`, string(text))
}

func TestAssessmentOutOfRangeIsNoLine(t *testing.T) {
	t.Parallel()
	a := scoring.Assessment{Itch: scoring.Answer(scoring.Tenths(101))}
	_, err := newLine(&testCase{nested, a})
	var outOfRange *scoring.RangeError
	require.ErrorAs(t, err, &outOfRange)
	require.Equal(t, "itch", outOfRange.Item)
}

func TestWriteIsTheSameOnEveryRun(t *testing.T) {
	t.Parallel()
	var first, second bytes.Buffer
	require.NoError(t, write(&first))
	require.NoError(t, write(&second))
	require.True(t, bytes.Equal(first.Bytes(), second.Bytes()))
	require.Equal(t, len(casesOf(scoring.RatedBySelf))+len(casesOf(scoring.RatedByClinician)), strings.Count(first.String(), "\n"))
}

// full is a disk without room.
type full struct{}

var errFull = errors.New("no room")

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestWriteReportsWhatItCouldNotWrite(t *testing.T) {
	t.Parallel()
	var w io.Writer = full{}
	require.ErrorIs(t, write(w), errFull)
}
