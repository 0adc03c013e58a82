package fhir

import "math"

// Decimal is a FHIR decimal, exactly: Unscaled / 10^Scale. The scale is that
// of the text, since R4 gives meaning to the digits written (0.010 is not 0.01).
type Decimal struct {
	Unscaled int64
	Scale    int
}

// ParseDecimal reads the text of a JSON number; ok is false if it has more
// digits or a larger exponent than 18 digits can hold.
func ParseDecimal(text []byte) (d Decimal, ok bool) {
	i, negative := 0, false
	if len(text) > 0 && text[0] == '-' {
		i, negative = 1, true
	}
	point := false
	for ; i < len(text) && text[i]|0x20 != 'e'; i++ {
		if text[i] == '.' {
			point = true
			continue
		}
		if d.Unscaled > (math.MaxInt64-9)/10 {
			return Decimal{}, false
		}
		d.Unscaled = d.Unscaled*10 + int64(text[i]-'0')
		if point {
			d.Scale++
		}
	}
	if i < len(text) {
		exponent, ok := parseExponent(text[i+1:])
		if !ok {
			return Decimal{}, false
		}
		d.Scale -= exponent
	}
	if negative {
		d.Unscaled = -d.Unscaled
	}
	for ; d.Scale < 0; d.Scale++ {
		if d.Unscaled > math.MaxInt64/10 || d.Unscaled < math.MinInt64/10 {
			return Decimal{}, false
		}
		d.Unscaled *= 10
	}
	return d, d.Scale <= 18
}

func parseExponent(text []byte) (int, bool) {
	sign, n := 1, 0
	for i, c := range text {
		switch {
		case i == 0 && c == '-':
			sign = -1
		case i == 0 && c == '+':
		default:
			if n = n*10 + int(c-'0'); n > 30 {
				return 0, false
			}
		}
	}
	return sign * n, true
}

// At gives the value in units of 10^-places, if that is whole: 5.7 at one
// place is 57, 5.75 at one place is nothing.
func (d Decimal) At(places int) (int64, bool) {
	v := d.Unscaled
	for s := d.Scale; s > places; s-- {
		if v%10 != 0 {
			return 0, false
		}
		v /= 10
	}
	for s := d.Scale; s < places; s++ {
		if v > math.MaxInt64/10 || v < math.MinInt64/10 {
			return 0, false
		}
		v *= 10
	}
	return v, true
}
