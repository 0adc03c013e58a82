package report

import (
	"image"
	"image/color"
	"math"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// canvas is where gonum/plot draws: a part of the page, whose origin is its lower
// left corner. What is drawn becomes marks of an element, so that a chart goes to
// SVG and PDF as everything else does.
type canvas struct {
	to    *element
	state canvasState
	saved []canvasState
}

type canvasState struct {
	// The transformation: x' = a x + c y + e, y' = b x + d y + f.
	a, b, c, d, e, f float64
	width            float64
	dash             []float64
	ink              ink
}

// newCanvas draws to an element; left and bottom are the corner on the page.
func newCanvas(to *element, left, bottom float64) *canvas {
	return &canvas{to: to, state: canvasState{a: 1, d: -1, e: left, f: bottom, width: 1, ink: black}}
}

var _ vg.Canvas = (*canvas)(nil)

func (c *canvas) place(p vg.Point) point {
	s, x, y := &c.state, float64(p.X), float64(p.Y)
	return point{s.a*x + s.c*y + s.e, s.b*x + s.d*y + s.f}
}

func (c *canvas) SetLineWidth(w vg.Length) { c.state.width = float64(w) }

func (c *canvas) SetLineDash(pattern []vg.Length, _ vg.Length) {
	c.state.dash = nil
	for _, d := range pattern {
		c.state.dash = append(c.state.dash, float64(d))
	}
}

// SetColor takes an ink; everything that the charts set is one.
func (c *canvas) SetColor(colour color.Color) {
	if i, ok := colour.(inkColour); ok {
		c.state.ink = ink(i)
		return
	}
	c.state.ink = black
}

// inkColour is an ink as gonum/plot passes it on.
type inkColour ink

// RGBA implements color.Color.
func (i inkColour) RGBA() (r, g, b, a uint32) {
	v := rgb[i]
	return uint32(v[0]) * 0x101, uint32(v[1]) * 0x101, uint32(v[2]) * 0x101, 0xffff
}

func (c *canvas) Rotate(angle float64) {
	sin, cos := math.Sincos(angle)
	c.transform(cos, sin, -sin, cos, 0, 0)
}

func (c *canvas) Translate(p vg.Point) { c.transform(1, 0, 0, 1, float64(p.X), float64(p.Y)) }

func (c *canvas) Scale(x, y float64) { c.transform(x, 0, 0, y, 0, 0) }

// transform puts a transformation before the one that is there.
func (c *canvas) transform(ta, tb, tc, td, te, tf float64) {
	s := c.state
	c.state.a, c.state.b = s.a*ta+s.c*tb, s.b*ta+s.d*tb
	c.state.c, c.state.d = s.a*tc+s.c*td, s.b*tc+s.d*td
	c.state.e, c.state.f = s.a*te+s.c*tf+s.e, s.b*te+s.d*tf+s.f
}

func (c *canvas) Push() { c.saved = append(c.saved, c.state) }

func (c *canvas) Pop() {
	last := len(c.saved) - 1
	c.state, c.saved = c.saved[last], c.saved[:last]
}

func (c *canvas) Stroke(p vg.Path) {
	if c.state.width <= 0 {
		return
	}
	for _, line := range c.lines(p) {
		line.line, line.width, line.dash = c.state.ink, c.state.width, c.state.dash
		c.to.marks = append(c.to.marks, line)
	}
}

func (c *canvas) Fill(p vg.Path) {
	for _, line := range c.lines(p) {
		line.closed, line.fill = true, c.state.ink
		c.to.marks = append(c.to.marks, line)
	}
}

// lines makes straight pieces of a path.
func (c *canvas) lines(p vg.Path) (all []mark) {
	var current mark
	finish := func() {
		if len(current.at) > 1 {
			all = append(all, current)
		}
		current = mark{}
	}
	for _, comp := range p {
		switch comp.Type {
		case vg.MoveComp:
			finish()
			current.at = append(current.at, c.place(comp.Pos))
		case vg.LineComp:
			current.at = append(current.at, c.place(comp.Pos))
		case vg.ArcComp:
			const steps = 16
			for i := range steps + 1 {
				sin, cos := math.Sincos(comp.Start + comp.Angle*float64(i)/steps)
				current.at = append(current.at, c.place(vg.Point{X: comp.Pos.X + comp.Radius*vg.Length(cos), Y: comp.Pos.Y + comp.Radius*vg.Length(sin)}))
			}
		case vg.CloseComp:
			current.closed = true
			finish()
		default: // curves, which no chart of ours has
			current.at = append(current.at, c.place(comp.Pos))
		}
	}
	finish()
	return all
}

// FillString sets a text; those of our charts stand upright.
func (c *canvas) FillString(face font.Face, at vg.Point, text string) {
	s := style{size: float64(face.Font.Size), bold: face.Font.Weight > 0, ink: c.state.ink}
	p := c.place(at)
	c.to.text(p.x, p.y, s, start, text)
}

// DrawImage is not used by the charts.
func (c *canvas) DrawImage(vg.Rectangle, image.Image) {}
