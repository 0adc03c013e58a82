package report

import (
	"fmt"
	"slices"
	"strings"

	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/agreement"
	"tidemark.example/tidemark/scoring/trend"
)

// texts are all words of a report in one language. Where a text has places, they
// are numbered, so that a language may have them in its own order. A language is
// added as one value of this type in languages; a test wants every field of it.
type texts struct {
	// tag is the language (BCP 47).
	tag string
	// decimal parts whole numbers from their fractions.
	decimal string
	// months are short names; date has the day, the month's name and the year.
	months [12]string
	date   string
	// monthYear labels the time axis of a long trend.
	monthYear string

	title, about, asOf, subject, amended string
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
	scale, scaleAlt                              string

	working, workingColumns          string
	partExtent, partSigns, partItch  string
	answeredExtent, answeredSubjects string
	notAnswered, sum, alsoSeen       string

	body, bodyAlt, front, back, right, left, region, genitals, noMap string

	both, bothColumns, bothDates, noPair string

	trend, trendPeriod, trendAlt, noTrend, mark, markNone string
	latest, slope, slopeNone, mean                        string
	directions                                            map[trend.Direction]string
	roseMark, fellMark, slopeLine                         string
	pointsAxis                                            string

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

// languages are those that a report is written in, by tag.
var languages = map[string]*texts{"en": english}

// Languages are the tags that PDF and SVG take.
func Languages() []string {
	var tags []string
	for tag := range languages {
		tags = append(tags, tag)
	}
	slices.Sort(tags)
	return tags
}

// textsOf are those of a language, English where it is not known.
func textsOf(language string) *texts {
	if t := languages[language]; t != nil {
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
	return fmt.Sprintf(t.date, date.Day(), t.months[date.Month()-1], date.Year())
}

// rater of a rating with its method.
func (t *texts) rater(rater scoring.Rater, method scoring.Method) string {
	return t.raters[rater] + ", " + t.methods[method]
}
