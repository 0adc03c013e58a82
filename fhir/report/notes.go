package report

import (
	"fmt"
	"slices"
	"strings"

	"tidemark.example/tidemark/scoring"
)

// The two columns of notes on the foot of the page, and its last line.
const (
	noteWidth = (inner - gutter) / 2
	footLine  = pageHeight - margin + 6
)

// reading and safety are the notes that every page has.
func (r *Report) reading(t *texts, noted style) notes {
	readings := slices.Clone(t.readings)
	for i, text := range readings {
		readings[i] = strings.ReplaceAll(text, "%[1]s", r.bands.Name)
	}
	return notes{t.reading, readings, noted}
}

func safety(t *texts, noted style) []notes {
	return []notes{{t.urgent, append(slices.Clone(t.urgents), t.mood), noted}, {t.caution, t.cautions, noted}}
}

// notesRoom is how high the notes may be, so that the trend has its least height.
func (r *Report) notesRoom(t *texts, noted style, top float64) float64 {
	return footLine - 12 - (top + 13 + 11 + r.legendHeight(t, noted) + 10 + leastChart + 14)
}

// leastNote is the smallest size that notes and legend are set in.
const leastNote = 5.9

// noted is how notes and legend are set: smaller where a language takes more room
// for many series than there is, since no caution may give way.
func (r *Report) noted(t *texts, top float64) style {
	noted := noteStyle
	for noted.size-0.3 >= leastNote {
		left := []notes{{t.warnings, []string{fmt.Sprintf(t.more, 9)}, noted}, r.reading(t, noted)}
		if max(heightOf(left), heightOf(safety(t, noted))) <= r.notesRoom(t, noted, top) {
			break
		}
		noted.size -= 0.3
	}
	return noted
}

// foot sets the notes in two columns on the foot of the page and gives the height
// at which they begin. Warnings are many at times: what has no room is counted.
func (r *Report) foot(page *element, t *texts, noted style, top float64) float64 {
	right := margin + noteWidth + gutter
	reading := r.reading(t, noted)
	warnings := r.warnings(t, noted, r.notesRoom(t, noted, top)-reading.height()-6)
	rightNotes := safety(t, noted)
	leftNotes := []notes{{t.warnings, warnings, noted}, reading}
	high := max(heightOf(leftNotes), heightOf(rightNotes))
	y := footLine - 12 - high
	page.add(artifact).rule(margin, y-4, pageWidth-margin, y-4, 0.6, pale)
	setNotes(page, leftNotes, margin, y+8)
	setNotes(page, rightNotes, right, y+8)
	page.add(paragraph).text(margin, footLine, smallTiny, start, fmt.Sprintf(t.footer, scoring.AlgorithmVersion))
	return y - 4
}

// notes are sentences under a heading.
type notes struct {
	heading   string
	sentences []string
	noted     style
}

const indent = 7.0

func (n notes) height() float64 {
	lines := 0
	for _, s := range n.sentences {
		lines += len(wrap(s, n.noted, noteWidth-indent))
	}
	return 12 + float64(lines)*n.noted.leading()
}

func heightOf(all []notes) (high float64) {
	for i, n := range all {
		if i > 0 {
			high += 6
		}
		high += n.height()
	}
	return high
}

func setNotes(page *element, all []notes, x, y float64) {
	for _, n := range all {
		page.add(heading2).text(x, y, style{9, true, deep}, start, n.heading)
		y += 12
		for _, s := range n.sentences {
			p := page.add(paragraph)
			p.text(x, y, n.noted, start, "•")
			y = p.wrapped(x+indent, y, noteWidth-indent, n.noted, s)
		}
		y += 6
	}
}

// warnings are those about the newest score and the trend, each once, as many as
// there is room for.
func (r *Report) warnings(t *texts, noted style, room float64) []string {
	all := make([]string, len(r.Newest.Warnings))
	for i, note := range r.Newest.Warnings {
		all[i] = t.said(note)
	}
	add := func(text string) {
		if text != "" && !slices.Contains(all, text) {
			all = append(all, text)
		}
	}
	sinceLast, _ := r.changes()
	if sinceLast != nil {
		for _, w := range sinceLast.Warnings {
			add(t.trendWarnings[w])
		}
	}
	for _, s := range r.series {
		for _, w := range s.Warnings() {
			add(capital(t.rater(s.Rater, s.Method)) + ": " + t.trendWarnings[w])
		}
	}
	if len(all) == 0 {
		return []string{t.noWarnings}
	}
	for n := len(all); n > 0; n-- {
		some := slices.Clone(all[:n])
		if n < len(all) {
			some = append(some, fmt.Sprintf(t.more, len(all)-n))
		}
		if (notes{"", some, noted}).height() <= room {
			return some
		}
	}
	return []string{fmt.Sprintf(t.more, len(all))}
}
