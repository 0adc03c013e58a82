package api

import (
	"math/big"
	"net/http"
	"net/url"

	"github.com/gin-gonic/gin"
	models "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/trend"
)

// trendInput is what $scorad-trend is asked for.
type trendInput struct {
	patient string
	measure scoring.Measure
	days    dayRange
	// baseline is the first day that the baseline may be of.
	baseline int64
}

// trend answers where a patient's scores stand and where they are going, which
// R4's $stats cannot say. Its definition is published as
// OperationDefinition/scorad-trend.
func (s *Server) trend(c *gin.Context) (reply, error) {
	values, err := s.operationInput(c)
	if err != nil {
		return reply{}, err
	}
	in, err := s.readTrend(values)
	if err != nil {
		return reply{}, err
	}
	// All are read, whatever the days: which self-assessments were the first two is
	// told by all.
	ratings, err := s.ratings(c.Request.Context(), in.patient, anyDay, maxSample)
	if err != nil {
		return reply{}, err
	}
	var out params
	out.refer("subject", in.patient)
	out.coding("measure", in.measure.String())
	out.text("algorithm", scoring.AlgorithmVersion)
	scores, written, without := in.scores(ratings)
	for _, series := range trend.Group(scores, in.days.first, in.days.last) {
		out.parts("series", in.series(series, written, s.options.Bands))
	}
	if without > 0 {
		out.count("left-out", without)
	}
	out.say("definition", trendDefinitions)
	out.say("caution", append(cautions(), trendCaution))
	return out.reply()
}

func (s *Server) readTrend(values url.Values) (*trendInput, error) {
	if err := onlyKnown("scorad-trend", values, "patient", "measure", "start", "end", "baseline"); err != nil {
		return nil, err
	}
	in := &trendInput{patient: s.readPatient(values)}
	if in.patient == "" {
		return nil, badInput(fhir.IssueRequired, "$scorad-trend needs a patient, as Patient/[id].")
	}
	switch values.Get("measure") {
	case "", scoring.OfScorad.String():
	case scoring.OfObjective.String():
		in.measure = scoring.OfObjective
	default:
		return nil, badInput(fhir.IssueCodeInvalid, "measure must be scorad or objective.")
	}
	var err error
	if in.days, err = readDays(values); err != nil {
		return nil, err
	}
	baseline, err := readDay(values, "baseline", in.days)
	if err != nil {
		return nil, err
	}
	if in.baseline = baseline.first; !in.days.has(in.baseline) {
		return nil, badInput(fhir.IssueValue, "The baseline must lie within start and end.")
	}
	return in, nil
}

// scores are those of the measure, and how each one's time was written; without
// counts those of the days asked for that have none.
func (in *trendInput) scores(ratings []rating) (scores []trend.Score, written map[string]string, without int) {
	written = map[string]string{}
	for i := range ratings {
		r := &ratings[i]
		value := r.value(in.measure.String())
		if !value.Answered {
			if in.days.has(r.day) {
				without++
			}
			continue
		}
		written[r.key] = r.written
		scores = append(scores, trend.Score{Key: r.key, Day: r.day, At: r.at.UnixMilli(), Respondent: r.respondent, Rater: r.rater, Method: r.method, Points: scoring.Points(value.Value)})
	}
	return scores, written, without
}

// series writes one series.
func (in *trendInput) series(s trend.Series, written map[string]string, bands scoring.BandSet) params {
	var out params
	out.code("rater", s.Rater.String())
	out.coding("method", s.Rater.String()+"-"+s.Method.String())
	out.count("scores", s.Count)
	out.count("days", len(s.Scores))
	out.parts("latest", in.latest(s.Latest(), written, bands))
	if slope, ok := s.Slope(); ok {
		line := s.Line()
		var part params
		part.amount("per-week", slope.PerWeek, perWeek)
		part.interval(slope.Low, slope.High, perWeek)
		part.code("direction", string(slope.Direction()))
		part.amount("at-start", slope.AtStart, inPoints)
		part.add(param{Name: "start", Date: dateOf(line[0].Day)})
		part.count("days", len(line))
		out.parts("slope", part)
	}
	if mean, ok := s.Mean(); ok {
		var part params
		part.amount("mean", mean.Value, inPoints)
		part.amount("days", big.NewRat(mean.Days, 1), inDays)
		out.parts("time-weighted-mean", part)
	}
	if change, ok := s.SinceLast(); ok {
		out.parts("since-last", in.comparison(change, written))
	}
	if change, ok := s.SinceBaseline(in.baseline); ok {
		out.parts("since-baseline", in.comparison(change, written))
	}
	for _, w := range s.Warnings() {
		out.warn(string(w), w.Text())
	}
	return out
}

