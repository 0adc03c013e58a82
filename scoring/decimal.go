package scoring

import "strconv"

// String writes the points with exactly two decimals, as "41.60"; a fiftieth
// is 0.02, so nothing is rounded.
func (p Points) String() string { return string(p.Append(nil)) }

// Append writes what String returns to the end of dst.
func (p Points) Append(dst []byte) []byte {
	return appendHundredths(dst, int64(p)*2)
}

// String writes the quantity with one decimal, as "18.5" or "20.0".
func (t Tenths) String() string { return string(t.Append(nil)) }

// Append writes what String returns to the end of dst.
func (t Tenths) Append(dst []byte) []byte {
	v := int64(t)
	if v < 0 {
		dst, v = append(dst, '-'), -v
	}
	dst = strconv.AppendInt(dst, v/10, 10)
	return append(dst, '.', byte('0'+v%10))
}

func appendHundredths(dst []byte, v int64) []byte {
	if v < 0 {
		dst, v = append(dst, '-'), -v
	}
	dst = strconv.AppendInt(dst, v/100, 10)
	return append(dst, '.', byte('0'+v/10%10), byte('0'+v%10))
}
