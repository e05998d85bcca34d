package devices

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"shimwright/session"
)

// A Press is what came with one press while an instrument is learned, and what its
// display said.
type Press struct {
	Raw   []byte
	Shown session.Number // in Unit, with the decimals of the display
	Unit  session.Unit
}

// A Proposal is a profile that reads every press as the display showed it.
type Proposal struct {
	Profile session.Profile
	Form    string   // what is on the wire, in words
	Notes   []string // what the presses did not show
}

// Bounds of what is learned from.
const (
	leastPresses = 3
	mostPresses  = 64
	mostPressed  = 4096 // bytes of one press
	mostProposed = 5
)

// Propose finds the profiles that read presses as the display showed them, the
// likeliest first; none if no format that this package knows does. p gives name,
// kind, port and line.
//
// It proposes nothing that it did not see: a bit that never changed is taken as
// fixed, a unit, status or sign that never came is not accepted. So a frame that
// differs from all that was pressed is unreadable rather than a wrong value, and the
// notes say what to press to widen the profile. At least three presses with
// different values are needed; of one press alone too much would fit. What p states of
// trigger and errors is kept.
func Propose(p session.Profile, presses []Press) ([]Proposal, error) {
	if p.Kind == session.Pedal {
		p.Trigger, p.Request = session.OnPress, ""
		return []Proposal{{Profile: p, Form: "a pedal: whatever byte comes is a press"}}, nil
	}
	if err := enough(presses); err != nil {
		return nil, err
	}
	trigger, request := cmp.Or(p.Trigger, session.OnPress), p.Request
	p.Trigger, p.Request = session.OnPress, "" // every frame is a value while it is tried
	p.Unit = ""
	notes := setCount(&p, countOf(p.Kind, presses))
	units := unitsOf(p.Kind)
	for i, press := range presses {
		if !slices.Contains(units, press.Unit) {
			return nil, fmt.Errorf("cannot learn from press %d: a %s shows no %s", i+1, p.Kind, press.Unit.Word())
		}
	}
	var found []Proposal
	for _, x := range append(proposeLines(p, presses), proposeBits(p, presses)...) {
		if len(Check(x.Profile)) == 0 && readsAll(x.Profile, presses) {
			x.Notes = append(x.Notes, notes...)
			x.Profile.Trigger, x.Profile.Request = trigger, request
			found = append(found, x)
		}
	}
	return found[:min(len(found), mostProposed)], nil
}

// setCount sets the resolution to one count and, where p does not state them, the
// repeatability too, and the permissible error of what cannot do without to what is usual.
// It notes what was not stated.
func setCount(p *session.Profile, count session.Number) (notes []string) {
	usual := session.UsualProfile(p.Kind)
	spread := p.Spread()
	if !spread.IsPositive() {
		spread = count
		notes = append(notes, "repeatability_"+p.Kind.Quantity().Key()+" is set to one count; measure one thing ten times and write its standard deviation")
	}
	switch p.Kind.Quantity() {
	case session.OfTorque:
		p.ResolutionNm, p.RepeatabilityNm = &count, &spread
		if p.PermissibleNm == nil && p.PermissiblePercent == nil {
			p.PermissiblePercent = usual.PermissiblePercent
			notes = append(notes, "permissible_error_percent is set to what is usual; take it from the certificate")
		}
	case session.OfTemperature:
		p.ResolutionCel, p.RepeatabilityCel = &count, &spread
		if p.PermissibleCel == nil {
			p.PermissibleCel = usual.PermissibleCel
			notes = append(notes, "permissible_error_Cel is set to what is usual; take it from the certificate")
		}
	default:
		p.Resolution, p.Repeatability = count, spread
		if len(p.Permissible) == 0 {
			notes = append(notes, "permissible_error_mm is not known; take it from the certificate")
		}
	}
	return notes
}

