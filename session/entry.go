package session

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// An Entry is one record of the log. Nothing changes State except an Entry.
type Entry struct {
	Seq      int64         // rising, without gaps within a log
	Run      int64         // the run of the daemon that wrote it
	At       time.Time     // wall clock, UTC
	Mono     time.Duration // monotonic clock since the start of the run
	Job      string        // job number; empty for what concerns the bench
	Operator string        // who, where a person did it
	Proved   bool          // the operator gave the PIN
	Door     Door          // where it came in
	Body     Body          // what it says; never nil
}

// A Door is where a command or reading came from.
type Door string

// The doors.
const (
	FromPage       Door = "page"
	FromPedal      Door = "pedal"
	FromTerminal   Door = "terminal"
	FromInstrument Door = "instrument"
	FromBench      Door = "bench" // the daemon itself: starts, consequences
)

// A Body is what an entry says. The kinds are the types in this file.
type Body interface{ kind() string }

// Started opens a run of the daemon.
type Started struct {
	Bench     string   `json:"bench"`
	Software  string   `json:"software"`
	Method    string   `json:"method"`
	BootID    string   `json:"boot_id,omitempty"`
	PublicKey string   `json:"public_key,omitempty"` // that checks the log's checkpoints from here on
	Settings  Settings `json:"settings"`
	// Configuration is what the daemon was set up with, whole but for secrets.
	Configuration json.RawMessage `json:"configuration,omitempty"`
}

// Settings are the rules of the bench that are not in a plan.
type Settings struct {
	// Bounce is the time within which a second frame of an instrument is too soon.
	Bounce time.Duration `json:"bounce_ns"`
	// RefuseOverdue turns readings of instruments away whose calibration is overdue.
	RefuseOverdue bool `json:"refuse_overdue,omitempty"`
}

// ProfileSet puts a profile in force, whole.
type ProfileSet struct {
	Profile Profile `json:"profile"`
}

// PortChanged says that an instrument's port went into another state.
type PortChanged struct {
	Instrument string    `json:"instrument"`
	State      PortState `json:"state"`
	Port       string    `json:"port,omitempty"`
	Detail     string    `json:"detail,omitempty"`
}

// A PortState is a state in the life of a port.
type PortState string

// The states of a port.
const (
	PortAbsent   PortState = "absent"
	PortOpening  PortState = "opening"
	PortSettling PortState = "settling"
	PortLive     PortState = "live"
	PortLost     PortState = "lost"
	PortRefused  PortState = "refused"
)

// ClockStepped says that the wall clock was set while the run went on.
type ClockStepped struct {
	Was time.Time `json:"was"`
	Is  time.Time `json:"is"`
}

// RecordingChanged says that nothing more could be recorded, or that it can be again.
// The first may be missing where not even that could be written; the second tells all.
type RecordingChanged struct {
	OK      bool      `json:"ok"`
	Problem string    `json:"problem"`
	Since   time.Time `json:"since,omitzero"`    // when it began, once it is over
	Refused int       `json:"refused,omitempty"` // readings, commands and events that were lost, once it is over
}

// KeyChanged says that the log's checkpoints are signed with another key from here on.
type KeyChanged struct {
	PublicKey string `json:"public_key"`
	Before    string `json:"before"`              // the public key until here
	Reason    string `json:"reason"`              // as the one said who changed it
	SetAside  string `json:"set_aside,omitempty"` // the last checkpoint of the key before, if the log need not go on from it
}

// Began opens a job. It carries the plan's text, so that replay needs no file.
type Began struct {
	Plan      string `json:"plan_text"`
	Reference string `json:"reference,omitempty"` // the shop's own words for the engine
	// Answers are those that the plan asked for; they stand in its text already.
	Answers map[string]string `json:"answers,omitempty"`
}

// ReadingTaken files a reading, or says why it was not filed.
type ReadingTaken struct {
	Reading
	Ruling Ruling  `json:"ruling"`
	Why    *Reason `json:"why,omitempty"`  // absent when filed
	Step   string  `json:"step,omitempty"` // the step it was ruled under
	Place  int     `json:"place"`          // index of the place it was ruled under

	// Resolution and Repeatability are the instrument's at that moment, so that
	// the arithmetic needs nothing but the entry. Absent when unreadable.
	// In the unit of the value, which the key says.
	Resolution    *Number `json:"resolution_mm,omitempty"`
	Repeatability *Number `json:"repeatability_mm,omitempty"`

	// Notes are what a person must know of it whatever its ruling.
	Notes []Reason `json:"notes,omitempty"`
}

// InstrumentUsed puts into a job the whole profile of an instrument whose reading
// it files for the first time, or for the first time under that profile.
type InstrumentUsed struct {
	Profile Profile `json:"profile"`
}

// Shop names the shop's air among the things that have a temperature.
const Shop = "shop"

