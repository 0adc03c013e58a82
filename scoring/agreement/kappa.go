package agreement

import "math/big"

// Table counts pairs by the class of the family's rating and that of the team's.
type Table [][]int64

// NewTable has so many classes, in order.
func NewTable(classes int) Table {
	t := make(Table, classes)
	for i := range t {
		t[i] = make([]int64, classes)
	}
	return t
}

// Weight is how much a disagreement of class i with class j counts; 0 for none.
type Weight func(i, j int) int64

// Linear counts a disagreement as how many classes it is apart.
func Linear(i, j int) int64 { return max(int64(i-j), int64(j-i)) }

// Quadratic counts it as the square of that.
func Quadratic(i, j int) int64 { return int64(i-j) * int64(i-j) }

// Kappa is agreement beyond chance, weighted: 1 less the disagreement seen over
// that expected of two who rate independently (Cohen J. Psychol Bull
// 1968;70:213-220). 1 is perfect, 0 what chance gives; nil where no disagreement
// is expected, since all pairs are of one class.
func (t Table) Kappa(weight Weight) *big.Rat {
	rows, columns := make([]int64, len(t)), make([]int64, len(t))
	var total int64
	for i, row := range t {
		for j, count := range row {
			rows[i] += count
			columns[j] += count
			total += count
		}
	}
	var seen, expected int64
	for i, row := range t {
		for j, count := range row {
			seen += weight(i, j) * count * total
			expected += weight(i, j) * rows[i] * columns[j]
		}
	}
	if expected == 0 {
		return nil
	}
	return sub(whole(1), big.NewRat(seen, expected))
}

// Balance counts the pairs that the family rated lower, alike and higher.
func (t Table) Balance() (lower, alike, higher int64) {
	for i, row := range t {
		for j, count := range row {
			switch {
			case i < j:
				lower += count
			case i > j:
				higher += count
			default:
				alike += count
			}
		}
	}
	return lower, alike, higher
}
