package session

import (
	"fmt"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// reduce works out a step anew from its readings: their standings and its value.
func (j *job) reduce(step int) error {
	j.stale = true
	if j.plan.Steps[step].Kind == TorqueStep {
		j.standTorque(step)
		return nil
	}
	repeats, index := j.repeats(step)
	if len(repeats) == 0 {
		j.steps[step].reduction = nil
		return nil
	}
	rule, err := j.reduceRule(step)
	if err != nil {
		return err
	}
	reduction, err := j.method.Reduce(repeats, j.scatter(step), rule)
	if err != nil {
		return fmt.Errorf("cannot reduce step %q: %w", j.plan.Steps[step].Name, err)
	}
	found, larger, err := j.method.LargerSpread(reduction, j.scatter(step), j.freedom(step))
	if err != nil {
		return fmt.Errorf("cannot weigh the spread of step %q: %w", j.plan.Steps[step].Name, err)
	}
	if larger {
		reduction.Findings = append(reduction.Findings, found)
	}
	j.steps[step].reduction = &reduction
	for k, i := range index {
		f := &j.readings[i]
		f.verdict, f.standing = reduction.Verdicts[k], Counted
		if f.verdict.LeftOut {
			f.standing = LeftOut
		}
	}
	return nil
}

// counts tells whether a filed reading takes part: nobody struck it out, and what it
// was measured on is still there.
func (f *filed) counts() bool { return f.struck == "" && f.fell == nil }

// reduceRule is how the plan wants a step worked out.
func (j *job) reduceRule(step int) (calc.ReduceRule, error) {
	governs, err := calc.ParseGoverns(j.plan.Steps[step].Governs)
	if err != nil {
		return calc.ReduceRule{}, err
	}
	rule := calc.ReduceRule{Governs: governs}
	if d := j.plan.Steps[step].Differ; d != nil {
		rule.PlacesDiffer = decimal.NewNullDecimal(d.Decimal)
	}
	return rule, nil
}

// repeats lists the readings that a step is worked out from, and their indices.
func (j *job) repeats(step int) ([]calc.Repeat, []int) {
	var repeats []calc.Repeat
	var index []int
	for i := range j.readings {
		f := &j.readings[i]
		if f.step == step && f.counts() {
			repeats = append(repeats, calc.Repeat{Place: f.place, Value: reducible(f.taken)})
			index = append(index, i)
		}
	}
	return repeats, index
}

// reducible is a value with as many decimals as the arithmetic takes: nine. Only a torque
// that came in lbf·ft has more, and the entry keeps them.
func reducible(t ReadingTaken) decimal.Decimal {
	if t.Kind.Quantity() == OfTorque {
		return t.Value.RoundBank(9)
	}
	return t.Value.Decimal
}

// scatter is the coarsest resolution and the largest repeatability among the
// instruments of a step's readings.
func (j *job) scatter(step int) calc.Scatter {
	var s calc.Scatter
	for i := range j.readings {
		f := &j.readings[i]
		if f.step != step || !f.counts() {
			continue
		}
		if d := f.taken.Resolution; d != nil && d.GreaterThan(s.Resolution) {
			s.Resolution = d.Decimal
		}
		if r := f.taken.Repeatability; r != nil && r.GreaterThan(s.Repeatability) {
			s.Repeatability = r.Decimal
		}
	}
	return s
}

// placeMean is the result of a place; nil while it has no reading.
func (j *job) placeMean(step, place int) *calc.PlaceMean {
	r := j.steps[step].reduction
	if r == nil {
		return nil
	}
	for i := range r.Places {
		if r.Places[i].Place == place {
			return &r.Places[i]
		}
	}
	return nil
}

// needed is how many counted repeats a place needs: what the plan asks for, and
// one more while those disagree by more than one count.
func (j *job) needed(step, place int) int {
	needed := j.plan.Steps[step].Repeats
	p := j.placeMean(step, place)
	if p == nil || p.Counted < needed {
		return needed
	}
	agree := p.Spread.LessThanOrEqual(j.scatter(step).Resolution)
	switch {
	case p.Unsettled:
		return p.Counted + 1
	case agree && p.Counted == needed && j.oneMoreDecides(step, place):
		return needed + 1
	case agree:
		return needed
	}
	return needed + 1
}

// satisfied tells whether a place has its repeats.
func (j *job) satisfied(step, place int) bool {
	if j.plan.Steps[step].Kind == TorqueStep {
		return j.pulled(step, place)
	}
	p := j.placeMean(step, place)
	return p != nil && p.Counted >= j.needed(step, place)
}