func (in *trendInput) latest(score trend.Score, written map[string]string, bands scoring.BandSet) params {
	out := scoreParts(score, written)
	if in.measure == bands.Measure {
		code := bands.Band(score.Points).String()
		display := questionnaire.Display(questionnaire.BandSystem, code)
		out.add(param{Name: "band", Concept: &models.CodeableConcept{
			Coding: []models.Coding{{System: ptr(questionnaire.BandSystem), Code: &code, Display: &display}},
			Text:   ptr(display + " (band set " + bands.Name + ")"),
		}})
	}
	return out
}

// scoreParts are a score, its time and where it is from.
func scoreParts(score trend.Score, written map[string]string) params {
	var out params
	out.amount("score", points(score.Points), inPoints)
	out.add(param{Name: "date", DateTime: written[score.Key]})
	out.refer("source", score.Key)
	return out
}

// comparison writes a change against every published size of change.
func (in *trendInput) comparison(c trend.Comparison, written map[string]string) params {
	var out params
	out.parts("from", scoreParts(c.From, written))
	out.amount("points", points(c.Points()), inPoints)
	if percent := c.Percent(); percent.Answered {
		out.amount("percent", big.NewRat(int64(percent.Value), 10), inPercent)
	}
	if in.measure == scoring.OfScorad {
		out.flag("rose-by-more-than-8.7", c.RoseByMore())
	}
	out.text("statement", in.statement(c))
	for _, threshold := range scoring.Thresholds() {
		if threshold.Measure != in.measure {
			continue
		}
		var part params
		part.code("name", threshold.Name)
		part.flag("reached", threshold.Reached(c.Change))
		part.text("source", threshold.Source.Citation)
		for _, limit := range threshold.Source.Limits {
			part.text("limit", limit.Text())
		}
		out.parts("threshold", part)
	}
	for _, w := range c.Warnings {
		out.warn(string(w), w.Text())
	}
	return out
}

// statement says what the numbers say, and not more, in English.
func (in *trendInput) statement(c trend.Comparison) string {
	return changeIn(languages.English(), c, in.measure == scoring.OfScorad)
}

// The statements of a change; names in braces are filled in.
const (
	sameSays     = "The score is the same as on {date}."
	fellSays     = "The score fell by {points} points since {date}."
	roseSays     = "The score rose by {points} points since {date}."
	roseMoreSays = "The score rose by {points} points, which is more than 8.7, since {date}."
)

// changeIn says a change in a language; 8.7 points is a size of the total only.
func changeIn(l *languages.Language, c trend.Comparison, ofTotal bool) string {
	says, by := roseSays, c.Points()
	switch {
	case by == 0:
		says = sameSays
	case by < 0:
		says, by = fellSays, -by
	case ofTotal && c.RoseByMore():
		says = roseMoreSays
	}
	return languages.Fill(l.Text(says), "points", l.Number(by.String()), "date", dateOf(c.From.Day))
}

func points(p scoring.Points) *big.Rat { return big.NewRat(int64(p), scoring.PointsPerUnit) }

// trendRoutes are the operation by both methods.
func (s *Server) trendRoutes() []route {
	return []route{
		{http.MethodGet, "/fhir/Observation/$scorad-trend", "Observation", "", "scorad-trend", s.trend},
		{http.MethodPost, "/fhir/Observation/$scorad-trend", "Observation", "", "scorad-trend", s.trend},
		{http.MethodGet, "/fhir/Observation/$scorad-agreement", "Observation", "", "scorad-agreement", s.agreement},
		{http.MethodPost, "/fhir/Observation/$scorad-agreement", "Observation", "", "scorad-agreement", s.agreement},
	}
}
