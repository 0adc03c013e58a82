package agreement

import (
	"math/big"

	"tidemark.example/tidemark/scoring"
)

// Limits are the bias and the limits of agreement (Bland JM, Altman DG. Lancet
// 1986;327:307-310), in points. The intervals hold for pairs that are independent
// of each other and differences that are normally distributed.
type Limits struct {
	// Bias is the mean of the differences.
	Bias Estimate
	// Deviation is their standard deviation, divided by n-1.
	Deviation *big.Rat
	// Lower and Upper are 1.96 standard deviations from the bias, between which 95 %
	// of differences are expected. The paper has 2; 1.96 is usual now.
	Lower, Upper Estimate
}

// LimitsOf the differences, in fiftieths; ok is false for fewer than MinimumPairs.
func LimitsOf(differences []int64) (l Limits, ok bool) {
	n := len(differences)
	if n < MinimumPairs {
		return Limits{}, false
	}
	mean, squares := moments(differences)
	unit := whole(scoring.PointsPerUnit)
	mean = quo(mean, unit)
	variance := quo(squares, mul(whole(int64(n-1)), unit, unit))
	l.Deviation = scoring.Root(variance)
	reach, t := mul(big.NewRat(196, 100), l.Deviation), studentT(n-1)
	// The standard error of the mean is sqrt(s2/n), that of a limit sqrt(3 s2/n).
	ofMean := scoring.Root(quo(variance, whole(int64(n))))
	ofLimit := scoring.Root(quo(mul(whole(3), variance), whole(int64(n))))
	l.Bias = about(mean, mul(t, ofMean))
	l.Lower = about(sub(mean, reach), mul(t, ofLimit))
	l.Upper = about(add(mean, reach), mul(t, ofLimit))
	return l, true
}

func about(value, half *big.Rat) Estimate {
	return Estimate{value, sub(value, half), add(value, half)}
}
