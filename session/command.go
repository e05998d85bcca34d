package session

import "time"

// A Command is what a person asks of the bench, whichever door it came by.
type Command struct {
	Do       Verb   `json:"do"`
	Operator string `json:"operator,omitempty"`
	Door     Door   `json:"door,omitempty"`
	PIN      string `json:"pin,omitempty"` // of the operator; whoever checks it takes it out
	Proved   bool   `json:"-"`             // it was checked and is the operator's

	Plan       string            `json:"plan_text,omitempty"`  // begin: the plan's text
	PlanFile   string            `json:"plan_file,omitempty"`  // begin: what to call it in messages
	Answers    map[string]string `json:"answers,omitempty"`    // begin: to what the plan asks
	Reference  string            `json:"reference,omitempty"`  // begin: the shop's own words for the engine
	Instrument string            `json:"instrument,omitempty"` // take, enter
	Value      string            `json:"value,omitempty"`      // enter: the number as typed
	Unit       string            `json:"unit,omitempty"`       // enter, check, fitted, stock: of the lengths typed; mm if not given
	Passes     string            `json:"passes,omitempty"`     // enter: the feeler that passes
	Stops      string            `json:"stops,omitempty"`      // enter: the feeler that does not
	Step       string            `json:"step,omitempty"`       // place, next: go to this step
	Place      string            `json:"place,omitempty"`      // place: its name or its number from 1
	Reading    int64             `json:"reading,omitempty"`    // strike out, restore
	Reason     string            `json:"reason,omitempty"`     // strike out, choose
	Note       string            `json:"note,omitempty"`       // end, confirm, next: of a wait that is cut short
	Outcome    Confirmation      `json:"outcome,omitempty"`    // confirm: done if not given
	Of         string            `json:"of,omitempty"`         // temperature: "shop" or a part
	Celsius    string            `json:"celsius,omitempty"`    // temperature
	U          string            `json:"u,omitempty"`          // temperature: its standard uncertainty in kelvin; check: that of the block in mm
	Use        Use               `json:"use,omitempty"`        // check: in which use
	Block      string            `json:"block,omitempty"`      // check: the true length in mm; 0 for a zero
	Stock      string            `json:"stock,omitempty"`      // stock: its name
	Size       string            `json:"size,omitempty"`       // stock: the size in mm that a shim goes by
	Count      string            `json:"count,omitempty"`      // stock: how many there are, or + or - how many
	Least      string            `json:"least,omitempty"`      // stock: how many should be on hand
	Tolerance  string            `json:"tolerance,omitempty"`  // stock: ± mm about the thickness
	Job        string            `json:"job,omitempty"`        // resume: which; the only one that waits if not given
	Chain      string            `json:"chain,omitempty"`      // fitted: which; the only one if not given
	Packs      []SaidPack        `json:"packs,omitempty"`      // fitted: what is in; as advised if none is named
	Correction bool              `json:"correction,omitempty"` // fitted: it was in already when it was measured
	Page       string            `json:"page,omitempty"`       // pair, revoke: the page's name
	Token      string            `json:"-"`                    // pair: the hash of its token, never from outside

	// Of steps of a kind, and of a change of mind.
	Candidate string `json:"candidate,omitempty"` // choose
	Part      string `json:"part,omitempty"`      // replace
}

// A SaidPack is what a person says is fitted on a side.
type SaidPack struct {
	Side   string   `json:"side"`
	Pieces []string `json:"pieces"` // thicknesses in mm as typed; none for nothing
}

// A Verb is what a command does.
type Verb string

// The verbs.
const (
	Begin           Verb = "begin"
	Take            Verb = "take"
	Enter           Verb = "enter"
	Next            Verb = "next"
	Back            Verb = "back"
	GoToPlace       Verb = "place"
	StrikeOut       Verb = "strike out"
	Restore         Verb = "restore"
	End             Verb = "end"
	TakeTemperature Verb = "temperature"
	CheckInstrument Verb = "check"
	Confirm         Verb = "confirm"
	Choose          Verb = "choose"
	Replace         Verb = "replace"
	Reopen          Verb = "reopen"
	Fitting         Verb = "fitted"
	Aside           Verb = "aside"
	Resume          Verb = "resume"
	CountStock      Verb = "stock"
	Pair            Verb = "pair"   // a page, so that it can give commands
	Unpair          Verb = "revoke" // a page's pairing
)

// Verbs lists every verb that a person can give. Pair is not among them: it follows
// from a one-time code, and only the daemon that checked the code gives it.
func Verbs() []Verb {
	return []Verb{Begin, Take, Enter, Next, Back, GoToPlace, StrikeOut, Restore, TakeTemperature, CheckInstrument, Fitting, Aside, Resume, CountStock, Confirm, Choose, Replace, Reopen, End, Unpair}
}

// A Receipt says what became of a reading or command that was accepted. It is
// given only once the entries are on disk.
type Receipt struct {
	Seq       int64         `json:"seq"` // the first entry it made
	Job       string        `json:"job,omitempty"`
	Ruling    Ruling        `json:"ruling,omitempty"` // of a reading
	Why       *Reason       `json:"why,omitempty"`
	Ask       string        `json:"ask,omitempty"`       // take: the instrument to ask
	Gather    string        `json:"gather,omitempty"`    // take: whether it begins or ends a window of a stream
	Window    time.Duration `json:"window_ns,omitempty"` // of such a one; 0 until it is ended
	Prospects []Prospect    `json:"prospects,omitempty"` // begin: what these instruments can show
}

// A Refusal is the bench's no to a command: what is wrong and what to do instead.
// Nothing was changed.
type Refusal struct {
	Code    string            `json:"code"`
	Params  map[string]string `json:"params,omitempty"`
	Message string            `json:"message"`
	Instead string            `json:"instead"`
}

// Error joins message and remedy in one sentence.
func (r *Refusal) Error() string { return r.Message + "; " + r.Instead }