// TemperatureTaken says how warm a part of the plan, or the shop, is.
type TemperatureTaken struct {
	Of      string `json:"of"` // Shop, or a part's name
	Celsius Number `json:"celsius"`
	U       Number `json:"u_kelvin"` // standard uncertainty

	// Step or Reading is what it comes from, where no person typed it: a step with a
	// thermometer that closed, or a reading made while a part was too warm.
	Step    string `json:"step,omitempty"`
	Reading int64  `json:"reading,omitempty"`
}

// InstrumentChecked says what an instrument showed of a known length: 0 with its jaws
// closed or its foot on a flat, or a gauge block.
type InstrumentChecked struct {
	Instrument string `json:"instrument"`
	Use        Use    `json:"use"`
	Shown      Number `json:"shown_mm"`
	Block      Number `json:"block_mm"`
	BlockU     Number `json:"block_u_mm"` // its standard uncertainty
}

// Fitted says which packs are in the engine, side by side; a side that is not named
// stays as it was. What was measured with other packs falls out of the count, unless
// the entry is a correction: then these packs were in when it was measured.
type Fitted struct {
	Chain      string `json:"chain"`
	Packs      []Pack `json:"packs"`
	Advised    bool   `json:"as_advised,omitempty"`
	Correction bool   `json:"correction,omitempty"`
}

// Skipped closes a step that need not be done.
type Skipped struct {
	Step string `json:"step"`
	Why  Reason `json:"why"`
}

// A Reason is a code with what a person needs to see; prose is made at the edge.
type Reason struct {
	Code   string            `json:"code"`
	Params map[string]string `json:"params,omitempty"`
}

// HeldDecided says where a held reading went: to a step, or to none.
type HeldDecided struct {
	Reading int64  `json:"reading"` // its sequence
	Step    string `json:"step,omitempty"`
	Place   int    `json:"place"`
	Why     Reason `json:"why"`
}

// Asked says that an instrument was asked for its reading.
type Asked struct {
	Instrument string `json:"instrument"`
	// Gather is GatherStart or GatherStop where a window of its stream begins or ends.
	Gather string        `json:"gather,omitempty"`
	Window time.Duration `json:"window_ns,omitempty"` // that begins; 0 until it is stopped
}

// Moved is a command of the operator to go to another step or place.
type Moved struct {
	Command string `json:"command"` // "next", "back" or "place"
	Step    string `json:"step"`
	Place   int    `json:"place"`
}

// PlaceClosed says that a place has its repeats.
type PlaceClosed struct {
	Step  string `json:"step"`
	Place int    `json:"place"`
}

// StepClosed says that a step has its places. Value is the value at that moment, of
// one that is measured, in the unit in which its quantity is kept; the key says which:
// value_mm, value_Nm, value_Cel.
type StepClosed struct {
	Step    string  `json:"step"`
	Value   *Number `json:"value_mm,omitempty"`
	Counted []int64 `json:"counted,omitempty"`
	LeftOut []int64 `json:"left_out,omitempty"`
	Command bool    `json:"by_command,omitempty"`

	Quantity Quantity `json:"-"` // of Value; a length if empty
	// Limits is what the decision rule said of its limits then.
	Limits *LimitsView `json:"limits,omitempty"`
}

// Opened makes a step and place the active one.
type Opened struct {
	Step  string `json:"step"`
	Place int    `json:"place"`
}

// Struck takes a reading out of the count; the reading stays.
type Struck struct {
	Reading int64  `json:"reading"`
	Reason  string `json:"reason"`
}

// Restored brings a struck reading back, or files a held one under the active step.
type Restored struct {
	Reading int64 `json:"reading"`
}

// Advised records the advice that was given.
type Advised struct {
	Advice Advice `json:"advice"`

	text []byte // the advice in JSON, where it is known already
	bare []byte // the same without what it changed
}

// MarshalJSON writes the advice, from its text if that is known.
func (b Advised) MarshalJSON() ([]byte, error) {
	text := b.text
	if text == nil {
		var err error
		if text, err = marshal(b.Advice); err != nil {
			return nil, err
		}
	}
	return slices.Concat([]byte(`{"advice":`), text, []byte("}")), nil
}

// Ended closes a job.
type Ended struct {
	Note string `json:"note,omitempty"`
}

func (Started) kind() string           { return "started" }
func (ProfileSet) kind() string        { return "profile" }
func (PortChanged) kind() string       { return "port" }
func (ClockStepped) kind() string      { return "clock step" }
func (RecordingChanged) kind() string  { return "recording" }
func (KeyChanged) kind() string        { return "key" }
func (Began) kind() string             { return "begin" }
func (ReadingTaken) kind() string      { return "reading" }
func (InstrumentUsed) kind() string    { return "instrument" }
func (InstrumentChecked) kind() string { return "check" }
func (TemperatureTaken) kind() string  { return "temperature" }
func (Fitted) kind() string            { return "fitted" }
func (Skipped) kind() string           { return "skipped" }
func (HeldDecided) kind() string       { return "held decided" }
func (Asked) kind() string             { return "take" }
func (Moved) kind() string             { return "move" }
func (PlaceClosed) kind() string       { return "place closed" }
func (StepClosed) kind() string        { return "step closed" }
func (Opened) kind() string            { return "opened" }
func (Struck) kind() string            { return "strike out" }
func (Restored) kind() string          { return "restore" }
func (Advised) kind() string           { return "advice" }
func (Ended) kind() string             { return "end" }

