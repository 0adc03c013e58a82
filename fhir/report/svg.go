package report

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"strconv"
)

// fontStack are fonts of the same widths as Liberation Sans, in which the page is
// laid out.
const fontStack = "Liberation Sans, Arimo, Arial, Helvetica, sans-serif"

// SVG draws the report in a language, as SVG 1.1 without scripts, style sheets or
// anything from elsewhere. Its roles and labels follow the SVG Accessibility API
// Mappings: a screen reader reads the headings, paragraphs and tables, and of a
// figure what it shows in words.
func (r *Report) SVG(language string) []byte {
	t := textsOf(language)
	w := &svgWriter{}
	w.printf(`<?xml version="1.0" encoding="UTF-8"?>`+"\n"+`<svg xmlns="http://www.w3.org/2000/svg" width="210mm" height="297mm" viewBox="0 0 %s %s"`, coordinate(pageWidth), coordinate(pageHeight))
	w.printf(` lang="%s" xml:lang="%[1]s" role="graphics-document document" aria-labelledby="title" aria-describedby="desc" font-family="%s">`+"\n", t.tag, fontStack)
	w.labelled("title", "title", r.title(t))
	w.labelled("desc", "desc", r.Conclusion(language))
	w.printf(`<rect width="100%%" height="100%%" fill="#fff"/>` + "\n")
	w.element(r.layout(t))
	w.printf("</svg>\n")
	return w.Bytes()
}

type svgWriter struct{ bytes.Buffer }

func (w *svgWriter) printf(format string, args ...any) { fmt.Fprintf(&w.Buffer, format, args...) }

func (w *svgWriter) labelled(name, id, text string) {
	w.printf(`<%s id="%s">`, name, id)
	w.escape(text)
	w.printf("</%s>\n", name)
}

// escape writes text as XML; what XML has no place for becomes U+FFFD.
func (w *svgWriter) escape(text string) { _ = xml.EscapeText(&w.Buffer, []byte(text)) } // a buffer takes all

// attributes of each role.
var ariaRoles = map[role]string{
	heading1: ` role="heading" aria-level="1"`, heading2: ` role="heading" aria-level="2"`, paragraph: ` role="paragraph"`,
	table: ` role="table"`, row: ` role="row"`, rowHead: ` role="rowheader"`, colHead: ` role="columnheader"`, cell: ` role="cell"`,
	artifact: ` aria-hidden="true"`,
}

func (w *svgWriter) element(e *element) {
	w.printf("<g%s", ariaRoles[e.role])
	if e.role == figure {
		w.printf(` role="img" aria-label="`)
		w.escape(e.alt)
		w.printf(`"`)
	}
	w.printf(">\n")
	for i := range e.marks {
		w.mark(&e.marks[i])
	}
	for _, child := range e.children {
		w.element(child)
	}
	w.printf("</g>\n")
}

var anchors = [...]string{start: "", middle: ` text-anchor="middle"`, end: ` text-anchor="end"`}

func (w *svgWriter) mark(m *mark) {
	if m.text != "" {
		weight := ""
		if m.style.bold {
			weight = ` font-weight="bold"`
		}
		// The width is given, so that another font does not run into what is beside.
		w.printf(`<text x="%s" y="%s" font-size="%s"%s%s fill="%s" textLength="%s" lengthAdjust="spacingAndGlyphs">`, coordinate(m.at[0].x), coordinate(m.at[0].y),
			coordinate(m.style.size), weight, anchors[m.anchor], hex(m.style.ink), coordinate(widthOf(m.text, m.style)))
		w.escape(m.text)
		w.printf("</text>\n")
		return
	}
	w.printf(`<path d="`)
	for i, p := range m.at {
		command := "L"
		if i == 0 {
			command = "M"
		}
		w.printf("%s%s %s", command, coordinate(p.x), coordinate(p.y))
	}
	if m.closed {
		w.printf("Z")
	}
	w.printf(`" fill="%s"`, hex(m.fill))
	if m.line != none {
		w.printf(` stroke="%s" stroke-width="%s" stroke-linecap="round" stroke-linejoin="round"`, hex(m.line), coordinate(m.width))
	}
	if len(m.dash) > 0 {
		w.printf(` stroke-dasharray="`)
		for i, d := range m.dash {
			if i > 0 {
				w.printf(" ")
			}
			w.printf("%s", coordinate(d))
		}
		w.printf(`"`)
	}
	w.printf("/>\n")
}

func hex(i ink) string {
	if i == none {
		return "none"
	}
	return fmt.Sprintf("#%02x%02x%02x", rgb[i][0], rgb[i][1], rgb[i][2])
}

// coordinate writes a length in points, to a hundredth.
func coordinate(v float64) string {
	return strconv.FormatFloat(float64(int64(v*100+copysign(0.5, v)))/100, 'f', -1, 64)
}

func copysign(size, sign float64) float64 {
	if sign < 0 {
		return -size
	}
	return size
}
