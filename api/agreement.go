package api

import (
	"context"
	"math/big"
	"net/http"
	"net/url"
	"slices"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/agreement"
)

// How many scores $scorad-agreement reads: of one patient, whose possible pairs
// grow with the square, and of a clinic.
const (
	maxOwn    = 2000
	maxClinic = 20000
)

// agreementInput is what $scorad-agreement is asked for.
type agreementInput struct {
	// patient is "" for all.
	patient string
	days    dayRange
	// latest keeps one pair of each patient.
	latest bool
}

// agreement answers how well the scores of family and team agree, of a patient
// or of all. Its definition is published as OperationDefinition/scorad-agreement.
func (s *Server) agreement(c *gin.Context) (reply, error) {
	values, err := s.operationInput(c)
	if err != nil {
		return reply{}, err
	}
	in, err := s.readAgreement(values)
	if err != nil {
		return reply{}, err
	}
	most := maxOwn
	if in.patient == "" {
		most = maxClinic
		if err := mayCompareAll(c.Request.Context()); err != nil {
			return reply{}, err
		}
	}
	ratings, err := s.ratings(c.Request.Context(), in.patient, in.days, most)
	if err != nil {
		return reply{}, err
	}
	pairs, err := in.pairs(ratings)
	if err != nil {
		return reply{}, err
	}
	return in.answer(pairs, ratings, s.options.Bands).reply()
}

// mayCompareAll refuses who is granted single patients, or what a user may see.
func mayCompareAll(ctx context.Context) error {
	grant, need := grantOf(ctx), auth.Need{Type: "Observation", Does: auth.Read | auth.Search}
	if grant == nil || slices.ContainsFunc(grant.Scopes, func(scope auth.Scope) bool {
		return scope.Context == auth.SystemContext && (scope.Type == need.Type || scope.Type == "*") && need.Does&^scope.Allows == 0
	}) {
		return nil
	}
	return insufficient(need)
}

func (s *Server) readAgreement(values url.Values) (*agreementInput, error) {
	if err := onlyKnown("scorad-agreement", values, "patient", "start", "end", "one-per-patient"); err != nil {
		return nil, err
	}
	in := &agreementInput{patient: s.readPatient(values)}
	if in.patient == "" && values.Has("patient") {
		return nil, badInput(fhir.IssueValue, "patient is empty; leave it out for all patients.")
	}
	switch values.Get("one-per-patient") {
	case "", "false":
	case "true":
		in.latest = true
	default:
		return nil, badInput(fhir.IssueValue, "one-per-patient must be true or false.")
	}
	var err error
	in.days, err = readDays(values)
	return in, err
}

// pairs pairs what was rated on the days asked for.
func (in *agreementInput) pairs(ratings []rating) ([]agreement.Pair, error) {
	var all []agreement.Rating
	each := map[string]int{}
	for i := range ratings {
		r := &ratings[i]
		if !in.days.has(r.day) {
			continue
		}
		if each[r.patient]++; each[r.patient] > maxOwn {
			return nil, fail(http.StatusUnprocessableEntity, fhir.IssueTooCostly, "A patient has too many scores for this operation; name a shorter period.")
		}
		one := agreement.Rating{Key: r.key, Patient: r.patient, Day: r.day, At: r.at.UnixMilli(), Rater: r.rater, Method: r.method}
		for item := range agreement.Item(agreement.ItemCount) {
			one.Values[item] = r.value(item.String())
		}
		all = append(all, one)
	}
	pairs := agreement.Match(all)
	if in.latest {
		pairs = agreement.LatestOfEach(pairs)
	}
	return pairs, nil
}

