package report_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/report"
	"tidemark.example/tidemark/scoring"
)

// of makes a report, which must work.
func of(t require.TestingT, in report.Input) *report.Report {
	r, err := report.New(in)
	require.NoError(t, err)
	return r
}

// holdsLayout holds that in every language every text is on the page, that no two
// run into each other, and that nothing is drawn beyond the margins.
func holdsLayout(t require.TestingT, r *report.Report) {
	for _, language := range report.Languages() {
		holdsLayoutIn(t, r, language)
	}
}

func holdsLayoutIn(t require.TestingT, r *report.Report, language string) {
	boxes := r.Boxes(language)
	require.NotEmpty(t, boxes)
	var texts []report.Box
	for _, b := range boxes {
		require.GreaterOrEqual(t, b.Left, report.Margin-1, "%q", b.Text)
		require.LessOrEqual(t, b.Right, report.PageWidth-report.Margin+1, "%s: %q", language, b.Text)
		require.GreaterOrEqual(t, b.Top, report.Margin-4, "%q", b.Text)
		require.LessOrEqual(t, b.Bottom, report.PageHeight-report.Margin+10, "%q", b.Text)
		if b.Text != "" {
			texts = append(texts, b)
		}
	}
	for i, a := range texts {
		for _, b := range texts[:i] {
			apart := a.Right <= b.Left || b.Right <= a.Left || a.Bottom <= b.Top || b.Bottom <= a.Top
			if !apart {
				require.Fail(t, "texts overlap", "%s: %q runs into %q: %v %v", language, a.Text, b.Text, a, b)
			}
		}
	}
}

// anyAnswers draws one rating of some day.
func anyAnswers(t *rapid.T, day int64) answers {
	a := answers{
		day: day, rater: scoring.Rater(rapid.IntRange(0, 1).Draw(t, "rater")), method: scoring.Method(rapid.IntRange(1, 3).Draw(t, "method")),
		respondent: rapid.SampledFrom([]string{"", "Patient/a", "RelatedPerson/b"}).Draw(t, "respondent"),
		extent:     scoring.Tenths(rapid.IntRange(0, 1000).Draw(t, "extent")), itch: rapid.IntRange(-1, 100).Draw(t, "itch"), sleep: rapid.IntRange(-1, 100).Draw(t, "sleep"),
		amended: rapid.Bool().Draw(t, "amended"),
	}
	for range scoring.SignCount {
		a.grades += fmt.Sprint(rapid.IntRange(0, 3).Draw(t, "grade"))
	}
	for i := range a.regions {
		a.regions[i] = uint8(rapid.IntRange(0, 100).Draw(t, "region"))
	}
	for range rapid.IntRange(0, 9).Draw(t, "warnings") {
		a.warnings = append(a.warnings, strings.Repeat("Look again at this answer. ", rapid.IntRange(1, 12).Draw(t, "length")))
	}
	return a
}

// anyInput draws a history: of one score or of many, near in time or far apart.
func anyInput(t *rapid.T) report.Input {
	in := report.Input{
		Subject: "Patient/" + strings.Repeat("9", rapid.IntRange(1, 300).Draw(t, "id")),
		Bands:   rapid.SampledFrom(scoring.BandSets()).Draw(t, "bands"),
	}
	day, most := firstDay, rapid.SampledFrom([]int64{0, 1, 3, 30, 400}).Draw(t, "step")
	for range rapid.IntRange(1, 70).Draw(t, "scores") {
		in.Ratings = append(in.Ratings, anyAnswers(t, day).rating())
		day += rapid.Int64Range(0, most).Draw(t, "days")
	}
	return in
}

func TestNothingOverlapsWhateverTheHistory(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in, language := anyInput(t), rapid.SampledFrom(report.Languages()).Draw(t, "language")
		r := of(t, in)
		holdsLayoutIn(t, r, language)
		require.NotEmpty(t, r.Conclusion(language))
		wellFormed(t, r.SVG(language))
	})
}

// TestNothingOverlapsAtTheEdges: the histories that a page is likeliest to go
// wrong with.
func TestNothingOverlapsAtTheEdges(t *testing.T) {
	t.Parallel()
	long := winter()
	for range 4 {
		long.Ratings[len(long.Ratings)-3].Warnings = append(long.Ratings[len(long.Ratings)-3].Warnings, strings.Repeat("A long warning. ", 14))
	}
	one := winter()
	one.Ratings = one.Ratings[:1]
	daily := report.Input{Subject: "Patient/a", Bands: scoring.UsualBands}
	for i := range 365 {
		daily.Ratings = append(daily.Ratings, answers{day: firstDay + int64(i), method: scoring.ByDirect, extent: scoring.Tenths(i * 2), grades: "333333", itch: i % 101, sleep: 100}.rating())
	}
	all := report.Input{Subject: "Patient/a", Bands: scoring.BandSets()[2]}
	for i := range 36 {
		a := answers{day: firstDay + int64(i/6), rater: scoring.Rater(i % 2), method: scoring.Method(1 + i%3), extent: 1000, grades: "333333", itch: 100, sleep: 100}
		for n := range a.regions {
			a.regions[n] = 100
		}
		all.Ratings = append(all.Ratings, a.rating())
	}
	for _, b := range of(t, winter()).Boxes("en") {
		require.NotContains(t, b.Text, "no signs", "a band of one score has no room beside the chart")
	}
	for name, in := range map[string]report.Input{"winter": winter(), "long warnings": long, "one score": one, "a score of each day": daily, "six series": all} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			holdsLayout(t, of(t, in))
		})
	}
}

// TestWhatHasNoRoomIsCounted: of many warnings as many as fit, and how many more
// there are.
func TestWhatHasNoRoomIsCounted(t *testing.T) {
	t.Parallel()
	in := winter()
	newest := &in.Ratings[11]
	newest.Warnings = nil
	for i := range 30 {
		newest.Warnings = append(newest.Warnings, fmt.Sprintf("Warning number %d, which is about as long as they are.", i+1))
	}
	r := of(t, in)
	holdsLayout(t, r)
	shown, counted := 0, 0
	for _, b := range r.Boxes("en") {
		if strings.HasPrefix(b.Text, "Warning number") {
			shown++
		}
		if strings.HasPrefix(b.Text, "And ") {
			_, err := fmt.Sscanf(b.Text, "And %d more", &counted)
			require.NoError(t, err)
		}
	}
	require.Positive(t, shown)
	require.Equal(t, 31, shown+counted, "30 of the score, and that the team has too few days for a slope")
}
