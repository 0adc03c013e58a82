package api

import (
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/language"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
)

// cdsAnswer is the answer to a call (CDS Hooks 2.0, CDS Service Response).
type cdsAnswer struct {
	Cards []card `json:"cards"`
}

// card is one card; nothing in it is empty. It has no suggestions: a score
// chooses no treatment.
type card struct {
	UUID      string     `json:"uuid"`
	Summary   string     `json:"summary"`
	Detail    string     `json:"detail"`
	Indicator string     `json:"indicator"`
	Source    cardSource `json:"source"`
	Links     []cardLink `json:"links"`
}

type cardSource struct {
	Label string `json:"label"`
	URL   string `json:"url"`
}

type cardLink struct {
	Label string `json:"label"`
	URL   string `json:"url"`
	Type  string `json:"type"`
}

// maxSummary is the longest summary in characters (CDS Hooks 2.0, Card
// Attributes: fewer than 140).
const maxSummary = 139

// scoradSource is where the index was published.
var scoradSource = cardSource{"SCORAD (ETFAD, Dermatology 1993;186:23-31), by Tidemark", "https://doi.org/10.1159/000247298"}

// cardInput is all that a card is made from; one of self and clinician may be nil.
type cardInput struct {
	self, clinician *standing
	bands           scoring.BandSet
	now             time.Time
	base            string
	language        *languages.Language
}

// raterSays are the sentences of a card that name who rated.
type raterSays struct{ first, second, heading, link string }

// saidOf are those of the two kinds of rater; names in braces are filled in.
var saidOf = map[scoring.Rater]raterSays{
	scoring.RatedBySelf: {"{value} by patient or carer, {age}", "by patient or carer {value}, {age}", "Rated by patient or carer, {date} ({age})",
		"The report on the score by patient or carer (FHIR DiagnosticReport)"},
	scoring.RatedByClinician: {"{value} by clinician, {age}", "by clinician {value}, {age}", "Rated by clinician, {date} ({age})",
		"The report on the score by clinician (FHIR DiagnosticReport)"},
}

// fill puts values into an English sentence as the language has it.
func (in cardInput) fill(english string, values ...string) string {
	return languages.Fill(in.language.Text(english), values...)
}

// points writes points with the separator of the language.
func (in cardInput) points(p scoring.Points) string { return in.language.Number(p.String()) }

// card tells numbers and their age, and what to keep in mind, and nothing else.
func (in cardInput) card(uuid string) card {
	all := in.newestFirst()
	made := card{UUID: uuid, Indicator: "info", Source: scoradSource, Summary: in.summary(all)}
	var detail strings.Builder
	for _, one := range all {
		in.section(&detail, one)
		made.Links = append(made.Links, cardLink{in.fill(saidOf[one.rater].link), in.base + "/DiagnosticReport/" + strings.TrimPrefix(one.key, "Observation/"), "absolute"})
	}
	detail.WriteString(in.cautions(all))
	made.Detail = detail.String()
	return made
}

func (in cardInput) newestFirst() []*standing {
	switch {
	case in.clinician == nil:
		return []*standing{in.self}
	case in.self == nil:
		return []*standing{in.clinician}
	case in.clinician.at.After(in.self.at):
		return []*standing{in.clinician, in.self}
	}
	return []*standing{in.self, in.clinician}
}

// summary is one sentence; the change gives way where it would be too long, and
// then the other rating, which the detail has.
func (in cardInput) summary(all []*standing) string {
	last := all[0]
	text := in.fill(saidOf[last.rater].first, "value", in.value(last), "age", in.age(last))
	change, rest := in.movement(last), ""
	if len(all) > 1 {
		rest = "; " + in.fill(saidOf[all[1].rater].second, "value", strings.TrimPrefix(in.value(all[1]), "SCORAD "), "age", in.age(all[1]))
	}
	for _, candidate := range []string{text + change + rest, text + rest, text + change} {
		if utf8.RuneCountInString(candidate) <= maxSummary {
			return candidate
		}
	}
	return text
}

// value is a score with its band, or the objective one where there is no total.
func (in cardInput) value(one *standing) string {
	if total := one.value(observation.Total); total.Answered {
		return "SCORAD " + in.points(scoring.Points(total.Value)) + " (" + in.band(scoring.Points(total.Value)) + ")"
	}
	if objective := one.value(scoring.OfObjective.String()); objective.Answered {
		return in.fill("objective SCORAD {score} (no total)", "score", in.points(scoring.Points(objective.Value)))
	}
	return in.fill("SCORAD without a value")
}

