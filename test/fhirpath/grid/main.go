// Command grid prints assessments together with what package scoring makes of
// them, one JSON object a line. The check beside it answers the published forms
// with them and compares the forms' calculatedExpressions with these results,
// so that a portal that evaluates a form shows the total that the server keeps.
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"

	"tidemark.example/tidemark/scoring"
)

// line is one case as the check reads it. Answers and Results go by linkId; an
// item that is left out has no answer, or no value.
type line struct {
	Form    string                     `json:"form"`
	Shape   shape                      `json:"shape"`
	Answers map[string]any             `json:"answers"`
	Results map[string]json.RawMessage `json:"results"`
}

// shape is how the check lays out the response.
type shape string

// The shapes: nested as in the form; all answers at the root; nested with what
// renderers leave behind (items without answer, display items, initial values
// of items that are switched off, results of an earlier state).
const (
	nested    shape = "nested"
	flat      shape = "flat"
	leftovers shape = "leftovers"
)

var shapes = []shape{nested, flat, leftovers}

func main() {
	if err := write(os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "grid:", err)
		os.Exit(1)
	}
}

func write(w io.Writer) error {
	out := bufio.NewWriter(w)
	encoder := json.NewEncoder(out)
	for c := range allCases() {
		l, err := newLine(&c)
		if err != nil {
			return err
		}
		if err := encoder.Encode(l); err != nil {
			return fmt.Errorf("write: %w", err)
		}
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return nil
}

func newLine(c *testCase) (line, error) {
	result, err := scoring.Score(&c.assessment)
	if err != nil {
		return line{}, fmt.Errorf("the grid left the ranges: %w", err)
	}
	form := "scorad-" + c.assessment.Rater.String() + "-assessment"
	return line{Form: form, Shape: c.shape, Answers: answers(&c.assessment), Results: results(&result)}, nil
}

// gradeCodes are the options of the six signs, by grade.
var gradeCodes = [...]string{"absent", "mild", "moderate", "severe"}

// answers gives each answer by the linkId of its item: the code of an option, a
// number or a boolean.
func answers(a *scoring.Assessment) map[string]any {
	all := map[string]any{}
	if a.Method != scoring.MethodUnknown {
		all["extent.method"] = a.Method.String()
	}
	if a.AgeGroup != scoring.AgeGroupUnknown {
		all["extent.age-group"] = a.AgeGroup.String()
	}
	for i, percent := range a.Regions {
		put(all, "extent."+scoring.Region(i).String(), percent)
	}
	putTenths(all, "extent.hands", a.Hands)
	putTenths(all, "extent.direct", a.Direct)
	for i, grade := range a.Grades {
		if grade.Answered {
			all["intensity."+scoring.Sign(i).String()] = gradeCodes[grade.Value]
		}
	}
	putTenths(all, "symptoms.itch", a.Itch)
	putTenths(all, "symptoms.sleep-loss", a.SleepLoss)
	for i, seen := range a.AlsoSeen {
		put(all, "also-seen."+scoring.AlsoSeen(i).String(), seen)
	}
	put(all, "bonus.face-hands", a.FaceOrHands)
	return all
}

func put[T any](all map[string]any, linkID string, answer scoring.Optional[T]) {
	if answer.Answered {
		all[linkID] = answer.Value
	}
}

func putTenths(all map[string]any, linkID string, answer scoring.Optional[scoring.Tenths]) {
	if answer.Answered {
		all[linkID] = json.RawMessage(answer.Value.String())
	}
}

// results gives each value by the linkId of the item that calculates it.
func results(r *scoring.Result) map[string]json.RawMessage {
	all := map[string]json.RawMessage{}
	for linkID, points := range map[string]scoring.Optional[scoring.Points]{
		"result.extent-part":          r.ExtentPart,
		"result.intensity-part":       r.IntensityPart,
		"result.subjective-part":      r.SubjectivePart,
		"result.objective":            r.Objective,
		"result.objective-with-bonus": r.ObjectiveWithBonus,
		"result.scorad":               r.Scorad,
	} {
		if points.Answered {
			all[linkID] = json.RawMessage(points.Value.String())
		}
	}
	return all
}
