package devices

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"shimwright/session"
)

// proposeBits finds fields of bits that count what was shown. It tries both orders
// of bits, every place and width, the usual values of one count, and the three ways
// of giving a sign.
func proposeBits(p session.Profile, presses []Press) []Proposal {
	size := len(presses[0].Raw)
	for _, press := range presses {
		if len(press.Raw) != size {
			return nil
		}
	}
	if size > 16 {
		return nil
	}
	var found []Proposal
	for _, counts := range countings(p.Kind, presses) {
		for _, order := range []string{highestFirst, lowestFirst} {
			f := field{kind: p.Kind, presses: presses, order: order, bits: 8 * size, counts: counts.counts, scale: counts.scale}
			found = append(found, f.proposals(p)...)
		}
	}
	slices.SortStableFunc(found, func(a, b Proposal) int { return len(a.Notes) - len(b.Notes) })
	return found
}

// A counting is the presses as whole counts of a scale in each unit.
type counting struct {
	scale  map[session.Unit]decimal.Decimal
	counts []int64
}

// countings tries the values of one count, the display's own first.
func countings(k session.Kind, presses []Press) []counting {
	var out []counting
	units := unitsOf(k)
	second := secondUnit(units, presses)
	for _, base := range scales(presses, units[0]) {
		for _, other := range scales(presses, second) {
			c := counting{scale: map[session.Unit]decimal.Decimal{units[0]: base, second: other}}
			whole, most := true, int64(0)
			for _, press := range presses {
				n, rest := press.Shown.QuoRem(c.scale[press.Unit], 0)
				whole = whole && rest.IsZero() && n.Abs().LessThan(decimal.New(1, 14))
				if whole {
					c.counts = append(c.counts, n.IntPart())
					most = max(most, n.Abs().IntPart())
				}
			}
			if whole && most >= 64 { // of smaller counts too much would fit by chance
				out = append(out, c)
			}
		}
	}
	return out
}

// secondUnit is the one that was pressed besides the first of units.
func secondUnit(units []session.Unit, presses []Press) session.Unit {
	for _, press := range presses {
		if press.Unit != units[0] {
			return press.Unit
		}
	}
	return units[1]
}

// scales are the values of one count to try in a unit; one that does not matter if
// nothing was pressed in it.
func scales(presses []Press, unit session.Unit) []decimal.Decimal {
	places, seen := int32(0), false
	for _, p := range presses {
		if p.Unit == unit {
			places, seen = max(places, -p.Shown.Exponent()), true
		}
	}
	if !seen {
		return []decimal.Decimal{decimal.New(1, -2)}
	}
	return []decimal.Decimal{decimal.New(1, -places), decimal.New(5, -places), decimal.New(5, -places-1), decimal.New(1, -places-1), decimal.New(2, -places)}
}

// A field looks for the value in frames of bits.
type field struct {
	kind    session.Kind
	presses []Press
	order   string
	bits    int
	counts  []int64
	scale   map[session.Unit]decimal.Decimal
}

func (f *field) proposals(p session.Profile) []Proposal {
	var found []Proposal
	for units := range f.bits {
		for _, sign := range []string{signNone, signBit, signTwos} {
			for _, coding := range []string{"", codedBCD} {
				if form, ok := f.fit(units, sign, coding); ok {
					x := p
					x.Binary = form
					found = append(found, f.describe(x))
				}
			}
		}
	}
	return found
}

// fit finds the field whose bit of one count lies at a place and that gives its sign
// in a way. It is as wide as the counts need; a twos complement is as wide as the
// copies of its sign go, since a narrower one would misread larger values.
func (f *field) fit(units int, sign, coding string) (*session.BinaryFrame, bool) {
	negative := slices.ContainsFunc(f.counts, func(n int64) bool { return n < 0 })
	if negative == (sign == signNone) || sign == signTwos && coding == codedBCD {
		return nil, false
	}
	width, step := 1, 1
	if coding == codedBCD {
		width, step = 4, 4
	}
	for _, n := range f.counts {
		bits := abs(n)
		if coding == codedBCD {
			bits = digitsOf(bits)
		}
		for bits>>width != 0 {
			width += step
		}
	}
	form := &session.BinaryFrame{Bits: f.bits, Order: f.order, Sign: sign, Coding: coding}
	scale := session.Num(f.scale[unitsOf(f.kind)[0]])
	switch f.kind.Quantity() {
	case session.OfTorque:
		form.ScaleNm = &scale
	case session.OfTemperature:
		form.ScaleCel = &scale
	default:
		form.Scale = scale
	}
	if sign == signTwos {
		width++
	}
	if !f.holds(form, units, width) {
		return nil, false
	}
	for sign == signTwos && f.holds(form, units, width+1) {
		width++
	}
	f.holds(form, units, width)
	return f.complete(form)
}

// holds sets the value field of a form and tells whether it holds every count.
func (f *field) holds(form *session.BinaryFrame, units, width int) bool {
	first := units
	if f.order == highestFirst {
		first = units - width + 1
	}
	if first < 0 || first+width > f.bits || width > maxWidth {
		return false
	}
	form.Value = []int{first, width}
	return f.reads(form)
}

func abs(n int64) int64 { return max(n, -n) }

