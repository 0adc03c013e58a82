package questionnaire

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"sync"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/scoring"
)

// Quality is a code of CodeSystem/data-quality by its number in it, W01 to W14.
type Quality uint8

// The warnings that one response can show by itself; the others, in history.go,
// need the patient or earlier scores.
const (
	LesionsWithoutExtent    Quality = 1 // W01
	ExtentWithoutLesions    Quality = 2 // W02
	SymptomsOnly            Quality = 3 // W03
	ExtentVeryLarge         Quality = 4 // W04
	SleepLossAboveItch      Quality = 5 // W05
	PatternAnswers          Quality = 6 // W06
	BonusWithoutFaceOrHands Quality = 13
)

// Warning is a concept of CodeSystem/data-quality.
type Warning struct{ Code, Display, Definition string }

// warnings are the concepts in their order, W01 first.
var warnings = sync.OnceValue(func() []Warning {
	p, ok := Find("CodeSystem", DataQualitySystem)
	if !ok {
		panic("questionnaire: CodeSystem/data-quality is not published")
	}
	var system struct{ Concept []Warning }
	if err := json.Unmarshal(p.JSON, &system); err != nil {
		panic(fmt.Errorf("questionnaire: %w", err))
	}
	return system.Concept
})

// Warning gives the concept.
func (q Quality) Warning() Warning { return warnings()[q-1] }

// checkQuality adds the warnings of clinical.md 7.6 that the response shows.
func (r *reader) checkQuality() {
	a, result := &r.out.Assessment, &r.out.Result
	lesions, equal, gradeSum := 0, true, 0
	for i, grade := range a.Grades {
		gradeSum += int(grade.Value)
		if scoring.Sign(i) != scoring.Dryness {
			lesions += int(grade.Value)
		}
		equal = equal && grade.Value == a.Grades[0].Value
	}
	area := result.Extent.Value
	symptoms := a.Itch.Value + a.SleepLoss.Value
	r.warn(LesionsWithoutExtent, area == 0 && lesions > 0)
	r.warn(ExtentWithoutLesions, area > 0 && lesions == 0)
	r.warn(SymptomsOnly, area == 0 && gradeSum == 0 && symptoms > 0)
	r.warn(ExtentVeryLarge, area >= 800)
	r.warn(SleepLossAboveItch, a.Itch.Answered && a.SleepLoss.Value >= a.Itch.Value+50)
	same := equal && gradeSum > 0 && a.Itch.Answered && a.SleepLoss.Answered &&
		a.Itch.Value == scoring.Tenths(a.Grades[0].Value)*10 && a.SleepLoss.Value == a.Itch.Value
	r.warn(PatternAnswers, gradeSum == 18 && symptoms == 200 || same)
	r.warn(BonusWithoutFaceOrHands, a.FaceOrHands.Value && a.Method == scoring.ByRegions && !faceOrHandsDrawn(a))
}

// faceOrHandsDrawn says whether any region that holds face or hands is above 0.
func faceOrHandsDrawn(a *scoring.Assessment) bool {
	for _, region := range []scoring.Region{
		scoring.HeadFront, scoring.ArmRightFront, scoring.ArmRightBack, scoring.ArmLeftFront, scoring.ArmLeftBack,
	} {
		if a.Regions[region].Value > 0 {
			return true
		}
	}
	return false
}

func (r *reader) warn(quality Quality, found bool) {
	if !found {
		return
	}
	r.out.Issues = append(r.out.Issues, quality.Issue(r.out.Root.Path()))
}

// Issue tells the sender of a response of the warning. What asks for nothing to be
// corrected is information.
func (q Quality) Issue(response string) fhir.Issue {
	w := q.Warning()
	issue := fhir.Issue{Severity: fhir.Warning, Code: fhir.IssueBusinessRule, Expression: response,
		Detail: w.Code, DetailSystem: DataQualitySystem, Text: w.Definition}
	switch q {
	case CircumstancesDiffer, CoarseExtent, TwoOnOneDay, LearningScore:
		issue.Severity, issue.Code = fhir.Information, fhir.IssueInformational
	}
	return issue
}

// compareResults holds totals that the sender computed against ours. They are
// never trusted; browsers compute in binary, so a hundredth is forgiven.
func (r *reader) compareResults() {
	ours := [...]scoring.Optional[scoring.Points]{
		r.out.Result.ExtentPart, r.out.Result.IntensityPart, r.out.Result.SubjectivePart,
		r.out.Result.Objective, r.out.Result.ObjectiveWithBonus, r.out.Result.Scorad,
	}
	for index := range r.out.Form.items {
		it := &r.out.Form.items[index]
		value := r.mark(index).answer
		if it.role != roleResult || !value.Exists() {
			continue
		}
		if mine := ours[it.number]; !mine.Answered || !agrees(value, mine.Value) {
			r.issue(fhir.Warning, fhir.IssueBusinessRule, value, it, "The result sent differs from the one computed here, which is used; compute it by the form's calculatedExpression or leave it out.")
		}
	}
}

// agrees says whether a number is within a hundredth of the points.
func agrees(value fhir.Node, points scoring.Points) bool {
	text, ok := numberText(value)
	if !ok {
		return false
	}
	hundredths, ok := roundHundredths(text)
	difference := hundredths - int64(points)*2
	return ok && difference >= -1 && difference <= 1
}

// roundHundredths reads a JSON number of any length to the nearest hundredth;
// ok is false where that is far beyond any score.
func roundHundredths(text []byte) (n int64, ok bool) {
	mantissa, exponent, _ := bytes.Cut(bytes.ToLower(text), []byte("e"))
	scale, point := 0, false
	for _, c := range bytes.TrimPrefix(mantissa, []byte("-")) {
		switch {
		case c == '.':
			point = true
		case n > 1e15 && !point:
			return 0, false
		case n <= 1e15:
			n = n*10 + int64(c-'0')
			if point {
				scale++
			}
		}
	}
	shift, err := strconv.Atoi(string(exponent))
	if err != nil && len(exponent) > 0 {
		return 0, false
	}
	for scale -= shift; scale > 3 && n > 0; scale-- {
		n /= 10
	}
	for ; scale < 3 && n > 0; scale++ {
		if n > 1e15 {
			return 0, false
		}
		n *= 10
	}
	if n = (n + 5) / 10; text[0] == '-' {
		n = -n
	}
	return n, true
}
