package session

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// A change of mind: a part is replaced, a job that was ended is opened again, and an
// advice says what has changed since the last that was final.

// Replaced says that a part was exchanged for another: what was measured on the old one
// falls out of the count.
type Replaced struct {
	Part string `json:"part"`
	Note string `json:"note"`
}

// closedKept is how many jobs that ended before the last one can be opened again.
const closedKept = 5

// Reopened opens a job again that was ended.
type Reopened struct {
	Job  string `json:"job,omitempty"` // the last one if empty
	Note string `json:"note"`
}

func (Replaced) kind() string { return "replace" }
func (Reopened) kind() string { return "reopen" }

// A ChangeView says what an advice changed since the last one that was final.
type ChangeView struct {
	Since   int64    `json:"since_seq"` // the entry of that advice
	Gap     Number   `json:"gap_before_mm"`
	By      Number   `json:"gap_by_mm"` // what the gap is more than that
	Packs   []Pack   `json:"packs_before,omitempty"`
	Refit   bool     `json:"refit,omitempty"` // other packs are best now
	Outcome string   `json:"outcome_before,omitempty"`
	Because []Reason `json:"because,omitempty"`
}

// settled is the last final advice of a chain, and what happened since.
type settled struct {
	seq     int64
	advice  *Advice
	because []Reason // never changed in place
}

// mostReasons bounds what a change is put down to.
const mostReasons = 8

// replace notes that a part was exchanged.
func (t *turn) replace(j *job, c Command) *Refusal {
	c.Note = strings.TrimSpace(c.Note)
	var names []string
	for _, p := range j.plan.Parts {
		if len(j.stepsOf(p.Name)) > 0 {
			names = append(names, p.Name)
		}
	}
	switch {
	case !slices.Contains(names, c.Part):
		return nameOneOf(names, "no such part", fmt.Sprintf("no step of this plan is done on a part %q", c.Part), "part", c.Part)
	case c.Note == "":
		return refuse("no note", "replacing a part needs a note", "say in a few words why, or what the new one is", "part", c.Part)
	}
	t.setAside()
	t.by(c.Operator, c.Door)
	t.add(Replaced{c.Part, c.Note})
	t.by("", FromBench)
	t.measureAgain(j.stepsOf(c.Part))
	return nil
}

// stepsOf lists the steps that are done on a part: of candidates those of the one kept.
func (j *job) stepsOf(part string) []int {
	var steps []int
	for i, s := range j.plan.Steps {
		kept := j.kept(s.For)
		if s.Part == part && (s.Candidate == "" || kept != nil && kept.Candidate == s.Candidate) {
			steps = append(steps, i)
		}
	}
	return steps
}

// replaced folds that a part was exchanged: the steps that are done on it open again,
// and so does what was measured of the engine that it was in.
func (j *job) replaced(b Replaced) error {
	steps := j.stepsOf(b.Part)
	if len(steps) == 0 {
		return fmt.Errorf("no step is done on a part %q", b.Part)
	}
	why := reason("part replaced", "part", b.Part, "note", b.Note)
	for _, i := range steps {
		if err := j.dropStep(i, why); err != nil {
			return err
		}
		j.steps[i].again()
		j.steps[i].words = nil
	}
	for k := range j.plan.Chains {
		ch := &j.plan.Chains[k]
		if !slices.ContainsFunc(steps, func(i int) bool { return ch.uses(j.plan.Steps[i].Name) }) {
			continue
		}
		j.fitted[k].before = nil
		for w := range ways {
			j.fitted[k].during[w] = nil
			if i := j.plan.directStep(ch, w); i >= 0 {
				if err := j.dropStep(i, why); err != nil {
					return err
				}
			}
		}
	}
	j.forgetWarmth(b.Part)
	j.becauseOf(reason("new part", "part", b.Part, "note", b.Note), steps...)
	return nil
}

// reopen opens a job again that was ended.
func (t *turn) reopen(c Command) (Receipt, *Refusal) {
	j := t.state.job
	c.Note = strings.TrimSpace(c.Note)
	if j != nil && !j.ended {
		return Receipt{}, refuse("job open", "job "+j.number+" is still open", "end it first, or put it aside", "job", j.number)
	}
	ended := t.state.endedJobs()
	if c.Job == "" && len(ended) > 0 {
		c.Job = ended[len(ended)-1]
	}
	switch {
	case !slices.Contains(ended, c.Job):
		instead := "begin another for what is new"
		if len(ended) > 0 {
			instead = "name one of " + strings.Join(ended, ", ") + ", or " + instead
		}
		return Receipt{}, refuse("not a job that ended", fmt.Sprintf("job %q is not one of the last that were ended here", c.Job), instead,
			"job", c.Job, "names", cmp.Or(strings.Join(ended, ", "), "none"))
	case c.Note == "":
		return Receipt{}, refuse("no note", "opening a job again needs a note", "say in a few words why", "job", c.Job)
	}
	first := t.state.seq + 1
	t.add(Reopened{c.Job, c.Note})
	t.by("", FromBench)
	t.tellJob(t.state.job.plan.Shims) // others may have taken from it
	t.openNext()
	return Receipt{Seq: first, Job: c.Job}, nil
}

