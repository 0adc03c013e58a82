package report

import (
	"strings"
	"sync"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
)

// Text is set in Liberation Sans, which has the widths of the sans serif that is
// on nearly every machine: an SVG that is shown without it looks the same.
var fonts = sync.OnceValue(func() *font.Cache { return font.NewCache(liberation.Collection()) })

func (s style) font() font.Font {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: font.Length(s.size)}
	if s.bold {
		f.Weight = xfont.WeightBold
	}
	return f
}

// widthOf is how wide a text is, in points.
func widthOf(text string, s style) float64 {
	face := fonts().Lookup(s.font(), font.Length(s.size))
	return float64(face.Width(text))
}

// wrap breaks a text into lines no wider than asked, between words; a word that
// is wider is broken within.
func wrap(text string, s style, width float64) (lines []string) {
	line := ""
	for _, word := range words(text) {
		for _, piece := range pieces(word, s, width) {
			if line != "" && widthOf(line+" "+piece, s) <= width {
				line += " " + piece
				continue
			}
			if line != "" {
				lines = append(lines, line)
			}
			line = piece
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// words are what may stand on lines of their own; a no-break space joins them.
func words(text string) []string {
	return strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == '\n' || r == '\t' || r == '\r' })
}

// pieces breaks a word that is wider than a line.
func pieces(word string, s style, width float64) (parts []string) {
	runes := []rune(word)
	for len(runes) > 1 && widthOf(string(runes), s) > width {
		n := len(runes) - 1
		for n > 1 && widthOf(string(runes[:n]), s) > width {
			n--
		}
		parts, runes = append(parts, string(runes[:n])), runes[n:]
	}
	return append(parts, string(runes))
}

// clip shortens a text to a width, with an ellipsis where something is left out.
func clip(text string, s style, width float64) string {
	runes := []rune(text)
	for n := len(runes); n > 0; n-- {
		short := string(runes[:n])
		if n < len(runes) {
			short += "…"
		}
		if widthOf(short, s) <= width {
			return short
		}
	}
	return ""
}
