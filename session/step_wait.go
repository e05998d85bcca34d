package session

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"github.com/shopspring/decimal"
)

// WaitStarted says that the time of a step runs. Its due time is in the entry, so that
// nothing that folds it needs a clock.
type WaitStarted struct {
	Step    string    `json:"step"`
	Due     time.Time `json:"due"`
	Celsius *Number   `json:"celsius,omitempty"` // how hot to make something meanwhile, as it was shown
}

// Waited says that the time of a step has passed, that the thermometer showed before that
// what was waited for, or that it was cut short and why.
type Waited struct {
	Step     string  `json:"step"`
	CutShort bool    `json:"cut_short,omitempty"`
	Left     int64   `json:"left_s,omitempty"`    // seconds that were left, rounded up
	Shown    *Number `json:"shown_Cel,omitempty"` // by the thermometer, last
	Note     string  `json:"note,omitempty"`
}

func (WaitStarted) kind() string { return "wait started" }
func (Waited) kind() string      { return "waited" }

// A WaitView is the time that a step waits. A display counts down by its own clock
// from when it heard that it was started.
type WaitView struct {
	Seconds  int64      `json:"seconds"` // to wait in all
	Started  *time.Time `json:"started,omitempty"`
	Due      *time.Time `json:"due,omitempty"`
	CutShort bool       `json:"cut_short,omitempty"`
	Left     int64      `json:"left_s,omitempty"`    // seconds that were left when it ended
	Shown    *Number    `json:"shown_Cel,omitempty"` // by the thermometer, last, of the part
	Note     string     `json:"note,omitempty"`
	Sets     string     `json:"sets,omitempty"` // the part that counts as cooled afterwards
}

// A HeatView is how hot to make something, in °C, and what must not be exceeded.
type HeatView struct {
	Fit     string  `json:"fit,omitempty"`     // what says so
	Part    string  `json:"part,omitempty"`    // what to heat
	Celsius *Number `json:"celsius,omitempty"` // absent while it is not known, or not advised
	Most    *Number `json:"most_celsius,omitempty"`
	MostOf  string  `json:"most_of,omitempty"` // what that protects
}

// waiting is how far the time of a step has come.
type waiting struct {
	started, due time.Time
	run          int64
	mono         time.Duration
	noted        *Number // °C, the last that was noted of the part meanwhile
	hottest      *Number // of those
	over         *Waited
}

// span is how long a step waits.
func (s *Step) span() time.Duration {
	seconds := decimal.Zero
	if s.Minutes != nil {
		seconds = s.Minutes.Mul(decimal.NewFromInt(60))
	}
	if s.Seconds != nil {
		seconds = seconds.Add(s.Seconds.Decimal)
	}
	return time.Duration(seconds.Mul(decimal.NewFromInt(int64(time.Second))).IntPart())
}

// waitOn starts the time of the active step, ends it once it has passed or the thermometer
// has shown what it waits for, or cuts it short if a note says why.
func (t *turn) waitOn(j *job, note string) *Refusal {
	step := &j.plan.Steps[j.step]
	w := j.steps[j.step].wait
	if w == nil {
		started := WaitStarted{Step: step.Name, Due: t.at.UTC().Add(step.span())}
		if h := j.heatView(j.step); h != nil {
			started.Celsius = h.Celsius
		}
		t.add(started)
		return nil
	}
	left, shown := t.left(w), j.cameAbout(j.step)
	switch {
	case shown == notYet && left <= 0 && note == "":
		return refuse("not come about", fmt.Sprintf("the time of step %q has passed and the thermometer last showed %s degrees", step.Name, w.noted),
			"go on and hold the thermometer to it again, or end it with a note that says why", "step", step.Name, "title", step.Title, "celsius", w.noted.String())
	case left > 0 && shown != itDid && note == "":
		said := spanWords(left)
		return refuse("still waiting", fmt.Sprintf("step %q has %s left", step.Name, said), "wait for it, or cut it short with a note that says why",
			"step", step.Name, "title", step.Title, "left_s", strconv.FormatInt(secondsUp(left), 10))
	}
	over := Waited{Step: step.Name, Left: max(secondsUp(left), 0), Shown: w.noted, Note: note}
	over.CutShort = shown == notYet || shown == nobodyKnows && left > 0
	t.add(over)
	t.by("", FromBench)
	t.closeNow(true)
	return nil
}

// Whether what a step waits for has come about, by the thermometer.
type comeAbout int

const (
	nobodyKnows comeAbout = iota
	notYet
	itDid
)

// cameAbout tells whether the part of a wait is as hot as the step says, or as cool as
// measuring it needs, by what was noted of it since the wait began.
func (j *job) cameAbout(i int) comeAbout {
	w, step, h := j.steps[i].wait, &j.plan.Steps[i], j.heatView(i)
	switch {
	case w == nil || w.noted == nil:
	case h != nil && h.Celsius != nil:
		if w.noted.LessThan(h.Celsius.Decimal) || h.Most != nil && w.noted.GreaterThan(h.Most.Decimal) {
			return notYet
		}
		return itDid
	case step.Sets != "" && step.Sets == step.Part:
		if j.tooWarmAt(&Step{Part: step.Part}, *w.noted) != nil {
			return notYet
		}
		return itDid
	}
	return nobodyKnows
}

