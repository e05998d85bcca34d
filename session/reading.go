package session

import (
	"encoding/json"
	"fmt"
	"strconv"
	"time"
)

// A Kind is a kind of instrument.
type Kind string

// The kinds of instrument.
const (
	Caliper       Kind = "caliper"
	DepthGauge    Kind = "depth gauge"
	Micrometer    Kind = "micrometer"
	DialIndicator Kind = "dial indicator"
	Feeler        Kind = "feeler"
	Thermometer   Kind = "thermometer"
	TorqueWrench  Kind = "torque wrench"
	Pedal         Kind = "pedal"
)

// Kinds lists every kind of instrument in a fixed order.
func Kinds() []Kind {
	return []Kind{Caliper, DepthGauge, Micrometer, DialIndicator, Feeler, Thermometer, TorqueWrench, Pedal}
}

// Quantity is what an instrument of the kind measures.
func (k Kind) Quantity() Quantity {
	switch k {
	case Thermometer:
		return OfTemperature
	case TorqueWrench:
		return OfTorque
	}
	return OfLength
}

// A Use is the way an instrument touches the part.
type Use string

// The uses of an instrument; each has a permissible error of its own.
const (
	Outside  Use = "outside"
	Inside   Use = "inside"
	Depth    Use = "depth"
	StepUse  Use = "step"
	GapCheck Use = "gap"
)

// Uses lists every use in a fixed order.
func Uses() []Use { return []Use{Outside, Inside, Depth, StepUse, GapCheck} }

// Raw is the bytes of a frame. In JSON it is a quoted text in which everything
// but printable ASCII is escaped, so that a person can read it.
type Raw []byte

// MarshalJSON writes the bytes as a JSON string of a Go-escaped text.
func (r Raw) MarshalJSON() ([]byte, error) {
	quoted := strconv.QuoteToASCII(string(r))
	return json.Marshal(quoted[1 : len(quoted)-1])
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (r *Raw) UnmarshalJSON(text []byte) error {
	var escaped string
	if err := json.Unmarshal(text, &escaped); err != nil {
		return err
	}
	raw, err := strconv.Unquote(`"` + escaped + `"`)
	if err != nil {
		return fmt.Errorf("raw bytes %q are not escaped as they should be: %w", escaped, err)
	}
	*r = Raw(raw)
	return nil
}

// A Fault says why a frame gave no value.
type Fault struct {
	// Code is one of the fault codes of package devices, such as "no match".
	Code string `json:"code"`
	// Detail adds what a person needs to see.
	Detail string `json:"detail,omitempty"`
	// Bytes counts the bytes concerned; Raw holds at most the first 64 of them.
	Bytes int `json:"bytes,omitempty"`
}

// A FeelerPair is a check by feeler: one blade passes, the next does not.
type FeelerPair struct {
	Passes Number `json:"passes_mm"`
	Stops  Number `json:"stops_mm"`
}

// A Reading is one value from one instrument, with its raw bytes. With a Fault
// it has no value. A typed reading comes from a person who names the instrument.
//
// Value is in the unit in which the quantity of Kind is kept, and in an entry its key
// says so: value_mm, value_Nm, value_Cel.
type Reading struct {
	Instrument string        `json:"instrument"`
	Kind       Kind          `json:"instrument_kind"`
	Value      Number        `json:"value_mm"`        // exact; 0 with a fault; the key has the unit
	Text       string        `json:"text,omitempty"`  // the number as it was sent or typed
	Unit       Unit          `json:"unit,omitempty"`  // the unit of Text
	Raw        Raw           `json:"raw,omitempty"`   // the frame, at most 64 bytes with a fault
	Fault      *Fault        `json:"fault,omitempty"` // why there is no value
	Typed      bool          `json:"typed,omitempty"` // entered by a person
	Feeler     *FeelerPair   `json:"feeler,omitempty"`
	Movement   *Movement     `json:"movement,omitempty"` // of a window of a stream; Value is peak less trough, Raw all its frames
	At         time.Time     `json:"-"`                  // wall clock on arrival
	Mono       time.Duration `json:"-"`                  // monotonic clock of the run on arrival
}

// A Ruling is what the bench made of a reading as it came. It is stored once.
type Ruling string

// The rulings.
const (
	Filed           Ruling = "filed"
	OutOfRange      Ruling = "out of range"
	WrongInstrument Ruling = "wrong instrument"
	TooSoon         Ruling = "too soon"
	Held            Ruling = "held"
	NoStep          Ruling = "no step"
	Unreadable      Ruling = "unreadable"
)

// A Standing is how a filed reading counts now, under the method in force.
type Standing string

// The standings.
const (
	Counted   Standing = "counted"
	LeftOut   Standing = "left out"
	StruckOut Standing = "struck out"
)
