package session

import (
	"time"

	"shimwright/calc"
)

// SchemaVersion numbers the JSON of snapshots and messages.
const SchemaVersion = 1

// A Snapshot is everything a display or the command line may know at a moment.
// It is made whole after each transaction; nothing in it is shared with State.
type Snapshot struct {
	Schema      int              `json:"schema"`
	Bench       string           `json:"bench"`
	Run         int64            `json:"run"`
	Seq         int64            `json:"seq"`  // of the last entry it holds
	Time        time.Time        `json:"time"` // of that entry
	Software    string           `json:"software"`
	Method      string           `json:"method"`
	Recording   Recording        `json:"recording"`
	Log         *LogView         `json:"log,omitempty"` // absent where there is none, as in a replay
	Instruments []InstrumentView `json:"instruments"`
	Job         *JobView         `json:"job,omitempty"`      // the open job, or the last one until the next begins
	Waiting     []WaitingView    `json:"waiting,omitempty"`  // jobs put aside, the longest waiting first
	Stocks      []StockView      `json:"stocks,omitempty"`   // of the bench
	Step        *StepView        `json:"step,omitempty"`     // the active step
	Advice      []Advice         `json:"advice,omitempty"`   // one per chain of the plan, in its order
	Fits        []SeatView       `json:"fits,omitempty"`     // of the plan, in its order
	Readings    []ReadingView    `json:"readings,omitempty"` // of the job, in order; then those without a job since the run began
}

// Recording says whether entries reach the disk.
type Recording struct {
	OK      bool   `json:"ok"`
	Problem string `json:"problem,omitempty"`
}

// A LogView is how the log can be held to its word later.
type LogView struct {
	Checkpoint string `json:"checkpoint,omitempty"` // the latest that was signed, as C2SP tlog-checkpoint
	PublicKey  string `json:"public_key"`           // that checks it
}

// An InstrumentView is one instrument as displays see it.
type InstrumentView struct {
	Name       string    `json:"name"`
	Kind       Kind      `json:"kind"`
	Trigger    Trigger   `json:"trigger,omitempty"`
	Resolution Number    `json:"resolution_mm,omitzero"` // of what measures lengths
	State      PortState `json:"state"`
	Port       string    `json:"port,omitempty"`
	Detail     string    `json:"detail,omitempty"`
	Readings   int       `json:"readings"`           // in this run
	Unreadable int       `json:"unreadable"`         // in this run
	LastSeq    int64     `json:"last_seq,omitempty"` // its last reading
	Due        string    `json:"calibration_due,omitempty"`
	Gathering  bool      `json:"gathering,omitempty"` // a window of its stream is open

	Health *HealthView `json:"health,omitempty"` // of one with a port, once it was looked at

	ResolutionNm  *Number `json:"resolution_Nm,omitempty"`
	ResolutionCel *Number `json:"resolution_Cel,omitempty"`
}

// A JobView is the job as displays see it.
type JobView struct {
	Number    string       `json:"job"`
	Plan      string       `json:"plan"`
	Title     string       `json:"title"`
	Reference string       `json:"reference,omitempty"`
	Operator  string       `json:"operator,omitempty"`
	Began     time.Time    `json:"began"`
	Ended     bool         `json:"ended,omitempty"`
	Cautions  []string     `json:"cautions,omitempty"`
	Steps     []StepView   `json:"steps"`
	Fitted    []FittedView `json:"fitted,omitempty"` // what a person said is in
}

// A FittedView is what a person said is in the engine for one chain.
type FittedView struct {
	Chain   string `json:"chain"`
	Packs   []Pack `json:"packs"` // sides that were named, in the order of the plan
	Advised bool   `json:"as_advised"`
}

