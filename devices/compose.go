package devices

import (
	"cmp"
	"fmt"
	"regexp/syntax"
	"slices"
	"strings"

	"shimwright/session"
)

// newASCIIEncoder composes a line that the profile's pattern accepts and that
// reads as the number. It walks the pattern: literals stand for themselves, a
// class for its first printable character, what may be missing is left out where
// it can be. Signs, zero padding and alternatives are tried in a fixed order
// until the decoder reads the very number back.
func newASCIIEncoder(p session.Profile) encoder {
	tree, err := syntax.Parse(p.ASCII.Pattern, syntax.Perl)
	if err != nil {
		return func(session.Number, session.Unit) ([]byte, error) {
			return nil, fmt.Errorf("cannot encode for profile %q: %w", p.Name, err)
		}
	}
	w := newASCIIWire(p).(*asciiWire)
	_, sign := w.group["sign"]
	return func(shown session.Number, unit session.Unit) ([]byte, error) {
		want := unit.ToMM(shown)
		for pad := range 16 {
			for try := range 64 {
				c := composer{form: *p.ASCII, unit: unit, try: try}
				c.sign, c.value = spell(shown, p.ASCII.ImpliedDecimals, pad, !sign)
				c.add(tree)
				if f := w.read([]byte(c.line.String())); f.class == sound && f.unit == unit && f.value.Equal(want.Decimal) {
					return []byte(c.line.String() + cmp.Or(p.ASCII.End, "\r\n")), nil
				}
				if c.try > 0 {
					break // every alternative was tried
				}
			}
		}
		return nil, fmt.Errorf("cannot encode %s %s: no line that the pattern accepts reads as that", shown, unit.Word())
	}
}

// spell writes a number with at least pad digits before the point. A sign goes
// with the digits where the pattern has no group for it.
func spell(n session.Number, implied, pad int, signed bool) (sign, digits string) {
	digits, negative := strings.CutPrefix(n.String(), "-")
	whole, fraction, point := strings.Cut(digits, ".")
	digits = strings.Repeat("0", max(0, pad-len(whole))) + whole
	switch {
	case implied > 0:
		digits += fraction + strings.Repeat("0", max(0, implied-len(fraction)))
	case point:
		digits += "." + fraction
	}
	switch {
	case negative && signed:
		return "", "-" + digits
	case negative:
		return "-", digits
	}
	return "+", digits
}

// A composer writes one candidate line. try is a number whose digits choose
// among alternatives; what is left of it tells that there were fewer.
type composer struct {
	form        session.ASCIILine
	unit        session.Unit
	sign, value string
	line        strings.Builder
	try         int
}

// choose takes one of n alternatives.
func (c *composer) choose(n int) int {
	i := c.try % n
	c.try /= n
	return i
}

func (c *composer) add(re *syntax.Regexp) {
	switch re.Op {
	case syntax.OpLiteral:
		c.line.WriteString(string(re.Rune))
	case syntax.OpCharClass:
		c.line.WriteRune(printable(re.Rune))
	case syntax.OpAnyChar, syntax.OpAnyCharNotNL:
		c.line.WriteByte(' ')
	case syntax.OpConcat:
		for _, sub := range re.Sub {
			c.add(sub)
		}
	case syntax.OpAlternate:
		c.add(re.Sub[c.choose(len(re.Sub))])
	case syntax.OpQuest, syntax.OpStar:
		if c.choose(2) == 1 || holdsGroup(re) {
			c.add(re.Sub[0])
		}
	case syntax.OpPlus:
		c.add(re.Sub[0])
	case syntax.OpRepeat:
		for range re.Min {
			c.add(re.Sub[0])
		}
	case syntax.OpCapture:
		c.capture(re)
	}
}

func (c *composer) capture(re *syntax.Regexp) {
	switch re.Name {
	case "value":
		if c.form.DecimalComma {
			c.value = strings.Replace(c.value, ".", ",", 1)
		}
		c.line.WriteString(c.value)
	case "sign":
		if c.sign == "-" {
			c.line.WriteString("-")
			return
		}
		c.line.WriteString([]string{"+", "", " "}[c.choose(3)])
	case "unit":
		c.line.WriteString(c.unitWord())
	case "channel":
		c.line.WriteString(c.form.Channel)
	case "status":
		c.line.WriteString(c.form.GoodStatus[0])
	default:
		c.add(re.Sub[0])
	}
}

func (c *composer) unitWord() string {
	for _, word := range sortedKeys(c.form.Units) {
		if c.form.Units[word] == c.unit {
			return word
		}
	}
	words := wireWords(c.unit)
	return words[c.choose(len(words))]
}

// wireWords are how instruments write a unit that the profile does not spell.
func wireWords(u session.Unit) []string {
	switch u {
	case session.NewtonMetre:
		return []string{"N.m", "Nm"}
	case session.PoundFoot:
		return []string{"lbf.ft", "ft.lbf", "lbf-ft", "ft-lb"}
	case session.PoundInch:
		return []string{"lbf.in", "in.lbf", "lbf-in", "in-lb"}
	case session.Celsius:
		return []string{"C", "Cel", "degC", "°C"}
	case session.Fahrenheit:
		return []string{"F", "degF", "°F"}
	}
	return []string{u.Word()}
}

// holdsGroup tells whether a named group is in re.
func holdsGroup(re *syntax.Regexp) bool {
	return (re.Op == syntax.OpCapture && re.Name != "") || slices.ContainsFunc(re.Sub, holdsGroup)
}

// printable returns the first printable ASCII character of a class given as
// ranges, or a blank.
func printable(ranges []rune) rune {
	for i := 0; i+1 < len(ranges); i += 2 {
		if low := max(ranges[i], ' '); low <= min(ranges[i+1], '~') {
			return low
		}
	}
	return ' '
}

// newEncoder returns what writes the frame with which an instrument shows a value:
// in the unit that its quantity is kept in, at its resolution, rounded half to even. The profile must be sound.
func newEncoder(p session.Profile) func(session.Number) ([]byte, error) {
	for _, w := range wires {
		if !w.of(p) {
			continue
		}
		write := w.encode(p)
		return func(length session.Number) ([]byte, error) {
			if count := p.Count(); count.IsPositive() {
				counts := length.DivRound(count.Decimal, 12).RoundBank(0)
				length = session.Num(counts.Mul(count.Decimal))
			}
			return write(length, p.Kind.Quantity().Unit())
		}
	}
	return func(session.Number) ([]byte, error) {
		return nil, fmt.Errorf("cannot encode for profile %q: it has neither an ascii nor a binary table", p.Name)
	}
}
