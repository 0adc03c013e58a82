package scoring

import "slices"

// Thresholds of change, each with its source in Thresholds. Reaching one is a
// statement about two numbers; a flare is not among them, having no threshold of
// SCORAD (Langan SM et al. Br J Dermatol 2014;170:548-556).
const (
	// ImportantChange is the minimal important difference of 8.7 points of SCORAD
	// (Schram ME et al. Allergy 2012;67:99-106).
	ImportantChange Points = 87 * PointsPerUnit / 10
	// ImportantObjectiveChange is the same of the objective score, 8.2 points
	// (Schram 2012).
	ImportantObjectiveChange Points = 82 * PointsPerUnit / 10
	// OneGradePercent is the fall, in percent of the earlier score, that goes
	// with one grade of improvement at every severity (Silverberg JI et al. Br J
	// Dermatol 2021;184:888-895).
	OneGradePercent = 35
)

// Change compares a score with an earlier one. Both must be of the same measure,
// the same kind of rater and the same method of extent: the same skin drawn on
// another chart scores differently.
type Change struct {
	From, To Points
}

// Points is the difference; negative is better.
func (c Change) Points() Points { return c.To - c.From }

// Percent is the difference in tenths of a percent of the earlier score,
// rounded half away from zero for display; unanswered for an earlier score of
// 0, which no percent can be taken of. Thresholds are never judged by it.
func (c Change) Percent() Optional[Tenths] {
	if c.From <= 0 {
		return Optional[Tenths]{}
	}
	thousandths, from := int64(c.Points())*1000, int64(c.From)
	half := from / 2
	if thousandths < 0 {
		half = -half
	}
	return Answer(Tenths((thousandths + half) / from))
}

// Important says whether the difference reaches 8.7 points of SCORAD either way.
func (c Change) Important() bool { return c.moved(ImportantChange) }

// RoseByMore says whether the score rose by more than 8.7 points of SCORAD. That
// is all it says: it is no flare, which is recorded by itself.
func (c Change) RoseByMore() bool { return c.Points() > ImportantChange }

// FellBy says whether the score fell by at least so many percent of the earlier
// one; it is exact, and false for an earlier score of 0.
func (c Change) FellBy(percent int) bool {
	return c.From > 0 && int64(c.From-c.To)*100 >= int64(percent)*int64(c.From)
}

func (c Change) moved(points Points) bool {
	d := c.Points()
	return d >= points || d <= -points
}

// Threshold is one published size of change: so many points either way, or a
// fall of so many percent.
type Threshold struct {
	// Name goes with every statement that the threshold was reached.
	Name string
	// Measure is the score that the threshold is for.
	Measure Measure
	// Points is a size either way; 0 where the threshold is in percent.
	Points Points
	// Percent is a fall from the earlier score; 0 where it is in points.
	Percent int
	// Source says who published the threshold, and its limits.
	Source Source
}

// Reached says whether a change is at least of the threshold's size.
func (t Threshold) Reached(c Change) bool {
	if t.Percent > 0 {
		return c.FellBy(t.Percent)
	}
	return c.moved(t.Points)
}

// Thresholds lists all, for SCORAD before those for the objective score. 8.7
// points is the floor of what may matter and 35 % is one grade better; a change
// is shown against both, since a high score passes the first without the second.
func Thresholds() []Threshold {
	all := slices.Clone(thresholds)
	for i := range all {
		all[i].Source.Limits = slices.Clone(all[i].Source.Limits)
	}
	return all
}

// ThresholdByName finds a threshold; ok is false if there is none of that name.
func ThresholdByName(name string) (t Threshold, ok bool) {
	for _, t := range Thresholds() {
		if t.Name == name {
			return t, true
		}
	}
	return Threshold{}, false
}

var thresholds = []Threshold{
	{Name: "important-8.7-points", Measure: OfScorad, Points: ImportantChange, Source: schram},
	{Name: "scorad-35", Measure: OfScorad, Percent: OneGradePercent, Source: silverberg},
	{Name: "scorad-50", Measure: OfScorad, Percent: 50, Source: byForm},
	{Name: "scorad-75", Measure: OfScorad, Percent: 75, Source: harari},
	{Name: "scorad-90", Measure: OfScorad, Percent: 90, Source: byForm},
	{Name: "important-8.2-points-objective", Measure: OfObjective, Points: ImportantObjectiveChange, Source: schramObjective},
	{Name: "objective-35", Measure: OfObjective, Percent: OneGradePercent, Source: silverberg},
}

// schram was read in a review that quotes it, Dermatol Ther 2021;11:1521-1540.
var schram = Source{
	Citation: "Schram ME et al. Allergy 2012;67:99-106: minimal important difference",
	Limits:   []Limit{QuotedOnly, RatedByClinicians, NotFoundForSelf, NotFoundForRise, SizeOfObserverNoise},
}

// schramObjective has no noise to compare with: the limits of agreement are of
// the whole score.
var schramObjective = Source{
	Citation: schram.Citation,
	Limits:   []Limit{QuotedOnly, RatedByClinicians, NotFoundForSelf, NotFoundForRise},
}

var silverberg = Source{
	Citation: "Silverberg JI et al. Br J Dermatol 2021;184:888-895: fall that goes with one grade of improvement; 826 patients",
	Limits:   []Limit{RatedByClinicians, NotFoundForSelf},
}

var harari = Source{
	Citation: "Harari M et al. J Eur Acad Dermatol Venereol 2012: fall of 75 % or more from baseline; 78 patients",
	Limits:   []Limit{NotFoundForSelf},
}

var byForm = Source{
	Citation: "The same form as the fall of 75 % of Harari M et al. 2012",
	Limits:   []Limit{CommonPractice, NotFoundForSelf},
}
