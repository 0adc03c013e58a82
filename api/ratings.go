package api

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/scoring"
)

// rating is a stored score as trends and agreement see it.
type rating struct {
	// key is Observation/[id], patient what its patient is found by, respondent
	// what who rated is.
	key, patient, respondent string
	// at is when it was rated and written how that was told; day is the calendar day
	// of that in its own offset, since 1970-01-01.
	at       time.Time
	written  string
	day      int64
	rater    scoring.Rater
	method   scoring.Method
	measures []observation.Measure
	// amended says that the score was corrected, retracted that it was taken back;
	// notes are those it carries, and modified is when it was stored so.
	amended, retracted bool
	notes              []string
	modified           time.Time
}

// ratings finds the scores of a patient that count, or of all whom the request
// may see if the patient is "", but refuses more than most. They are in no order.
func (s *Server) ratings(ctx context.Context, patient string, days dayRange, most int) ([]rating, error) {
	return ratingsIn(ctx, s.options.Store, s.options.BaseURL, patient, days, most)
}

// ratingsIn finds those of a store.
func ratingsIn(ctx context.Context, in store.Store, base, patient string, days dayRange, most int) ([]rating, error) {
	query := store.Query{Type: "Observation", NotStatuses: []string{retracted, "cancelled"}, Sort: store.ByTime, Limit: maxCount, Times: days.times()}
	if patient != "" {
		query.Patients = []string{patient}
	}
	var all []rating
	for {
		page, err := in.Search(ctx, query)
		if err != nil {
			return nil, stored(ctx, err)
		}
		for _, r := range page.Resources {
			one, known, err := ratingOf(r, base)
			if err != nil {
				return nil, stored(ctx, err)
			}
			if known {
				all = append(all, one)
			}
		}
		if len(all) > most {
			return nil, fail(http.StatusUnprocessableEntity, fhir.IssueTooCostly, "There are too many scores for this operation; name a shorter period.")
		}
		if query.After = page.Next; page.Next == "" {
			return all, nil
		}
	}
}

// ratingOf reads a score; known is false for a method that is none of ours.
func ratingOf(r store.Resource, base string) (one rating, known bool, err error) {
	document, err := fhir.Decode(r.Body)
	if err != nil {
		return rating{}, false, err
	}
	defer document.Release()
	root := document.Root()
	end := root.Get("effectivePeriod").Get("end")
	date, err := fhir.ParseDateTime(end.Bytes())
	if err != nil {
		return rating{}, false, err
	}
	one = rating{
		key: r.Key.String(), patient: patientKey(root.Get("subject"), base), at: date.Time, written: end.Text(), day: dayOf(date.Time),
		measures: observation.MeasuresOf(root), amended: root.Get("status").Is(amended), retracted: root.Get("status").Is(retracted), modified: r.LastUpdated,
	}
	for note := range root.Each("note") {
		one.notes = append(one.notes, note.Get("text").Text())
	}
	if n := len(one.notes); n > 0 {
		one.notes = one.notes[:n-1] // the last is the caution, in whatever language
	}
	if performer := root.Get("performer"); performer.Exists() {
		one.respondent = patientKey(performer, base)
	}
	one.rater, one.method, known = methodOf(root.Get("method").Get("coding").Get("code").Text())
	return one, known, nil
}

// methodOf takes the code of a method apart.
func methodOf(code string) (scoring.Rater, scoring.Method, bool) {
	for _, rater := range []scoring.Rater{scoring.RatedBySelf, scoring.RatedByClinician} {
		for _, method := range []scoring.Method{scoring.ByRegions, scoring.ByHands, scoring.ByDirect} {
			if code == rater.String()+"-"+method.String() {
				return rater, method, true
			}
		}
	}
	return 0, 0, false
}

// value of a code in fiftieths.
func (r *rating) value(code string) scoring.Optional[int64] {
	for _, m := range r.measures {
		if m.Code == code {
			return scoring.Answer(m.Fiftieths)
		}
	}
	return scoring.Optional[int64]{}
}

// regions are the percents of its drawing.
func (r *rating) regions() (drawn [scoring.RegionCount]scoring.Optional[uint8]) {
	for i := range drawn {
		if percent := r.value("extent-" + scoring.Region(i).String()); percent.Answered {
			drawn[i] = scoring.Answer(uint8(percent.Value / scoring.PointsPerUnit))
		}
	}
	return drawn
}

// dayOf is the calendar day of a time in its own offset.
func dayOf(t time.Time) int64 {
	year, month, day := t.Date()
	return time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix() / secondsPerDay
}

// dateOf writes a day as a FHIR date.
func dateOf(day int64) string {
	return time.Unix(day*secondsPerDay, 0).UTC().Format(time.DateOnly)
}

const secondsPerDay = 24 * 60 * 60

// dayRange are the days from the first to the last, both included.
type dayRange struct{ first, last int64 }

// The days that FHIR dates can name, years 1 to 9999.
const (
	firstDay = -719162
	lastDay  = 2932896
)

var anyDay = dayRange{firstDay, lastDay}

func (d dayRange) has(day int64) bool { return day >= d.first && day <= d.last }

// times narrows a search to the days; those of other offsets begin and end up to
// a day earlier or later.
func (d dayRange) times() (ranges []store.TimeRange) {
	if d.first > firstDay {
		low := time.Unix((d.first-1)*secondsPerDay, 0).UTC()
		ranges = append(ranges, store.TimeRange{Prefix: store.GreaterOrEqual, Low: low, High: low})
	}
	if d.last < lastDay {
		high := time.Unix((d.last+2)*secondsPerDay, 0).UTC()
		ranges = append(ranges, store.TimeRange{Prefix: store.LessOrEqual, Low: high, High: high})
	}
	return ranges
}

// readDays reads the parameters start and end.
func readDays(values url.Values) (dayRange, error) {
	days := anyDay
	start, err := readDay(values, "start", days)
	if err != nil {
		return days, err
	}
	end, err := readDay(values, "end", days)
	if err != nil {
		return days, err
	}
	if days = (dayRange{start.first, end.last}); days.last < days.first {
		return days, badInput(fhir.IssueValue, "The period ends before it starts.")
	}
	return days, nil
}

// readDay reads a date, of which all days count; without it those given.
func readDay(values url.Values, name string, otherwise dayRange) (dayRange, error) {
	text := values.Get(name)
	if text == "" {
		return otherwise, nil
	}
	date, err := fhir.ParseDateTime([]byte(text))
	if err != nil || date.Precision > fhir.ToDay {
		return otherwise, badInput(fhir.IssueValue, name+" must be a date, as 2026-03-31.")
	}
	first, last := date.Range()
	return dayRange{dayOf(first), dayOf(last)}, nil
}

// readPatient reads whom an operation is about, as stats does; "" for nobody.
func (s *Server) readPatient(values url.Values) string {
	text := values.Get("patient")
	if text == "" {
		return ""
	}
	if patient := localReference(text, s.options.BaseURL); strings.Contains(patient, "/") {
		return patient
	}
	return "Patient/" + text
}

// onlyKnown refuses parameters that an operation does not take, and those given
// twice.
func onlyKnown(operation string, values url.Values, known ...string) error {
	for name, all := range values {
		if !slices.Contains(append(known, "_format", "_pretty"), name) {
			return badInput(fhir.IssueNotSupported, "$"+operation+" does not take the parameter "+clipName(name)+". It takes "+strings.Join(known, ", ")+".")
		}
		if len(all) > 1 {
			return badInput(fhir.IssueValue, "$"+operation+" takes the parameter "+clipName(name)+" once.")
		}
	}
	return nil
}
