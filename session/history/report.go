package history

import (
	"slices"
	"time"
)

// SchemaVersion numbers the JSON of reports.
const SchemaVersion = 1

// A Report is what closed jobs teach. Its lists are in the order in which their first job
// ended; none is nil.
type Report struct {
	Schema      int           `json:"schema"`
	Bench       string        `json:"bench"`
	Plan        string        `json:"plan,omitempty"`  // the filter
	Since       *time.Time    `json:"since,omitempty"` // the filter
	Methods     []string      `json:"methods"`         // under which the log was written
	Jobs        []string      `json:"jobs"`            // that it is made from
	Plans       []string      `json:"plans"`           // of those jobs
	First       *time.Time    `json:"first_ended,omitempty"`
	Last        *time.Time    `json:"last_ended,omitempty"`
	Open        []string      `json:"open"` // jobs that are left out because they are open
	Instruments []*Instrument `json:"instruments"`
	Repeats     []*Repeats    `json:"repeats"`
	Agreements  []*Agreement  `json:"agreements"`
	Presses     []Presses     `json:"presses"`    // where there is enough to say something
	TooFew      int           `json:"too_few"`    // operators at steps of which there is not
	Standouts   []Standout    `json:"stand_outs"` // where more presses did not count than elsewhere
}

// Report says what the jobs that ended so far teach.
func (f *Fold) Report() (Report, error) {
	r := Report{
		Schema: SchemaVersion, Bench: f.bench, Plan: f.filter.Plan, Methods: append([]string{}, f.methods...),
		Jobs: []string{}, Plans: []string{}, Open: append([]string{}, f.open...), Instruments: []*Instrument{}, Repeats: []*Repeats{}, Agreements: []*Agreement{},
	}
	if !f.filter.Since.IsZero() {
		since := f.filter.Since.UTC()
		r.Since = &since
	}
	for i, j := range f.jobs {
		ended := j.ended.UTC()
		if r.Jobs = append(r.Jobs, j.number); i == 0 {
			r.First = &ended
		}
		r.Last = &ended
		if !slices.Contains(r.Plans, j.plan) {
			r.Plans = append(r.Plans, j.plan)
		}
	}
	if rows, instruments := repeatsOf(f.jobs); rows != nil {
		r.Repeats, r.Instruments = rows, instruments
	}
	agreements, err := agreementsOf(f.jobs)
	if err != nil {
		return Report{}, err
	}
	r.Agreements = append(r.Agreements, agreements...)
	all := pressesOver(f.jobs)
	r.Presses, r.TooFew = told(all)
	r.Standouts, err = standouts(all)
	return r, err
}
