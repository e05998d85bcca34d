package history

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"shimwright/calc"
	"shimwright/session"
)

// What it takes before presses are told of, or compared.
const (
	enoughPresses = 20   // in all
	enoughJobs    = 3    // that they were made in
	oftenerRisk   = 0.01 // that somebody is said to need more who does not, over all that is compared
)

// Presses is what became of one operator's presses at one step of a plan, typed values
// among them. Frames that could not be read, and readings that fell out because a part or
// a pack was changed, are nobody's doing and are not in it.
type Presses struct {
	Operator        string `json:"operator"`
	Plan            string `json:"plan"`
	Step            string `json:"step"`
	Title           string `json:"title"`
	Jobs            int    `json:"jobs"`
	Places          int    `json:"places"` // that they measured, over all jobs
	Presses         int    `json:"presses"`
	Counted         int    `json:"counted"`
	LeftOut         int    `json:"left_out"`
	StruckOut       int    `json:"struck_out"`
	WrongInstrument int    `json:"wrong_instrument"`
	TooSoon         int    `json:"too_soon"`
	OutOfRange      int    `json:"out_of_range"`
	SetAside        int    `json:"set_aside"` // held, and counted nowhere
	Unsettled       int    `json:"unsettled"` // jobs in which the step did not settle
}

// Astray is how many presses did not count.
func (p Presses) Astray() int { return p.Presses - p.Counted }

// PerCounted is how many presses one took that counts; 0 where none did.
func (p Presses) PerCounted() float64 {
	if p.Counted == 0 {
		return 0
	}
	return math.Round(float64(p.Presses)/float64(p.Counted)*100) / 100
}

// A Standout is a step, or an operator at a step, with more presses that did not count than
// elsewhere: at the plan's other steps, or by others at that step. Chance alone brings that
// in less than 1 of 100 reports.
type Standout struct {
	Operator    string `json:"operator,omitempty"` // empty: the step, whoever measures
	Plan        string `json:"plan"`
	Step        string `json:"step"`
	Title       string `json:"title"`
	Astray      int    `json:"astray"`
	Presses     int    `json:"presses"`
	ElseAstray  int    `json:"elsewhere_astray"`
	ElsePresses int    `json:"elsewhere_presses"`
	Mostly      string `json:"mostly"` // what became of most that did not count
}

// pressesOf is what became of the presses at a step of a job, operator by operator.
func pressesOf(job *session.JobView, step *session.StepView, readings []session.ReadingView) []Presses {
	var all []Presses
	places := map[string]bool{}
	for _, r := range readings {
		if r.Fault != nil || r.Fell != nil {
			continue
		}
		operator := cmp.Or(r.Operator, job.Operator)
		i := slices.IndexFunc(all, func(p Presses) bool { return p.Operator == operator })
		if i < 0 {
			i = len(all)
			all = append(all, Presses{Operator: operator, Plan: job.Plan, Step: step.Name, Title: step.Title, Jobs: 1})
			if step.Unsettled {
				all[i].Unsettled = 1
			}
		}
		all[i].take(r)
		if place := operator + "\x00" + r.Place; r.Standing == session.Counted && !places[place] {
			places[place] = true
			all[i].Places++
		}
	}
	return all
}

func (p *Presses) take(r session.ReadingView) {
	p.Presses++
	switch {
	case r.Standing == session.Counted:
		p.Counted++
	case r.Standing == session.LeftOut:
		p.LeftOut++
	case r.Standing == session.StruckOut:
		p.StruckOut++
	case r.Ruling == session.WrongInstrument:
		p.WrongInstrument++
	case r.Ruling == session.TooSoon:
		p.TooSoon++
	case r.Ruling == session.OutOfRange:
		p.OutOfRange++
	default:
		p.SetAside++
	}
}

// add puts q, of other jobs or of another operator or step, to p.
func (p *Presses) add(q Presses) {
	p.Jobs, p.Places, p.Presses, p.Counted = p.Jobs+q.Jobs, p.Places+q.Places, p.Presses+q.Presses, p.Counted+q.Counted
	p.LeftOut, p.StruckOut, p.WrongInstrument, p.TooSoon = p.LeftOut+q.LeftOut, p.StruckOut+q.StruckOut, p.WrongInstrument+q.WrongInstrument, p.TooSoon+q.TooSoon
	p.OutOfRange, p.SetAside, p.Unsettled = p.OutOfRange+q.OutOfRange, p.SetAside+q.SetAside, p.Unsettled+q.Unsettled
}

