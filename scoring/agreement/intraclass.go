package agreement

import "math/big"

// Intraclass is ICC(2,1): the share of the variance that is between subjects, of
// one rating by one of a random sample of raters, where a constant shift between
// raters counts as disagreement (Shrout PE, Fleiss JL. Psychol Bull
// 1979;86:420-428; its interval too). ICC(3,1) would hide such a shift. Each
// element has one subject's ratings by the same raters in the same order; ok is
// false for fewer than two subjects or raters, or if nothing differs. There is no
// interval where agreement is perfect.
func Intraclass(ratings [][]int64) (icc Estimate, ok bool) {
	if len(ratings) < 2 || len(ratings[0]) < 2 {
		return Estimate{}, false
	}
	m := squaresOf(ratings)
	n, k := whole(int64(len(ratings))), whole(int64(len(ratings[0])))
	one := whole(1)
	others := sub(k, one)
	below := add(add(m.subjects, mul(others, m.rest)), quo(mul(k, sub(m.raters, m.rest)), n))
	if below.Sign() == 0 {
		return Estimate{}, false
	}
	icc.Value = quo(sub(m.subjects, m.rest), below)
	if icc.Value.Cmp(one) == 0 {
		return icc, true
	}
	// The freedom of the denominator after Satterthwaite.
	of := mul(n, sub(one, icc.Value))
	a := quo(mul(k, icc.Value), of)
	b := add(one, quo(mul(k, icc.Value, sub(n, one)), of))
	raters, rest := mul(a, m.raters), mul(b, m.rest)
	sum := add(raters, rest)
	spread := add(quo(mul(raters, raters), others), quo(mul(rest, rest), mul(sub(n, one), others)))
	if spread.Sign() == 0 {
		return icc, true
	}
	freedom := quo(mul(sum, sum), spread)
	// What raters and residual come to beside the subjects.
	beside := add(mul(k, m.raters), mul(sub(sub(mul(k, n), k), n), m.rest))
	upper, lower := fisherF(sub(n, one), freedom), fisherF(freedom, sub(n, one))
	if upper == nil || lower == nil {
		return icc, true
	}
	icc.Low = share(sub(m.subjects, mul(upper, m.rest)), n, add(mul(upper, beside), mul(n, m.subjects)))
	icc.High = share(sub(mul(lower, m.subjects), m.rest), n, add(beside, mul(n, lower, m.subjects)))
	return icc, true
}

// share is n times what is above over what is below, nil over nothing.
func share(above, n, below *big.Rat) *big.Rat {
	if below.Sign() == 0 {
		return nil
	}
	return quo(mul(n, above), below)
}

// meanSquares are those of the two-way analysis of variance.
type meanSquares struct {
	subjects, raters, rest *big.Rat
}

func squaresOf(ratings [][]int64) meanSquares {
	n, k := int64(len(ratings)), int64(len(ratings[0]))
	var all []int64
	rows, columns := make([]int64, n), make([]int64, k)
	for i, row := range ratings {
		for j, value := range row {
			all = append(all, value)
			rows[i] += value
			columns[j] += value
		}
	}
	// The squares of sums of k values about their mean are k times those of the
	// means of the k, and count k times.
	_, total := moments(all)
	_, between := moments(rows)
	_, judges := moments(columns)
	between, judges = quo(between, whole(k)), quo(judges, whole(n))
	return meanSquares{
		subjects: quo(between, whole(n-1)),
		raters:   quo(judges, whole(k-1)),
		rest:     quo(sub(sub(total, between), judges), whole((n-1)*(k-1))),
	}
}
