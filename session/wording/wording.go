// Package wording turns the codes of package session into sentences.
//
// The domain speaks in codes with parameters; this package is the one place
// where they become sentences, for the terminal, the page and messages alike. They are
// written in English here, and in other languages by a catalogue (see Language).
// Every function is pure. What English adds of its own is plain ASCII but for °C and N·m; names
// from a plan are passed on as they are. Lengths keep the decimals they
// came with, in inches as many as the millimetres need. Nothing is wrapped here: a
// display knows its own width.
//
// A code that is not known here is written out with its parameters, so that a
// newer daemon is never silent to an older reader.
package wording

import (
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/shopspring/decimal"

	"shimwright/session"
)

// mostDecimals is a thousandth of a millimetre: nothing on a bench shows less.
const mostDecimals = 3

// mmPerInch is exact.
var mmPerInch = decimal.New(254, -1)

func inInches(mm decimal.Decimal) decimal.Decimal { return mm.DivRound(mmPerInch, 12) }

// inchPlaces is with how many decimals an uncertainty, given in millimetres with so many,
// is written in inches: with those that keep two digits of it.
func inchPlaces(mm decimal.Decimal, places int32) int32 {
	if inInches(mm).Shift(places + 1).LessThan(decimal.New(10, 0)) {
		places++
	}
	return places + 1
}

// LengthUnit is the unit in which lengths are written: "mm" or "in".
func (l *Language) LengthUnit() string {
	if l.inch {
		return session.Inch.Word()
	}
	return session.Millimetre.Word()
}

// LengthUnitName is that unit within a sentence: "mm" or "inches".
func (l *Language) LengthUnitName() string {
	if l.inch {
		return l.say("inches")
	}
	return session.Millimetre.Word()
}

// mm writes a length as Decimals does, and its unit.
func (l *Language) mm(n session.Number) string { return l.Decimals(n) + " " + l.LengthUnit() }

// Length writes a length with its decimals, at most three of a millimetre, and its unit:
// "52.54 mm", "2.0685 in".
func (l *Language) Length(n session.Number) string { return l.mm(n) }

// span writes two lengths with one unit.
func (l *Language) span(least, most session.Number) string {
	return l.say("%s to %s", l.Exact(least), l.Exact(most)) + " " + l.LengthUnit()
}

// millimetres writes a length that is a binary fraction, to a thousandth of a millimetre.
func (l *Language) millimetres(x float64) string {
	return l.mm(session.Num(decimal.NewFromFloat(x).RoundBank(mostDecimals)))
}

// Fixed writes a number with so many decimals.
func (l *Language) Fixed(x float64, places int) string { return l.fixed(x, places) }

// Number writes a number that is no length, with its decimals.
func (l *Language) Number(n session.Number) string { return l.number(n.String()) }

// fixed writes a number with so many decimals.
func (l *Language) fixed(x float64, places int) string {
	return l.number(strconv.FormatFloat(x, 'f', places, 64))
}

// Amount writes a value with its decimals, at most three, and its unit: "52.54 mm",
// "8.1 N·m", "28.5 °C"; "no value" for none.
func (l *Language) Amount(n *session.Number, q session.Quantity) string {
	if n == nil {
		return l.say("no value")
	}
	return l.Plain(*n, q) + " " + l.Unit(q)
}

// Unit is the unit in which a quantity is written.
func (l *Language) Unit(q session.Quantity) string {
	if q.Unit() == session.Millimetre {
		return l.LengthUnit()
	}
	return q.Unit().Word()
}

// Converted tells whether a reading was sent in another unit than it is written in.
func (l *Language) Converted(r session.ReadingView) bool {
	_, q := r.Amount()
	return r.Text != "" && r.Unit != "" && r.Unit.Word() != l.Unit(q)
}

