package scoring

import (
	"errors"
	"fmt"
)

// Result is what an assessment comes to. What cannot be computed for want of
// an answer is unanswered.
type Result struct {
	// Extent is A, in percent of the body surface.
	Extent Optional[Tenths]
	// ExtentPart is A/5, IntensityPart 7B/2, SubjectivePart C.
	ExtentPart, IntensityPart, SubjectivePart Optional[Points]
	// Objective is A/5 + 7B/2; Scorad adds C. ObjectiveWithBonus adds 10 to
	// Objective where a clinician flagged face or hands, and is no part of Scorad.
	Objective, ObjectiveWithBonus, Scorad Optional[Points]
}

// RangeError is an answer that no form allows. It holds no value, so that it can
// be logged: what was answered is the patient's.
type RangeError struct {
	// Item names the answer by its code, as "itch" or "head-front".
	Item string
	// Allowed says what would be right, as "0.0 to 10.0".
	Allowed string
}

// Error says which answer is wrong and what would be right.
func (e *RangeError) Error() string {
	return fmt.Sprintf("scoring: %s must be %s", e.Item, e.Allowed)
}

// Score computes the index from an assessment. A missing answer is no error:
// without extent or a grade there is neither total nor objective score, without
// itch or sleep loss no total. Answers out of range are all refused at once,
// each as a RangeError.
func Score(a *Assessment) (Result, error) {
	if err := check(a); err != nil {
		return Result{}, err
	}
	var r Result
	if r.Extent = extent(a); r.Extent.Answered {
		r.ExtentPart = Answer(ExtentPart(r.Extent.Value))
	}
	if sum := gradeSum(a); sum.Answered {
		r.IntensityPart = Answer(IntensityPart(sum.Value))
	}
	if a.Itch.Answered && a.SleepLoss.Answered {
		r.SubjectivePart = Answer(SubjectivePart(a.Itch.Value, a.SleepLoss.Value))
	}
	if r.ExtentPart.Answered && r.IntensityPart.Answered {
		r.Objective = Answer(r.ExtentPart.Value + r.IntensityPart.Value)
	}
	if r.Objective.Answered && flagged(a) {
		r.ObjectiveWithBonus = Answer(r.Objective.Value + bonus)
	}
	if r.Objective.Answered && r.SubjectivePart.Answered {
		r.Scorad = Answer(r.Objective.Value + r.SubjectivePart.Value)
	}
	return r, nil
}

// flagged says whether the bonus applies: only a clinician can flag face or
// hands, and a flag left blank is none.
func flagged(a *Assessment) bool {
	return a.Rater == RatedByClinician && a.FaceOrHands == Answer(true)
}

// gradeSum is B.
func gradeSum(a *Assessment) Optional[int] {
	sum := 0
	for _, grade := range a.Grades {
		if !grade.Answered {
			return Optional[int]{}
		}
		sum += int(grade.Value)
	}
	return Answer(sum)
}

// check lists every answer out of range, in the order of the form. An answer to
// a method other than the assessment's is checked too, for it will be shown.
func check(a *Assessment) error {
	var errs []error
	errs = checkCode(errs, "rater", a.Rater > RatedByClinician, "self or clinician")
	errs = checkCode(errs, "method", a.Method > ByDirect, "regions, hands or direct")
	errs = checkCode(errs, "age-group", a.AgeGroup > UnderOne, "2-and-over, 1-to-2 or under-1")
	for i, percent := range a.Regions {
		if percent.Answered && percent.Value > 100 {
			errs = append(errs, &RangeError{Region(i).String(), "0 to 100"})
		}
	}
	errs = checkTenths(errs, "hands", a.Hands, 1000)
	errs = checkTenths(errs, "direct", a.Direct, 1000)
	for i, grade := range a.Grades {
		if grade.Answered && grade.Value > 3 {
			errs = append(errs, &RangeError{Sign(i).String(), "0 to 3"})
		}
	}
	errs = checkTenths(errs, "itch", a.Itch, 100)
	errs = checkTenths(errs, "sleep-loss", a.SleepLoss, 100)
	return errors.Join(errs...)
}

func checkCode(errs []error, item string, unknown bool, allowed string) []error {
	if unknown {
		return append(errs, &RangeError{item, allowed})
	}
	return errs
}

func checkTenths(errs []error, item string, answer Optional[Tenths], limit Tenths) []error {
	if answer.Answered && (answer.Value < 0 || answer.Value > limit) {
		return append(errs, &RangeError{item, "0.0 to " + limit.String()})
	}
	return errs
}