// Kind names the entry's kind.
func (e Entry) Kind() string { return e.Body.kind() }

// envelope is the canonical form of an entry: these keys in this order.
type envelope struct {
	Seq      int64           `json:"seq"`
	Run      int64           `json:"run"`
	At       string          `json:"at"`
	Mono     int64           `json:"mono_ns"`
	Job      string          `json:"job,omitempty"`
	Operator string          `json:"operator,omitempty"`
	Proved   bool            `json:"operator_proved,omitempty"`
	Door     Door            `json:"door"`
	Kind     string          `json:"kind"`
	Body     json.RawMessage `json:"body"`
}

// entryTime has nine decimals always, so that equal times have equal bytes.
const entryTime = "2006-01-02T15:04:05.000000000Z"

// Encode writes the entry in its canonical JSON. These bytes are what the log
// stores and what its hashes cover.
func (e Entry) Encode() ([]byte, error) {
	body, err := encodeBody(e.Body)
	if err != nil {
		return nil, fmt.Errorf("cannot encode entry %d: %w", e.Seq, err)
	}
	return marshal(envelope{e.Seq, e.Run, e.At.UTC().Format(entryTime), int64(e.Mono), e.Job, e.Operator, e.Proved, e.Door, e.Kind(), body})
}

// DecodeEntry reads what Encode wrote. It refuses an unknown kind and unknown keys.
func DecodeEntry(text []byte) (Entry, error) {
	var v envelope
	if err := decodeStrictly(text, &v); err != nil {
		return Entry{}, fmt.Errorf("cannot decode an entry: %w", err)
	}
	at, err := time.Parse(entryTime, v.At)
	if err != nil {
		return Entry{}, fmt.Errorf("cannot decode the time of entry %d: %w", v.Seq, err)
	}
	body, err := decodeBody(v.Kind, v.Body)
	if err != nil {
		return Entry{}, fmt.Errorf("cannot decode entry %d: %w", v.Seq, err)
	}
	return Entry{v.Seq, v.Run, at, time.Duration(v.Mono), v.Job, v.Operator, v.Proved, v.Door, body}, nil
}

func decodeStrictly(text []byte, into any) error {
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	return dec.Decode(into)
}

func decodeBody(kind string, text []byte) (Body, error) {
	switch kind {
	case "started":
		return bodyOf[Started](text)
	case "profile":
		return bodyOf[ProfileSet](text)
	case "port":
		return bodyOf[PortChanged](text)
	case "clock step":
		return bodyOf[ClockStepped](text)
	case "paired":
		return bodyOf[Paired](text)
	case "revoked":
		return bodyOf[Revoked](text)
	case "recording":
		return bodyOf[RecordingChanged](text)
	case "key":
		return bodyOf[KeyChanged](text)
	case "begin":
		return bodyOf[Began](text)
	case "reading":
		return decodeReading(text)
	case "instrument":
		return bodyOf[InstrumentUsed](text)
	case "check":
		return bodyOf[InstrumentChecked](text)
	case "temperature":
		return bodyOf[TemperatureTaken](text)
	case "confirm":
		return bodyOf[Confirmed](text)
	case "aside":
		return bodyOf[PutAside](text)
	case "resume":
		return bodyOf[Resumed](text)
	case "stock":
		return bodyOf[Stocked](text)
	case "on hand":
		return bodyOf[OnHand](text)
	case "fitted":
		return bodyOf[Fitted](text)
	case "skipped":
		return bodyOf[Skipped](text)
	case "choose":
		return bodyOf[Chose](text)
	case "replace":
		return bodyOf[Replaced](text)
	case "reopen":
		return bodyOf[Reopened](text)
	case "wait started":
		return bodyOf[WaitStarted](text)
	case "waited":
		return bodyOf[Waited](text)
	case "held decided":
		return bodyOf[HeldDecided](text)
	case "take":
		return bodyOf[Asked](text)
	case "move":
		return bodyOf[Moved](text)
	case "place closed":
		return bodyOf[PlaceClosed](text)
	case "step closed":
		return decodeStepClosed(text)
	case "opened":
		return bodyOf[Opened](text)
	case "strike out":
		return bodyOf[Struck](text)
	case "restore":
		return bodyOf[Restored](text)
	case "advice":
		return bodyOf[Advised](text)
	case "end":
		return bodyOf[Ended](text)
	}
	return nil, fmt.Errorf("kind %q is unknown; the log was written by a newer version", kind)
}

func bodyOf[T Body](text []byte) (Body, error) {
	var body T
	err := decodeStrictly(text, &body)
	return body, err
}