// reads tells whether the value field holds every count, its sign left apart where
// a bit of its own gives it.
func (f *field) reads(form *session.BinaryFrame) bool {
	w := binaryWire{form: *form} // for its counts alone
	if form.Sign == signBit {
		w.form.Sign = signNone
	}
	for i, press := range f.presses {
		want := f.counts[i]
		if form.Sign == signBit {
			want = abs(want)
		}
		if n, ok := w.counts(press.Raw); !ok || n != want {
			return false
		}
	}
	return true
}

// complete finds the bits of sign and inch and draws the fixed bits. The twos
// complement is as wide as the copies of its sign go.
func (f *field) complete(form *session.BinaryFrame) (*session.BinaryFrame, bool) {
	taken := func(bit int) bool { return bit >= form.Value[0] && bit < form.Value[0]+form.Value[1] }
	if form.Sign == signBit {
		bit, ok := f.flag(func(i int) bool { return f.counts[i] < 0 }, taken)
		if !ok {
			return nil, false
		}
		form.SignBit = &bit
	}
	if !f.secondUnit(form, func(bit int) bool { return taken(bit) || form.SignBit != nil && *form.SignBit == bit }) {
		return nil, false
	}
	form.Fixed = f.draw(form)
	return form, true
}

// secondUnit finds the bit of the second unit, if presses were in one.
func (f *field) secondUnit(form *session.BinaryFrame, taken func(bit int) bool) bool {
	first := unitsOf(f.kind)[0]
	second := secondUnit(unitsOf(f.kind), f.presses)
	count := map[session.Unit]int{}
	for _, press := range f.presses {
		count[press.Unit]++
	}
	switch {
	case count[first] == len(f.presses):
		return true
	case count[first] == 0, count[first]+count[second] < len(f.presses):
		return false // a profile cannot tell a frame in another unit alone, nor a third
	}
	bit, ok := f.flag(func(i int) bool { return f.presses[i].Unit == second }, taken)
	scale := session.Num(f.scale[second])
	if second == session.Inch {
		form.InchBit, form.InchScale = &bit, &scale
	} else {
		form.Other = &session.OtherUnit{Bit: bit, Unit: second, Scale: scale}
	}
	return ok
}

// flag finds the one bit that is set just in the presses that have something; false
// if there is none, or if several could be it.
func (f *field) flag(has func(i int) bool, taken func(bit int) bool) (found int, ok bool) {
	for bit := range f.bits {
		fits := !taken(bit)
		for i, press := range f.presses {
			fits = fits && hasBit(press.Raw, f.order, bit) == has(i)
		}
		if fits && ok {
			return 0, false
		}
		if fits {
			found, ok = bit, true
		}
	}
	return found, ok
}

// draw draws the bits that never changed, in groups of four.
func (f *field) draw(form *session.BinaryFrame) string {
	var b strings.Builder
	for bit := range f.bits {
		if bit > 0 && bit%4 == 0 {
			b.WriteByte(' ')
		}
		b.WriteByte(f.drawBit(form, bit))
	}
	return b.String()
}

// flagged tells whether a bit is that of the sign or of the second unit.
func flagged(form *session.BinaryFrame, bit int) bool {
	other := otherUnit(*form)
	return form.SignBit != nil && *form.SignBit == bit || other != nil && other.Bit == bit
}

func (f *field) drawBit(form *session.BinaryFrame, bit int) byte {
	own := bit >= form.Value[0] && bit < form.Value[0]+form.Value[1]
	own = own || flagged(form, bit)
	first := hasBit(f.presses[0].Raw, f.order, bit)
	for _, press := range f.presses {
		if own || hasBit(press.Raw, f.order, bit) != first {
			return '.'
		}
	}
	if first {
		return '1'
	}
	return '0'
}

// describe says in words what was found and what is left open.
func (f *field) describe(p session.Profile) Proposal {
	form := *p.Binary
	x := Proposal{Profile: p, Form: fmt.Sprintf("a frame of %d bytes, its value in bits %d to %d", f.bits/8, form.Value[0], form.Value[0]+form.Value[1]-1)}
	if form.Coding == codedBCD {
		x.Form += ", a decimal digit in every four"
	}
	loose := 0
	for bit := range f.bits {
		if !flagged(&form, bit) && (bit < form.Value[0] || bit >= form.Value[0]+form.Value[1]) && f.drawBit(&form, bit) == '.' {
			loose++
		}
	}
	if loose > 0 {
		x.Notes = append(x.Notes, fmt.Sprintf("%d bits change and are not understood; such a frame may hold a check sum or a state that is not read", loose))
	}
	if !selfMarking(drawFixed(form)) {
		x.Notes = append(x.Notes, "only the silence between frames marks them; a frame joined with noise is not read")
	}
	if form.Sign != signTwos {
		most := decimal.NewFromInt(1<<form.Value[1] - 1)
		if form.Coding == codedBCD {
			most = decimal.New(1, int32(form.Value[1]/4)).Sub(decimal.NewFromInt(1))
		}
		largest := most.Mul(f.scale[unitsOf(f.kind)[0]])
		x.Notes = append(x.Notes, fmt.Sprintf("values above %s %s are not read, since none was pressed; press the largest that you measure", largest, f.kind.Quantity().Unit().Word()))
	}
	x.Notes = append(x.Notes, unitNotes(f.kind, f.presses)...)
	return x
}
