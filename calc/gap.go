package calc

import (
	"fmt"

	"github.com/shopspring/decimal"
)

// Term is one signed length of a chain: Sign is +1 or -1, Value in mm.
type Term struct {
	Name  string
	Sign  int
	Value decimal.Decimal
}

// maxTerms bounds a chain; no sum of so many lengths can overflow.
const maxTerms = 1000

// Gap returns the signed sum of terms in mm, exact. The error is a *FieldError: no
// term or more than a thousand, a sign other than ±1, a value out of range.
func Gap(terms []Term) (decimal.Decimal, error) {
	if len(terms) == 0 || len(terms) > maxTerms {
		return decimal.Decimal{}, refuse("terms", "has %d terms; a chain has 1 to %d", len(terms), maxTerms)
	}
	var sum length
	for i, t := range terms {
		v, problem := picometres(t.Value)
		if problem != "" {
			return decimal.Decimal{}, refuse(fmt.Sprintf("terms[%d].value", i), "(%s) %s", t.Name, problem)
		}
		if t.Sign != 1 && t.Sign != -1 {
			return decimal.Decimal{}, refuse(fmt.Sprintf("terms[%d].sign", i), "(%s) is %d; it must be 1 or -1", t.Name, t.Sign)
		}
		sum += length(t.Sign) * v
	}
	return sum.decimal(), nil
}
