package agreement

import (
	"math/big"

	"tidemark.example/tidemark/scoring"
)

// Concordance is Lin's coefficient (Lin LI. Biometrics 1989;45:255-268): how near
// pairs lie to the line on which both values are the same.
type Concordance struct {
	// Estimate has its interval by Fisher's transformation; there is none where
	// agreement is perfect, or where the two do not go together at all.
	Estimate
	// Precision is Pearson's correlation, Accuracy how near the best line is to that
	// of identity (the bias correction factor); the coefficient is their product.
	Precision, Accuracy *big.Rat
}

// ConcordanceOf the pairs, as in the paper with variances that are divided by n;
// ok is false for fewer than MinimumPairs, or where one of the two never differs.
func ConcordanceOf(first, second []int64) (c Concordance, ok bool) {
	if len(first) < MinimumPairs {
		return Concordance{}, false
	}
	n, one := whole(int64(len(first))), whole(1)
	mean1, squares1 := moments(first)
	mean2, squares2 := moments(second)
	if squares1.Sign() == 0 || squares2.Sign() == 0 {
		return Concordance{}, false
	}
	products := new(big.Int)
	for i := range first {
		products.Add(products, new(big.Int).Mul(big.NewInt(first[i]), big.NewInt(second[i])))
	}
	covariance := quo(sub(new(big.Rat).SetInt(products), mul(n, mean1, mean2)), n)
	variance1, variance2 := quo(squares1, n), quo(squares2, n)
	shift := mul(sub(mean1, mean2), sub(mean1, mean2))
	spread := add(add(variance1, variance2), shift)
	deviations := scoring.Root(mul(variance1, variance2))
	c.Value = quo(mul(whole(2), covariance), spread)
	c.Precision = quo(covariance, deviations)
	c.Accuracy = quo(mul(whole(2), deviations), spread)
	square := mul(c.Value, c.Value)
	if covariance.Sign() == 0 || square.Cmp(one) >= 0 {
		return c, true
	}
	if variance := c.variance(quo(shift, deviations), n); variance.Sign() >= 0 {
		rest := sub(one, square)
		c.Estimate = transformed(c.Value, quo(variance, mul(rest, rest)))
	}
	return c, true
}

// variance is that of the coefficient; shift is the square of the means'
// difference in units of both deviations.
func (c Concordance) variance(shift, n *big.Rat) *big.Rat {
	one, two := whole(1), whole(2)
	value, r := c.Value, c.Precision
	value2, r2 := mul(value, value), mul(r, r)
	sum := quo(mul(sub(one, r2), value2, sub(one, value2)), r2)
	sum.Add(sum, quo(mul(two, value2, value, sub(one, value), shift), r))
	sum.Sub(sum, quo(mul(value2, value2, shift, shift), mul(two, r2)))
	return sum.Quo(sum, sub(n, two))
}
