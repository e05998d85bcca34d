package export

import (
	"encoding/json"
	"fmt"
	"io"
	"time"

	"shimwright/session"
)

// What Results says of the uncertainty of a length.
const (
	evaluated     = "evaluated"
	underDecision = "under decision"
	notEvaluated  = "not evaluated"
)

// schemaVersion numbers the form of the results.
const schemaVersion = 1

// results is what was measured in a job.
type results struct {
	Schema    int        `json:"schema"`
	Bench     string     `json:"bench"`
	Job       string     `json:"job"`
	Reference string     `json:"reference,omitempty"`
	Operator  string     `json:"operator,omitempty"`
	Plan      string     `json:"plan"`
	Title     string     `json:"title"`
	Began     time.Time  `json:"began"`
	Ended     *time.Time `json:"ended,omitempty"` // absent while it is open
	Software  string     `json:"software"`
	Method    string     `json:"method"`
	Seq       int64      `json:"seq"`        // of the entry that the results stand after
	UnitCodes string     `json:"unit_codes"` // "UCUM"
	Results   []result   `json:"results"`
	Done      []done     `json:"done"` // the steps where something was done rather than measured
}

// done is what became of such a step.
type done struct {
	Kind    session.StepKind `json:"kind"` // "confirm", "wait", "torque" or "compare"
	Name    string           `json:"name"`
	Title   string           `json:"title"`
	State   string           `json:"state"`              // "closed" or "open"
	Outcome string           `json:"outcome,omitempty"`  // of a confirmation; of a comparison what was kept
	Note    string           `json:"note,omitempty"`     // why
	By      string           `json:"operator,omitempty"` // who said it
	At      *time.Time       `json:"time,omitempty"`     // when it was said, or the wait began
	Waited  *waited          `json:"wait,omitempty"`
	Pulls   []pull           `json:"pulls,omitempty"` // in the order in which they are to be made

	Findings []session.Reason `json:"findings,omitempty"`
}

// waited is how a wait went.
type waited struct {
	Seconds  int64           `json:"seconds"` // to wait in all
	Left     int64           `json:"left_s"`  // when it ended
	CutShort bool            `json:"cut_short"`
	Shown    *session.Number `json:"shown_Cel,omitempty"` // by the thermometer, last
}

// pull is one screw in one pass.
type pull struct {
	Screw  string         `json:"screw"`
	Pass   int            `json:"pass"`
	Target session.Number `json:"target_Nm"`
	Least  session.Number `json:"least_Nm"`
	Most   session.Number `json:"most_Nm"`
	Real   *real          `json:"si:real,omitempty"` // what it was pulled to; absent without a reading
	Note   string         `json:"note,omitempty"`    // why it is right without
}

// result is one measured or expected value.
type result struct {
	Kind        string           `json:"kind"` // "dimension", "temperature", "torque", "gap", "sum" or "expected end float"
	Name        string           `json:"name"` // of the step, or of the chain
	Title       string           `json:"title"`
	State       string           `json:"state"` // "closed", "open" or "unsettled"; of a chain "final" or "provisional"
	Real        real             `json:"si:real"`
	Uncertainty string           `json:"uncertainty"` // "evaluated", "under decision" or "not evaluated"
	Counted     []int64          `json:"counted"`     // sequences of the readings it was made from
	LeftOut     []int64          `json:"left_out"`
	Decision    *decision        `json:"decision,omitempty"` // of an end float
	Packs       []session.Pack   `json:"packs,omitempty"`    // the shims that give the end float
	Findings    []session.Reason `json:"findings,omitempty"`
}

// real is a value in the fields of the D-SI data model, with its unit as UCUM code.
type real struct {
	Label string       `json:"si:label"`
	Value string       `json:"si:value"` // exact decimal
	Unit  string       `json:"si:unit"`
	Time  *time.Time   `json:"si:dateTime,omitempty"` // of the last reading that counts in it
	Unc   *expandedUnc `json:"si:expandedUnc,omitempty"`
}