// mostly is what became of most presses that did not count.
func (p Presses) mostly() string {
	most, what := 0, ""
	for _, c := range []struct {
		n    int
		what string
	}{
		{p.LeftOut, string(session.LeftOut)}, {p.StruckOut, string(session.StruckOut)}, {p.WrongInstrument, string(session.WrongInstrument)},
		{p.TooSoon, string(session.TooSoon)}, {p.OutOfRange, string(session.OutOfRange)}, {p.SetAside, "set aside"},
	} {
		if c.n > most {
			most, what = c.n, c.what
		}
	}
	return what
}

// pressesOver gathers the presses of all jobs by plan, step and operator, in the order in
// which they first came.
func pressesOver(jobs []closed) []*Presses {
	var all []*Presses
	for _, j := range jobs {
		for _, q := range j.presses {
			p := find(all, func(p *Presses) bool {
				return p.Plan == q.Plan && p.Step == q.Step && p.Operator == q.Operator
			})
			if p == nil {
				all = append(all, &q)
				continue
			}
			p.Title = q.Title
			p.add(q)
		}
	}
	return all
}

// told are those that there is enough of to say something; the others are counted.
func told(all []*Presses) (enough []Presses, few int) {
	enough = []Presses{}
	for _, p := range all {
		if p.Presses >= enoughPresses && p.Jobs >= enoughJobs {
			enough = append(enough, *p)
			continue
		}
		few++
	}
	return enough, few
}

// A pair is what is compared with what.
type pair struct {
	operator, plan, step, title string
	here, elsewhere             Presses
}

// standouts finds operators who need more presses at a step than the others do there, and
// then steps that need more than the plan's others, without the presses of those who were
// found. The risk is shared out over all that is compared.
func standouts(all []*Presses) ([]Standout, error) {
	var people, steps []pair
	for i, p := range all {
		people = append(people, split(p.Operator, p, all, func(q *Presses) (in, of bool) {
			return q.Operator == p.Operator, q.Plan == p.Plan && q.Step == p.Step
		}))
		if first := slices.IndexFunc(all, func(q *Presses) bool { return q.Plan == p.Plan && q.Step == p.Step }); first == i {
			steps = append(steps, pair{plan: p.Plan, step: p.Step, title: p.Title})
		}
	}
	risk := oftenerRisk / float64(max(1, len(people)+len(steps)))
	found, err := oftener(people, risk)
	if err != nil {
		return nil, err
	}
	others := slices.DeleteFunc(slices.Clone(all), func(p *Presses) bool {
		return slices.ContainsFunc(found, func(s Standout) bool { return s.Plan == p.Plan && s.Step == p.Step && s.Operator == p.Operator })
	})
	for i, c := range steps {
		p := &Presses{Plan: c.plan, Step: c.step, Title: c.title}
		steps[i] = split("", p, others, func(q *Presses) (in, of bool) { return q.Step == p.Step, q.Plan == p.Plan })
	}
	more, err := oftener(steps, risk)
	return append(append([]Standout{}, found...), more...), err
}

// oftener lists those of the pairs, of which there is enough, where more presses did not
// count here than elsewhere.
func oftener(pairs []pair, risk float64) ([]Standout, error) {
	var out []Standout
	for _, c := range pairs {
		if c.here.Presses < enoughPresses || c.elsewhere.Presses < enoughPresses || c.here.Jobs < enoughJobs {
			continue
		}
		chance, err := calc.Oftener(c.here.Astray(), c.here.Presses, c.elsewhere.Astray(), c.elsewhere.Presses)
		if err != nil {
			return nil, fmt.Errorf("cannot compare the presses at %q: %w", c.step, err)
		}
		if chance < risk {
			out = append(out, Standout{c.operator, c.plan, c.step, c.title, c.here.Astray(), c.here.Presses, c.elsewhere.Astray(), c.elsewhere.Presses, c.here.mostly()})
		}
	}
	return out, nil
}

// split adds up what is in and what is not, of what is of it.
func split(operator string, p *Presses, all []*Presses, is func(*Presses) (in, of bool)) pair {
	c := pair{operator: operator, plan: p.Plan, step: p.Step, title: p.Title}
	for _, q := range all {
		switch in, of := is(q); {
		case of && in:
			c.here.add(*q)
		case of:
			c.elsewhere.add(*q)
		}
	}
	return c
}
