package devices

import (
	"fmt"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/session"
)

// The binary frame.
//
//	bit   0        8        16       24          the profile gives Bits, the fields
//	      ┌────────┬────────┬────────┐           and which bits are fixed;
//	      │ byte 0 │ byte 1 │ byte 2 │  silence  "first bit lowest": bit 0 is the
//	      └────────┴────────┴────────┘  ≥ Gap    lowest of byte 0 and of a field,
//	                                             "first bit highest": the highest
//
// Example, the depth gauge of ExampleProfiles: first bit highest, sign bit 1, inch
// bit 2, value [9, 14], fixed `1..0 0000 0... .... .... ...1`:
//
//	80 09 A5    not negative, in mm, 1234 counts of 0.01 mm  =  12.34 mm

// loneFrames is how many frames one burst may hold where only silence marks them.
const loneFrames = 8

// defaultGap is the silence between frames where the profile does not say.
const defaultGap = 20 * time.Millisecond

// binaryWire cuts frames by their fixed bits, or by silence alone.
type binaryWire struct {
	form  session.BinaryFrame
	scale session.Number // of one count in unit
	unit  session.Unit
	other *session.OtherUnit // besides unit; nil if there is none
	size  int                // bytes of a frame
	gap   time.Duration      // silence that ends a frame
	mask  []byte             // 1 where a bit is fixed
	want  []byte             // its value there
	self  bool               // the fixed bits find the frame by themselves

	buf  []byte          // a window of one frame; where only silence marks frames, a burst
	at   []time.Duration // arrival of each of its bytes
	last time.Duration   // arrival of the last byte of all
	run  run             // bytes that are in no frame
	skip bool            // until the next frame or silence such bytes are not a fault
	over bool            // the burst is too long: nothing of it is read
}

// A run is consecutive bytes that are in no frame.
type run struct {
	count        int
	raw          [maxRaw]byte
	began, ended time.Duration
}

func (r *run) add(c byte, at time.Duration) {
	if r.count == 0 {
		r.began = at
	}
	if r.count < maxRaw {
		r.raw[r.count] = c
	}
	r.count++
	r.ended = at
}

func newBinaryWire(p session.Profile) wire {
	form := *p.Binary
	w := &binaryWire{form: form, scale: scaleOf(p), unit: p.Kind.Quantity().Unit(), other: otherUnit(form), size: form.Bits / 8, gap: form.Gap}
	if w.gap == 0 {
		w.gap = defaultGap
	}
	w.mask, w.want = drawFixed(form)
	w.self = selfMarking(w.mask, w.want)
	return w
}

// scaleOf is the value of one count in the unit in which the quantity is kept; 0 if the
// profile does not say.
func scaleOf(p session.Profile) session.Number {
	scale := &p.Binary.Scale
	switch p.Kind.Quantity() {
	case session.OfTorque:
		scale = p.Binary.ScaleNm
	case session.OfTemperature:
		scale = p.Binary.ScaleCel
	}
	if scale == nil {
		return session.Number{}
	}
	return *scale
}

// otherUnit is the second unit of a frame; nil if it has one only.
func otherUnit(form session.BinaryFrame) *session.OtherUnit {
	if form.InchBit != nil && form.InchScale != nil {
		return &session.OtherUnit{Bit: *form.InchBit, Unit: session.Inch, Scale: *form.InchScale}
	}
	return form.Other
}

// drawFixed turns the drawing of fixed bits into a mask and values by byte.
func drawFixed(form session.BinaryFrame) (mask, want []byte) {
	mask, want = make([]byte, form.Bits/8), make([]byte, form.Bits/8)
	for i, c := range strings.ReplaceAll(form.Fixed, " ", "") {
		if c == '.' {
			continue
		}
		setBit(mask, form.Order, i)
		if c == '1' {
			setBit(want, form.Order, i)
		}
	}
	return mask, want
}

// selfMarking tells whether the fixed bits contradict themselves at every shift
// by whole bytes, so that no window in which a true frame begins can match.
func selfMarking(mask, want []byte) bool {
	for shift := 1; shift < len(mask); shift++ {
		clash := false
		for i := range len(mask) - shift {
			clash = clash || mask[i]&mask[i+shift]&(want[i]^want[i+shift]) != 0
		}
		if !clash {
			return false
		}
	}
	return len(mask) > 1
}

func bitMask(order string, bit int) byte {
	if order == highestFirst {
		return 0x80 >> (bit % 8)
	}
	return 1 << (bit % 8)
}