// expandedUnc is an expanded uncertainty in the fields of the D-SI data model, which
// asks for the factor and the probability beside it.
type expandedUnc struct {
	Uncertainty string  `json:"si:uncertainty"`
	Factor      float64 `json:"si:coverageFactor"`
	Probability string  `json:"si:coverageProbability"`
}

// decision is whether an end float is inside its window, and by which rule. Without
// an outcome nothing is claimed but where the value lies.
type decision struct {
	Window   window          `json:"window"`
	Inside   bool            `json:"inside_window"`         // by the value alone
	Outcome  string          `json:"outcome,omitempty"`     // "shown inside", "not shown" or "shown outside"
	Rule     string          `json:"rule,omitempty"`        // the standard and its edition
	Level    *session.Number `json:"level,omitempty"`       // of conformity
	Expanded *session.Number `json:"expanded_mm,omitempty"` // uncertainty of the end float
	Guard    *session.Number `json:"guard_mm,omitempty"`    // width of the guard band
	Chance   *session.Chance `json:"chance,omitempty"`
}

type window struct {
	Least session.Number `json:"least_mm"`
	Most  session.Number `json:"most_mm"`
	Aim   session.Number `json:"aim_mm"`
}

// Results writes what was measured in the job of a snapshot, as one JSON object: the
// value of each step, the gap of each chain, and the end float to expect with the
// shims advised; and what was done at the other steps. Values stand in the fields of the D-SI data model (si:label,
// si:value, si:unit, si:dateTime), the value as an exact decimal in a string and the
// unit as a UCUM code.
//
// An expanded uncertainty (si:expandedUnc) is there only where one was evaluated, which
// "uncertainty" says of each result: today for gaps. That of an end float has no factor
// of its own, which the data model asks for; it stands under "decision". ended is when the job ended, zero if
// it has not.
func Results(w io.Writer, s session.Snapshot, ended time.Time) error {
	if s.Job == nil {
		return fmt.Errorf("there is no job to write the results of")
	}
	j := *s.Job
	r := results{
		Schema: schemaVersion, Bench: s.Bench, Job: j.Number, Reference: j.Reference, Operator: j.Operator,
		Plan: j.Plan, Title: j.Title, Began: j.Began.UTC(), Software: s.Software, Method: s.Method, Seq: s.Seq,
		UnitCodes: "UCUM", Results: []result{}, Done: []done{},
	}
	if !ended.IsZero() {
		at := ended.UTC()
		r.Ended = &at
	}
	for _, step := range j.Steps {
		if step.Kind != session.MeasureStep && step.Kind != "" {
			r.Done = append(r.Done, doneAt(s, step))
			continue
		}
		if value, _ := step.Amount(); value != nil {
			r.Results = append(r.Results, ofStep(s, step))
		}
	}
	for _, a := range s.Advice {
		r.Results = append(r.Results, ofChain(s, a)...)
	}
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(r)
}

// doneAt is what became of a step at which nothing is measured.
func doneAt(s session.Snapshot, step session.StepView) done {
	d := done{Kind: step.Kind, Name: step.Name, Title: step.Title, State: "open", Findings: step.Findings}
	if step.Closed {
		d.State = "closed"
	}
	if w := step.Wait; w != nil {
		d.At, d.Note = w.Started, w.Note
		d.Waited = &waited{w.Seconds, w.Left, w.CutShort, w.Shown}
	}
	if v := step.Compare; v != nil {
		d.Outcome, d.Note = v.Chosen, v.Reason
	}
	if v := step.Confirmed; v != nil {
		at := v.Time
		d.Outcome, d.Note, d.By, d.At = string(v.Outcome), v.Note, v.Operator, &at
	}
	for _, p := range step.Places {
		if p.Pull != nil {
			d.Pulls = append(d.Pulls, pulled(s, step, p))
		}
	}
	return d
}

