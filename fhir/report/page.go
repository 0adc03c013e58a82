package report

// A4 in points, and how far from its edges the page is left white.
const (
	pageWidth  = 595.28
	pageHeight = 841.89
	margin     = 34.0
	inner      = pageWidth - 2*margin
)

// role is what an element is, so that a screen reader can tell. The names are
// those of ISO 32000-1 14.8.4 (standard structure types).
type role string

const (
	document  role = "Document"
	heading1  role = "H1"
	heading2  role = "H2"
	paragraph role = "P"
	table     role = "Table"
	row       role = "TR"
	rowHead   role = "TH"  // the first cell of a row
	colHead   role = "TH " // the first row of a table
	cell      role = "TD"
	figure    role = "Figure"
	// artifact is decoration, which is not read out.
	artifact role = "Artifact"
)

// element is a part of the page in the order in which it is read: either marks,
// or further elements.
type element struct {
	role role
	// alt says in words what a figure shows.
	alt      string
	marks    []mark
	children []*element
}

// add appends a part.
func (e *element) add(r role) *element {
	child := &element{role: r}
	e.children = append(e.children, child)
	return child
}

// mark is one thing that is drawn: text, or else a line along its points.
type mark struct {
	text   string
	style  style
	anchor anchor
	// at is where the baseline of a text begins, ends, or has its middle; or the
	// points of the line. From the left and the top of the page.
	at []point
	// closed joins the ends, fill is what is within, and line is drawn with.
	closed bool
	fill   ink
	line   ink
	width  float64
	dash   []float64
}

type point struct{ x, y float64 }

// style is how a text is set.
type style struct {
	size float64
	bold bool
	ink  ink
}

type anchor uint8

const (
	start anchor = iota
	middle
	end
)

// ink is how dark something is. There are few, far enough from each other to be
// told apart on paper without colour; text is black, deep or grey, which all have
// 7:1 against white at least (WCAG 2.2, 1.4.6).
type ink uint8

const (
	none ink = iota
	black
	deep
	grey
	pale
	white
)

// rgb of each ink.
var rgb = [...][3]uint8{black: {0x16, 0x1a, 0x1d}, deep: {0x12, 0x3c, 0x5a}, grey: {0x4d, 0x55, 0x5b}, pale: {0xc3, 0xc9, 0xcd}, white: {0xff, 0xff, 0xff}}

// The styles of the page.
var (
	titleStyle  = style{19, true, deep}
	hugeStyle   = style{38, true, deep}
	headStyle   = style{10.5, true, deep}
	bodyStyle   = style{8.4, false, black}
	strongStyle = style{8.4, true, black}
	smallStyle  = style{7.2, false, grey}
	noteStyle   = style{7.4, false, black}
	tinyStyle   = style{6.6, false, black}
)

// leading is the distance of two lines.
func (s style) leading() float64 { return s.size * 1.27 }

func (e *element) text(x, y float64, s style, a anchor, text string) {
	if text != "" {
		e.marks = append(e.marks, mark{text: text, style: s, anchor: a, at: []point{{x, y}}})
	}
}

func (e *element) rule(x1, y1, x2, y2, width float64, line ink, dash ...float64) {
	e.marks = append(e.marks, mark{at: []point{{x1, y1}, {x2, y2}}, line: line, width: width, dash: dash})
}

func (e *element) shape(at []point, fill, line ink, width float64) {
	e.marks = append(e.marks, mark{at: at, closed: true, fill: fill, line: line, width: width})
}

// wrapped sets a text in lines of a width, its first baseline at y, and gives the
// baseline after the last.
func (e *element) wrapped(x, y, width float64, s style, text string) float64 {
	for _, line := range wrap(text, s, width) {
		e.text(x, y, s, start, line)
		y += s.leading()
	}
	return y
}
