package session

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Confirmed says that a step is done, or why it is not.
type Confirmed struct {
	Step    string       `json:"step"`
	Place   int          `json:"place"`
	Outcome Confirmation `json:"outcome"`
	Note    string       `json:"note,omitempty"`
}

func (Confirmed) kind() string { return "confirm" }

// A Confirmation is what a person says of a step that is confirmed.
type Confirmation string

// The confirmations. What is not done stays open, and is a finding.
const (
	Done          Confirmation = "done"
	NotDone       Confirmation = "not done"
	NotApplicable Confirmation = "not applicable"
)

// A ConfirmedView is what a person said of a step, and when.
type ConfirmedView struct {
	Outcome  Confirmation `json:"outcome"`
	Note     string       `json:"note,omitempty"`
	Operator string       `json:"operator,omitempty"`
	Time     time.Time    `json:"time"`
}

// confirm takes a person's word for the active step.
func (t *turn) confirm(j *job, c Command) *Refusal {
	if j.step < 0 {
		return noStepOpen()
	}
	c.Note = strings.TrimSpace(c.Note)
	switch step := &j.plan.Steps[j.step]; {
	case step.Kind == ConfirmStep, !step.Kind.measures() && c.Outcome != "" && c.Outcome != Done:
		return t.confirmStep(j, c)
	case step.Kind == WaitStep:
		return t.waitOn(j, c.Note)
	case step.Kind == TorqueStep:
		return t.acceptScrew(j, c)
	default:
		return refuse("not to confirm", fmt.Sprintf("step %q is of the kind %q and is not confirmed", step.Name, step.Kind),
			"do what it asks for, or go to another step with next", "step", step.Name, "title", step.Title)
	}
}

// toFit are the chains of a step whose advised shims nobody has said to be in.
func (j *job) toFit(step int) []int {
	var chains []int
	for _, name := range j.plan.Steps[step].Fitted {
		i := j.plan.chain(name)
		a, said := j.advice[i], j.fitted[i].said
		if a != nil && a.Best != nil && len(said) == len(a.Best.Packs) && !slices.ContainsFunc(a.Best.Packs, func(p Pack) bool {
			return !slices.ContainsFunc(said, func(o Pack) bool { return samePieces(p, o) })
		}) {
			continue
		}
		chains = append(chains, i)
	}
	return chains
}

// notFitted says why a step that puts shims in is not done; nil if it can be.
func (j *job) notFitted(step int) *Refusal {
	chains := j.toFit(step)
	if len(chains) == 0 {
		return nil
	}
	i := chains[0]
	name, title, a := j.plan.Chains[i].Name, j.plan.Chains[i].Title, j.advice[i]
	const orNote = ", or confirm it with a note that says why"
	switch {
	case a == nil || a.Best == nil:
		return refuse("no shims advised", fmt.Sprintf("no shims are advised yet for %q", name), "measure what it still lacks"+orNote, "chain", name, "title", title)
	case len(j.fitted[i].said) < len(a.Best.Packs):
		return refuse("shims not said", fmt.Sprintf("nobody said which shims are in for %q", name), "put in what is advised and say so (fitted)"+orNote, "chain", name, "title", title)
	}
	return refuse("other shims in", fmt.Sprintf("other shims are in for %q than are advised", name), "change them and say so (fitted)"+orNote, "chain", name, "title", title)
}

func (t *turn) confirmStep(j *job, c Command) *Refusal {
	name := j.plan.Steps[j.step].Name
	if c.Outcome == "" {
		c.Outcome = Done
	}
	if !slices.Contains([]Confirmation{Done, NotDone, NotApplicable}, c.Outcome) {
		return refuse("bad outcome", fmt.Sprintf("%q is no outcome of a step", c.Outcome), "say done, not done or not applicable", "outcome", string(c.Outcome))
	}
	if c.Outcome != Done && c.Note == "" {
		return refuse("no note", fmt.Sprintf("%q needs a note", c.Outcome), "say in a few words why", "step", name)
	}
	if c.Outcome == Done && c.Note == "" {
		if no := j.notFitted(j.step); no != nil {
			return no
		}
	}
	t.add(Confirmed{name, j.place, c.Outcome, c.Note})
	t.by("", FromBench)
	if c.Outcome != NotDone {
		t.add(j.stepClosed(j.step, true))
	}
	t.openNext()
	return nil
}

// confirmed folds what was said of a step.
func (j *job) confirmed(e Entry, b Confirmed) error {
	step, err := j.stepPlace(b.Step, b.Place)
	if err != nil {
		return err
	}
	said := ConfirmedView{b.Outcome, b.Note, e.Operator, e.At}
	if j.plan.Steps[step].Kind == TorqueStep && b.Outcome == Done {
		j.steps[step].words = append(slices.Clip(j.steps[step].words), placeWord{b.Place, said})
		return nil
	}
	j.steps[step].confirmed = &said
	return nil
}

// again forgets what was done at a step that is opened anew. A wait that runs goes on.
func (s *stepState) again() {
	s.confirmed = nil
	if s.wait != nil && s.wait.over != nil {
		s.wait = nil
	}
}

// putOff tells whether a step stays open until the others are done.
func (s *stepState) putOff() bool {
	return s.confirmed != nil && s.confirmed.Outcome == NotDone
}

// notToRead says why a reading belongs to no step of this kind, and what to do; nil
// if the step is one that takes readings. A temperature that is taken while a part is
// under heat, or cools, is that of the part.
func (s *Step) notToRead(read Reading) *Reason {
	switch s.Kind {
	case ConfirmStep:
		r := reason("to confirm", "step", s.Name)
		return &r
	case CompareStep:
		r := reason("to choose", "step", s.Name)
		return &r
	case WaitStep:
		r := reason("to wait", "step", s.Name)
		if s.Part != "" && read.Kind == Thermometer && isTemperature(read.Value) {
			r = reason("noted meanwhile", "part", s.Part, "celsius", read.Value.String())
		}
		return &r
	}
	return nil
}

// kindFindings are what a person must look at in a step beyond its readings.
func (j *job) kindFindings(step int) []Reason {
	s, name := &j.steps[step], j.plan.Steps[step].Name
	var found []Reason
	if s.putOff() {
		found = append(found, reason("not done", "step", name, "note", s.confirmed.Note))
	}
	if s.wait != nil && s.wait.over != nil && s.wait.over.CutShort {
		found = append(found, reason("wait cut short", "step", name, "left", spanWords(time.Duration(s.wait.over.Left)*time.Second), "note", s.wait.over.Note))
	}
	if h := j.heatView(step); s.wait != nil && s.wait.hottest != nil && h != nil && h.Most != nil && s.wait.hottest.GreaterThan(h.Most.Decimal) {
		found = append(found, reason("was too hot", "step", name, "celsius", s.wait.hottest.String(), "limit", h.Most.String()))
	}
	if p := &j.plan.Steps[step]; p.Reference != nil && s.closed {
		if in := j.instrumentOf(step); in != nil {
			found = append(found, j.drifts(in.Name, p.Use)...)
		}
	}
	found = append(append(found, j.trialFindings(step)...), j.torqueFindings(step)...)
	return append(found, j.choiceFindings(step)...)
}
