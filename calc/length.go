package calc

import (
	"math/bits"

	"github.com/shopspring/decimal"
)

// length is a length in whole picometres (1e-9 mm).
type length int64

const (
	lengthPlaces = 9 // decimal places of a millimetre that a length can hold
	wholeDigits  = 6 // digits before the point: below 1,000,000 mm
	picometre    = 1e-9
)

// mm returns l in millimetres for statistics.
func (l length) mm() float64 { return float64(l) * picometre }

func (l length) decimal() decimal.Decimal { return exact(int64(l), -lengthPlaces) }

func (l length) abs() length {
	if l < 0 {
		return -l
	}
	return l
}

// picometres converts d, or says in words what is wrong with it.
func picometres(d decimal.Decimal) (length, string) {
	exp := int(d.Exponent())
	if exp < -lengthPlaces {
		return 0, "has more than 9 decimal places; round it to the instrument's resolution"
	}
	const tooBig = "is a million millimetres or more; check the unit"
	if exp > wholeDigits {
		return 0, tooBig
	}
	c := d.Coefficient()
	if !c.IsInt64() {
		return 0, tooBig
	}
	v, limit := c.Int64(), pow10(wholeDigits-exp)
	if v >= limit || v <= -limit {
		return 0, tooBig
	}
	return length(v * pow10(lengthPlaces+exp)), ""
}

// exact returns v·10^exp without trailing zeros after the point.
func exact(v int64, exp int32) decimal.Decimal {
	for exp < 0 && v%10 == 0 {
		v /= 10
		exp++
	}
	return decimal.New(v, exp)
}

func pow10(n int) int64 {
	p := int64(1)
	for ; n > 0; n-- {
		p *= 10
	}
	return p
}

// halfEven returns sum·times/by rounded to the nearest whole number, halves to the
// even one. times and by are positive, and the result must fit.
func halfEven(sum, times, by int64) int64 {
	size := uint64(sum)
	if sum < 0 {
		size = -size
	}
	hi, lo := bits.Mul64(size, uint64(times))
	q, rest := bits.Div64(hi, lo, uint64(by))
	if other := uint64(by) - rest; rest > other || rest == other && q%2 == 1 {
		q++
	}
	if sum < 0 {
		return -int64(q)
	}
	return int64(q)
}
