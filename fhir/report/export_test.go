package report

// Box is where a text stands on the page, or a line or shape if Text is "".
type Box struct {
	Text                     string
	Left, Top, Right, Bottom float64
	Artifact                 bool
}

// Boxes are all of a page. A letter is taken to reach 0.72 of its size above the
// line it stands on and 0.2 beneath it.
func (r *Report) Boxes(language string) (all []Box) {
	var visit func(*element)
	visit = func(e *element) {
		for _, m := range e.marks {
			b := Box{Text: m.text, Artifact: e.role == artifact, Left: m.at[0].x, Right: m.at[0].x, Top: m.at[0].y, Bottom: m.at[0].y}
			for _, p := range m.at {
				b.Left, b.Right, b.Top, b.Bottom = min(b.Left, p.x), max(b.Right, p.x), min(b.Top, p.y), max(b.Bottom, p.y)
			}
			if m.text != "" {
				w := widthOf(m.text, m.style)
				switch m.anchor {
				case middle:
					b.Left -= w / 2
				case end:
					b.Left -= w
				}
				b.Right = b.Left + w
				b.Top, b.Bottom = b.Top-0.72*m.style.size, b.Bottom+0.2*m.style.size
			}
			all = append(all, b)
		}
		for _, child := range e.children {
			visit(child)
		}
	}
	visit(r.layout(textsOf(language)))
	return all
}

// The page and its margin, and the inks, for tests.
const (
	PageWidth, PageHeight, Margin = pageWidth, pageHeight, margin
)

// Inks are the red, green and blue of each ink that is drawn with.
func Inks() (all map[string][3]uint8) {
	all = map[string][3]uint8{}
	for i, name := range map[ink]string{black: "black", deep: "deep", grey: "grey", pale: "pale", white: "white"} {
		all[name] = rgb[i]
	}
	return all
}

// HatchSpacing is exported for tests.
var HatchSpacing = hatchSpacing

// Texts are those of a language, for a test that finds empty ones.
func Texts(language string) any { return *textsOf(language) }
