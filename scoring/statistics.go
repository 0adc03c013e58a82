package scoring

import (
	"math/big"
	"slices"
)

// Sample is a series of values in fiftieths, for the statistics of R4's
// Observation $stats. All is worked out in whole numbers and fractions of them;
// only roots are rounded, see Root.
//
// R4 names the statistics and leaves their definitions to an encyclopedia. Those
// used here are, as in gonum.org/v1/gonum/stat, which the tests compare with:
// variance and standard deviation of a sample (divided by n-1); skewness
// adjusted for the size of the sample (G1); kurtosis in excess of the normal
// distribution's, adjusted likewise (G2). Percentiles, quartiles and quintiles
// interpolate between the values at rank (n-1)p+1, which is method 7 of Hyndman
// and Fan, The American Statistician 50 (1996) 361-365 (from memory), and gives
// the usual median.
type Sample struct {
	// values in ascending order, in fiftieths.
	values []int64
}

// NewSample makes a sample of values in fiftieths, in any order.
func NewSample(fiftieths []int64) Sample {
	values := slices.Clone(fiftieths)
	slices.Sort(values)
	return Sample{values}
}

// Count is the number of values.
func (s Sample) Count() *big.Rat { return whole64(int64(len(s.values))) }

// Sum of the values; 0 of none.
func (s Sample) Sum() *big.Rat { return fraction(s.sum()) }

// Average is the mean; nil of none. So are the others where there are too few
// values, or where they do not differ.
func (s Sample) Average() *big.Rat {
	if len(s.values) == 0 {
		return nil
	}
	return s.Sum().Quo(s.Sum(), s.Count())
}

// Minimum is the least value.
func (s Sample) Minimum() *big.Rat { return s.Quantile(0, 1) }

// Maximum is the greatest value.
func (s Sample) Maximum() *big.Rat { return s.Quantile(1, 1) }

// Median is the value in the middle, or between the two in the middle.
func (s Sample) Median() *big.Rat { return s.Quantile(1, 2) }

// Quantile is the value below which the fraction part/whole of the sample lies.
func (s Sample) Quantile(part, whole int64) *big.Rat {
	if len(s.values) == 0 {
		return nil
	}
	rank := int64(len(s.values)-1) * part
	i, rest := rank/whole, rank%whole
	value := fraction(big.NewInt(s.values[i]))
	if rest == 0 {
		return value
	}
	step := fraction(big.NewInt(s.values[i+1] - s.values[i]))
	return value.Add(value, step.Mul(step, big.NewRat(rest, whole)))
}

// QuartileDeviation is half of the distance between the quartiles.
func (s Sample) QuartileDeviation() *big.Rat {
	if len(s.values) == 0 {
		return nil
	}
	between := new(big.Rat).Sub(s.Quantile(3, 4), s.Quantile(1, 4))
	return between.Quo(between, whole64(2))
}

// Variance needs two values.
func (s Sample) Variance() *big.Rat {
	if len(s.values) < 2 {
		return nil
	}
	m := s.moment(2)
	return m.Quo(m, whole64(int64(len(s.values)-1)))
}

// StandardDeviation is the root of the variance.
func (s Sample) StandardDeviation() *big.Rat {
	variance := s.Variance()
	if variance == nil {
		return nil
	}
	return Root(variance)
}

// Skewness needs three values that differ. It is n/((n-1)(n-2)) times the sum of
// the cubes of the deviations in units of the standard deviation.
func (s Sample) Skewness() *big.Rat {
	n := int64(len(s.values))
	if n < 3 || s.moment(2).Sign() == 0 {
		return nil
	}
	// The square of it is a fraction: its root is taken once, at the end.
	cubes, variance := s.moment(3), s.Variance()
	factor := new(big.Rat).Mul(cubes, big.NewRat(n, (n-1)*(n-2)))
	square := new(big.Rat).Mul(factor, factor)
	for range 3 {
		square.Quo(square, variance)
	}
	root := Root(square)
	if cubes.Sign() < 0 {
		root.Neg(root)
	}
	return root
}

// Kurtosis needs four values that differ.
func (s Sample) Kurtosis() *big.Rat {
	n := int64(len(s.values))
	if n < 4 || s.moment(2).Sign() == 0 {
		return nil
	}
	variance := s.Variance()
	value := s.moment(4)
	value.Quo(value, new(big.Rat).Mul(variance, variance))
	value.Mul(value, new(big.Rat).SetFrac(big.NewInt(n*(n+1)), product(n-1, n-2, n-3)))
	return value.Sub(value, new(big.Rat).SetFrac(product(3, n-1, n-1), product(n-2, n-3)))
}

// moment is the sum of a power of the deviations from the mean.
func (s Sample) moment(power int) *big.Rat {
	average, sum := s.Average(), new(big.Rat)
	for _, value := range s.values {
		deviation := fraction(big.NewInt(value))
		deviation.Sub(deviation, average)
		term := whole64(1)
		for range power {
			term.Mul(term, deviation)
		}
		sum.Add(sum, term)
	}
	return sum
}

// sum in fiftieths.
func (s Sample) sum() *big.Int {
	sum := new(big.Int)
	for _, value := range s.values {
		sum.Add(sum, big.NewInt(value))
	}
	return sum
}

// Regression fits a straight line to values in fiftieths over times by least
// squares: the value at time zero and its change with each unit of time. It needs
// two times that differ.
func Regression(times, fiftieths []int64) (intercept, gradient *big.Rat) {
	n := whole64(int64(len(times)))
	var sumX, sumY, sumXX, sumXY big.Int
	for i, x := range times {
		bx, by := big.NewInt(x), big.NewInt(fiftieths[i])
		sumX.Add(&sumX, bx)
		sumY.Add(&sumY, by)
		sumXX.Add(&sumXX, new(big.Int).Mul(bx, bx))
		sumXY.Add(&sumXY, new(big.Int).Mul(bx, by))
	}
	x, y, xx, xy := new(big.Rat).SetInt(&sumX), fraction(&sumY), new(big.Rat).SetInt(&sumXX), fraction(&sumXY)
	spread := new(big.Rat).Sub(new(big.Rat).Mul(n, xx), new(big.Rat).Mul(x, x))
	if spread.Sign() == 0 {
		return nil, nil
	}
	gradient = new(big.Rat).Sub(new(big.Rat).Mul(n, xy), new(big.Rat).Mul(x, y))
	gradient.Quo(gradient, spread)
	intercept = new(big.Rat).Sub(y, new(big.Rat).Mul(gradient, x))
	return intercept.Quo(intercept, n), gradient
}

// rootDigits is how many decimal places a root is worked out to.
const rootDigits = 18

// Root is the square root of a fraction that is not negative, rounded down at 18
// places.
func Root(r *big.Rat) *big.Rat {
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(2*rootDigits), nil)
	scaled := new(big.Int).Mul(r.Num(), scale)
	root := new(big.Int).Sqrt(scaled.Quo(scaled, r.Denom()))
	return new(big.Rat).SetFrac(root, new(big.Int).Exp(big.NewInt(10), big.NewInt(rootDigits), nil))
}

// fraction turns fiftieths into units.
func fraction(fiftieths *big.Int) *big.Rat {
	return new(big.Rat).SetFrac(fiftieths, big.NewInt(PointsPerUnit))
}

func whole64(n int64) *big.Rat { return new(big.Rat).SetInt64(n) }

func product(factors ...int64) *big.Int {
	p := big.NewInt(1)
	for _, f := range factors {
		p.Mul(p, big.NewInt(f))
	}
	return p
}
