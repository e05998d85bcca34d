package calc

import (
	"fmt"

	"github.com/shopspring/decimal"
)

// Term is one length of a chain, Value in mm, and its coefficient C: +1 or -1, -2 for a
// bar that two depths were measured over, 0 where such a bar cancels.
type Term struct {
	Name  string
	C     int
	Value decimal.Decimal
}

const (
	maxTerms        = 1000
	maxCoefficients = 9000 // of a chain together, so that no sum can overflow
)

// Gap returns the sum of C·Value in mm, exact. The error is a *FieldError: no term or
// more than a thousand, coefficients that come to more than 9000 in size, a value out of
// range.
func Gap(terms []Term) (decimal.Decimal, error) {
	if len(terms) == 0 || len(terms) > maxTerms {
		return decimal.Decimal{}, refuse("terms", "has %d terms; a chain has 1 to %d", len(terms), maxTerms)
	}
	var sum length
	left := maxCoefficients
	for i, t := range terms {
		v, problem := picometres(t.Value)
		if problem != "" {
			return decimal.Decimal{}, refuse(fmt.Sprintf("terms[%d].value", i), "(%s) %s", t.Name, problem)
		}
		if t.C > left || t.C < -left {
			return decimal.Decimal{}, refuse(fmt.Sprintf("terms[%d].c", i), "(%s) is %d; all of a chain must come to %d or less in size", t.Name, t.C, maxCoefficients)
		}
		left -= max(t.C, -t.C)
		sum += length(t.C) * v
	}
	return sum.decimal(), nil
}
