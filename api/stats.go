package api

import (
	"context"
	"encoding/json"
	"fmt"
	"math/big"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	models "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// maxSample is the most scores that one call of $stats reads.
const maxSample = 5000

// statsInput is what $stats is asked for.
type statsInput struct {
	patient, subject string
	// codes are ours; asked is how each was named.
	codes      []string
	asked      []models.Coding
	statistics []string
	// from and to bound the time of rating; zero is open.
	from, to time.Time
	include  bool
	limit    int
}

// stats answers R4's own statistics of the scores of a patient, or of their
// parts (R4 observation-operation-stats.html). Scores that were entered in error
// or cancelled do not count.
func (s *Server) stats(c *gin.Context) (reply, error) {
	values, err := s.operationInput(c)
	if err != nil {
		return reply{}, err
	}
	in, err := s.readStats(values, c.Request.Method == http.MethodGet || c.Request.Method == http.MethodHead)
	if err != nil {
		return reply{}, err
	}
	scores, err := s.sampled(c.Request.Context(), in)
	if err != nil {
		return reply{}, err
	}
	body := []byte(`{"resourceType":"Parameters","parameter":[`)
	for i := range in.codes {
		made, err := json.Marshal(in.statistic(i, scores))
		if err != nil {
			return reply{}, fmt.Errorf("api: writing statistics: %w", err)
		}
		body = append(append(append(body, `{"name":"statistics","resource":`...), made...), `},`...)
	}
	for _, one := range in.sources(scores) {
		body = append(append(append(body, `{"name":"source","resource":`...), one.Body...), `},`...)
	}
	body[len(body)-1] = ']'
	return reply{status: http.StatusOK, body: append(body, '}')}, nil
}

// sources are the scores to be returned: the latest, if there is a limit.
func (in *statsInput) sources(scores []rated) []rated {
	if !in.include {
		return nil
	}
	return scores[max(0, len(scores)-in.limit):]
}

// readStats reads the parameters. Coding and Period are no primitives, which
// alone can be given in a URL (R4 operations.html 3.2.0.1).
func (s *Server) readStats(values url.Values, inURL bool) (*statsInput, error) {
	for name := range values {
		complex := name == "coding" || strings.HasPrefix(name, "period")
		known := slices.Contains([]string{"subject", "code", "system", "coding", "duration", "period.start", "period.end", "statistic", "include", "limit", "_format", "_pretty"}, name)
		if !known || complex && inURL {
			return nil, badInput(fhir.IssueNotSupported, "$stats does not take the parameter "+clipName(name)+" here; coding and period go into Parameters that are posted.")
		}
	}
	in := &statsInput{subject: values.Get("subject"), statistics: values["statistic"], limit: maxCount}
	if in.subject == "" {
		return nil, badInput(fhir.IssueRequired, "$stats needs a subject, as Patient/[id].")
	}
	if in.patient = localReference(in.subject, s.options.BaseURL); !strings.Contains(in.patient, "/") {
		in.patient = "Patient/" + in.patient
	}
	for _, read := range []func(url.Values) error{in.readCodes, in.readStatistics, in.readPeriod, in.readInclude} {
		if err := read(values); err != nil {
			return nil, err
		}
	}
	return in, nil
}

// readCodes finds our own codes of what is asked for; of a code without a system
// any system will do.
func (in *statsInput) readCodes(values url.Values) error {
	codings := values["coding"]
	for _, code := range values["code"] {
		codings = append(codings, values.Get("system")+"|"+code)
	}
	if len(codings) == 0 {
		return badInput(fhir.IssueRequired, "$stats needs a code, such as scorad or objective, or a coding.")
	}
	if len(codings) > maxCriteria {
		return badInput(fhir.IssueTooCostly, "$stats takes fewer codes at once.")
	}
	for _, coding := range codings {
		system, code, _ := strings.Cut(coding, "|")
		if code == "" {
			return badInput(fhir.IssueValue, "A code of $stats is empty.")
		}
		own := ""
		if found := questionnaire.OwnCodes(system, code); len(found) > 0 {
			own = found[0]
		}
		asked := models.Coding{Code: &code}
		if system != "" {
			asked.System = &system
		} else if own == code {
			asked.System = ptr(questionnaire.ScoradSystem)
		}
		in.codes, in.asked = append(in.codes, own), append(in.asked, asked)
	}
	return nil
}

func (in *statsInput) readStatistics(url.Values) error {
	if len(in.statistics) == 0 {
		return badInput(fhir.IssueRequired, "$stats needs at least one statistic, such as average.")
	}
	for _, code := range in.statistics {
		if _, known := statistics[code]; !known && code != regression {
			return badInput(fhir.IssueCodeInvalid, "A statistic is none of http://hl7.org/fhir/ValueSet/observation-statistics.")
		}
	}
	slices.Sort(in.statistics)
	in.statistics = slices.Compact(in.statistics)
	return nil
}

// maxHours is how far back a duration may reach: two hundred years.
const maxHours = 200 * 366 * 24

func (in *statsInput) readPeriod(values url.Values) error {
	if text := values.Get("duration"); text != "" {
		if len(text) > maxNumber || !number.MatchString(text) {
			return badInput(fhir.IssueValue, "duration must be a number of hours.")
		}
		hours, _ := new(big.Rat).SetString(text) // as the pattern has it
		if hours.Sign() <= 0 || hours.Cmp(big.NewRat(maxHours, 1)) > 0 {
			return badInput(fhir.IssueValue, "duration must be a positive number of hours, of 200 years at most.")
		}
		millis := floor(hours.Mul(hours, big.NewRat(time.Hour.Milliseconds(), 1)))
		in.to = time.Now().UTC()
		in.from = in.to.Add(-time.Duration(millis) * time.Millisecond)
		return nil
	}
	for name, bound := range map[string]*time.Time{"period.start": &in.from, "period.end": &in.to} {
		if text := values.Get(name); text != "" {
			low, high, err := searchDate(text)
			if err != nil {
				return badInput(fhir.IssueValue, "The period must have dates.")
			}
			if *bound = low; name == "period.end" {
				*bound = high
			}
		}
	}
	if !in.to.IsZero() && in.to.Before(in.from) {
		return badInput(fhir.IssueValue, "The period ends before it starts.")
	}
	return nil
}

// readInclude reads include and limit; a limit without it is ignored, as R4 has
// it.
func (in *statsInput) readInclude(values url.Values) error {
	switch values.Get("include") {
	case "", "false":
		return nil
	case "true":
		in.include = true
	default:
		return badInput(fhir.IssueValue, "include must be true or false.")
	}
	if text := values.Get("limit"); text != "" {
		var err error
		in.limit, err = mostOf(text)
		if err != nil {
			return badInput(fhir.IssueValue, "limit must be a whole number from 1.")
		}
	}
	return nil
}

// rated is a score with its time and its values.
type rated struct {
	timed
	measures []observation.Measure
}

// sampled finds the scores that count, in order of time.
func (s *Server) sampled(ctx context.Context, in *statsInput) ([]rated, error) {
	query := store.Query{Type: "Observation", Patients: []string{in.patient}, NotStatuses: []string{retracted, "cancelled"}, Sort: store.ByTime, Limit: maxCount}
	// The period rated ends within the one asked for, so it reaches beyond its
	// start and begins before its end.
	if !in.from.IsZero() {
		query.Times = append(query.Times, store.TimeRange{Prefix: store.GreaterOrEqual, Low: in.from, High: in.from})
	}
	if !in.to.IsZero() {
		query.Times = append(query.Times, store.TimeRange{Prefix: store.LessOrEqual, Low: in.to, High: in.to})
	}
	var all []rated
	for {
		page, err := s.options.Store.Search(ctx, query)
		if err != nil {
			return nil, stored(ctx, err)
		}
		for _, r := range page.Resources {
			one, err := measuredOf(r)
			if err != nil {
				return nil, stored(ctx, err)
			}
			if !one.end.Before(in.from) && (in.to.IsZero() || !one.end.After(in.to)) {
				all = append(all, one)
			}
		}
		if len(all) > maxSample {
			return nil, fail(http.StatusUnprocessableEntity, fhir.IssueTooCostly, "There are too many scores for statistics; name a shorter period.")
		}
		if query.After = page.Next; page.Next == "" {
			break
		}
	}
	slices.SortStableFunc(all, func(a, b rated) int { return a.end.Compare(b.end) })
	return all, nil
}

// measuredOf reads the values of a score.
func measuredOf(r store.Resource) (rated, error) {
	one, err := effective(r)
	if err != nil {
		return rated{}, err
	}
	document, err := fhir.Decode(r.Body)
	if err != nil {
		return rated{}, err
	}
	defer document.Release()
	return rated{one, observation.MeasuresOf(document.Root())}, nil
}

// of is the value of a code, if the score has it as a quantity.
func (r *rated) of(code string) (observation.Measure, bool) {
	at := slices.IndexFunc(r.measures, func(m observation.Measure) bool { return m.Code == code && m.Unit != observation.Yes })
	if at < 0 {
		return observation.Measure{}, false
	}
	return r.measures[at], true
}

// statistic makes the Observation of one code.
func (in *statsInput) statistic(i int, scores []rated) models.Observation {
	var values, days []int64
	unit := observation.Score
	start := in.from
	if start.IsZero() && len(scores) > 0 {
		start = scores[0].end
	}
	for _, one := range scores {
		if m, ok := one.of(in.codes[i]); ok {
			values, unit = append(values, m.Fiftieths), m.Unit
			days = append(days, one.end.Sub(start).Milliseconds())
		}
	}
	o := models.Observation{
		Status: models.ObservationStatusFinal, Code: models.CodeableConcept{Coding: []models.Coding{in.asked[i]}},
		Subject: &models.Reference{Reference: &in.subject}, EffectivePeriod: in.period(scores),
	}
	sample := scoring.NewSample(values)
	for _, code := range in.statistics {
		switch {
		case code == "total-count":
			o.Component = append(o.Component, component(code, "", big.NewRat(int64(len(scores)), 1), "1", "1"))
		case code == regression:
			intercept, gradient := scoring.Regression(days, values)
			if gradient != nil {
				gradient.Mul(gradient, big.NewRat(24*time.Hour.Milliseconds(), 1))
			}
			text := observation.Units[unit]
			o.Component = append(o.Component, component(code, "Gradient, per day", gradient, text+" per day", unit+"/d"),
				component(code, "Intercept, at "+start.UTC().Format(time.RFC3339), intercept, text, unit))
		default:
			statistic := statistics[code]
			text, ucum := statistic.unit(unit)
			o.Component = append(o.Component, component(code, "", statistic.of(sample), text, ucum))
		}
	}
	return o
}

// period is the one asked for, or the one that the scores span.
func (in *statsInput) period(scores []rated) *models.Period {
	from, to := in.from, in.to
	if from.IsZero() && len(scores) > 0 {
		from = scores[0].end
	}
	if to.IsZero() && len(scores) > 0 {
		to = scores[len(scores)-1].end
	}
	period := &models.Period{}
	if !from.IsZero() {
		period.Start = ptr(from.UTC().Format(fhir.InstantFormat))
	}
	if !to.IsZero() {
		period.End = ptr(to.UTC().Format(fhir.InstantFormat))
	}
	if period.Start == nil && period.End == nil {
		return nil
	}
	return period
}
