package session

import (
	"fmt"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// A LimitsView is a step's value against the limits that the plan gives for it, by the
// decision rule of ISO 14253-1. Value is the step's with known errors taken off.
type LimitsView struct {
	Least    *Number  `json:"least_mm,omitempty"`
	Most     *Number  `json:"most_mm,omitempty"`
	Value    *Number  `json:"value_mm,omitempty"` // absent until there is one
	Expanded *Number  `json:"expanded_mm,omitempty"`
	Outcome  string   `json:"outcome,omitempty"` // "shown inside", "not shown" or "shown outside"
	Guard    *Number  `json:"guard_mm,omitempty"`
	Chance   *Chance  `json:"chance,omitempty"` // inside, below least, above most
	Barred   []Reason `json:"barred,omitempty"` // why it cannot be shown inside, whatever its value
}

// farLimit stands for the limit that a plan does not give: further than any part.
var farLimit = decimal.New(999_999, 0)

// window is a step's limits as the decision rule wants them, on the scale of what is
// read. No value is within a kilometre of a limit that is not given.
func (s *Step) window() calc.Window {
	w := calc.Window{Least: farLimit.Neg(), Most: farLimit}
	if s.Least != nil {
		w.Least = s.Least.Mul(s.readFor())
	}
	if s.Most != nil {
		w.Most = s.Most.Mul(s.readFor())
	}
	return w
}

// readFor is how much is read for one millimetre of value: 2 for a bend, which is half
// of the total indicator movement.
func (s *Step) readFor() decimal.Decimal {
	if s.Half {
		return decimal.NewFromInt(2)
	}
	return decimal.NewFromInt(1)
}

func (s *Step) limited() bool { return s.Least != nil || s.Most != nil }

// judged is a step held against its limits, as long as nothing changes. What is seen
// through view is not changed any more.
type judged struct {
	changes int64
	view    *LimitsView
}

// limits holds a step's value against its limits; nil if it has none.
func (j *job) limits(step int) *LimitsView {
	p := &j.plan.Steps[step]
	if !p.limited() {
		return nil
	}
	if c := &j.judged[step]; c.view != nil && c.changes == j.changes {
		return c.view
	}
	v := &LimitsView{Least: p.Least, Most: p.Most}
	j.judged[step] = judged{j.changes, v}
	if j.value(step) == nil {
		return v
	}
	if err := j.judge(step, v); err != nil {
		v.Outcome, v.Barred = calc.NotShown.String(), []Reason{reason("cannot be judged", "step", p.Name, "why", err.Error())}
	}
	return v
}

// judge fills in what the decision rule says of a step by itself.
func (j *job) judge(step int, v *LimitsView) error {
	p := &j.plan.Steps[step]
	gap, budget, barred, err := j.alone(step)
	if err != nil {
		return err
	}
	u, err := budget.Combine(j.plan.Decision.Coverage.InexactFloat64())
	if err != nil {
		return fmt.Errorf("cannot find the uncertainty: %w", err)
	}
	found, err := calc.Conform(u.Estimate(gap), p.window(), j.plan.rule())
	if err != nil {
		return err
	}
	per := p.readFor()
	value := worked(gap.DivRound(per, lengthDecimals))
	_, expanded, err := calc.Rounded(value.Decimal, u.Expanded/per.InexactFloat64())
	if err != nil {
		return err
	}
	shown, guard := Num(expanded), Num(decimal.NewFromFloat(found.Guard).DivRound(per, lengthDecimals).RoundCeil(3))
	v.Value, v.Expanded, v.Guard, v.Outcome = &value, &shown, &guard, found.Outcome.String()
	v.Chance = chanceOf(found)
	v.Barred = barred
	return nil
}

// alone is a step's value by itself, with known errors taken off, what it may be wrong by,
// and why it can never be shown inside. Of a feeler it lies between the blades.
func (j *job) alone(step int) (decimal.Decimal, calc.Budget, []Reason, error) {
	p := &j.plan.Steps[step]
	if last := j.lastCounting(step); last != nil && last.taken.Feeler != nil {
		pair := last.taken.Feeler
		middle, cause, err := calc.Feeler("between the blades of "+last.taken.Instrument, pair.Passes.Decimal, pair.Stops.Decimal, decimal.NewFromFloat(bladeTolerance))
		return middle, calc.Budget{Terms: []calc.Weight{{Name: p.Name, C: 1}}, Causes: []calc.Cause{cause}}, nil, err
	}
	a, err := j.accountOf(&Chain{Name: p.Name, Title: p.Title, Terms: []Term{{Step: p.Name, Sign: "+"}}})
	if err != nil {
		return decimal.Decimal{}, calc.Budget{}, nil, err
	}
	return a.gap, a.budget(), a.barred, nil
}

// lengthDecimals is how many decimals of a millimetre are carried: a picometre.
const lengthDecimals = 9

// limitFindings says when a closed step is not shown to keep its limits.
func (j *job) limitFindings(step int, v *LimitsView) []Reason {
	if v == nil || v.Value == nil || !j.steps[step].closed && v.Outcome != calc.ShownOutside.String() {
		return nil
	}
	code := "limits not shown"
	switch v.Outcome {
	case calc.ShownInside.String():
		return nil
	case calc.ShownOutside.String():
		code = "limits not kept"
	}
	r := reason(code, "step", j.plan.Steps[step].Name, "value", v.Value.String(), "expanded", v.Expanded.String())
	for name, n := range map[string]*Number{"least": v.Least, "most": v.Most} {
		if n != nil {
			r.Params[name] = n.String()
		}
	}
	return []Reason{r}
}

// limitKeys checks the limits of step i.
func (c *planCheck) limitKeys(i int, s Step) {
	if !s.limited() {
		return
	}
	key := "least"
	if s.Least == nil {
		key = "most"
	}
	at := []any{"step", i, key}
	switch {
	case s.Instrument.Quantity() != OfLength:
		c.wrong(fmt.Sprintf("step %q measures a %s and has limits", s.Name, s.Instrument.Quantity()), "leave them out; they belong to lengths", at...)
		return
	case s.Reference != nil:
		c.wrong(fmt.Sprintf("step %q checks an instrument and has limits", s.Name), "an instrument is judged by its permissible error; leave them out", at...)
		return
	case s.Least != nil && s.Most != nil && !s.Least.LessThan(s.Most.Decimal):
		c.wrong(fmt.Sprintf("the limits of step %q are upside down: least %s, most %s", s.Name, s.Least, s.Most), "least must be below most", at...)
		return
	}
	if len(s.Range) != 2 || s.Bar != "" && c.plan.bar(s.Bar) < 0 {
		return // said elsewhere
	}
	low, high := c.plan.termRange(Term{Step: s.Name})
	w := s.window()
	if high.LessThan(w.Least) || low.GreaterThan(w.Most) {
		c.wrong(fmt.Sprintf("by its range the value of step %q is %s to %s, so its limits can never be kept", s.Name, worked(low), worked(high)), "check range, bar and limits", at...)
	}
}