// A StepView is one step as displays see it.
type StepView struct {
	Name       string      `json:"step"`
	Title      string      `json:"title"`
	Kind       StepKind    `json:"kind"`
	Section    string      `json:"section,omitempty"` // title of the included plan that it comes from
	Number     int         `json:"number"`            // from 1
	Of         int         `json:"of"`
	Measure    string      `json:"measure,omitempty"`
	Do         string      `json:"do,omitempty"` // what to do where nothing is measured
	Where      string      `json:"where,omitempty"`
	Side       string      `json:"side,omitempty"`
	Instrument Kind        `json:"instrument,omitempty"` // absent where nothing is measured
	Use        Use         `json:"use,omitempty"`
	Cautions   []string    `json:"cautions,omitempty"`
	Active     bool        `json:"active,omitempty"`
	Closed     bool        `json:"closed,omitempty"`
	OnCommand  bool        `json:"closes_on_command,omitempty"`
	Skipped    *Reason     `json:"skipped,omitempty"` // why it need not be done
	Unsettled  bool        `json:"unsettled,omitempty"`
	Value      *Number     `json:"value_mm,omitempty"`          // of the counted readings, bar subtracted
	WithAll    *Number     `json:"value_with_all_mm,omitempty"` // with those left out
	Bar        *Number     `json:"bar_mm,omitempty"`            // what was subtracted
	Places     []PlaceView `json:"places"`
	Packs      []Pack      `json:"packs,omitempty"`  // of a direct measurement: what has to be in while it is made, or was; else to put in
	Fitted     []string    `json:"fitted,omitempty"` // chains whose shims are in once it is confirmed
	Findings   []Reason    `json:"findings,omitempty"`

	Limits    *LimitsView    `json:"limits,omitempty"`    // the value against the plan's limits for it
	Confirmed *ConfirmedView `json:"confirmed,omitempty"` // what was said of it last
	Choice    string         `json:"for,omitempty"`       // the choice that it is for
	Candidate string         `json:"candidate,omitempty"` // measured here
	Compare   *ChoiceView    `json:"compare,omitempty"`   // of the kind compare
	Wait      *WaitView      `json:"wait,omitempty"`      // of the kind wait
	Screws    *TorqueView    `json:"torque,omitempty"`    // of the kind torque
	Heat      *HeatView      `json:"heat,omitempty"`      // how hot to make something

	// Reduce and Window are the plan's, of a step that wants a movement.
	Reduce string        `json:"reduce,omitempty"`
	Window time.Duration `json:"window_ns,omitempty"`

	// In place of Value and WithAll, where the step's instrument measures no length.
	Torque         *Number `json:"value_Nm,omitempty"`
	Celsius        *Number `json:"value_Cel,omitempty"`
	TorqueWithAll  *Number `json:"value_with_all_Nm,omitempty"`
	CelsiusWithAll *Number `json:"value_with_all_Cel,omitempty"`
}

// Amount is the step's value and its quantity; nil while it has none.
func (s StepView) Amount() (*Number, Quantity) { return amount(s.Value, s.Torque, s.Celsius) }

// AmountWithAll is the value had nothing been left out; nil while it has none.
func (s StepView) AmountWithAll() *Number {
	n, _ := amount(s.WithAll, s.TorqueWithAll, s.CelsiusWithAll)
	return n
}

// A PlaceView is one place of a step.
type PlaceView struct {
	Name    string  `json:"place"`
	Needed  int     `json:"needed"` // counted repeats it needs now
	Counted int     `json:"counted"`
	LeftOut int     `json:"left_out,omitempty"`
	Active  bool    `json:"active,omitempty"`
	Closed  bool    `json:"closed,omitempty"`
	Value   *Number `json:"value_mm,omitempty"` // as read, bar not subtracted
	Torque  *Number `json:"value_Nm,omitempty"`
	Celsius *Number `json:"value_Cel,omitempty"`

	Pull *PullView `json:"pull,omitempty"` // of a step of the kind torque
}

// A PullView is one screw in one pass.
type PullView struct {
	Screw  string `json:"screw"`
	Pass   int    `json:"pass"` // from 1
	Target Number `json:"target_Nm"`
	Least  Number `json:"least_Nm"`
	Most   Number `json:"most_Nm"`
	Note   string `json:"note,omitempty"` // why it is right without a reading
}

// Amount is the place's value and its quantity; nil while it has none.
func (p PlaceView) Amount() (*Number, Quantity) { return amount(p.Value, p.Torque, p.Celsius) }

