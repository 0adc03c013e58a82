package report

import (
	"fmt"
	"strings"

	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/agreement"
)

// Where the parts of the page are, in points.
const (
	gutter     = 18.0
	scoreWidth = 170.0
	mapWidth   = 236.0
	rowHeight  = 10.9
	// leastChart is how high the trend is at least; the notes give way to it.
	leastChart = 104.0
)

// title of the page, which the PDF and the SVG carry too.
func (r *Report) title(t *texts) string { return t.title + ", " + t.day(r.Newest.Day) }

// layout makes the page, from top to bottom; the notes stand on its foot, and the
// trend has what is left between.
func (r *Report) layout(t *texts) *element {
	page := &element{role: document}
	y := r.header(page, t, margin)
	y = max(r.score(page, t, margin, y), r.working(page, t, margin+scoreWidth+gutter, y)) + 16
	y = max(r.where(page, t, margin, y), r.sides(page, t, margin+mapWidth+gutter, y)) + 16
	// The trend is read before the notes, whose height it depends on.
	middle := page.add(document)
	noted := r.noted(t, y)
	foot := r.foot(page, t, noted, y)
	r.trend(middle, t, noted, margin, y, foot-14)
	return flat(page)
}

// flat puts the parts of a part that is only there for its place in their order
// into it.
func flat(page *element) *element {
	var all []*element
	for _, child := range page.children {
		if child.role == document {
			all = append(all, child.children...)
			continue
		}
		all = append(all, child)
	}
	page.children = all
	return page
}

func (r *Report) header(page *element, t *texts, y float64) float64 {
	words := fmt.Sprintf(t.about, t.day(r.Newest.Day), t.rater(r.Newest.Rater, r.Newest.Method))
	if r.Newest.Amended {
		words += " (" + t.amended + ")"
	}
	// Where a language says more beside it, the title is smaller.
	title := titleStyle
	for widthOf(t.title, title)+gutter+widthOf(words, strongStyle) > inner && title.size > headStyle.size {
		title.size -= 0.5
	}
	page.add(heading1).text(margin, y+15, title, start, t.title)
	about := page.add(paragraph)
	about.text(pageWidth-margin, y+5, strongStyle, end, words)
	about.text(pageWidth-margin, y+16, smallStyle, end, clip(fmt.Sprintf(t.subject, r.subject), smallStyle, min(inner*0.7, inner-gutter-widthOf(t.title, title))))
	page.add(artifact).rule(margin, y+24, pageWidth-margin, y+24, 1.2, deep)
	return y + 42
}

// heading sets the heading of a part and gives the place beneath it.
func heading(page *element, x, y float64, text string) float64 {
	page.add(heading2).text(x, y, headStyle, start, text)
	return y + 13
}

// score sets the total, where it lies on the scale, and how it changed.
func (r *Report) score(page *element, t *texts, x, y float64) float64 {
	total := r.Newest.value("scorad")
	p := page.add(paragraph)
	y += 24
	if !total.Answered {
		p.text(x, y, titleStyle, start, t.noTotal)
		return p.wrapped(x, y+14, scoreWidth, bodyStyle, t.noTotalWhy)
	}
	number := t.fiftieths(total.Value)
	p.text(x, y, hugeStyle, start, number)
	p.text(x+widthOf(number, hugeStyle)+7, y, bodyStyle, start, t.ofPoints)
	band := r.bands.Band(scoring.Points(total.Value))
	y += 16
	y = p.wrapped(x, y, scoreWidth, style{10.5, true, black}, r.bandWords(t, band))
	y = r.scale(page, t, x, y+1, scoring.Points(total.Value)) + 13
	for _, words := range r.changeWords(t) {
		y = page.add(paragraph).wrapped(x, y, scoreWidth, bodyStyle, words) + 1.5
	}
	return y - bodyStyle.leading()
}

// bandWords are a band with its range.
func (r *Report) bandWords(t *texts, band scoring.Band) string {
	ends, ok := r.bands.Range(band)
	if !ok || ends.Low == ends.High {
		return capital(t.bands[band])
	}
	return fmt.Sprintf(t.bandOf, capital(t.bands[band]), t.fiftieths(int64(ends.Low)), t.fiftieths(int64(ends.High)))
}

// bandsInWords lists them all.
func (r *Report) bandsInWords(t *texts) string {
	var all []string
	for _, band := range r.bands.Ranges {
		if band.Low != band.High {
			all = append(all, fmt.Sprintf(t.bandOf, t.bands[band.Band], t.fiftieths(int64(band.Low)), t.fiftieths(int64(band.High))))
		}
	}
	return strings.Join(all, ", ")
}

