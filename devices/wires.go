package devices

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/session"
)

// wires is the table of wire formats. To add one: a file with its layout and an
// example frame, a line here, its rules in Check, its encoder for the simulator.
var wires = [...]struct {
	name   string
	of     func(session.Profile) bool // whether the profile asks for it
	check  func(session.Profile) []Mistake
	decode func(session.Profile) wire
	encode func(session.Profile) encoder
}{
	{"pedal byte", isPedal, checkPedal, newPedalWire, newPedalEncoder},
	{"ASCII line", hasASCII, checkASCII, newASCIIWire, newASCIIEncoder},
	{"binary frame", hasBinary, checkBinary, newBinaryWire, newBinaryEncoder},
}

func isPedal(p session.Profile) bool   { return p.Kind == session.Pedal }
func hasASCII(p session.Profile) bool  { return p.ASCII != nil && !isPedal(p) }
func hasBinary(p session.Profile) bool { return p.Binary != nil && !isPedal(p) }

// A wire is one wire format at work: it cuts bytes into frames and reads each.
// Every byte it is fed leaves it in exactly one frame, or is still pending.
type wire interface {
	// feed takes bytes that arrived at mono.
	feed(b []byte, mono time.Duration, out func(frame))
	// discard takes bytes that must not be read, nor the frame they belong to.
	discard(b []byte, mono time.Duration, out func(frame))
	// silence is told that nothing more has come until mono.
	silence(mono time.Duration, out func(frame))
	// deadline is when silence next has something to say; false if never.
	deadline() (time.Duration, bool)
	// flush gives up whatever is pending.
	flush(out func(frame))
	// pending counts the bytes held.
	pending() int
}

// An encoder writes the frame that shows a number in a unit, the inverse of a wire.
type encoder func(shown session.Number, unit session.Unit) ([]byte, error)

// A frame is what a wire made of a run of bytes.
type frame struct {
	class frameClass
	bytes int           // all bytes of the run
	raw   []byte        // at most the first 64; valid only during the call
	began time.Duration // arrival of the first byte
	ended time.Duration // arrival of the last byte
	value session.Number
	text  string
	unit  session.Unit
	said  bool   // the frame itself says its unit
	code  string // of a fault
	why   string // detail of a fault
}

// A frameClass says how a frame counts.
type frameClass int

const (
	sound     frameClass = iota // a value, or a press of the pedal
	faulty                      // no value; a Reading with a Fault
	elsewhere                   // sound, but of another channel
	empty                       // bytes without meaning: empty lines, discarded ones
	trailing                    // bytes that belong to the sound frame before
)

// maxRaw bounds the raw bytes kept of a frame and the length of a line.
const maxRaw = 64

// runReport is how often a run of bytes that does not end is reported.
const runReport = time.Second

// beyond says that a value is not to be believed: a length beyond ±10 m, a torque beyond
// ±10 kN·m, a temperature that no part on a bench has. It is empty for one that is.
func beyond(value session.Number, text string, unit session.Unit) string {
	low, high, limit := decimal.New(-10, 3), decimal.New(10, 3), "10 m"
	switch unit.Quantity() {
	case session.OfTorque:
		limit = "10 kN·m"
	case session.OfTemperature:
		low, high, limit = decimal.New(-90, 0), decimal.New(500, 0), "-90 to 500 °C"
	}
	if value.LessThan(low) || value.GreaterThan(high) {
		return fmt.Sprintf("%s %s is beyond %s", text, unit.Word(), limit)
	}
	return ""
}

// unitOf is the unit of a frame that does not say.
func unitOf(p session.Profile) session.Unit {
	if p.Unit != "" {
		return p.Unit
	}
	return p.Kind.Quantity().Unit()
}

// unitsOf lists the units that an instrument of the kind may show.
func unitsOf(k session.Kind) []session.Unit {
	switch k.Quantity() {
	case session.OfTorque:
		return []session.Unit{session.NewtonMetre, session.PoundFoot, session.PoundInch}
	case session.OfTemperature:
		return []session.Unit{session.Celsius, session.Fahrenheit}
	}
	return []session.Unit{session.Millimetre, session.Inch}
}

// unitWords writes them as an order: `"mm" or "in"`.
func unitWords(k session.Kind) string {
	words := wordsOf(unitsOf(k))
	for i := range words {
		words[i] = strconv.Quote(words[i])
	}
	return strings.Join(words, " or ")
}

func wordsOf(units []session.Unit) []string {
	words := make([]string, len(units))
	for i, u := range units {
		words[i] = u.Word()
	}
	return words
}