// pulled is one screw in one pass, with the reading that counts.
func pulled(s session.Snapshot, step session.StepView, p session.PlaceView) pull {
	v := pull{Screw: p.Pull.Screw, Pass: p.Pull.Pass, Target: p.Pull.Target, Least: p.Pull.Least, Most: p.Pull.Most, Note: p.Pull.Note}
	if p.Torque == nil {
		return v
	}
	var counted []int64
	for _, r := range s.Readings {
		if r.Step == step.Name && r.Place == p.Name && r.Standing == session.Counted {
			counted = append(counted, r.Seq)
		}
	}
	found := realOf(s, step.Title+": "+p.Name, *p.Torque, session.OfTorque, counted)
	v.Real = &found
	return v
}

// ofStep is the result of a step.
func ofStep(s session.Snapshot, step session.StepView) result {
	r := result{
		Kind: "dimension", Name: step.Name, Title: step.Title, State: "open", Uncertainty: notEvaluated,
		Counted: []int64{}, LeftOut: []int64{}, Findings: step.Findings,
	}
	switch {
	case step.Unsettled:
		r.State = "unsettled"
	case step.Closed:
		r.State = "closed"
	}
	for _, v := range s.Readings {
		switch {
		case v.Step != step.Name:
		case v.Standing == session.Counted:
			r.Counted = append(r.Counted, v.Seq)
		case v.Standing == session.LeftOut:
			r.LeftOut = append(r.LeftOut, v.Seq)
		}
	}
	value, q := step.Amount()
	if q != session.OfLength {
		r.Kind = string(q)
	}
	r.Real = realOf(s, step.Title, *value, q, r.Counted)
	return r
}

// ofChain are the results of a chain: its gap and the end float to expect.
func ofChain(s session.Snapshot, a session.Advice) []result {
	if a.Gap == nil {
		return nil
	}
	gap := result{
		Kind: "gap", Name: a.Chain, Title: a.Title, State: string(a.State),
		Real:    length(s, a.Title+": gap before shims", *a.Gap, a.Counted),
		Counted: append([]int64{}, a.Counted...), LeftOut: append([]int64{}, a.LeftOut...), Findings: a.Findings,
		Uncertainty: notEvaluated,
	}
	if a.NoShims {
		gap.Kind, gap.Real.Label = "sum", a.Title
	}
	float := gap // shares nothing that is changed below
	if b := a.Budget; b != nil {
		gap.Uncertainty = evaluated
		gap.Real.Unc = &expandedUnc{b.Expanded.String(), b.K, b.Coverage.String()}
	}
	switch {
	case a.Best == nil:
		return []result{gap}
	case a.NoShims:
		gap.Decision = decide(a)
		return []result{gap}
	}
	float.Kind, float.Findings = "expected end float", nil
	float.Real = length(s, a.Title+": to expect with the shims advised, cold", a.Best.EndFloat, a.Counted)
	float.Packs, float.Decision = a.Best.Packs, decide(a)
	if a.Best.Expanded != nil {
		float.Uncertainty = underDecision
	}
	return []result{gap, float}
}

// decide is what the advice says of its best fit.
func decide(a session.Advice) *decision {
	f := a.Best
	d := &decision{
		Window: window{a.Least, a.Most, a.Aim}, Inside: f.Inside, Outcome: f.Outcome,
		Expanded: f.Expanded, Guard: f.Guard, Chance: f.Chance,
	}
	if b := a.Budget; b != nil && f.Outcome != "" {
		d.Rule, d.Level = b.Edition, &b.Level
	}
	return d
}

// length writes a length.
func length(s session.Snapshot, label string, value session.Number, counted []int64) real {
	return realOf(s, label, value, session.OfLength, counted)
}

// realOf writes a value; its time is that of the last reading that counts in it.
func realOf(s session.Snapshot, label string, value session.Number, q session.Quantity, counted []int64) real {
	r := real{Label: label, Value: value.String(), Unit: string(q.Unit())}
	for _, v := range s.Readings {
		for _, seq := range counted {
			if v.Seq == seq && (r.Time == nil || v.Time.After(*r.Time)) {
				at := v.Time.UTC()
				r.Time = &at
			}
		}
	}
	return r
}
