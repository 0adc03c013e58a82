package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/agreement"
	"tidemark.example/tidemark/scoring/trend"
)

// texts are all words of a report in one language. Where a text has places, they
// are numbered, so that a language may have them in its own order. English is
// written out; the others are made of the tables of questionnaire/languages, which
// a clinician reviews, and are English where a table has nothing.
type texts struct {
	// language is nil for English.
	language *languages.Language
	// tag is the language (BCP 47).
	tag string
	// decimal parts whole numbers from their fractions.
	decimal string
	// months are short names between bars; date has the day, the month's name and
	// the year.
	months string
	date   string
	// monthYear labels the time axis of a long trend.
	monthYear string

	title, about, subject, amended string
	// raters and methods are told apart everywhere.
	raters  [2]string
	methods [4]string
	signs   [scoring.SignCount]string
	seen    [scoring.AlsoSeenCount]string
	regions [scoring.RegionCount]string
	items   [agreement.ItemCount]string
	bands   [scoring.BandCount]string

	ofPoints, bandOf, noTotal, noTotalWhy, bonus string
	since                                        [4]string // the same, fell, rose, rose by more than 8.7
	sincePercent, reached                        string
	scaleAlt                                     string

	working, workingColumns          string
	partExtent, partSigns, partItch  string
	answeredExtent, answeredSubjects string
	notAnswered, alsoSeen            string

	body, bodyAlt, front, back, right, left, region, genitals, noMap string

	both, bothColumns, bothDates, noPair string

	trend, trendPeriod, trendAlt, noTrend, mark, markNone string
	latest, slope, slopeNone, mean                        string
	directions                                            map[trend.Direction]string
	roseMark, fellMark, slopeLine                         string

	warnings, noWarnings, more string
	trendWarnings              map[trend.Warning]string
	reading                    string
	readings                   []string
	caution                    string
	cautions                   []string
	urgent                     string
	urgents                    []string
	mood                       string
	conclusion                 string
	retracted                  string
	footer                     string
}

// all are those of every language, by its code.
var all = sync.OnceValue(func() map[string]*texts {
	made := map[string]*texts{english.tag: english}
	for _, l := range languages.All() {
		if made[l.Code] == nil {
			made[l.Code] = translated(l)
		}
	}
	return made
})

// Languages are the tags that PDF and SVG take.
func Languages() []string { return slices.Sorted(maps.Keys(all())) }

// textsOf are those of a language, English where it is not known.
func textsOf(language string) *texts {
	if t := all()[language]; t != nil {
		return t
	}
	return english
}

// fiftieths writes a value with two decimals, a negative one with a minus sign.
func (t *texts) fiftieths(value int64) string {
	sign := ""
	if value < 0 {
		sign, value = "\u2212", -value
	}
	return sign + t.localised(scoring.Points(value).String())
}

// signed writes a difference, with a plus where it is one.
func (t *texts) signed(value int64) string {
	if value > 0 {
		return "+" + t.fiftieths(value)
	}
	return t.fiftieths(value)
}

// answer writes a value as it was answered: whole, or with one decimal; more only
// where it has more.
func (t *texts) answer(value int64) string {
	text := t.fiftieths(value)
	text = strings.TrimSuffix(text, "0")
	return strings.TrimSuffix(text, t.decimal+"0")
}

// tenth is a value as a form takes it, with one decimal.
func (t *texts) tenth(value int64) string { return strings.TrimSuffix(t.fiftieths(value), "0") }

func (t *texts) localised(number string) string { return strings.Replace(number, ".", t.decimal, 1) }

// day writes a calendar day.
func (t *texts) day(day int64) string {
	date := timeOf(day)
	return fmt.Sprintf(t.date, date.Day(), t.month(date.Month()), date.Year())
}

// month is the short name of a month.
func (t *texts) month(m time.Month) string { return strings.Split(t.months, "|")[m-1] }

// rater of a rating with its method.
func (t *texts) rater(rater scoring.Rater, method scoring.Method) string {
	return t.raters[rater] + ", " + t.methods[method]
}