// noteMeanwhile keeps what is noted of the part of a wait while it runs.
func (j *job) noteMeanwhile(b TemperatureTaken) {
	if j.step < 0 || j.plan.Steps[j.step].Part != b.Of {
		return
	}
	if w := j.steps[j.step].wait; w != nil && w.over == nil {
		noted := *w
		noted.noted = &b.Celsius
		if w.hottest == nil || b.Celsius.GreaterThan(w.hottest.Decimal) {
			noted.hottest = &b.Celsius
		}
		j.steps[j.step].wait = &noted
	}
}

// left is how long a wait still has: by the clock that nobody sets, within its run.
func (t *turn) left(w *waiting) time.Duration {
	whole := w.due.Sub(w.started)
	passed := t.at.Sub(w.started)
	if t.state.run == w.run {
		passed = t.mono - w.mono
	}
	return min(whole-passed, whole)
}

func secondsUp(d time.Duration) int64 { return int64(math.Ceil(d.Seconds())) }

// spanWords writes a span as people say it.
func spanWords(d time.Duration) string {
	s := secondsUp(d)
	if s < 120 {
		return fmt.Sprintf("%d s", s)
	}
	return fmt.Sprintf("%d min", (s+59)/60)
}

func (j *job) waitStarted(e Entry, b WaitStarted) error {
	step, err := j.stepPlace(b.Step, 0)
	if err != nil {
		return err
	}
	j.steps[step].wait = &waiting{started: e.At, due: b.Due, run: e.Run, mono: e.Mono}
	return nil
}

// waited folds the end of a wait. What cooled in it counts as no warmer than the shop.
func (j *job) waited(b Waited) error {
	step, err := j.stepPlace(b.Step, 0)
	if err != nil {
		return err
	}
	w := j.steps[step].wait
	if w == nil {
		return fmt.Errorf("step %q does not wait", b.Step)
	}
	over := *w
	over.over = &b
	j.steps[step].wait = &over
	if part := j.plan.Steps[step].Sets; part != "" && !b.CutShort && b.Shown == nil {
		j.forgetWarmth(part)
	}
	return nil
}

// forgetWarmth drops the temperature that was taken of a part.
func (j *job) forgetWarmth(part string) {
	var kept []TemperatureTaken
	for _, w := range j.warmth {
		if w.Of != part {
			kept = append(kept, w)
		}
	}
	j.warmth, j.stale = kept, true
}

// waitView shows the time of a step; nil if it has none.
func (j *job) waitView(i int) *WaitView {
	step := &j.plan.Steps[i]
	if step.Kind != WaitStep {
		return nil
	}
	v := &WaitView{Seconds: secondsUp(step.span()), Sets: step.Sets}
	if w := j.steps[i].wait; w != nil {
		started, due := w.started, w.due
		v.Started, v.Due = &started, &due
		if w.over != nil {
			v.CutShort, v.Left, v.Note = w.over.CutShort, w.over.Left, w.over.Note
		}
		if v.Shown = w.noted; w.over != nil {
			v.Shown = w.over.Shown
		}
	}
	return v
}

// heatView shows how hot to make something; nil if the step heats nothing.
func (j *job) heatView(i int) *HeatView {
	step := &j.plan.Steps[i]
	if step.Fit != "" {
		return j.heatFor(step.Fit)
	}
	if step.Celsius == nil && step.MostCelsius == nil {
		return nil
	}
	return &HeatView{Celsius: step.Celsius, Most: step.MostCelsius}
}

// waitKeys checks what a step of the kind wait has of its own.
func (c *planCheck) waitKeys(i int, s Step) {
	if (s.Minutes == nil) == (s.Seconds == nil) {
		c.wrong(fmt.Sprintf("step %q needs either minutes or seconds to wait", s.Name), `give one of them: minutes = "20"`, "step", i)
	}
	c.within(s.Minutes, "0.1", "2880", "a wait in minutes", "step", i, "minutes")
	c.within(s.Seconds, "1", "86400", "a wait in seconds", "step", i, "seconds")
	c.within(s.Celsius, "-60", "500", "a temperature", "step", i, "celsius")
	c.within(s.MostCelsius, "-60", "500", "a temperature", "step", i, "most_celsius")
	if s.Celsius != nil && s.MostCelsius != nil && s.Celsius.GreaterThan(s.MostCelsius.Decimal) {
		c.wrong(fmt.Sprintf("step %q heats to %s, over its limit of %s", s.Name, s.Celsius, s.MostCelsius), "heat to less, or correct the limit", "step", i, "celsius")
	}
	if s.Sets != "" && c.plan.part(s.Sets) < 0 {
		c.wrong(fmt.Sprintf("there is no part %q", s.Sets), "name the [[part]] that cools", "step", i, "sets")
	}
}
