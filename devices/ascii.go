package devices

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"shimwright/session"
)

// The ASCII line.
//
//	┌────────────── line, 1 to 64 bytes ──────────────┐┌ end ┐
//	  [channel] [sign] value [unit] [status] literals    CR, LF, CRLF, or the End of the profile
//
// The order and the literals are the pattern's. Example, with the pattern
// `V(?P<sign>[+-])(?P<value>[0-9]{3}\.[0-9]{2}) (?P<unit>mm|in)`:
//
//	56 2B 30 31 32 2E 33 34 20 6D 6D 0D 0A    "V+012.34 mm" CR LF  =  12.34 mm
//
// An empty line is nothing (an LF right after a CR belongs to the line before).
// The number is digits with at most one decimal point and at most 32 characters;
// with implied decimals it has no point and gets one.

// lineSilence is the pause after which an unfinished line is given up.
const lineSilence = 500 * time.Millisecond

// asciiWire cuts lines and reads them.
type asciiWire struct {
	form    session.ASCIILine
	unit    session.Unit
	pattern *regexp.Regexp
	group   map[string]int

	line    [maxRaw]byte
	count   int           // bytes of the line so far; those beyond maxRaw are not kept
	began   time.Duration // arrival of its first byte
	last    time.Duration // arrival of the last byte of all
	long    bool          // the line is too long and was reported in part
	skip    bool          // what comes belongs to a line that must not be read
	afterCR bool          // the byte before was a CR
	tail    frameClass    // how an LF right after it counts
	said    bool          // a frame has said its unit
}

func newASCIIWire(p session.Profile) wire {
	w := &asciiWire{form: *p.ASCII, unit: unitOf(p), group: map[string]int{}}
	w.pattern = regexp.MustCompile(wholeLine(p.ASCII.Pattern))
	for i, name := range w.pattern.SubexpNames() {
		if name != "" {
			w.group[name] = i
		}
	}
	return w
}

func wholeLine(pattern string) string { return `\A(?:` + pattern + `)\z` }

func (w *asciiWire) feed(b []byte, mono time.Duration, out func(frame)) {
	w.silence(mono, out)
	w.last = mono
	for len(b) > 0 {
		if w.afterCR {
			w.afterCR = false
			if b[0] == '\n' {
				out(frame{class: w.tail, bytes: 1})
				b = b[1:]
				continue
			}
		}
		end := w.indexEnd(b)
		if end < 0 {
			w.gather(b, mono, out)
			return
		}
		w.gather(b[:end], mono, out)
		w.end(b[end] == '\r', mono, out)
		b = b[end+1:]
	}
}

func (w *asciiWire) indexEnd(b []byte) int {
	for i, c := range b {
		if c == '\n' || c == '\r' || w.form.End != "" && c == w.form.End[0] {
			return i
		}
	}
	return -1
}

// gather adds bytes to the line and reports a line that goes on for ever.
func (w *asciiWire) gather(b []byte, mono time.Duration, out func(frame)) {
	if len(b) == 0 {
		return
	}
	if w.skip {
		out(frame{class: empty, bytes: len(b)})
		return
	}
	if w.count == 0 {
		w.began = mono
	}
	if w.count < maxRaw {
		copy(w.line[w.count:], b)
	}
	w.count += len(b)
	if w.count > maxRaw && mono-w.began >= runReport {
		w.tooLong(0, "; it goes on", out)
		w.long = true
	}
}

// end closes the line; its terminator is counted with it.
func (w *asciiWire) end(cr bool, mono time.Duration, out func(frame)) {
	w.afterCR = cr
	w.tail = empty
	switch {
	case w.skip || w.count == 0:
		out(frame{class: empty, bytes: 1})
	case w.long || w.count > maxRaw:
		w.tooLong(1, "", out)
	default:
		f := w.vouched(w.read(w.line[:w.count]))
		f.bytes, f.began, f.ended = w.count+1, w.began, mono
		if f.class == sound || f.class == elsewhere {
			w.tail = trailing
		}
		w.count = 0
		out(f)
	}
	w.skip, w.long = false, false
}

func (w *asciiWire) tooLong(terminator int, and string, out func(frame)) {
	why := fmt.Sprintf("%d bytes without an end; a line has at most %d%s", w.count, maxRaw, and)
	if w.long {
		why = fmt.Sprintf("%d more bytes of the same line%s", w.count, and)
	}
	out(frame{class: faulty, code: "line too long", why: why,
		bytes: w.count + terminator, raw: w.line[:min(w.count, maxRaw)], began: w.began, ended: w.last})
	w.count = 0
}

func (w *asciiWire) discard(b []byte, mono time.Duration, out func(frame)) {
	w.flush(out)
	out(frame{class: empty, bytes: len(b)})
	w.last, w.afterCR, w.tail = mono, false, empty
	if len(b) > 0 {
		w.skip = w.indexEnd(b[len(b)-1:]) < 0
		w.afterCR = b[len(b)-1] == '\r'
	}
}

func (w *asciiWire) silence(mono time.Duration, out func(frame)) {
	if mono-w.last >= lineSilence {
		w.flush(out)
	}
}

