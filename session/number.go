package session

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"github.com/shopspring/decimal"
)

// maxNumberText bounds the text of a number before it is parsed.
const maxNumberText = 32

// A Number is an exact decimal that keeps its scale: 0.10 stays "0.10", because
// the trailing zero is the resolution it was read with. Its zero value is 0.
type Number struct{ decimal.Decimal }

// ParseNumber reads a plain decimal of at most 32 characters: an optional sign,
// digits, at most one point. Exponents, infinities and the like are refused.
func ParseNumber(text string) (Number, error) {
	if len(text) > maxNumberText {
		return Number{}, fmt.Errorf("the number is %d characters long; write at most %d", len(text), maxNumberText)
	}
	if !plainDecimal(text) {
		return Number{}, fmt.Errorf("%q is not a plain decimal number; write it like 12.34", text)
	}
	d, err := decimal.NewFromString(text)
	if err != nil {
		return Number{}, fmt.Errorf("%q is not a plain decimal number; write it like 12.34", text)
	}
	return Number{d}, nil
}

func plainDecimal(text string) bool {
	digits := strings.TrimPrefix(text, "-")
	if digits == text {
		digits = strings.TrimPrefix(text, "+")
	}
	whole, fraction, point := strings.Cut(digits, ".")
	if whole == "" || (point && fraction == "") {
		return false
	}
	return strings.Trim(whole+fraction, "0123456789") == ""
}

// Num wraps d.
func Num(d decimal.Decimal) Number { return Number{d} }

// String writes the number with all its decimals.
func (n Number) String() string {
	if e := n.Exponent(); e < 0 {
		return n.StringFixed(-e)
	}
	return n.Decimal.String()
}

// Format prints the number as String does, whatever the verb.
func (n Number) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, n.String()) }

// MarshalJSON writes the number as a JSON string with all its decimals.
func (n Number) MarshalJSON() ([]byte, error) { return []byte(`"` + n.String() + `"`), nil }

// UnmarshalJSON reads a JSON string or number as ParseNumber does.
func (n *Number) UnmarshalJSON(text []byte) error {
	return n.UnmarshalText(bytes.Trim(text, `"`))
}

// UnmarshalText reads a number as ParseNumber does.
func (n *Number) UnmarshalText(text []byte) error {
	parsed, err := ParseNumber(string(text))
	if err != nil {
		return err
	}
	*n = parsed
	return nil
}

// marshal is the one JSON encoder: struct order, no HTML escapes, no newline.
func marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

// maxLength is the largest length, in mm or inch, that anyone may type.
var maxLength = decimal.New(10000, 0)

// minCelsius is colder than any shop.
var minCelsius = decimal.New(-90, 0)

// mostPlaces is how many decimals of a millimetre a reading or a plan may have.
const mostPlaces = 7

// measurable tells whether the arithmetic takes a length: below a kilometre, and
// with no more decimals than anything on a bench shows.
func measurable(n Number) bool { return OfLength.measurable(n) }

// maxCelsius is the largest temperature, or uncertainty of one, that anyone may type.
var maxCelsius = decimal.New(500, 0)

// middle is halfway between a and b, exact.
func middle(a, b Number) decimal.Decimal {
	return a.Add(b.Decimal).Mul(decimal.New(5, -1))
}

// lastDigit is one unit of the last digit that n is written with.
func lastDigit(n Number) Number { return Num(decimal.New(1, n.Exponent())) }

// worked gives a worked-out length two decimals at least, and no zeros behind them.
func worked(d decimal.Decimal) Number {
	d = d.Add(decimal.New(0, -2))
	for d.Exponent() < -2 {
		shorter := d.Truncate(-d.Exponent() - 1)
		if !shorter.Equal(d) {
			break
		}
		d = shorter
	}
	return Num(d)
}