// A ReadingView is one reading with its ruling and its standing now.
type ReadingView struct {
	Seq        int64        `json:"seq"`
	Time       time.Time    `json:"time"`
	Job        string       `json:"job,omitempty"`
	Instrument string       `json:"instrument"`
	Kind       Kind         `json:"instrument_kind"`
	Value      *Number      `json:"value_mm,omitempty"` // absent with a fault, and of what is no length
	Torque     *Number      `json:"value_Nm,omitempty"`
	Celsius    *Number      `json:"value_Cel,omitempty"`
	Text       string       `json:"text,omitempty"`
	Unit       Unit         `json:"unit,omitempty"`
	Typed      bool         `json:"typed,omitempty"`
	Feeler     *FeelerPair  `json:"feeler,omitempty"`
	Fault      *Fault       `json:"fault,omitempty"`
	Movement   *Movement    `json:"movement,omitempty"`
	Raw        Raw          `json:"raw,omitempty"`       // the frame; of a window the first bytes
	RawBytes   int          `json:"raw_bytes,omitempty"` // how many a window has; its entry holds them all
	Operator   string       `json:"operator,omitempty"`
	Door       Door         `json:"door"`
	Ruling     Ruling       `json:"ruling"`
	Why        *Reason      `json:"why,omitempty"`
	Step       string       `json:"step,omitempty"` // where it counts, or was ruled
	Place      string       `json:"place,omitempty"`
	Decided    string       `json:"decided,omitempty"`  // of a held one: "to step", "set aside"; empty while it waits
	Standing   Standing     `json:"standing,omitempty"` // empty if it is not filed
	Outlier    *OutlierView `json:"outlier,omitempty"`
	Struck     string       `json:"struck_reason,omitempty"`
	Notes      []Reason     `json:"notes,omitempty"`    // what to know of it whatever its ruling
	Fell       *Reason      `json:"fell_out,omitempty"` // why it does not count any more though nobody struck it out
}

// Amount is the reading's value and its quantity; nil with a fault.
func (r ReadingView) Amount() (*Number, Quantity) { return amount(r.Value, r.Torque, r.Celsius) }

// An OutlierView is the outlier test of a reading: its deviation from the median
// of its place, the statistic and the limit it was held against. One of the three
// deviations is there.
type OutlierView struct {
	Test         string   `json:"test"`
	Deviation    *float64 `json:"deviation_mm,omitempty"`
	DeviationNm  *float64 `json:"deviation_Nm,omitempty"`
	DeviationCel *float64 `json:"deviation_Cel,omitempty"`
	Statistic    float64  `json:"statistic"`
	Limit        float64  `json:"limit"`
}

// Amount is the deviation and its quantity.
func (o OutlierView) Amount() (float64, Quantity) {
	switch {
	case o.DeviationNm != nil:
		return *o.DeviationNm, OfTorque
	case o.DeviationCel != nil:
		return *o.DeviationCel, OfTemperature
	case o.Deviation != nil:
		return *o.Deviation, OfLength
	}
	return 0, OfLength
}

// outlierView shows a verdict of a reading of the quantity.
func outlierView(v calc.Verdict, q Quantity) *OutlierView {
	if v.Test == "" {
		return nil
	}
	o := &OutlierView{Test: v.Test, Statistic: v.Statistic, Limit: v.Limit}
	switch q {
	case OfTorque:
		o.DeviationNm = &v.Deviation
	case OfTemperature:
		o.DeviationCel = &v.Deviation
	default:
		o.Deviation = &v.Deviation
	}
	return o
}

