package report

import (
	"maps"
	"slices"
	"strings"

	"golang.org/x/text/cases"
	"golang.org/x/text/language"

	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
)

// translated makes the texts of a language: each English one through the table.
func translated(l *languages.Language) *texts {
	t := *english
	t.language, t.tag, t.decimal = l, l.Code, l.Number(".")
	if l.Code == "de" {
		t.date = "%[1]d. %[2]s %[3]d" // as all write it but for the point behind the day
	}
	t.readings, t.cautions, t.urgents = slices.Clone(t.readings), slices.Clone(t.cautions), slices.Clone(t.urgents)
	for _, text := range t.words() {
		*text = unbroken.Replace(l.Text(*text))
	}
	t.directions, t.trendWarnings = maps.Clone(t.directions), maps.Clone(t.trendWarnings)
	for direction, text := range t.directions {
		t.directions[direction] = l.Text(text)
	}
	for warning, text := range t.trendWarnings {
		t.trendWarnings[warning] = l.Text(text)
	}
	lower := cases.Lower(language.Make(l.Code))
	for band := range t.bands {
		if text, ok := l.Translated(t.bands[band]); ok {
			t.bands[band] = text
			continue
		}
		// The words are those of the code system, within a sentence.
		t.bands[band] = lower.String(l.Band(questionnaire.Display(questionnaire.BandSystem, scoring.Band(band).String())))
	}
	return &t
}

// unbroken keeps a mark with the word before it, as French sets them, when a line
// ends there.
var unbroken = strings.NewReplacer(" :", "\u00a0:", " ;", "\u00a0;", " ?", "\u00a0?", " !", "\u00a0!")

// words are all texts that stand by themselves or in a list.
func (t *texts) words() []*string {
	list := []*string{
		&t.months, &t.title, &t.about, &t.subject, &t.amended,
		&t.ofPoints, &t.bandOf, &t.noTotal, &t.noTotalWhy, &t.bonus, &t.reached, &t.scaleAlt,
		&t.working, &t.workingColumns, &t.partExtent, &t.partSigns, &t.partItch, &t.answeredExtent, &t.answeredSubjects,
		&t.notAnswered, &t.alsoSeen, &t.body, &t.bodyAlt, &t.front, &t.back, &t.right, &t.left, &t.genitals, &t.noMap,
		&t.both, &t.bothColumns, &t.bothDates, &t.noPair,
		&t.trend, &t.trendPeriod, &t.trendAlt, &t.noTrend, &t.mark, &t.markNone, &t.latest, &t.slope, &t.slopeNone, &t.mean,
		&t.roseMark, &t.fellMark, &t.slopeLine,
		&t.warnings, &t.noWarnings, &t.more, &t.reading, &t.caution, &t.urgent, &t.mood, &t.conclusion, &t.retracted, &t.footer,
	}
	for _, many := range [][]string{t.raters[:], t.methods[:], t.signs[:], t.seen[:], t.regions[:], t.items[:], t.since[:], t.readings, t.cautions, t.urgents} {
		for i := range many {
			list = append(list, &many[i])
		}
	}
	return list
}

// said is a note that a score carries, in the language where the table has it: it
// was written in that of the response.
func (t *texts) said(note string) string {
	if t.language == nil {
		return note
	}
	return t.language.Text(strings.TrimSpace(note))
}
