package api

import (
	"fmt"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
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
}

// raterNames are how the two kinds of rater are called.
var raterNames = map[scoring.Rater]string{scoring.RatedBySelf: "patient or carer", scoring.RatedByClinician: "clinician"}

// card tells numbers and their age, and what to keep in mind, and nothing else.
func (in cardInput) card(uuid string) card {
	all := in.newestFirst()
	made := card{UUID: uuid, Indicator: "info", Source: scoradSource, Summary: in.summary(all)}
	var detail strings.Builder
	for _, one := range all {
		in.section(&detail, one)
		made.Links = append(made.Links, cardLink{"The report on the score by " + raterNames[one.rater] + " (FHIR DiagnosticReport)", in.base + "/DiagnosticReport/" + strings.TrimPrefix(one.key, "Observation/"), "absolute"})
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

// summary is one sentence; the change gives way where it would be too long.
func (in cardInput) summary(all []*standing) string {
	last := all[0]
	text := in.value(last) + " by " + raterNames[last.rater] + ", " + in.age(last)
	rest := ""
	if len(all) > 1 {
		rest = "; by " + raterNames[all[1].rater] + " " + strings.TrimPrefix(in.value(all[1]), "SCORAD ") + ", " + in.age(all[1])
	}
	if change := last.movement(); len(text)+len(change)+len(rest) <= maxSummary {
		text += change
	}
	return text + rest
}

// value is a score with its band, or the objective one where there is no total.
func (in cardInput) value(one *standing) string {
	if total := one.value(observation.Total); total.Answered {
		return fmt.Sprintf("SCORAD %s (%s)", scoring.Points(total.Value), in.band(scoring.Points(total.Value)))
	}
	if objective := one.value(scoring.OfObjective.String()); objective.Answered {
		return fmt.Sprintf("objective SCORAD %s (no total)", scoring.Points(objective.Value))
	}
	return "SCORAD without a value"
}

func (in cardInput) band(p scoring.Points) string {
	return strings.ToLower(questionnaire.Display(questionnaire.BandSystem, in.bands.Band(p).String()))
}

// movement is the change in few words, "" if it is not known.
func (one *standing) movement() string {
	if one.change == nil {
		return ""
	}
	switch by := one.change.Points(); {
	case by > 0:
		return ", up " + by.String()
	case by < 0:
		return ", down " + (-by).String()
	}
	return ", unchanged"
}

// days is how many calendar days ago a score was rated, by the clock of where it
// was; less than 0 for one dated ahead.
func (in cardInput) days(one *standing) int64 {
	return dayOf(in.now.In(one.at.Location())) - one.day
}

func (in cardInput) age(one *standing) string {
	switch days := in.days(one); {
	case days < 0:
		return "dated " + dateOf(one.day)
	case days == 0:
		return "today"
	case days == 1:
		return "yesterday"
	default:
		return fmt.Sprintf("%d days ago", days)
	}
}

// recallDays are those before a rating that it speaks of.
const recallDays = 3

// section tells all of one score in Markdown. Nothing in it is text that was sent.
func (in cardInput) section(b *strings.Builder, one *standing) {
	fmt.Fprintf(b, "**Rated by %s, %s (%s)**\n\n", raterNames[one.rater], dateOf(one.day), in.age(one))
	if total := one.value(observation.Total); total.Answered {
		points := scoring.Points(total.Value)
		r, _ := in.bands.Range(in.bands.Band(points))
		fmt.Fprintf(b, "- SCORAD %s of 103, band %s (%s to %s, band set %s)\n", points, in.band(points), r.Low, r.High, in.bands.Name)
	} else {
		b.WriteString("- No SCORAD: itch or sleep loss was not answered, so that there is no total and no band\n")
	}
	for _, part := range []struct{ code, text string }{
		{scoring.OfObjective.String(), "Objective SCORAD %s of 83"}, {"extent-part", "Extent: %s of 20"}, {"intensity-part", "Intensity of the signs: %s of 63"}, {"subjective-part", "Itch and sleep loss: %s of 20"},
	} {
		if value := one.value(part.code); value.Answered {
			fmt.Fprintf(b, "- "+part.text+"\n", scoring.Points(value.Value))
		}
	}
	in.comparison(b, one)
	if one.amended {
		b.WriteString("- Corrected after it was first sent\n")
	}
	if in.days(one) > recallDays {
		b.WriteString("- A rating looks back on three days: this one says nothing of the days since\n")
	}
	b.WriteString("\n")
}

// comparison tells the change as two numbers.
func (in cardInput) comparison(b *strings.Builder, one *standing) {
	switch {
	case one.change != nil:
		fmt.Fprintf(b, "- %s It was %s then, by the same kind of rater and the same way of giving the extent.\n", (&trendInput{}).statement(*one.change), one.change.From.Points)
		for _, w := range one.change.Warnings {
			fmt.Fprintf(b, "- %s\n", w.Text())
		}
	case one.value(observation.Total).Answered:
		b.WriteString("- There is no earlier score by the same kind of rater and the same way of giving the extent to compare with\n")
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
	return "*" + strings.Join(texts, "*\n\n*") + "*\n"
}