func (w *asciiWire) deadline() (time.Duration, bool) { return w.last + lineSilence, w.count > 0 }

func (w *asciiWire) flush(out func(frame)) {
	if w.count > maxRaw || (w.long && w.count > 0) {
		w.tooLong(0, "", out)
	} else if w.count > 0 {
		out(frame{class: faulty, code: "broken frame", why: "the line was not ended", bytes: w.count,
			raw: w.line[:w.count], began: w.began, ended: w.last})
	}
	w.count, w.long, w.skip = 0, false, false
}

func (w *asciiWire) pending() int { return w.count }

// read makes a value of a whole line. Its checks go from the envelope inwards.
func (w *asciiWire) read(line []byte) frame {
	f := frame{class: faulty, raw: line}
	at := w.pattern.FindSubmatchIndex(line)
	if at == nil {
		f.code, f.why = "no match", "the line does not match the pattern"
		return f
	}
	if channel, ok := w.part(line, at, "channel"); ok && w.form.Channel != "" && channel != w.form.Channel {
		f.class = elsewhere
		return f
	}
	if status, ok := w.part(line, at, "status"); ok && !slices.Contains(w.form.GoodStatus, status) {
		f.code, f.why = "bad status", fmt.Sprintf("the instrument says %q", status)
		return f
	}
	if f.unit, f.said, f.why = w.readUnit(line, at); f.why != "" {
		f.code = "bad unit"
		return f
	}
	sign, _ := w.part(line, at, "sign")
	value, _ := w.part(line, at, "value")
	if w.form.DecimalComma {
		value = pointed(value)
	}
	f.text, f.value, f.why = readNumber(sign, value, w.form.ImpliedDecimals, f.unit)
	if f.why != "" {
		f.code, f.unit = "bad number", ""
		return f
	}
	f.class = sound
	return f
}

// vouched turns a frame without a unit away once frames have said theirs: nobody knows
// which unit it is in.
func (w *asciiWire) vouched(f frame) frame {
	if f.class != sound {
		return f
	}
	if w.said && !f.said {
		return frame{class: faulty, raw: f.raw, code: "bad unit", why: "it says no unit, and frames before it did"}
	}
	w.said = w.said || f.said
	return f
}

// part returns what a named group matched; false if it took no part.
func (w *asciiWire) part(line []byte, at []int, name string) (string, bool) {
	i, ok := w.group[name]
	if !ok || at[2*i] < 0 {
		return "", false
	}
	return string(line[at[2*i]:at[2*i+1]]), true
}

func (w *asciiWire) readUnit(line []byte, at []int) (unit session.Unit, says bool, why string) {
	said, ok := w.part(line, at, "unit")
	if !ok || (said == "" && w.form.Units[said] == "") {
		return w.unit, false, ""
	}
	if w.form.Units != nil {
		if unit, ok = w.form.Units[said]; ok {
			return unit, true, ""
		}
	} else if unit.UnmarshalText([]byte(said)) == nil && unit.Quantity() == w.unit.Quantity() {
		return unit, true, ""
	}
	return "", false, fmt.Sprintf("the unit %q is not one of the profile's", said)
}

// readNumber reads a number as an instrument sends it and converts it exactly.
// text is the number with sign and point; why is empty if it is sound.
func readNumber(sign, value string, implied int, unit session.Unit) (text string, kept session.Number, why string) {
	if strings.Trim(sign, "+- ") != "" || len(sign) > 1 || (strings.Trim(sign, " ") != "" && strings.ContainsAny(value, "+-")) {
		return "", session.Number{}, fmt.Sprintf("the sign %q with the number %q is none", sign, value)
	}
	if implied > 0 {
		if strings.Trim(value, "0123456789") != "" || value == "" || len(value) > maxRaw {
			return "", session.Number{}, fmt.Sprintf("%q is not only digits, as implied decimals need", value)
		}
		value = withPoint(value, implied)
	}
	text = withNought(value)
	if sign == "-" {
		text = "-" + text
	}
	n, err := session.ParseNumber(text)
	if err != nil {
		return "", session.Number{}, fmt.Sprintf("%q is not a plain decimal number of at most 32 characters", text)
	}
	kept = unit.Kept(n)
	if why := beyond(kept, text, unit); why != "" {
		return "", session.Number{}, why
	}
	return text, kept, ""
}

// pointed makes a decimal comma a point. What has a point as well is not one number.
func pointed(number string) string {
	if strings.Contains(number, ".") {
		return number + "," // and is not read as one
	}
	return strings.Replace(number, ",", ".", 1)
}

// withNought puts a 0 before a decimal point that has no digit before it, as many
// inch instruments send.
func withNought(number string) string {
	if i := strings.Index(number, "."); i >= 0 && strings.Trim(number[:i], "+-") == "" && len(number) > i+1 {
		return number[:i] + "0" + number[i:]
	}
	return number
}

// withPoint puts a decimal point before the last decimals digits.
func withPoint(digits string, decimals int) string {
	if short := decimals + 1 - len(digits); short > 0 {
		digits = strings.Repeat("0", short) + digits
	}
	return digits[:len(digits)-decimals] + "." + digits[len(digits)-decimals:]
}
