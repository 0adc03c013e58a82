package trend

import "math/big"

// exactDays is up to how many days the distribution is counted out; beyond, it
// is near enough to the normal one.
const exactDays = 30

// intervalRank is which slope, counted from either end of all in order, the
// interval of 95 % ends at (Sen 1968; Kendall's distribution of the number of
// pairs out of order). Of scores that scatter about a line independently, the
// chance that at most r-1 of the slopes lie on one side of the true one is that
// of a random order to have at most r-1 pairs out of order. The rank is the
// highest whose chance is 2.5 % at most, so that the interval is never too
// narrow for its name. Days do not repeat, and about the true line scores do not
// tie, so that no correction for ties is needed.
func intervalRank(days int) int {
	if days > exactDays {
		return normalRank(int64(days))
	}
	orders := inversions(days)
	// Of all orders, the share allowed on one side is 1/40.
	total := new(big.Int)
	for _, count := range orders {
		total.Add(total, count)
	}
	rank, below := 0, new(big.Int)
	for _, count := range orders {
		below.Add(below, count)
		if new(big.Int).Mul(below, big.NewInt(40)).Cmp(total) > 0 {
			return rank
		}
		rank++
	}
	return rank
}

// inversions counts the orders of n things by how many pairs are out of order:
// the next thing may be put before 0 to n-1 of those there.
func inversions(n int) []*big.Int {
	counts := []*big.Int{big.NewInt(1)}
	for size := 2; size <= n; size++ {
		next := make([]*big.Int, len(counts)+size-1)
		window := new(big.Int)
		for i := range next {
			if i < len(counts) {
				window.Add(window, counts[i])
			}
			if i >= size {
				window.Sub(window, counts[i-size])
			}
			next[i] = new(big.Int).Set(window)
		}
		counts = next
	}
	return counts
}

// normalRank is the same by the normal distribution, rounded to the nearest rank
// as is usual. The variance of Kendall's S of n days is n(n-1)(2n+5)/18.
func normalRank(n int64) int {
	// 1.959964 squared, in units of 10^-12, times the variance, whose root is then in
	// units of 10^-6.
	square := big.NewInt(1_959_964 * 1_959_964)
	square.Mul(square, big.NewInt(n*(n-1)*(2*n+5)))
	square.Quo(square, big.NewInt(18))
	reach := square.Sqrt(square).Int64()
	const unit = 1_000_000
	return int((n*(n-1)/2*unit - reach + unit) / (2 * unit))
}
