package session

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// A Prospect says before the first press what instruments can show of a chain: how
// well they would know its gap, and what the decision rule would say of a float in
// the middle of the window.
type Prospect struct {
	Chain    string    `json:"chain"`
	NoShims  bool      `json:"no_shims,omitempty"` // a sum that takes none
	Title    string    `json:"title"`
	Least    Number    `json:"least_mm"`
	Most     Number    `json:"most_mm"`
	Expanded Number    `json:"expanded_mm"`
	Guard    Number    `json:"guard_mm"`
	Outcome  string    `json:"outcome"`          // at best
	Inside   float64   `json:"inside"`           // probability, at best
	Barred   []Reason  `json:"barred,omitempty"` // why it could not be shown all the same
	Next     []NextAct `json:"next,omitempty"`   // what would change that
}

// Foresee judges each chain of a plan by instruments: for each step the first of its
// kind, or a usual one where there is none. Each place is taken to have its repeats,
// all alike, in the middle of the step's range; checks find nothing wrong.
func Foresee(m *calc.Method, plan Plan, profiles []Profile) ([]Prospect, error) {
	plan = plan.firstChosen()
	j := newJob(m, Entry{At: time.Unix(0, 0)}, Began{}, plan)
	for i := range plan.Steps {
		s := &plan.Steps[i]
		if chain, _ := plan.direct(i); chain >= 0 || !s.Kind.measures() || s.Instrument.Quantity() != OfLength {
			continue // nothing is fitted yet, or there is no length to measure
		}
		if err := j.pretend(i, profiles); err != nil {
			return nil, err
		}
		j.steps[i].closed = true
	}
	prospects := make([]Prospect, 0, len(plan.Chains))
	for i := range plan.Chains {
		p, err := j.foresee(i)
		if err != nil {
			return nil, fmt.Errorf("cannot judge chain %q: %w", plan.Chains[i].Name, err)
		}
		prospects = append(prospects, p)
	}
	return prospects, nil
}

// pretend files repeats in the middle of a step's range.
func (j *job) pretend(step int, profiles []Profile) error {
	s := j.plan.Steps[step]
	k := slices.IndexFunc(profiles, func(p Profile) bool { return p.Kind == s.Instrument })
	p := UsualProfile(s.Instrument)
	if k >= 0 {
		p = profiles[k]
	}
	j.profiles = append(j.profiles, p)
	value := Num(middle(s.Range[0], s.Range[1]).Round(-p.Resolution.Exponent()))
	if s.Reference != nil {
		value = *s.Reference
	}
	for place := range s.Places {
		for range s.Repeats {
			j.readings = append(j.readings, filed{
				seq:  int64(len(j.readings) + 1),
				step: step, place: place, profile: len(j.profiles) - 1,
				taken: ReadingTaken{Reading: Reading{Instrument: p.Name, Kind: p.Kind, Value: value}, Ruling: Filed, Resolution: &p.Resolution, Repeatability: &p.Repeatability},
			})
		}
	}
	return j.reduce(step)
}

func (j *job) foresee(i int) (Prospect, error) {
	acct, err := j.accountFor(i)
	if err != nil {
		return Prospect{}, err
	}
	known, err := acct.conclude()
	if err != nil {
		return Prospect{}, err
	}
	ch := &j.plan.Chains[i]
	w := ch.window()
	estimate := withShims(known.uncertainty, j.plan, ch).Estimate(middle(ch.Least, ch.Most))
	best, err := calc.CanShow(estimate, w, j.plan.rule())
	if err != nil {
		return Prospect{}, err
	}
	_, expanded, err := calc.Rounded(estimate.Value, known.uncertainty.K*estimate.U)
	if err != nil {
		return Prospect{}, err
	}
	p := Prospect{
		Chain: ch.Name, NoShims: ch.plainSum(), Title: ch.Title, Least: ch.Least, Most: ch.Most, Expanded: Num(expanded),
		Guard: Num(decimal.NewFromFloat(best.Guard).RoundCeil(3)), Outcome: best.Outcome.String(), Inside: rounded(best.Inside, 4), Barred: acct.barred,
	}
	if best.Outcome == calc.ShownInside {
		return p, nil
	}
	advice := Advice{Best: &Fit{Outcome: calc.NotShown.String(), EndFloat: Num(estimate.Value)}}
	if err := acct.lookAhead(known, &advice); err != nil {
		return Prospect{}, err
	}
	p.Next = advice.Next
	return p, nil
}

// withShims widens an uncertainty by one shim of the stock on each side.
func withShims(u calc.Uncertainty, plan Plan, ch *Chain) calc.Uncertainty {
	worst := 0.0
	for _, s := range plan.Stock {
		worst = max(worst, s.halfWidth().InexactFloat64())
	}
	for _, side := range ch.Sides {
		if side.Most > 0 {
			u.U = math.Hypot(u.U, worst/math.Sqrt(3))
		}
	}
	return u
}
