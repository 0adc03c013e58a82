package report

import (
	"fmt"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/trend"
)

// look is how a series is drawn, so that it is told apart without colour: by the
// shape of its points and the dashes of its line.
type look struct {
	glyph draw.GlyphDrawer
	dash  []vg.Length
}

// looks of the family's and the team's series, by method: the family's points
// are filled, the team's are open.
var looks = [2][4]look{
	scoring.RatedBySelf: {
		scoring.ByRegions: {draw.CircleGlyph{}, nil},
		scoring.ByHands:   {filledSquare{}, []vg.Length{5, 2}},
		scoring.ByDirect:  {draw.PyramidGlyph{}, []vg.Length{1, 2.4}},
	},
	scoring.RatedByClinician: {
		scoring.ByRegions: {openCircle{}, []vg.Length{8, 2.5, 1, 2.5}},
		scoring.ByHands:   {openSquare{}, []vg.Length{3, 3}},
		scoring.ByDirect:  {openPyramid{}, []vg.Length{10, 3}},
	},
}

func lookOf(s trend.Series) look { return looks[s.Rater][s.Method] }

// An open point is white within, so that lines do not show through.
type (
	filledSquare struct{}
	openCircle   struct{}
	openSquare   struct{}
	openPyramid  struct{}
)

func (filledSquare) DrawGlyph(c *draw.Canvas, s draw.GlyphStyle, p vg.Point) {
	draw.BoxGlyph{}.DrawGlyph(c, s, p)
}

func (openCircle) DrawGlyph(c *draw.Canvas, s draw.GlyphStyle, p vg.Point) {
	open(c, s, p, draw.CircleGlyph{}, draw.RingGlyph{})
}

func (openSquare) DrawGlyph(c *draw.Canvas, s draw.GlyphStyle, p vg.Point) {
	open(c, s, p, draw.BoxGlyph{}, draw.SquareGlyph{})
}

func (openPyramid) DrawGlyph(c *draw.Canvas, s draw.GlyphStyle, p vg.Point) {
	open(c, s, p, draw.PyramidGlyph{}, draw.TriangleGlyph{})
}

func open(c *draw.Canvas, s draw.GlyphStyle, p vg.Point, within, outline draw.GlyphDrawer) {
	inside := s
	inside.Color = inkColour(white)
	c.SetColor(inside.Color)
	within.DrawGlyph(c, inside, p)
	c.SetColor(s.Color)
	outline.DrawGlyph(c, s, p)
}

// glyphStyle is that of the points of a series: smaller where there are many.
func glyphStyle(s trend.Series, days int) draw.GlyphStyle {
	radius := 2.6
	switch {
	case days > 200:
		radius = 1.1
	case days > 60:
		radius = 1.7
	}
	return draw.GlyphStyle{Color: inkColour(black), Radius: vg.Length(radius), Shape: lookOf(s).glyph}
}

// The room around the plot itself.
const bandColumn = 92.0

// chart draws the series over time.
func (r *Report) chart(f *element, t *texts, x, y, width, height float64) {
	p := plot.New()
	p.BackgroundColor = inkColour(white)
	axisFont := style{size: 7.2, ink: grey}
	for _, axis := range []*plot.Axis{&p.X, &p.Y} {
		axis.Color, axis.Width, axis.Padding = inkColour(grey), 0.6, 3
		axis.Tick.Color, axis.Tick.Width, axis.Tick.Length = inkColour(grey), 0.6, 3
		axis.Tick.Label.Color, axis.Tick.Label.Font = inkColour(grey), axisFont.font()
	}
	low, high := r.span()
	p.X.Min, p.X.Max = low, high
	p.Y.Min, p.Y.Max = 0, pointsOf(scoring.MaxScorad)
	p.X.Tick.Marker = dayTicks{t, r.shown[0].Day, lastDay(r.shown), (width - bandColumn) / 62}
	p.Y.Tick.Marker = plot.ConstantTicks{{Value: 0, Label: "0"}, {Value: 20, Label: "20"}, {Value: 40, Label: "40"}, {Value: 60, Label: "60"}, {Value: 80, Label: "80"}, {Value: 103, Label: "103"}}
	for _, edge := range r.edges() {
		p.Add(levelLine(low, high, edge))
	}
	for i, s := range r.series {
		r.addSeries(p, s, i == 0)
	}
	c := draw.NewCanvas(newCanvas(f, x, y+height), vg.Length(width-bandColumn), vg.Length(height))
	p.Draw(c)
	area := p.DataCanvas(c)
	r.bandLabels(f, t, x+float64(area.Max.X)+6, func(points float64) float64 {
		return y + height - float64(area.Y(p.Y.Norm(points)))
	})
}

