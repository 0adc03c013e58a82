package report

import (
	"bytes"
	"fmt"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"

	"tidemark.example/tidemark/scoring"
)

// fontName is what the page's font is called in the PDF.
const fontName = "liberation"

// PDF draws the report in a language: one A4 page with its font within, a title,
// a language, real text, and the structure that screen readers go by (tagged
// PDF). The dates within are those of the newest score, not the clock's.
func (r *Report) PDF(language string) ([]byte, error) {
	t := textsOf(language)
	doc := fpdf.New("P", "pt", "A4", "")
	at := timeOf(r.Newest.Day)
	doc.SetCreationDate(at)
	doc.SetModificationDate(at)
	doc.SetTitle(r.title(t), true)
	doc.SetSubject(r.Conclusion(language), true)
	doc.SetCreator("Tidemark", true)
	doc.SetProducer("Tidemark, SCORAD algorithm "+scoring.AlgorithmVersion, true)
	doc.SetLang(t.tag)
	doc.SetCatalogSort(true)
	doc.SetAutoPageBreak(false, 0)
	doc.SetMargins(0, 0, 0)
	doc.AddUTF8FontFromBytes(fontName, "", liberationsansregular.TTF)
	doc.AddUTF8FontFromBytes(fontName, "B", liberationsansbold.TTF)
	doc.AddPage()
	w := &pdfWriter{doc: doc}
	tree := w.element(r.layout(t))
	var out bytes.Buffer
	if err := doc.Output(&out); err != nil {
		return nil, fmt.Errorf("report: writing the PDF: %w", err)
	}
	return tagged(out.Bytes(), tree, w.marked)
}

// pdfWriter draws elements, each with marks as one numbered piece of content.
type pdfWriter struct {
	doc *fpdf.Fpdf
	// marked is how many numbers were given.
	marked int
}

// pdfNode is an element as the structure tree has it.
type pdfNode struct {
	role     role
	alt      string
	content  int // the number of its content, -1 if it has none
	children []*pdfNode
}

// element draws an element and gives its place in the structure, nil for
// decoration.
func (w *pdfWriter) element(e *element) *pdfNode {
	if e.role == artifact {
		w.doc.RawWriteStr("/Artifact BMC\n")
		w.marks(e.marks)
		w.doc.RawWriteStr("EMC\n")
		return nil
	}
	node := &pdfNode{role: e.role, alt: e.alt, content: -1}
	if len(e.marks) > 0 {
		node.content = w.marked
		w.marked++
		w.doc.RawWriteStr(fmt.Sprintf("/%s <</MCID %d>> BDC\n", tagOf(e.role), node.content))
		w.marks(e.marks)
		w.doc.RawWriteStr("EMC\n")
	}
	for _, child := range e.children {
		if c := w.element(child); c != nil {
			node.children = append(node.children, c)
		}
	}
	return node
}

func (w *pdfWriter) marks(marks []mark) {
	for i := range marks {
		w.mark(&marks[i])
	}
}

func (w *pdfWriter) mark(m *mark) {
	if m.text != "" {
		w.text(m)
		return
	}
	how := ""
	if m.fill != none {
		c := rgb[m.fill]
		w.doc.SetFillColor(int(c[0]), int(c[1]), int(c[2]))
		how = "F"
	}
	if m.line != none {
		c := rgb[m.line]
		w.doc.SetDrawColor(int(c[0]), int(c[1]), int(c[2]))
		w.doc.SetLineWidth(m.width)
		w.doc.SetLineCapStyle("round")
		w.doc.SetLineJoinStyle("round")
		w.doc.SetDashPattern(m.dash, 0)
		how += "D"
	}
	w.doc.MoveTo(m.at[0].x, m.at[0].y)
	for _, p := range m.at[1:] {
		w.doc.LineTo(p.x, p.y)
	}
	if m.closed {
		w.doc.ClosePath()
	}
	w.doc.DrawPath(how)
}

func (w *pdfWriter) text(m *mark) {
	weight := ""
	if m.style.bold {
		weight = "B"
	}
	w.doc.SetFont(fontName, weight, m.style.size)
	c := rgb[m.style.ink]
	w.doc.SetTextColor(int(c[0]), int(c[1]), int(c[2]))
	x := m.at[0].x
	switch m.anchor {
	case middle:
		x -= w.doc.GetStringWidth(m.text) / 2
	case end:
		x -= w.doc.GetStringWidth(m.text)
	}
	w.doc.Text(x, m.at[0].y, m.text)
}