// Advice is what the daemon recommends now for one chain, with its reasons.
//
// What is known of its uncertainty stands in Budget; without one, nothing is claimed
// about how certain it is.
type Advice struct {
	Chain       string      `json:"chain"`
	Title       string      `json:"title"`
	Method      string      `json:"method"`
	State       AdviceState `json:"state"`
	Missing     []string    `json:"missing,omitempty"` // steps that have no value yet
	Open        []string    `json:"open,omitempty"`    // steps that have one but are not closed
	Unsettled   []string    `json:"unsettled,omitempty"`
	Terms       []TermView  `json:"terms,omitempty"`
	Gap         *Number     `json:"gap_mm,omitempty"`
	Least       Number      `json:"least_mm"`
	Most        Number      `json:"most_mm"`
	Aim         Number      `json:"aim_mm"`
	Wanted      *Number     `json:"wanted_mm,omitempty"` // total of shim that would hit the aim
	NoShims     bool        `json:"no_shims,omitempty"`  // a sum that takes none: Best has no packs and is the sum itself
	Best        *Fit        `json:"best,omitempty"`      // absent without a gap, or if the stock allows nothing
	Others      []Fit       `json:"others,omitempty"`    // the next best, best first
	Possible    int64       `json:"possible,omitempty"`  // combinations that the stock allows
	CheckFound  *Number     `json:"check_gap_found_mm,omitempty"`
	Counted     []int64     `json:"counted,omitempty"` // sequences of the readings that count
	LeftOut     []int64     `json:"left_out,omitempty"`
	Findings    []Reason    `json:"findings,omitempty"`
	Uncertainty string      `json:"uncertainty"` // "evaluated", or "not evaluated" while there is no gap

	// The rest is there once there is a gap.
	Corrections  []Correction   `json:"corrections,omitempty"`   // known errors that were taken off
	Changed      *ChangeView    `json:"changed,omitempty"`       // since the last advice that was final
	Budget       *BudgetView    `json:"budget,omitempty"`        // of the gap
	Barred       []Reason       `json:"barred,omitempty"`        // why the float cannot be shown inside, whatever its value
	Assumed      []Reason       `json:"assumed,omitempty"`       // what was taken for granted where profile or plan is silent
	Limits       []string       `json:"limits,omitempty"`        // what keeps the best fit from being shown inside: "stock", "measurement"
	Drawn        *DrawnView     `json:"monte_carlo,omitempty"`   // asked for offline
	Change       *Number        `json:"change_mm,omitempty"`     // with limit "stock": how much thicker a total would hit the aim
	Next         []NextAct      `json:"next,omitempty"`          // what would make it surer, cheapest first
	Evidence     []EvidenceView `json:"evidence,omitempty"`      // direct measurements of the gap, in the order in which they were joined
	Keep         bool           `json:"keep,omitempty"`          // the best fit is what is in already
	Stays        []string       `json:"stays,omitempty"`         // sides whose packs were in when the gap was measured and stay
	DialShows    *Number        `json:"dial_shows_mm,omitempty"` // what a dial shows of the best fit, with the play of the bearings
	DialExpanded *Number        `json:"dial_expanded_mm,omitempty"`
	OffCentre    *Number        `json:"off_centre_mm,omitempty"` // of the rod with the best fit, beyond the cylinder's axis seen from the first side; with split "centred"
	Built        *BuiltView     `json:"built,omitempty"`         // the end float of the built engine
	Instead      *Fit           `json:"instead,omitempty"`       // what is said to be in where that is not the best fit, until the engine is measured
	WarmFloat    *Number        `json:"warm_float_mm,omitempty"` // of the best fit, at running temperature
	WarmExpanded *Number        `json:"warm_expanded_mm,omitempty"`
}

// An AdviceState says how far the measuring has come.
type AdviceState string

// The states of advice.
const (
	Waiting     AdviceState = "waiting"     // a dimension is missing: no gap yet
	Provisional AdviceState = "provisional" // a gap, but a step is open or unsettled
	Final       AdviceState = "final"       // all steps of the chain are closed
)

// A TermView is one dimension of the chain with its sign and value.
type TermView struct {
	Name  string  `json:"name"`
	Title string  `json:"title"`
	Sign  string  `json:"sign"`
	Value *Number `json:"value_mm,omitempty"`
}

// A Fit is one way to place shims.
type Fit struct {
	Packs    []Pack `json:"packs"`
	Total    Number `json:"total_mm"`
	EndFloat Number `json:"end_float_mm"` // cold
	CheckGap Number `json:"check_gap_mm"` // to find with only the first side's pack fitted
	Inside   bool   `json:"inside_window"`

	Expanded *Number `json:"expanded_mm,omitempty"` // of the end float
	Outcome  string  `json:"outcome,omitempty"`     // "shown inside", "not shown" or "shown outside"
	Guard    *Number `json:"guard_mm,omitempty"`    // width of the guard band
	Chance   *Chance `json:"chance,omitempty"`
	Passes   *Number `json:"check_passes_mm,omitempty"` // the feeler that should pass the check gap
	Stops    *Number `json:"check_stops_mm,omitempty"`  // the feeler that should not
}

// A DrawnView is what Monte Carlo gives for the end float of the best fit.
type DrawnView struct {
	Draws  int     `json:"draws"`
	Seed   uint64  `json:"seed"`
	U      Number  `json:"u_mm"`
	Low    Number  `json:"low_mm"` // of the interval that the coverage asks for
	High   Number  `json:"high_mm"`
	Inside float64 `json:"inside"` // probability
}