func capital(text string) string {
	runes := []rune(text)
	if len(runes) == 0 {
		return ""
	}
	return strings.ToUpper(string(runes[:1])) + string(runes[1:])
}

// scale draws the range of the score, its bands by hatching that grows denser,
// and the score as a mark above it.
func (r *Report) scale(page *element, t *texts, x, y float64, total scoring.Points) float64 {
	f := page.add(figure)
	f.alt = fmt.Sprintf(t.scaleAlt, r.bandsInWords(t), fmt.Sprintf(t.conclusion, t.fiftieths(int64(total)), t.bands[r.bands.Band(total)], r.bands.Name, t.rater(r.Newest.Rater, r.Newest.Method), t.day(r.Newest.Day)))
	at := func(p scoring.Points) float64 { return x + scoreWidth*pointsOf(p)/pointsOf(scoring.MaxScorad) }
	const high = 9
	for i, band := range r.bands.Ranges {
		left, right := at(band.Low), at(band.High)
		outline := []point{{left, y}, {right, y}, {right, y + high}, {left, y + high}}
		if i > 1 { // the lowest bands are plain
			f.hatch(outline, 6.4/float64(i), 0.8, 0.5, grey)
		}
		f.shape(outline, none, grey, 0.6)
		if band.Low > scoring.PointsPerUnit {
			f.text(left, y+high+8, smallTiny, middle, t.answer(int64(band.Low)))
		}
	}
	f.text(x, y+high+8, smallTiny, start, "0")
	f.text(x+scoreWidth, y+high+8, smallTiny, end, t.answer(int64(scoring.MaxScorad)))
	here := at(total)
	f.shape([]point{{here - 4, y - 6}, {here + 4, y - 6}, {here, y + 0.5}}, deep, none, 0)
	f.rule(here, y, here, y+high, 1.6, deep)
	return y + high + 8
}

// changeWords say the changes of the newest score, as just that.
func (r *Report) changeWords(t *texts) (all []string) {
	sinceLast, sinceBaseline := r.changes()
	if sinceLast != nil {
		all = append(all, t.change(sinceLast.Change, sinceLast.From.Day))
	}
	if sinceBaseline != nil {
		all = append(all, t.change(sinceBaseline.Change, sinceBaseline.From.Day))
	}
	return all
}

func (t *texts) change(c scoring.Change, since int64) string {
	points, percent := int64(c.Points()), ""
	if p := c.Percent(); p.Answered {
		percent = fmt.Sprintf(t.sincePercent, t.tenth5(int64(p.Value)))
	}
	form, size := t.since[2], points
	switch {
	case points == 0:
		form = t.since[0]
	case points < 0:
		form, size = t.since[1], -points
	case c.RoseByMore():
		form = t.since[3]
	}
	words := fmt.Sprintf(form, t.fiftieths(size), t.day(since), percent)
	if points == 0 {
		words = fmt.Sprintf(strings.ReplaceAll(form, "%[2]s", "%[1]s"), t.day(since))
	}
	for _, reached := range []int{90, 75, 50, scoring.OneGradePercent} {
		if c.FellBy(reached) {
			return words + " " + fmt.Sprintf(t.reached, reached)
		}
	}
	return words
}

// tenth5 writes tenths with a sign.
func (t *texts) tenth5(tenths int64) string {
	text := t.signed(tenths * scoring.PointsPerUnit / 10)
	return strings.TrimSuffix(text, "0")
}

// working sets how the score came about, part by part.
func (r *Report) working(page *element, t *texts, x, y float64) float64 {
	width := pageWidth - margin - x
	y = heading(page, x, y, t.working)
	columns := []column{{x, start, 92}, {x + 94, start, 118}, {x + 216, start, 78}, {x + width, end, 44}}
	g := newGrid(page, columns, y)
	g.head(strings.Split(t.workingColumns, "|"))
	n, value := &r.Newest, r.Newest.value
	extent, sum := value("extent"), int64(0)
	var signs []string
	for sign := range scoring.Sign(scoring.SignCount) {
		grade := value("intensity-" + sign.String())
		sum += grade.Value
		signs = append(signs, t.signs[sign]+"\u00a0"+t.optional(grade, t.answer))
	}
	g.row(t.partExtent, fmt.Sprintf(t.answeredExtent, t.optional(extent, t.tenth), t.given(n)), t.tenth(extent.Value)+" / 5", t.points(value("extent-part")))
	g.row(t.partSigns, strings.Join(signs, ", "), "7 × "+t.answer(sum)+" / 2", t.points(value("intensity-part")))
	itch, sleep := value("symptoms-itch"), value("symptoms-sleep-loss")
	working := ""
	if itch.Answered && sleep.Answered {
		working = t.tenth(itch.Value) + " + " + t.tenth(sleep.Value)
	}
	g.row(t.partItch, fmt.Sprintf(t.answeredSubjects, t.optional(itch, t.tenth), t.optional(sleep, t.tenth)), working, t.points(value("subjective-part")))
	g.strong("SCORAD", "", "A/5 + 7B/2 + C", t.points(value("scorad")))
	g.row(t.items[1], "", "A/5 + 7B/2", t.points(value("objective")))
	y = g.y
	for _, words := range r.beside(t) {
		y = page.add(paragraph).wrapped(x, y+3, width, noteStyle, words)
	}
	return y - noteStyle.leading()
}