func hasBit(b []byte, order string, bit int) bool { return b[bit/8]&bitMask(order, bit) != 0 }
func setBit(b []byte, order string, bit int)      { b[bit/8] |= bitMask(order, bit) }

// The orders of bits.
const (
	lowestFirst  = "first bit lowest"
	highestFirst = "first bit highest"
)

func (w *binaryWire) feed(b []byte, mono time.Duration, out func(frame)) {
	w.silence(mono, out)
	w.last = mono
	for _, c := range b {
		if w.self {
			w.slide(c, mono, out)
		} else {
			w.gather(c, mono)
		}
	}
	if w.run.count > 0 && mono-w.run.began >= runReport {
		w.report(out)
	}
}

// slide adds a byte to the window and moves the window on until what it holds
// could be the beginning of a frame.
func (w *binaryWire) slide(c byte, mono time.Duration, out func(frame)) {
	w.buf, w.at = append(w.buf, c), append(w.at, mono)
	for len(w.buf) > 0 && !w.fits(w.buf) {
		w.run.add(w.buf[0], w.at[0])
		w.buf, w.at = append(w.buf[:0], w.buf[1:]...), append(w.at[:0], w.at[1:]...)
	}
	if len(w.buf) < w.size {
		return
	}
	w.report(out)
	w.skip = false
	f := w.read(w.buf)
	f.bytes, f.began, f.ended = w.size, w.at[0], mono
	out(f)
	w.clear()
}

// gather adds a byte to the burst; one that is too long is only counted.
func (w *binaryWire) gather(c byte, mono time.Duration) {
	if !w.over && !w.skip && len(w.buf) < loneFrames*w.size {
		w.buf, w.at = append(w.buf, c), append(w.at, mono)
		return
	}
	w.over = true
	w.spill()
	w.run.add(c, mono)
}

// burst reads what came between two silences: whole frames, or nothing of it.
func (w *binaryWire) burst(out func(frame)) {
	whole := len(w.buf)%w.size == 0 && !w.over
	for i := 0; whole && i < len(w.buf); i += w.size {
		whole = w.fits(w.buf[i : i+w.size])
	}
	for i := 0; whole && i < len(w.buf); i += w.size {
		f := w.read(w.buf[i : i+w.size])
		f.bytes, f.began, f.ended = w.size, w.at[0], w.at[i+w.size-1]
		out(f)
	}
	if whole {
		w.clear()
	}
}

// fits tells whether b, a frame or its beginning, has the fixed bits.
func (w *binaryWire) fits(b []byte) bool {
	for i, c := range b {
		if (c^w.want[i])&w.mask[i] != 0 {
			return false
		}
	}
	return true
}

func (w *binaryWire) clear() { w.buf, w.at = w.buf[:0], w.at[:0] }

// spill moves the bytes of the buffer into the run.
func (w *binaryWire) spill() {
	for i, c := range w.buf {
		w.run.add(c, w.at[i])
	}
	w.clear()
}

// report gives the run of bytes that are in no frame as one fault.
func (w *binaryWire) report(out func(frame)) {
	if w.run.count == 0 {
		return
	}
	f := frame{class: faulty, code: "broken frame", why: "the bytes are not a whole frame with the fixed bits of the profile",
		bytes: w.run.count, raw: w.run.raw[:min(w.run.count, maxRaw)], began: w.run.began, ended: w.run.ended}
	if w.run.count > 2*w.size {
		f.code, f.why = "noise", fmt.Sprintf("%d bytes that are no frame", w.run.count)
	}
	if w.skip {
		f.class = empty
	}
	w.run.count = 0
	out(f)
}

func (w *binaryWire) silence(mono time.Duration, out func(frame)) {
	if mono-w.last >= w.gap {
		w.flush(out)
	}
}

func (w *binaryWire) flush(out func(frame)) {
	if !w.self {
		w.burst(out)
	}
	w.spill()
	w.report(out)
	w.skip, w.over = false, false
}

func (w *binaryWire) discard(b []byte, mono time.Duration, out func(frame)) {
	w.flush(out)
	w.last, w.skip = mono, len(b) > 0
	out(frame{class: empty, bytes: len(b)})
}

func (w *binaryWire) deadline() (time.Duration, bool) { return w.last + w.gap, w.pending() > 0 }
func (w *binaryWire) pending() int                    { return len(w.buf) + w.run.count }

