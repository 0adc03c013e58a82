package report

import (
	"fmt"
	"math/big"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/agreement"
	"tidemark.example/tidemark/scoring/trend"
)

// legend sets what a series looks like, and its figures as text.
func (r *Report) legend(page *element, t *texts, s trend.Series, noted style, x, y float64) float64 {
	sample := page.add(artifact)
	c := draw.NewCanvas(newCanvas(sample, x, y), 30, 10)
	c.StrokeLine2(draw.LineStyle{Color: inkColour(black), Width: 0.9, Dashes: lookOf(s).dash}, 0, 2.6, 30, 2.6)
	c.DrawGlyph(draw.GlyphStyle{Color: inkColour(black), Radius: 2.6, Shape: lookOf(s).glyph}, vg.Point{X: 15, Y: 2.6})
	return page.add(paragraph).wrapped(x+legendIndent, y, inner-legendIndent, noted, r.seriesWords(t, s)) + 0.6
}

const legendIndent = 36.0

// legendHeight is how much room the series take in the legend.
func (r *Report) legendHeight(t *texts, noted style) (high float64) {
	for _, s := range r.series {
		high += float64(len(wrap(r.seriesWords(t, s), noted, inner-legendIndent)))*noted.leading() + 0.6
	}
	return high
}

// writer writes the values of an item: parts with two decimals, answers as they
// were given.
func (t *texts) writer(item agreement.Item) func(int64) string {
	switch {
	case item < agreement.Extent:
		return t.fiftieths
	case item.Graded():
		return t.answer
	}
	return t.tenth
}

// markLegend says what the marks of changes and of the slope are.
func (r *Report) markLegend(page *element, t *texts, x, y float64) {
	p := page.add(paragraph)
	x += legendIndent
	for _, entry := range []struct {
		up   vg.Length
		text string
	}{{1, t.roseMark}, {-1, t.fellMark}} {
		sample := draw.NewCanvas(newCanvas(p, x, y), 30, 10)
		drawChange(&sample, draw.GlyphStyle{Color: inkColour(deep), Radius: 2.6}, vg.Point{X: 3, Y: 2.6}, entry.up)
		p.text(x+10, y, smallStyle, start, entry.text)
		x += 10 + widthOf(entry.text, smallStyle) + 16
	}
	if _, ok := r.series[0].Slope(); ok {
		p.rule(x, y-2.6, x+22, y-2.6, 2.2, pale)
		p.text(x+27, y, smallStyle, start, t.slopeLine)
	}
}

// seriesWords say the figures of a series.
func (r *Report) seriesWords(t *texts, s trend.Series) string {
	latest := s.Latest()
	words := fmt.Sprintf(t.latest, capital(t.rater(s.Rater, s.Method)), t.fiftieths(int64(latest.Points)), t.day(latest.Day), len(s.Scores))
	if mean, ok := s.Mean(); ok {
		words += "; " + fmt.Sprintf(t.mean, t.rational(mean.Value))
	}
	slope, ok := s.Slope()
	if !ok {
		return words + "; " + t.slopeNone
	}
	return words + "; " + fmt.Sprintf(t.slope, t.rational(slope.PerWeek), t.rational(slope.Low), t.rational(slope.High), t.directions[slope.Direction()])
}

// rational writes a fraction with two decimals, rounded half away from zero.
func (t *texts) rational(r *big.Rat) string {
	text := r.FloatString(2)
	if text == "-0.00" {
		text = "0.00"
	}
	if text[0] == '-' {
		return "\u2212" + t.localised(text[1:])
	}
	return t.localised(text)
}

// sidesOf are both values of an item of the pair, and their difference.
func (r *Report) sidesOf(item int) (self, team, difference scoring.Optional[int64]) {
	i := agreement.Item(item)
	return r.pair.Self.Values[i], r.pair.Clinician.Values[i], r.pair.Difference(i)
}

func dash(v scoring.Optional[int64], write func(int64) string) string {
	if !v.Answered {
		return "–"
	}
	return write(v.Value)
}

// Conclusion says in words what the page is about, with the caution.
func (r *Report) Conclusion(language string) string {
	t := textsOf(language)
	words := t.noTotalWhy
	if total := r.Newest.value("scorad"); total.Answered {
		words = fmt.Sprintf(t.conclusion, t.fiftieths(total.Value), t.bands[r.bands.Band(scoring.Points(total.Value))], r.bands.Name,
			t.rater(r.Newest.Rater, r.Newest.Method), t.day(r.Newest.Day))
	}
	for _, change := range r.changeWords(t) {
		words += " " + change
	}
	return words + " " + t.cautions[0]
}