// Given writes the value of a reading in the unit it is shown in, and as it was sent
// where that is the same unit.
func (l *Language) Given(r session.ReadingView) string {
	value, q := r.Amount()
	switch {
	case value == nil:
		return l.say("no value")
	case q == session.OfLength && l.inch && r.Unit == session.Inch && r.Text != "":
		return l.number(strings.TrimSpace(r.Text))
	case q == session.OfLength && l.Converted(r):
		return l.Decimals(*value)
	case q == session.OfLength:
		return l.Exact(*value)
	}
	return l.number(value.String())
}

// Plain writes a value without its unit, its decimals rounded half to even to three where
// it has more. The log keeps all of them.
func (l *Language) Plain(n session.Number, q session.Quantity) string {
	if q.Unit() == session.Millimetre {
		return l.Decimals(n)
	}
	return l.number(rounded(n).String())
}

// Decimals is Plain of a length.
func (l *Language) Decimals(n session.Number) string { return l.Exact(rounded(n)) }

// Exact writes a length without its unit and with all its decimals, as that of a shim.
// In inches it has one or two more than in millimetres, so that nothing of it is lost.
func (l *Language) Exact(n session.Number) string {
	if !l.inch {
		return l.number(n.String())
	}
	places := max(3, 2-n.Exponent())
	return l.number(inInches(n.Decimal).RoundBank(places).StringFixed(places))
}

// exactly writes a length with all its decimals and its unit.
func (l *Language) exactly(n session.Number) string { return l.Exact(n) + " " + l.LengthUnit() }

func rounded(n session.Number) session.Number {
	if n.Exponent() < -mostDecimals {
		return session.Num(n.RoundBank(mostDecimals))
	}
	return n
}

// list joins names: "a", "a and b", "a, b and c".
func (l *Language) list(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	last := len(names) - 1
	return l.say("%s and %s", strings.Join(names[:last], ", "), names[last])
}

// Texts is Text of each.
func (l *Language) Texts(words []string) []string {
	said := make([]string, len(words))
	for i, w := range words {
		said[i] = l.Text(w)
	}
	return said
}

// Kind is what a kind of instrument is called.
func (l *Language) Kind(k session.Kind) string { return l.Text(string(k)) }

// Use is what an instrument is used for; empty for none.
func (l *Language) Use(u session.Use) string { return l.use(string(u)) }

// named puts an article before a kind of instrument and leaves a name alone.
func (l *Language) named(instrument string) string {
	if slices.Contains(session.Kinds(), session.Kind(instrument)) {
		return l.say("a %s", l.Text(instrument))
	}
	return l.Text(instrument)
}

// seconds writes a span that is given as a number of seconds or as a duration.
func (l *Language) seconds(span string) string {
	if d, err := time.ParseDuration(span); err == nil && span != "0" {
		return l.fixed(d.Seconds(), 2) + " s"
	}
	return l.number(span) + " s"
}

// length adds the unit to a parameter that is a bare number: mm, or what the reason says.
func (l *Language) length(text, unit string) string {
	n, err := session.ParseNumber(text)
	if err != nil {
		return l.Text(text)
	}
	return l.Amount(&n, session.Unit(unit).Quantity())
}

// spelled writes a code with its parameters in a fixed order.
func spelled(code string, params map[string]string) string {
	if code == "" {
		code = "no reason given"
	}
	if len(params) == 0 {
		return code
	}
	parts := make([]string, 0, len(params))
	for _, key := range slices.Sorted(maps.Keys(params)) {
		parts = append(parts, key+" "+params[key])
	}
	return code + " (" + strings.Join(parts, ", ") + ")"
}

// sentence starts a text with a capital and ends it with a full stop.
func (l *Language) sentence(text string) string {
	if text == "" {
		return ""
	}
	if first, size := utf8.DecodeRuneInString(text); unicode.IsLower(first) {
		text = string(unicode.ToUpper(first)) + text[size:]
	}
	return strings.TrimRight(text, ".") + "."
}
