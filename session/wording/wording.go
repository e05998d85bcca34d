// Package wording turns the codes of package session into English.
//
// The domain speaks in codes with parameters; this package is the one place
// where they become sentences, for the terminal, the page and messages alike.
// Every function is pure. What it adds of its own is plain ASCII but for °C and N·m; names and
// titles from a plan are passed on as they are. Lengths keep the decimals they
// came with. Nothing is wrapped here: a display knows its own width.
//
// A code that is not known here is written out with its parameters, so that a
// newer daemon is never silent to an older reader.
package wording

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"shimwright/session"
)

// mostDecimals is a thousandth of a millimetre: nothing on a bench shows less.
const mostDecimals = 3

// mm writes a length with its decimals, at most three, and the unit.
func (l *Language) mm(n session.Number) string { return l.Decimals(n) + " mm" }

// Amount writes a value with its decimals, at most three, and its unit: "52.54 mm",
// "8.1 N·m", "28.5 °C"; "no value" for none.
func (l *Language) Amount(n *session.Number, q session.Quantity) string {
	if n == nil {
		return "no value"
	}
	return l.Decimals(*n) + " " + q.Unit().Word()
}

// Converted tells whether a reading was sent in another unit than it is kept in.
func (l *Language) Converted(r session.ReadingView) bool {
	_, q := r.Amount()
	return r.Text != "" && r.Unit != "" && r.Unit != q.Unit()
}

// Decimals writes a number with its decimals, rounded half to even to three where
// it has more. The log keeps all of them.
func (l *Language) Decimals(n session.Number) string {
	if n.Exponent() < -mostDecimals {
		return n.RoundBank(mostDecimals).StringFixed(mostDecimals)
	}
	return n.String()
}

// list joins names: "a", "a and b", "a, b and c".
func (l *Language) list(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " and " + names[last]
}

// count writes "1 reading", "2 readings".
func (l *Language) count(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// named puts an article before a kind of instrument and leaves a name alone.
func (l *Language) named(instrument string) string {
	if slices.Contains(session.Kinds(), session.Kind(instrument)) {
		return "a " + instrument
	}
	return instrument
}

// seconds writes a span that is given as a number of seconds or as a duration.
func (l *Language) seconds(span string) string {
	if d, err := time.ParseDuration(span); err == nil && span != "0" {
		return fmt.Sprintf("%.2f s", d.Seconds())
	}
	return span + " s"
}

// length adds the unit to a parameter that is a bare number: mm, or what the reason says.
func (l *Language) length(text, unit string) string {
	n, err := session.ParseNumber(text)
	if err != nil {
		return text
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
	if c := text[0]; c >= 'a' && c <= 'z' {
		text = string(c-'a'+'A') + text[1:]
	}
	return strings.TrimRight(text, ".") + "."
}
