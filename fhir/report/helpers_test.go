package report_test

import (
	"strconv"
	"time"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/report"
	"tidemark.example/tidemark/scoring"
)

// firstDay is when the histories of the tests begin.
var firstDay = dayOf(2026, time.January, 5)

func dayOf(year int, month time.Month, day int) int64 {
	return time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix() / (24 * 60 * 60)
}

// answers are those of one rating; grades has a digit for each sign.
type answers struct {
	day         int64
	rater       scoring.Rater
	method      scoring.Method
	respondent  string
	extent      scoring.Tenths
	regions     [scoring.RegionCount]uint8
	grades      string
	itch, sleep int // tenths, -1 for none
	warnings    []string
	amended     bool
}

// rating scores the answers as scoring does, and writes the values as Tidemark's
// Observations have them.
func (a answers) rating() report.Rating {
	assessment := scoring.Assessment{Rater: a.rater, Method: a.method, AgeGroup: scoring.TwoAndOver}
	r := report.Rating{
		Day: a.day, At: (a.day*24 + 9 + int64(a.rater)) * 60 * 60 * 1000, Rater: a.rater, Method: a.method,
		Respondent: a.respondent, Warnings: a.warnings, Amended: a.amended,
		Key: "Observation/" + a.rater.String() + "-" + a.method.String() + "-" + strconv.FormatInt(a.day, 10),
	}
	add := func(code string, fiftieths int64) {
		r.Measures = append(r.Measures, observation.Measure{Code: code, Fiftieths: fiftieths})
	}
	switch a.method {
	case scoring.ByRegions:
		for i, percent := range a.regions {
			assessment.Regions[i] = scoring.Answer(percent)
			add("extent-"+scoring.Region(i).String(), int64(percent)*50)
		}
	case scoring.ByHands:
		assessment.Hands = scoring.Answer(a.extent)
		add("extent-hands", int64(a.extent)*5)
	default:
		assessment.Direct = scoring.Answer(a.extent)
		add("extent-direct", int64(a.extent)*5)
	}
	for i, digit := range a.grades {
		assessment.Grades[i] = scoring.Answer(uint8(digit - '0'))
		add("intensity-"+scoring.Sign(i).String(), int64(digit-'0')*50)
	}
	if a.itch >= 0 {
		assessment.Itch = scoring.Answer(scoring.Tenths(a.itch))
		add("symptoms-itch", int64(a.itch)*5)
	}
	if a.sleep >= 0 {
		assessment.SleepLoss = scoring.Answer(scoring.Tenths(a.sleep))
		add("symptoms-sleep-loss", int64(a.sleep)*5)
	}
	result, err := scoring.Score(&assessment)
	if err != nil {
		panic(err)
	}
	add("extent", int64(result.Extent.Value)*5)
	for code, points := range map[string]scoring.Optional[scoring.Points]{
		"scorad": result.Scorad, "extent-part": result.ExtentPart, "intensity-part": result.IntensityPart,
		"subjective-part": result.SubjectivePart, "objective": result.Objective,
	} {
		if points.Answered {
			add(code, int64(points.Value))
		}
	}
	return r
}

// winter is the history of the golden files: twelve weeks of a family that draws
// regions, and a team that did twice.
func winter() report.Input {
	weeks := []struct {
		regions     [scoring.RegionCount]uint8
		grades      string
		itch, sleep int
	}{
		{[13]uint8{0, 0, 5, 0, 15, 5, 15, 5, 10, 10, 10, 10, 0}, "110101", 20, 10},
		{[13]uint8{0, 0, 5, 5, 15, 5, 15, 5, 15, 10, 15, 10, 0}, "111111", 10, 10},
		{[13]uint8{5, 0, 5, 5, 20, 10, 20, 5, 15, 15, 15, 10, 0}, "111112", 30, 20},
		{[13]uint8{10, 5, 15, 10, 40, 20, 35, 20, 30, 25, 30, 20, 0}, "211112", 60, 40},
		{[13]uint8{20, 10, 20, 15, 50, 40, 50, 40, 40, 35, 40, 35, 5}, "221212", 50, 40},
		{[13]uint8{40, 20, 35, 30, 70, 60, 70, 55, 60, 50, 60, 50, 10}, "221222", 75, 55},
		{[13]uint8{60, 30, 50, 45, 90, 80, 85, 75, 80, 70, 80, 65, 20}, "322322", 83, 69},
		{[13]uint8{40, 20, 35, 30, 70, 60, 70, 55, 60, 50, 60, 50, 10}, "221222", 75, 55},
		{[13]uint8{25, 10, 25, 25, 60, 45, 55, 45, 50, 40, 50, 35, 5}, "210211", 42, 31},
		{[13]uint8{10, 5, 15, 10, 40, 20, 35, 20, 30, 25, 30, 20, 0}, "211112", 60, 40},
		{[13]uint8{10, 5, 10, 10, 35, 20, 35, 20, 25, 25, 30, 20, 0}, "211211", 57, 24},
		{[13]uint8{15, 0, 8, 4, 55, 20, 45, 12, 30, 75, 22, 100, 2}, "211211", 35, 20},
	}
	in := report.Input{Subject: "Patient/oona-thistledown", Bands: scoring.UsualBands}
	for i, w := range weeks {
		a := answers{day: firstDay + int64(7*i), respondent: "RelatedPerson/oona-parent", method: scoring.ByRegions, regions: w.regions, grades: w.grades, itch: w.itch, sleep: w.sleep}
		if i == len(weeks)-1 {
			a.amended = true
			a.warnings = []string{"Itch and sleep loss differ by much; was there another cause of lost sleep?"}
		}
		in.Ratings = append(in.Ratings, a.rating())
	}
	for _, visit := range []answers{
		{day: firstDay + 43, grades: "332312", itch: 80, sleep: 60, regions: [13]uint8{50, 30, 45, 40, 85, 70, 80, 70, 75, 60, 75, 60, 15}},
		{day: firstDay + 76, grades: "221111", itch: 35, sleep: 20, regions: [13]uint8{10, 0, 8, 4, 40, 15, 40, 10, 25, 60, 20, 80, 0}},
	} {
		visit.rater, visit.method, visit.respondent = scoring.RatedByClinician, scoring.ByRegions, "Practitioner/ilse-varnholt"
		in.Ratings = append(in.Ratings, visit.rating())
	}
	return in
}