// endedJobs are the numbers of those that can be opened again, the last one last.
func (s *State) endedJobs() []string {
	var numbers []string
	for _, j := range s.closed {
		numbers = append(numbers, j.number)
	}
	if s.job != nil && s.job.ended {
		numbers = append(numbers, s.job.number)
	}
	return numbers
}

// leave makes room for another job: the last one, if it is ended, can be opened again
// for a while.
func (s *State) leave() {
	if s.job == nil || !s.job.ended {
		return
	}
	s.closed = append(slices.Clip(s.closed), s.job)
	s.closed = s.closed[max(len(s.closed)-closedKept, 0):]
	s.job = nil
}

// reopen folds that a job is open again.
func (s *State) reopen(e Entry) error {
	if s.job != nil && !s.job.ended {
		return fmt.Errorf("job %q is open", s.job.number)
	}
	if s.job == nil || s.job.number != e.Job {
		s.leave()
		i := slices.IndexFunc(s.closed, func(j *job) bool { return j.number == e.Job })
		if i < 0 {
			return fmt.Errorf("job %q is not one of those that were ended last", e.Job)
		}
		s.job = s.closed[i].clone()
		s.closed = slices.Delete(slices.Clone(s.closed), i, i+1)
	}
	s.job.ended, s.job.stale, s.job.before = false, true, -1
	return nil
}

// becauseOf notes what may change an advice that was final: of the chains that rest on
// the steps, or of all if none is named.
func (j *job) becauseOf(why Reason, steps ...int) {
	for k := range j.settled {
		if j.settled[k].advice == nil || len(j.settled[k].because) >= mostReasons {
			continue
		}
		if len(steps) == 0 || slices.ContainsFunc(steps, func(i int) bool { return j.restsOn(k, i) }) {
			j.settled[k].because = append(slices.Clip(j.settled[k].because), why)
		}
	}
}

// restsOn tells whether the advice of a chain rests on a step: a term, its bar, a direct
// measurement, or a check of an instrument.
func (j *job) restsOn(chain, step int) bool {
	ch, s := &j.plan.Chains[chain], &j.plan.Steps[step]
	if s.Reference != nil || ch.uses(s.Name) {
		return true
	}
	for w := range ways {
		if j.plan.directStep(ch, w) == step {
			return true
		}
	}
	for _, t := range ch.Terms {
		if t.Step == "" {
			continue
		}
		if name := j.plan.Steps[j.plan.step(t.Step)].Bar; name != "" && j.plan.Bars[j.plan.bar(name)].Step == s.Name {
			return true
		}
	}
	return false
}

// because says of an entry what it may change in an advice.
func (j *job) because(e Entry) {
	step := func(reading int64) []int {
		if i := j.find(reading); i >= 0 && j.readings[i].step >= 0 {
			return []int{j.readings[i].step}
		}
		return nil
	}
	switch b := e.Body.(type) {
	case Struck:
		j.becauseOf(reason("reading struck out", "reading", fmt.Sprint(b.Reading), "reason", b.Reason), step(b.Reading)...)
	case Restored:
		j.becauseOf(reason("reading restored", "reading", fmt.Sprint(b.Reading)), step(b.Reading)...)
	case Chose:
		j.becauseOf(reason("candidate chosen", "choice", b.Choice, "candidate", b.Candidate))
	case TemperatureTaken:
		j.becauseOf(reason("temperature noted", "of", b.Of, "celsius", b.Celsius.String()))
	case InstrumentChecked:
		j.becauseOf(reason("instrument checked", "instrument", b.Instrument))
	case Fitted:
		j.becauseOf(reason("packs said", "chain", b.Chain))
	case StepClosed:
		if i := j.plan.step(b.Step); i >= 0 && b.Value != nil {
			j.becauseOf(reason("step measured", "step", b.Step), i)
		}
	}
}

// settle keeps an advice that is final, to compare later ones with.
func (j *job) settle(i int, e Entry, a *Advice) {
	if a.State == Final && a.Gap != nil {
		j.settled[i] = settled{seq: e.Seq, advice: a}
	}
}

// changed says what an advice changes since the last that was final; nil if nothing.
func (j *job) changed(i int, a *Advice) *ChangeView {
	was := j.settled[i]
	if was.advice == nil || a.Gap == nil {
		return nil
	}
	v := &ChangeView{Since: was.seq, Gap: *was.advice.Gap, By: Num(a.Gap.Sub(was.advice.Gap.Decimal)), Because: was.because}
	if was.advice.Best != nil {
		v.Packs, v.Outcome = was.advice.Best.Packs, was.advice.Best.Outcome
	}
	v.Refit = !sameBest(was.advice.Best, a.Best)
	outcome := ""
	if a.Best != nil {
		outcome = a.Best.Outcome
	}
	if v.By.IsZero() && !v.Refit && outcome == v.Outcome {
		return nil
	}
	return v
}

func sameBest(a, b *Fit) bool {
	if a == nil || b == nil {
		return a == b
	}
	return slices.EqualFunc(a.Packs, b.Packs, samePieces)
}