func enough(presses []Press) error {
	different := map[string]bool{}
	for i, press := range presses {
		switch {
		case len(press.Raw) == 0:
			return fmt.Errorf("cannot learn from press %d: nothing came with it", i+1)
		case len(press.Raw) > mostPressed:
			return fmt.Errorf("cannot learn from press %d: %d bytes are too many", i+1, len(press.Raw))
		}
		different[press.Unit.Kept(press.Shown).Decimal.String()] = true
	}
	if len(presses) > mostPresses {
		return fmt.Errorf("cannot learn from %d presses; %d are enough", len(presses), mostPresses)
	}
	if len(different) < leastPresses {
		return errors.New("cannot learn from fewer than three presses with different values")
	}
	return nil
}

// countOf is one count of the display in the unit that values are kept in.
func countOf(k session.Kind, presses []Press) session.Number {
	places := func(unit session.Unit) (most int32, seen bool) {
		for _, p := range presses {
			if p.Unit == unit {
				most, seen = max(most, -p.Shown.Exponent()), true
			}
		}
		return most, seen
	}
	for _, unit := range unitsOf(k) {
		n, ok := places(unit)
		switch {
		case ok && unit == session.Fahrenheit: // a difference, not a temperature
			return session.Num(decimals(5, n).DivRound(decimals(9, 0).Decimal, n+2))
		case ok:
			return unit.Kept(decimals(1, n))
		}
	}
	return session.Number{}
}

// readsAll tells whether a profile reads every press, alone and all in a row, as the
// display showed it, and nothing else.
func readsAll(p session.Profile, presses []Press) bool {
	row, err := NewDecoder(p)
	if err != nil {
		return false
	}
	at := time.Second
	for _, press := range presses {
		alone, err := NewDecoder(p)
		if err != nil || !reads(alone, press, time.Second) || !reads(row, press, at) {
			return false
		}
		at += 2 * maxGap
	}
	return true
}

// reads tells whether a decoder makes of a press the value shown, once or several
// times, and nothing else.
func reads(d *Decoder, press Press, at time.Duration) bool {
	want, n := press.Unit.Kept(press.Shown), 0
	for _, r := range append(d.Feed(press.Raw, time.Time{}, at), d.Silence(time.Time{}, at+maxGap)...) {
		if r.Fault != nil || !r.Value.Equal(want.Decimal) {
			return false
		}
		n++
	}
	return n > 0
}

// unitNotes says what the presses did not show of units and signs.
func unitNotes(k session.Kind, presses []Press) (notes []string) {
	if k.Quantity() != session.OfTorque && !slices.ContainsFunc(presses, func(p Press) bool { return p.Shown.IsNegative() }) {
		notes = append(notes, "no value below zero was pressed; press one, if the instrument can show it")
	}
	first := presses[0].Unit
	if !slices.ContainsFunc(presses, func(p Press) bool { return p.Unit != first }) {
		words := wordsOf(slices.DeleteFunc(unitsOf(k), func(u session.Unit) bool { return u == first }))
		word := strings.ReplaceAll(strings.Join(words, " or "), session.Inch.Word(), "inch")
		if k.Quantity() == session.OfTorque {
			word = strings.Join(words, " or ")
		}
		notes = append(notes, fmt.Sprintf("nothing was pressed in %s; press once in %s, if the instrument can be switched", word, word))
	}
	return notes
}

// A span of characters in a line.
type part struct {
	text string
	kind byte // d digits with at most one point, a letters, s blanks, others themselves; w letters and digits
}

// parts cuts a line into numbers, words, blanks and single other characters. point is
// what stands before decimals.
func parts(line string, point byte) []part {
	var out []part
	for len(line) > 0 {
		kind := kindOf(line[0], point)
		_, n := utf8.DecodeRuneInString(line)
		for n < len(line) && kindOf(line[n], point) == kind && kind != 'x' {
			n++
		}
		if kind == 'd' {
			if i := strings.IndexByte(line[:n], point); i >= 0 { // one point a number
				if j := strings.IndexByte(line[i+1:n], point); j >= 0 {
					n = i + 1 + j
				}
			}
		}
		out = append(out, part{line[:n], kind})
		line = line[n:]
	}
	return out
}