// read makes a value of a whole frame.
func (w *binaryWire) read(b []byte) frame {
	for _, bit := range w.form.StatusBits {
		if hasBit(b, w.form.Order, bit) {
			return frame{class: faulty, raw: b, code: "bad status", why: fmt.Sprintf("bit %d says that the value is not sound", bit)}
		}
	}
	scale, unit := w.scale, w.unit
	if w.other != nil && hasBit(b, w.form.Order, w.other.Bit) {
		scale, unit = w.other.Scale, w.other.Unit
	}
	counts, ok := w.counts(b)
	if !ok {
		return frame{class: faulty, raw: b, code: "bad number", why: "four of its bits are no decimal digit"}
	}
	shown := session.Num(decimal.New(counts, 0).Mul(scale.Decimal))
	f := frame{class: sound, raw: b, unit: unit, text: shown.String(), value: unit.Kept(shown)}
	if why := beyond(f.value, f.text, unit); why != "" {
		return frame{class: faulty, raw: b, code: "bad number", why: why}
	}
	return f
}

// counts reads the value field with its sign; false if it holds no number.
func (w *binaryWire) counts(b []byte) (int64, bool) {
	first, width := w.form.Value[0], w.form.Value[1]
	var n int64
	for i := range width {
		if !hasBit(b, w.form.Order, first+i) {
			continue
		}
		n |= 1 << weight(w.form.Order, i, width)
	}
	if w.form.Coding == codedBCD {
		var ok bool
		if n, ok = ofDigits(n); !ok {
			return 0, false
		}
	}
	switch {
	case w.form.Sign == signBit && hasBit(b, w.form.Order, *w.form.SignBit):
		return -n, true
	case w.form.Sign == signTwos && n>>(width-1) != 0:
		return n - 1<<width, true
	}
	return n, true
}

// codedBCD has a decimal digit in every four bits.
const codedBCD = "bcd"

// ofDigits is the number whose decimal digits are the groups of four bits of n; false if
// one of them is none.
func ofDigits(n int64) (number int64, ok bool) {
	for one := int64(1); n != 0; n, one = n>>4, one*10 {
		if n&15 > 9 {
			return 0, false
		}
		number += n & 15 * one
	}
	return number, true
}

// digitsOf is the inverse of ofDigits.
func digitsOf(number int64) (n int64) {
	for shift := 0; number != 0; number, shift = number/10, shift+4 {
		n |= number % 10 << shift
	}
	return n
}

// weight is the power of two of bit i of a field of width bits.
func weight(order string, i, width int) int {
	if order == highestFirst {
		return width - 1 - i
	}
	return i
}

// How a binary frame gives the sign.
const (
	signNone = "none"
	signBit  = "bit"
	signTwos = "twos complement"
)

// newBinaryEncoder is the inverse of binaryWire: fixed bits, value, sign, unit.
func newBinaryEncoder(p session.Profile) encoder {
	form := *p.Binary
	_, want := drawFixed(form)
	other := otherUnit(form)
	return func(shown session.Number, unit session.Unit) ([]byte, error) {
		scale, second := scaleOf(p), unit != p.Kind.Quantity().Unit()
		if second {
			if other == nil || other.Unit != unit {
				return nil, fmt.Errorf("cannot encode %s %s: the frame has no bit for that unit", shown, unit.Word())
			}
			scale = other.Scale
		}
		counts, rest := shown.QuoRem(scale.Decimal, 0)
		if !rest.IsZero() {
			return nil, fmt.Errorf("cannot encode %s %s: it is not a whole number of counts of %s", shown, unit.Word(), scale)
		}
		b := append([]byte(nil), want...)
		if second {
			setBit(b, form.Order, other.Bit)
		}
		if !putCounts(b, form, counts.IntPart()) {
			return nil, fmt.Errorf("cannot encode %s %s: the value field is too small", shown, unit.Word())
		}
		return b, nil
	}
}

// putCounts writes the value field and the sign; false if they do not hold n.
func putCounts(b []byte, form session.BinaryFrame, n int64) bool {
	first, width := form.Value[0], form.Value[1]
	switch {
	case form.Sign == signTwos:
		if n < -1<<(width-1) || n >= 1<<(width-1) {
			return false
		}
		n &= 1<<width - 1
	case n < 0 && form.Sign != signBit:
		return false
	case n < 0:
		n = -n
		setBit(b, form.Order, *form.SignBit)
	}
	if form.Coding == codedBCD {
		n = digitsOf(n)
	}
	if n >= 1<<width {
		return false
	}
	for i := range width {
		if n>>weight(form.Order, i, width)&1 != 0 {
			setBit(b, form.Order, first+i)
		}
	}
	return true
}