// span is the days that the axis shows, with some room at both ends.
func (r *Report) span() (low, high float64) {
	first, last := r.shown[0].Day, lastDay(r.shown)
	room := max(1, float64(last-first)*0.02)
	return float64(first) - room, float64(last) + room
}

func pointsOf(p scoring.Points) float64 { return float64(p) / scoring.PointsPerUnit } // for drawing only

// edges are where a band begins, but for the first, and for one that is next to
// it.
func (r *Report) edges() (all []scoring.Points) {
	for _, cut := range r.bands.Cuts[1:] {
		if cut.Low > scoring.PointsPerUnit {
			all = append(all, cut.Low)
		}
	}
	return all
}

func levelLine(low, high float64, at scoring.Points) *plotter.Line {
	line, err := plotter.NewLine(plotter.XYs{{X: low, Y: pointsOf(at)}, {X: high, Y: pointsOf(at)}})
	must(err)
	line.Width, line.Color, line.Dashes = 0.6, inkColour(grey), []vg.Length{2, 2}
	return line
}

// must is for errors of gonum/plot about numbers that are none, which days and
// points never are.
func must(err error) {
	if err != nil {
		panic("report: " + err.Error())
	}
}

// addSeries adds a line with its points and the marks of its changes, and of the
// first series its slope.
func (r *Report) addSeries(p *plot.Plot, s trend.Series, first bool) {
	xys := make(plotter.XYs, len(s.Scores))
	for i, score := range s.Scores {
		xys[i] = plotter.XY{X: float64(score.Day), Y: pointsOf(score.Points)}
	}
	if slope, ok := s.Slope(); ok && first {
		line := s.Line()
		from, to := line[0].Day, line[len(line)-1].Day
		start, _ := slope.AtStart.Float64()
		week, _ := slope.PerWeek.Float64()
		fitted, err := plotter.NewLine(plotter.XYs{{X: float64(from), Y: clamp(start)}, {X: float64(to), Y: clamp(start + week*float64(to-from)/7)}})
		must(err)
		fitted.Width, fitted.Color, fitted.Dashes = 2.2, inkColour(pale), nil
		p.Add(fitted)
	}
	line, err := plotter.NewLine(xys)
	must(err)
	line.Width, line.Color, line.Dashes = 0.9, inkColour(black), lookOf(s).dash
	points, err := plotter.NewScatter(xys)
	must(err)
	points.GlyphStyle = glyphStyle(s, len(xys))
	p.Add(line, points, changeMarks(s))
}

func clamp(points float64) float64 { return min(max(points, 0), 103) }

// changeMarks are triangles above a score that rose by more than 8.7 points since
// the one before in its series, and beneath one that fell by more.
type changeMarks trend.Series

// Plot implements plot.Plotter.
func (m changeMarks) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	style := draw.GlyphStyle{Color: inkColour(deep), Radius: 2.4, Shape: draw.PyramidGlyph{}}
	for i := range m.Scores {
		at := m.Scores[i]
		where := vg.Point{X: x(float64(at.Day)), Y: y(pointsOf(at.Points))}
		switch moved(trend.Series(m), i) {
		case 1:
			where.Y += 7.5
			drawChange(&c, style, where, 1)
		case -1:
			where.Y -= 7.5
			drawChange(&c, style, where, -1)
		}
	}
}

