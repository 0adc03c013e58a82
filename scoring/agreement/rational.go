package agreement

import "math/big"

func whole(n int64) *big.Rat { return big.NewRat(n, 1) }

func add(a, b *big.Rat) *big.Rat { return new(big.Rat).Add(a, b) }
func sub(a, b *big.Rat) *big.Rat { return new(big.Rat).Sub(a, b) }
func quo(a, b *big.Rat) *big.Rat { return new(big.Rat).Quo(a, b) }

func mul(factors ...*big.Rat) *big.Rat {
	product := whole(1)
	for _, f := range factors {
		product.Mul(product, f)
	}
	return product
}

// moments are the mean and the sum of squares about it.
func moments(values []int64) (mean, squares *big.Rat) {
	n := int64(len(values))
	var sum, square big.Int
	for _, v := range values {
		sum.Add(&sum, big.NewInt(v))
		square.Add(&square, new(big.Int).Mul(big.NewInt(v), big.NewInt(v)))
	}
	total := new(big.Rat).SetInt(&sum)
	mean = quo(total, whole(n))
	return mean, sub(new(big.Rat).SetInt(&square), mul(mean, total))
}
