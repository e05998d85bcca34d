package session

import (
	"fmt"
	"slices"
	"time"
)

// PutAside leaves the open job waiting, for a part perhaps, so that another can be
// measured on the same bench. No job is active then.
type PutAside struct {
	Note string `json:"note,omitempty"`
}

// Resumed goes on with a job that was put aside.
type Resumed struct {
	Job string `json:"job"`
}

func (PutAside) kind() string { return "aside" }
func (Resumed) kind() string  { return "resume" }

// A WaitingView is a job that was put aside.
type WaitingView struct {
	Number    string    `json:"job"`
	Plan      string    `json:"plan"`
	Title     string    `json:"title"`
	Reference string    `json:"reference,omitempty"`
	Operator  string    `json:"operator,omitempty"`
	Since     time.Time `json:"since"`
	Note      string    `json:"note,omitempty"`
	Step      string    `json:"step,omitempty"` // the step that it goes on with; empty if all are closed
}

// putAside folds that the open job waits.
func (s *State) putAside(e Entry, b PutAside) error {
	if s.job == nil || s.job.ended || s.job.number != e.Job {
		return fmt.Errorf("job %q is not open", e.Job)
	}
	s.job.waits = &PutAside{b.Note}
	s.job.since = e.At
	s.aside, s.job = append(slices.Clip(s.aside), s.job), nil
	return nil
}

// resume folds that a waiting job goes on. What was pressed before that counts no more
// than what was pressed before a step was opened.
func (s *State) resume(e Entry, b Resumed) error {
	i := slices.IndexFunc(s.aside, func(j *job) bool { return j.number == b.Job })
	if i < 0 || e.Job != b.Job {
		return fmt.Errorf("job %q does not wait", b.Job)
	}
	if s.job != nil && !s.job.ended {
		return fmt.Errorf("job %q is open", s.job.number)
	}
	s.leave()
	s.job = s.aside[i].clone()
	s.aside = slices.Delete(slices.Clone(s.aside), i, i+1)
	s.job.waits, s.job.before, s.job.fresh = nil, -1, true
	s.job.openedRun, s.job.openedMono = e.Run, e.Mono
	return nil
}

func (s *State) waiting() []WaitingView {
	var views []WaitingView
	for _, j := range s.aside {
		v := WaitingView{
			Number: j.number, Plan: j.plan.Name, Title: j.plan.Title, Reference: j.reference,
			Operator: j.operator, Since: j.since, Note: j.waits.Note,
		}
		if j.step >= 0 {
			v.Step = j.plan.Steps[j.step].Title
		}
		views = append(views, v)
	}
	return views
}

// instead is what to do where a job is wanted and none is open.
func (s *State) instead() string {
	if len(s.aside) > 0 {
		return "begin one with a plan, or resume one that waits"
	}
	return "begin one with a plan"
}

// putAside leaves the open job waiting.
func (t *turn) putAside(c Command) *Refusal {
	t.setAside()
	t.advise() // a job that waits has its advice in the log
	t.by(c.Operator, c.Door)
	t.add(PutAside{c.Note})
	return nil
}

// resume goes on with a job that was put aside.
func (t *turn) resume(c Command) (Receipt, *Refusal) {
	if j := t.state.job; j != nil && !j.ended {
		return Receipt{}, refuse("job open", "job "+j.number+" is still open", "end it first, or put it aside", "job", j.number)
	}
	var numbers, named []string
	for _, j := range t.state.aside {
		numbers = append(numbers, j.number)
		if named = append(named, j.number); j.reference != "" {
			named[len(named)-1] += " (" + j.reference + ")"
		}
	}
	switch {
	case len(numbers) == 0:
		return Receipt{}, refuse("none waits", "no job was put aside", "begin one with a plan")
	case c.Job == "" && len(numbers) > 1:
		return Receipt{}, nameOneOf(named, "which job", fmt.Sprintf("%d jobs wait", len(numbers)))
	case c.Job == "":
		c.Job = numbers[0]
	case !slices.Contains(numbers, c.Job):
		return Receipt{}, nameOneOf(named, "no such job", fmt.Sprintf("job %q does not wait", c.Job), "job", c.Job)
	}
	t.add(Resumed{c.Job})
	receipt := Receipt{Seq: t.state.seq, Job: c.Job}
	t.by(c.Operator, FromBench)
	t.tellJob(t.state.job.plan.Shims) // others may have taken from it
	return receipt, nil
}
