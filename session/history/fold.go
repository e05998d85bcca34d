package history

import (
	"fmt"
	"slices"
	"time"

	"shimwright/calc"
	"shimwright/session"
)

// A Filter says which closed jobs count.
type Filter struct {
	Plan  string    // by its name; all if empty
	Since time.Time // when they ended, or later; all if zero
}

// A Fold gathers what closed jobs teach. The zero value is not usable: New makes one.
type Fold struct {
	filter   Filter
	state    *session.State
	bench    string
	methods  []string
	plans    []string                              // of every closed job, whatever the filter
	open     []string                              // numbers of open jobs, in the order of their begin
	profiles map[string]map[string]session.Profile // of open jobs by number and instrument
	jobs     []closed                              // in the order in which they ended
}

// New makes a Fold of nothing yet. Standings are worked out by the method.
func New(m *calc.Method, f Filter) *Fold {
	return &Fold{filter: f, state: session.NewState(m), profiles: map[string]map[string]session.Profile{}}
}

// Apply folds one entry. They must come in the order of the log, from its first on. An
// error means that the entry cannot follow the ones before it.
func (f *Fold) Apply(e session.Entry) error {
	if err := f.state.Apply(e); err != nil {
		return err
	}
	switch b := e.Body.(type) {
	case session.Started:
		f.bench = b.Bench
		if !slices.Contains(f.methods, b.Method) {
			f.methods = append(f.methods, b.Method)
		}
	case session.InstrumentUsed:
		f.profile(e.Job, b.Profile)
	case session.Ended:
		return f.end(e)
	case session.Began, session.Opened, session.ReadingTaken:
		f.goesOn(e.Job)
	}
	return nil
}

// profile notes the profile of an instrument in a job; the later of one name counts.
func (f *Fold) profile(job string, p session.Profile) {
	if f.profiles[job] == nil {
		f.profiles[job] = map[string]session.Profile{}
	}
	f.profiles[job][p.Name] = p
}

// goesOn notes that a job is open. One that was closed before is closed no longer.
func (f *Fold) goesOn(job string) {
	if job == "" || slices.Contains(f.open, job) {
		return
	}
	f.open = append(f.open, job)
	f.jobs = slices.DeleteFunc(f.jobs, func(j closed) bool { return j.number == job })
}

// end keeps what the job that ended teaches.
func (f *Fold) end(e session.Entry) error {
	f.open = slices.DeleteFunc(f.open, func(number string) bool { return number == e.Job })
	s := f.state.Snapshot()
	if s.Job == nil || s.Job.Number != e.Job {
		return fmt.Errorf("job %q ended and is not the one in hand", e.Job)
	}
	if !slices.Contains(f.plans, s.Job.Plan) {
		f.plans = append(f.plans, s.Job.Plan)
	}
	if f.filter.Plan != "" && s.Job.Plan != f.filter.Plan || e.At.Before(f.filter.Since) {
		return nil
	}
	j, err := distil(s, f.profiles[e.Job], e.At)
	if err != nil {
		return fmt.Errorf("cannot learn from job %s: %w", e.Job, err)
	}
	f.jobs = append(f.jobs, j)
	return nil
}

// Plans names the plans of all closed jobs, those that the filter leaves out too, in the
// order in which they first ended.
func (f *Fold) Plans() []string { return f.plans }

// closed is what is kept of a closed job.
type closed struct {
	number, plan string
	ended        time.Time
	sets         []set
	direct       []direct
	presses      []Presses
}

// distil takes from the snapshot after a job's end what the job teaches.
func distil(s session.Snapshot, profiles map[string]session.Profile, ended time.Time) (closed, error) {
	j := closed{number: s.Job.Number, plan: s.Job.Plan, ended: ended, direct: directOf(s, ended)}
	readings := slices.DeleteFunc(s.Readings, func(r session.ReadingView) bool { return r.Job != s.Job.Number })
	var err error
	for i := range s.Job.Steps {
		step := &s.Job.Steps[i]
		its := its(step.Name, readings)
		j.presses = append(j.presses, pressesOf(s.Job, step, its)...)
		if step.Instrument.Quantity() != session.OfLength || step.Instrument == "" {
			continue
		}
		if j.sets, err = setsOf(j.sets, step, its, profiles); err != nil {
			return closed{}, err
		}
	}
	return j, nil
}

// its are the readings that count in a step or were ruled under it.
func its(step string, readings []session.ReadingView) []session.ReadingView {
	var out []session.ReadingView
	for _, r := range readings {
		if r.Step == step {
			out = append(out, r)
		}
	}
	return out
}