func (in *agreementInput) answer(pairs []agreement.Pair, ratings []rating, bands scoring.BandSet) params {
	summary := agreement.Summarise(pairs, bands)
	var out params
	if in.patient != "" {
		out.refer("subject", in.patient)
	}
	out.text("algorithm", scoring.AlgorithmVersion)
	out.count("patients", summary.Patients)
	out.count("pairs", summary.Pairs)
	out.count("totals", summary.Totals)
	if in.patient != "" { // those of a clinic are what is summed up
		written := map[string]string{}
		for i := range ratings {
			written[ratings[i].key] = ratings[i].written
		}
		for _, pair := range pairs {
			out.parts("pair", pairParts(pair, written))
		}
	}
	for _, item := range summary.Items {
		if item.Count() > 0 {
			out.parts("item", itemParts(item))
		}
	}
	if summary.Totals > 0 {
		b := summary.Bands
		parts := params{{Name: "set", Code: b.Set}}
		parts.balance(b.Lower, b.Alike, b.Higher)
		parts.decimal("linear-kappa", b.Linear)
		parts.decimal("quadratic-kappa", b.Quadratic)
		out.parts("bands", parts)
	}
	out.coefficients(summary)
	for _, w := range summary.Warnings {
		out.warn(string(w), w.Text())
	}
	out.say("definition", agreementDefinitions)
	out.say("caution", append(cautions(), agreementCaution))
	return out
}

// coefficients writes the statistics of the totals.
func (p *params) coefficients(s agreement.Summary) {
	if l := s.Limits; l != nil {
		var parts params
		parts.estimate("bias", l.Bias)
		parts.amount("standard-deviation", l.Deviation, inPoints)
		parts.estimate("lower-limit", l.Lower)
		parts.estimate("upper-limit", l.Upper)
		p.parts("limits-of-agreement", parts)
	}
	if icc := s.Intraclass; icc != nil {
		var parts params
		parts.decimal("value", icc.Value)
		parts.interval(icc.Low, icc.High, bare)
		p.parts("icc", parts)
	}
	if c := s.Concordance; c != nil {
		var parts params
		parts.decimal("value", c.Value)
		parts.interval(c.Low, c.High, bare)
		parts.decimal("precision", c.Precision)
		parts.decimal("accuracy", c.Accuracy)
		p.parts("concordance", parts)
	}
}

// estimate adds a value in points with its interval.
func (p *params) estimate(name string, e agreement.Estimate) {
	var parts params
	parts.amount("value", e.Value, inPoints)
	parts.interval(e.Low, e.High, inPoints)
	p.parts(name, parts)
}

func (p *params) balance(lower, alike, higher int64) {
	p.count("lower", int(lower))
	p.count("alike", int(alike))
	p.count("higher", int(higher))
}

func itemParts(item agreement.ItemSummary) params {
	var out params
	out.coding("code", item.Item.String())
	out.balance(item.Lower, item.Alike, item.Higher)
	out.amount("mean-difference", item.Mean, unitOf(item.Item))
	out.decimal("linear-kappa", item.Linear)
	out.decimal("quadratic-kappa", item.Quadratic)
	return out
}

// pairParts are both ratings side by side, item by item.
func pairParts(pair agreement.Pair, written map[string]string) params {
	var out params
	for _, side := range []struct {
		name   string
		rating agreement.Rating
	}{{"self", pair.Self}, {"clinician", pair.Clinician}} {
		var parts params
		parts.refer("source", side.rating.Key)
		parts.add(param{Name: "date", DateTime: written[side.rating.Key]})
		parts.coding("method", side.rating.Rater.String()+"-"+side.rating.Method.String())
		out.parts(side.name, parts)
	}
	out.amount("days-after-clinician", big.NewRat(pair.Days(), 1), inDays)
	for item := range agreement.Item(agreement.ItemCount) {
		self, clinician := pair.Self.Values[item], pair.Clinician.Values[item]
		var parts params
		parts.coding("code", item.String())
		for _, value := range []struct {
			name string
			scoring.Optional[int64]
		}{{"self", self}, {"clinician", clinician}, {"difference", pair.Difference(item)}} {
			if value.Answered {
				parts.amount(value.name, big.NewRat(value.Value, scoring.PointsPerUnit), unitOf(item))
			}
		}
		if self.Answered || clinician.Answered {
			out.parts("item", parts)
		}
	}
	return out
}

func unitOf(item agreement.Item) unit {
	if item == agreement.Extent {
		return inPercent
	}
	return inPoints
}
