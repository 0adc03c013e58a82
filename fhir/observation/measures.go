package observation

import (
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// The units of our values: UCUM codes, and Yes for a component that is true or
// false.
const (
	Score   = "{score}"
	Percent = "%"
	Palms   = "{palm}"
	Yes     = "boolean"
)

// Units are those of quantities, each with the text beside its code.
var Units = map[string]string{Score: "score", Percent: "%", Palms: "palms"}

// Measure is one value of an Observation as searches and statistics see it.
type Measure struct {
	// Code is of questionnaire.ScoradSystem: scorad for the value of the
	// Observation itself, else that of the component.
	Code string
	// Unit is one of the above.
	Unit string
	// Fiftieths is the value in fiftieths of the unit, in which all our values are
	// whole; true is 1 and false 0.
	Fiftieths int64
}

// Total is the code of the value of the Observation itself.
const Total = "scorad"

// Measures are the values of the Observation that Append writes, the total
// first, if there is one.
func Measures(r *questionnaire.Response) []Measure {
	a, result := &r.Assessment, &r.Result
	m := make(measures, 0, 32)
	m.points(Total, result.Scorad)
	if a.Method == scoring.ByRegions {
		for i, percent := range a.Regions {
			if percent.Answered {
				m.add("extent-"+scoring.Region(i).String(), Percent, int64(percent.Value)*fiftieths)
			}
		}
	}
	m.tenths("extent-hands", Palms, a.Hands)
	m.tenths("extent-direct", Percent, a.Direct)
	for i, grade := range a.Grades {
		if grade.Answered {
			m.add("intensity-"+scoring.Sign(i).String(), Score, int64(grade.Value)*fiftieths)
		}
	}
	m.tenths("symptoms-itch", Score, a.Itch)
	m.tenths("symptoms-sleep-loss", Score, a.SleepLoss)
	for i, seen := range a.AlsoSeen {
		if seen.Answered {
			m.add("also-seen-"+scoring.AlsoSeen(i).String(), Yes, oneIf(seen.Value))
		}
	}
	m.tenths("extent", Percent, result.Extent)
	m.points("extent-part", result.ExtentPart)
	m.points("intensity-part", result.IntensityPart)
	m.points("subjective-part", result.SubjectivePart)
	m.points("objective", result.Objective)
	m.points("objective-with-bonus", result.ObjectiveWithBonus)
	return m
}

// fiftieths of one; a tenth has five.
const fiftieths = scoring.PointsPerUnit

type measures []Measure

func (m *measures) add(code, unit string, value int64) { *m = append(*m, Measure{code, unit, value}) }

func (m *measures) tenths(code, unit string, value scoring.Optional[scoring.Tenths]) {
	if value.Answered {
		m.add(code, unit, int64(value.Value)*fiftieths/10)
	}
}

func (m *measures) points(code string, value scoring.Optional[scoring.Points]) {
	if value.Answered {
		m.add(code, Score, int64(value.Value))
	}
}

func oneIf(yes bool) int64 {
	if yes {
		return 1
	}
	return 0
}

// MeasuresOf are the values of an Observation that was written by Append. A
// value that is none of ours, or not whole in fiftieths, is passed over.
func MeasuresOf(stored fhir.Node) []Measure {
	m := make(measures, 0, 32)
	m.read(Total, stored)
	for component := range stored.Each("component") {
		for coding := range component.Get("code").Each("coding") {
			if coding.Get("system").Is(questionnaire.ScoradSystem) {
				m.read(coding.Get("code").Text(), component)
				break
			}
		}
	}
	return m
}

// read adds the value beside a code.
func (m *measures) read(code string, holder fhir.Node) {
	if yes := holder.Get("valueBoolean"); yes.Exists() {
		m.add(code, Yes, oneIf(string(yes.Raw()) == "true"))
		return
	}
	quantity := holder.Get("valueQuantity")
	unit := quantity.Get("code").Text()
	if Units[unit] == "" {
		return
	}
	decimal, ok := fhir.ParseDecimal(quantity.Get("value").Raw())
	if !ok {
		return
	}
	if hundredths, whole := decimal.At(2); whole && hundredths%(100/fiftieths) == 0 {
		m.add(code, unit, hundredths/(100/fiftieths))
	}
}