// drawChange draws a solid arrowhead that points up or down.
func drawChange(c *draw.Canvas, s draw.GlyphStyle, at vg.Point, up vg.Length) {
	c.SetColor(s.Color)
	var path vg.Path
	path.Move(vg.Point{X: at.X - s.Radius, Y: at.Y - up*s.Radius*0.8})
	path.Line(vg.Point{X: at.X + s.Radius, Y: at.Y - up*s.Radius*0.8})
	path.Line(vg.Point{X: at.X, Y: at.Y + up*s.Radius})
	path.Close()
	c.Fill(path)
}

// moved is 1 if a score rose by more than 8.7 points since the one before, -1 if
// it fell by more, and 0 otherwise.
func moved(s trend.Series, i int) int {
	if i == 0 {
		return 0
	}
	change := scoring.Change{From: s.Scores[i-1].Points, To: s.Scores[i].Points}
	switch {
	case change.RoseByMore():
		return 1
	case change.Points() < -scoring.ImportantChange:
		return -1
	}
	return 0
}

// bandLabels name the bands beside the plot, each in the middle of its range.
func (r *Report) bandLabels(f *element, t *texts, x float64, height func(float64) float64) {
	for _, band := range r.bands.Ranges {
		top, bottom := height(pointsOf(band.High)), height(pointsOf(band.Low))
		middle, name := (top+bottom)/2, clip(t.bands[band.Band], tinyStyle, bandColumn-8)
		switch high := bottom - top; {
		case high < tinyStyle.size:
			continue // the single score of 0 has no room, and needs none
		case high < 2.3*tinyStyle.size:
			f.text(x, middle+0.26*tinyStyle.size, tinyStyle, start, name)
		default:
			f.text(x, middle-0.36*tinyStyle.size, tinyStyle, start, name)
			f.text(x, middle-0.36*tinyStyle.size+tinyStyle.leading(), smallTiny, start, t.fiftieths(int64(band.Low))+" – "+t.fiftieths(int64(band.High)))
		}
	}
}

var smallTiny = style{6.2, false, grey}

// dayTicks are calendar days at even steps, no more than there is room for.
type dayTicks struct {
	t           *texts
	first, last int64
	most        float64
}

// Ticks implements plot.Ticker.
func (d dayTicks) Ticks(float64, float64) (ticks []plot.Tick) {
	first, last := d.first, d.last
	days := float64(last - first)
	for _, step := range []int64{1, 2, 7, 14, 28} {
		if days/float64(step) <= d.most {
			for day := last; day >= first; day -= step {
				ticks = append(ticks, plot.Tick{Value: float64(day), Label: d.t.day(day)})
			}
			return ticks
		}
	}
	months := 1
	for days/(30.4*float64(months)) > d.most {
		months++
	}
	at := timeOf(first)
	at = time.Date(at.Year(), at.Month(), 1, 0, 0, 0, 0, time.UTC)
	for day := at.Unix() / secondsPerDay; day <= last; day = at.Unix() / secondsPerDay {
		if day >= first {
			ticks = append(ticks, plot.Tick{Value: float64(day), Label: fmt.Sprintf(d.t.monthYear, d.t.month(at.Month()), at.Year())})
		}
		at = at.AddDate(0, months, 0)
	}
	return ticks
}

const secondsPerDay = 24 * 60 * 60

func timeOf(day int64) time.Time { return time.Unix(day*secondsPerDay, 0).UTC() }

// changesInWords lists the marked changes of a series, the newest first.
func (r *Report) changesInWords(t *texts) string {
	var all []string
	for _, s := range r.series {
		for i := len(s.Scores) - 1; i > 0; i-- {
			if moved(s, i) != 0 {
				all = append(all, t.signed(int64(s.Scores[i].Points-s.Scores[i-1].Points))+" "+t.day(s.Scores[i].Day))
			}
		}
	}
	if len(all) == 0 {
		return t.markNone
	}
	return fmt.Sprintf(t.mark, strings.Join(all, "; "))
}
