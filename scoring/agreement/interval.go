package agreement

import (
	"math"
	"math/big"

	"gonum.org/v1/gonum/stat/distuv"
)

// This file is the one with floating point: quantiles and the ends of intervals
// that are made of them are irrational.

// level is the share of each side that an interval of 95 % leaves out.
const level = 0.025

// Estimate is a statistic with the ends of its interval of 95 %, which are nil
// where there is none.
type Estimate struct {
	Value, Low, High *big.Rat
}

// studentT is the quantile of Student's t that an interval of 95 % reaches to.
func studentT(freedom int) *big.Rat {
	return fromFloat(distuv.StudentsT{Sigma: 1, Nu: float64(freedom)}.Quantile(1 - level))
}

// fisherF is the like of the F distribution.
func fisherF(freedom1, freedom2 *big.Rat) *big.Rat {
	return fromFloat(distuv.F{D1: toFloat(freedom1), D2: toFloat(freedom2)}.Quantile(1 - level))
}

// transformed is the interval of a coefficient by Fisher's transformation, given
// the variance of its inverse hyperbolic tangent.
func transformed(value, variance *big.Rat) Estimate {
	middle, reach := math.Atanh(toFloat(value)), distuv.UnitNormal.Quantile(1-level)*math.Sqrt(toFloat(variance))
	return Estimate{value, fromFloat(math.Tanh(middle - reach)), fromFloat(math.Tanh(middle + reach))}
}

func toFloat(r *big.Rat) float64 {
	f, _ := r.Float64()
	return f
}

// fromFloat is nil for what is no number.
func fromFloat(f float64) *big.Rat { return new(big.Rat).SetFloat64(f) }