// beside are what was answered beside the score.
func (r *Report) beside(t *texts) (all []string) {
	var seen []string
	for i := range scoring.AlsoSeen(scoring.AlsoSeenCount) {
		if v := r.Newest.value("also-seen-" + i.String()); v.Value != 0 {
			seen = append(seen, t.seen[i])
		}
	}
	if len(seen) > 0 {
		all = append(all, fmt.Sprintf(t.alsoSeen, strings.Join(seen, ", ")))
	}
	if bonus := r.Newest.value("objective-with-bonus"); bonus.Answered {
		all = append(all, fmt.Sprintf(t.bonus, t.fiftieths(bonus.Value)))
	}
	return all
}

// given says how the extent was given.
func (t *texts) given(n *Rating) string { return t.methods[n.Method] }

func (t *texts) optional(v scoring.Optional[int64], write func(int64) string) string {
	if !v.Answered {
		return t.notAnswered
	}
	return write(v.Value)
}

func (t *texts) points(v scoring.Optional[int64]) string {
	if !v.Answered {
		return "–"
	}
	return t.fiftieths(v.Value)
}

// where sets the body map, or says why there is none.
func (r *Report) where(page *element, t *texts, x, y float64) float64 {
	y = heading(page, x, y, t.body)
	if r.Newest.Method != scoring.ByRegions {
		return page.add(paragraph).wrapped(x, y, mapWidth-20, bodyStyle, fmt.Sprintf(t.noMap, t.given(&r.Newest), t.optional(r.Newest.value("extent"), t.tenth)))
	}
	const height = 172
	r.bodyMap(page, t, x, y-4, mapWidth, height)
	return y - 4 + height
}

// sides sets the newest ratings of family and team that may be compared.
func (r *Report) sides(page *element, t *texts, x, y float64) float64 {
	width := pageWidth - margin - x
	y = heading(page, x, y, t.both)
	if r.pair == nil {
		return page.add(paragraph).wrapped(x, y, width, bodyStyle, t.noPair) - bodyStyle.leading()
	}
	g := newGrid(page, []column{{x, start, 110}, {x + width - 120, end, 48}, {x + width - 62, end, 48}, {x + width, end, 56}}, y)
	g.head(strings.Split(t.bothColumns, "|"))
	for item, name := range t.items {
		self, team, difference := r.sidesOf(item)
		write := t.writer(agreement.Item(item))
		cells := []string{name, dash(self, write), dash(team, write), dash(difference, func(v int64) string {
			if v > 0 {
				return "+" + write(v)
			}
			return write(v)
		})}
		if item == 0 {
			g.strong(cells...)
			continue
		}
		g.row(cells...)
	}
	words := fmt.Sprintf(t.bothDates, t.day(r.pair.Self.Day)+" "+t.methods[r.pair.Self.Method], t.day(r.pair.Clinician.Day)+" "+t.methods[r.pair.Clinician.Method])
	return page.add(paragraph).wrapped(x, g.y+3, width, smallStyle, words) - smallStyle.leading()
}

// trend sets the chart with its legend between two heights.
func (r *Report) trend(page *element, t *texts, noted style, x, y, bottom float64) {
	y = heading(page, x, y, t.trend)
	if len(r.series) == 0 {
		page.add(paragraph).text(x, y, bodyStyle, start, t.noTrend)
		return
	}
	page.add(paragraph).text(x, y, smallStyle, start, fmt.Sprintf(t.trendPeriod, t.day(r.shown[0].Day), t.day(lastDay(r.shown))))
	y += 11
	for _, s := range r.series {
		y = r.legend(page, t, s, noted, x, y)
	}
	r.markLegend(page, t, x, y)
	f := page.add(figure)
	words := make([]string, len(r.series))
	for i, s := range r.series {
		words[i] = r.seriesWords(t, s) + "."
	}
	f.alt = fmt.Sprintf(t.trendAlt, r.bandsInWords(t), strings.Join(words, " "), r.changesInWords(t))
	r.chart(f, t, x, y+5, inner, bottom-y-5)
}