func (in cardInput) band(p scoring.Points) string {
	name := in.language.Band(questionnaire.Display(questionnaire.BandSystem, in.bands.Band(p).String()))
	return cases.Lower(language.Make(in.language.Code)).String(name)
}

// movement is the change in few words, "" if it is not known.
func (in cardInput) movement(one *standing) string {
	if one.change == nil {
		return ""
	}
	switch by := one.change.Points(); {
	case by > 0:
		return ", " + in.fill("up {points}", "points", in.points(by))
	case by < 0:
		return ", " + in.fill("down {points}", "points", in.points(-by))
	}
	return ", " + in.fill("unchanged")
}

// days is how many calendar days ago a score was rated, by the clock of where it
// was; less than 0 for one dated ahead.
func (in cardInput) days(one *standing) int64 {
	return dayOf(in.now.In(one.at.Location())) - one.day
}

func (in cardInput) age(one *standing) string {
	switch days := in.days(one); {
	case days < 0:
		return in.fill("dated {date}", "date", dateOf(one.day))
	case days == 0:
		return in.fill("today")
	case days == 1:
		return in.fill("yesterday")
	default:
		return in.language.Plural("{n} days ago", strconv.FormatInt(days, 10))
	}
}

// recallDays are those before a rating that it speaks of.
const recallDays = 3

// section tells all of one score in Markdown. Nothing in it is text that was sent.
func (in cardInput) section(b *strings.Builder, one *standing) {
	point := func(text string) { b.WriteString("- " + text + "\n") }
	b.WriteString("**" + in.fill(saidOf[one.rater].heading, "date", dateOf(one.day), "age", in.age(one)) + "**\n\n")
	if total := one.value(observation.Total); total.Answered {
		points := scoring.Points(total.Value)
		r, _ := in.bands.Range(in.bands.Band(points))
		point(in.fill("SCORAD {score} of 103, band {band} ({low} to {high}, band set {set})",
			"score", in.points(points), "band", in.band(points), "low", in.points(r.Low), "high", in.points(r.High), "set", in.bands.Name))
	} else {
		point(in.fill("No SCORAD: itch or sleep loss was not answered, so that there is no total and no band"))
	}
	for _, part := range []struct{ code, text string }{
		{scoring.OfObjective.String(), "Objective SCORAD {score} of 83"}, {"extent-part", "Extent: {score} of 20"},
		{"intensity-part", "Intensity of the signs: {score} of 63"}, {"subjective-part", "Itch and sleep loss: {score} of 20"},
	} {
		if value := one.value(part.code); value.Answered {
			point(in.fill(part.text, "score", in.points(scoring.Points(value.Value))))
		}
	}
	in.comparison(point, one)
	if one.amended {
		point(in.fill("Corrected after it was first sent"))
	}
	if in.days(one) > recallDays {
		point(in.fill("A rating looks back on three days: this one says nothing of the days since"))
	}
	b.WriteString("\n")
}

// comparison tells the change as two numbers.
func (in cardInput) comparison(point func(string), one *standing) {
	switch {
	case one.change != nil:
		point(changeIn(in.language, *one.change, true) + " " +
			in.fill("It was {score} then, by the same kind of rater and the same way of giving the extent.", "score", in.points(one.change.From.Points)))
		for _, w := range one.change.Warnings {
			point(in.fill(w.Text()))
		}
	case one.value(observation.Total).Answered:
		point(in.fill("There is no earlier score by the same kind of rater and the same way of giving the extent to compare with"))
	}
}

// cautions end every card.
func (in cardInput) cautions(all []*standing) string {
	texts := []string{observation.Caution, "A band is a convention of experts, and no band or number says that all is well.", cautions()[2]}
	if len(all) > 1 {
		texts = append(texts, agreementCaution)
	}
	for _, one := range all {
		if one.change != nil {
			texts = append(texts, trendCaution)
			break
		}
	}
	for i, text := range texts {
		texts[i] = in.fill(text)
	}
	return "*" + strings.Join(texts, "*\n\n*") + "*\n"
}