// merged joins numbers and words that stand together: a check sum may be either or both.
func merged(parts []part) []part {
	var out []part
	for _, p := range parts {
		if p.kind == 'd' || p.kind == 'a' {
			p.kind = 'w'
			if n := len(out); n > 0 && out[n-1].kind == 'w' {
				out[n-1].text += p.text
				continue
			}
		}
		out = append(out, p)
	}
	return out
}

func kindOf(c, point byte) byte {
	switch {
	case c >= '0' && c <= '9', c == point:
		return 'd'
	case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z':
		return 'a'
	case c == ' ':
		return 's'
	}
	return 'x'
}

// linesOf gives the lines of a press that are not empty.
func linesOf(raw []byte, end string) []string {
	return strings.FieldsFunc(string(raw), func(r rune) bool { return r == '\r' || r == '\n' || end != "" && r == rune(end[0]) })
}

// endOf is the character that ends every press and is in no number, where no line end does.
func endOf(presses []Press) string {
	end := ""
	for _, p := range presses {
		last := string(p.Raw[len(p.Raw)-1:])
		if bytes.ContainsAny(p.Raw, "\r\n") || strings.Trim(last, numberLike) == "" || last[0] >= 0x80 || end != "" && last != end {
			return ""
		}
		end = last
	}
	return end
}

// A spelling is how lines may write their number.
type spelling struct {
	implied int  // decimals that are not marked
	point   byte // what marks decimals
	behind  bool // the sign stands behind the number
}

// spellings lists those to try, the usual ones first.
func spellings(presses []Press) []spelling {
	var all []spelling
	for _, behind := range []bool{false, true} {
		for _, implied := range impliedDecimals(presses) {
			all = append(all, spelling{implied, '.', behind})
		}
		all = append(all, spelling{0, ',', behind})
	}
	return all
}

// A shape is one line cut at its number.
type shape struct {
	before []part // what stands before sign and number, blanks next to them apart
	sign   string // "+", "-" or none
	outer  int    // blanks before the sign
	inner  int    // blanks between sign and number
	number string
	after  []part
}

// cutAt cuts a line at its kth number.
func (how spelling) cutAt(line string, k int) (shape, bool) {
	all := parts(line, how.point)
	for i, p := range all {
		if p.kind != 'd' || len(p.text) == 1 && p.text[0] == how.point {
			continue
		}
		if k > 0 {
			k--
			continue
		}
		s := shape{number: p.text, after: all[i+1:]}
		before := all[:i:i]
		blanks := func() int {
			if n := len(before); n > 0 && before[n-1].kind == 's' {
				width := len(before[n-1].text)
				before = before[:n-1]
				return width
			}
			return 0
		}
		s.inner = blanks()
		if n := len(before); n > 0 && (before[n-1].text == "+" || before[n-1].text == "-") {
			s.sign, before = before[n-1].text, before[:n-1]
			s.outer = blanks()
		} else {
			s.outer, s.inner = s.inner, 0
		}
		s.before = before
		if how.behind {
			if s.sign != "" || len(s.after) == 0 || s.after[0].text != "+" && s.after[0].text != "-" {
				return shape{}, false
			}
			s.sign, s.after = s.after[0].text, s.after[1:]
		}
		return s, true
	}
	return shape{}, false
}

// saysShown tells whether a shape's number is what the display showed, with implied
// decimals put in.
func (s shape) saysShown(p Press, how spelling) bool {
	sign, number := cmp.Or(s.sign, "+"), s.number
	if how.point == ',' {
		if !strings.Contains(number, ",") {
			return false // an example with a point reads it as well
		}
		number = pointed(number)
	}
	_, mm, why := readNumber(sign, number, how.implied, p.Unit)
	return why == "" && mm.Equal(p.Unit.Kept(p.Shown).Decimal) && (how.implied == 0 || len(number) > how.implied)
}
