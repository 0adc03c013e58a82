// Command cases prints statistics of invented scores, each with what it was made
// of, one JSON object a line, for check.py to work out again by general libraries.
package main

import (
	"encoding/json"
	"fmt"
	"math/big"
	"math/rand/v2"
	"os"

	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/agreement"
	"tidemark.example/tidemark/scoring/trend"
)

func main() {
	out := json.NewEncoder(os.Stdout)
	random := rand.New(rand.NewPCG(1993, 186))
	for i := range 300 {
		for _, one := range []any{trendOf(random, 5+i%60), agreementOf(random, 3+i%60), tableOf(random, 2+i%5)} {
			if err := out.Encode(one); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
		}
	}
}

// number is a fraction as a float, nil for none.
func number(r *big.Rat) any {
	if r == nil {
		return nil
	}
	f, _ := r.Float64()
	return f
}

func interval(e agreement.Estimate) []any {
	return []any{number(e.Value), number(e.Low), number(e.High)}
}

// units are fiftieths as points.
func units(fiftieths []int64) []float64 {
	all := make([]float64, len(fiftieths))
	for i, f := range fiftieths {
		all[i] = float64(f) / scoring.PointsPerUnit
	}
	return all
}

// trendOf has scores of so many days, none alike, on a falling course.
func trendOf(random *rand.Rand, n int) any {
	day, used := int64(0), map[int64]bool{}
	var scores []trend.Score
	var days, points []int64
	for len(scores) < n {
		value := max(0, min(5150, 3000-day*random.Int64N(15)+random.Int64N(900)))
		if used[value] {
			value = random.Int64N(5151)
		}
		if used[value] {
			continue
		}
		used[value] = true
		days, points = append(days, day), append(points, value)
		scores = append(scores, trend.Score{Day: day, Points: scoring.Points(value), Method: scoring.ByHands})
		day += 1 + random.Int64N(20)
	}
	series := trend.Group(scores, 0, day)[0]
	slope, _ := series.Slope()
	mean, _ := series.Mean()
	return map[string]any{
		"kind": "trend", "days": days, "points": units(points),
		"slope": []any{number(slope.PerWeek), number(slope.Low), number(slope.High)}, "start": number(slope.AtStart), "mean": number(mean.Value),
	}
}

// agreementOf has pairs, the family's the team's with a shift and noise.
func agreementOf(random *rand.Rand, n int) any {
	self, clinician, differences := make([]int64, n), make([]int64, n), make([]int64, n)
	rows := make([][]int64, n)
	for i := range n {
		clinician[i] = random.Int64N(5151)
		self[i] = max(0, min(5150, clinician[i]/2+random.Int64N(2500)-200))
		differences[i], rows[i] = self[i]-clinician[i], []int64{self[i], clinician[i]}
	}
	limits, _ := agreement.LimitsOf(differences)
	icc, _ := agreement.Intraclass(rows)
	lin, _ := agreement.ConcordanceOf(self, clinician)
	return map[string]any{
		"kind": "agreement", "self": units(self), "clinician": units(clinician),
		"bias": interval(limits.Bias), "deviation": number(limits.Deviation), "lower": interval(limits.Lower), "upper": interval(limits.Upper),
		"icc": interval(icc), "lin": interval(lin.Estimate), "precision": number(lin.Precision), "accuracy": number(lin.Accuracy),
	}
}

func tableOf(random *rand.Rand, classes int) any {
	table := agreement.NewTable(classes)
	for i := range classes {
		for j := range classes {
			table[i][j] = random.Int64N(40) / int64(1+max(i-j, j-i))
		}
	}
	return map[string]any{"kind": "table", "table": table, "linear": number(table.Kappa(agreement.Linear)), "quadratic": number(table.Kappa(agreement.Quadratic))}
}