// A Chance is a probability for each side of the window, to four decimals.
type Chance struct {
	Inside   float64 `json:"inside"`
	TooTight float64 `json:"too_tight"`
	TooLoose float64 `json:"too_loose"`
}

// A Correction is a known error that was taken off a dimension.
type Correction struct {
	Code   string `json:"code"`
	Term   string `json:"term"`
	Amount Number `json:"amount_mm"` // added to the dimension
	OnGap  Number `json:"on_gap_mm"` // what that adds to the gap
}

// A BudgetView is the uncertainty budget of a gap. Its lines come biggest first.
type BudgetView struct {
	U        Number       `json:"u_mm"`
	Expanded Number       `json:"expanded_mm"` // two significant digits, rounded up
	K        float64      `json:"k"`
	Freedom  float64      `json:"degrees_of_freedom"` // effective, truncated; 0 means without end
	Coverage Number       `json:"coverage"`
	Way      string       `json:"way"`     // "student", "convolution" or "draws"
	Edition  string       `json:"edition"` // of the decision rule
	Level    Number       `json:"level"`
	Lines    []BudgetLine `json:"lines"`
}

// A BudgetLine is one cause of uncertainty.
type BudgetLine struct {
	Name         string  `json:"name"`
	Shape        string  `json:"shape"`
	U            float64 `json:"u"`           // in the cause's own unit
	Sensitivity  float64 `json:"sensitivity"` // mm of gap per unit of the cause
	Contribution Number  `json:"contribution_mm"`
	Freedom      float64 `json:"degrees_of_freedom"` // 0 means without end
	Share        float64 `json:"share"`              // of u²
}

// A NextAct is something that would make the advice surer.
type NextAct struct {
	Act      Reason  `json:"act"`
	Minutes  float64 `json:"minutes"`
	Expanded Number  `json:"expanded_mm"`     // what it would come to
	Outcome  string  `json:"outcome"`         // of the best fit then, if the value stays
	AtBest   string  `json:"outcome_at_best"` // of a float in the middle of the window
}

// An EvidenceView is a direct measurement of the gap and how it agrees with what was
// known before: the chain, and the evidence joined before it.
type EvidenceView struct {
	Way      string  `json:"way"` // "check gap" or "trial build"
	Step     string  `json:"step"`
	Found    Number  `json:"found_mm"`          // the check gap, or the float
	Packs    []Pack  `json:"packs"`             // what was in then
	Fitted   Number  `json:"fitted_mm"`         // their total
	Play     *Number `json:"play_mm,omitempty"` // play of the bearings in what was found, taken off
	Gap      Number  `json:"gap_mm"`            // what it gives
	Expanded Number  `json:"expanded_mm"`
	Chain    Number  `json:"chain_gap_mm"` // what was known before
	Expected Number  `json:"expected_mm"`  // to be found, by that
	En       float64 `json:"en"`
	Compared bool    `json:"compared"` // with the chain; not if that lacks an input
	Agrees   bool    `json:"agrees"`
	Weight   float64 `json:"weight"`            // in the gap that is advised from
	Earlier  bool    `json:"earlier,omitempty"` // measured with shims that are not in any more, and not yet with those that are
}

// A BuiltView is the end float measured on the built engine. The decision rule judges
// it by itself; how it agrees with what was expected never overrides that.
type BuiltView struct {
	Step      string  `json:"step"`
	Found     Number  `json:"found_mm"`          // as read
	Packs     []Pack  `json:"packs"`             // what is in
	Play      *Number `json:"play_mm,omitempty"` // play of the bearings in it, taken off
	Float     Number  `json:"end_float_mm"`
	Expanded  Number  `json:"expanded_mm"`
	Outcome   string  `json:"outcome"`
	Chance    Chance  `json:"chance"`
	Expected  Number  `json:"expected_mm"` // from what was known before
	ExpectedU Number  `json:"expected_expanded_mm"`
	En        float64 `json:"en"`
	Compared  bool    `json:"compared"`
	Agrees    bool    `json:"agrees"`
	Change    *Number `json:"change_mm,omitempty"` // unless shown inside: how much thicker the packs would have to be in all to hit the aim
}

// A Pack is all shims on one side.
type Pack struct {
	Side   string   `json:"side"`
	Pieces []Number `json:"pieces_mm"`          // thickest first
	Sizes  []Number `json:"sizes_mm,omitempty"` // that they go by, where a thickness was measured
	Total  Number   `json:"total_mm"`
}
