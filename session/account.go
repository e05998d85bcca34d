package session

import (
	"fmt"
	"math"
	"slices"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// An account is what the advice for a chain rests on: the gap with every known
// error taken off, the budget of what is left, what was assumed, and what stands
// in the way of showing anything.
type account struct {
	job         *job
	chain       *Chain
	terms       []accountTerm
	causes      []calc.Cause
	gap         decimal.Decimal
	corrections []Correction
	findings    []Reason
	assumed     []Reason
	errors      []calc.UseErrors // of the instruments, and which terms they were read with
	measured    []calc.Measured
	owners      []owner  // of each of measured
	barred      []Reason // why the float can never be shown inside
}

// accountTerm is one measured or given dimension and what it does to the gap. A
// bar that two depths were measured over is one term with -2.
type accountTerm struct {
	step  int // -1 of a given value
	name  string
	value decimal.Decimal // as read
	c     int64
}

// Assumptions where a profile or plan is silent.
const (
	steelExpansion = 11.5  // 10⁻⁶/K, of an instrument's scale (handbook value, from memory)
	knownExpansion = 0.05  // relative half-width of a stated expansion
	anyExpansion   = 12.0  // 10⁻⁶/K, as centre and half-width, of a part whose material is not stated
	bladeTolerance = 0.005 // mm, ± of a feeler's blade (assumed)
	usualTolerance = 0.01  // mm, ± of a shim of which nothing is stated (assumed)
	usualScale     = 50.0  // 10⁻⁶, ± of an instrument's scale (assumed)
	usualReach     = 25.0  // mm, how far a block or certificate speaks for (assumed)
	worstLimit     = 0.05  // mm, ± of an instrument whose profile states none for the use
	runningU       = 10.0  // K, ± of a stated running temperature (assumed)
	celsiusISO1    = 20.0
	judgedFreedom  = 8.0 // degrees of freedom of a repeatability stated without: reliable to a quarter (JCGM 100:2008, G.4.2)
)

// accountFor works out the account of chain i, all of whose terms have values.
func (j *job) accountFor(i int) (*account, error) {
	return j.accountOf(&j.plan.Chains[i])
}

// accountOf works out the account of a chain, all of whose terms have values.
func (j *job) accountOf(ch *Chain) (*account, error) {
	a := &account{job: j, chain: ch}
	for _, t := range a.chain.Terms {
		a.addTerm(t)
	}
	if err := a.sum(); err != nil {
		return nil, err
	}
	for k, t := range a.terms {
		if t.step < 0 {
			continue
		}
		if err := a.repeats(k, t); err != nil {
			return nil, err
		}
	}
	a.given()
	if err := a.instruments(); err != nil {
		return nil, err
	}
	if err := a.warmth(); err != nil {
		return nil, err
	}
	if err := a.gaskets(); err != nil {
		return nil, err
	}
	a.bearings()
	a.unsettled()
	return a, nil
}

// sum makes the gap from the terms as read.
func (a *account) sum() error {
	terms := make([]calc.Term, len(a.terms))
	for i, t := range a.terms {
		terms[i] = calc.Term{Name: t.name, C: int(t.c), Value: t.value}
	}
	var err error
	if a.gap, err = calc.Gap(terms); err != nil {
		return fmt.Errorf("cannot sum the chain: %w", err)
	}
	return nil
}

// addTerm adds a term of the chain, and the bar it was measured over.
func (a *account) addTerm(t Term) {
	c := int64(1)
	if t.Sign == "-" {
		c = -1
	}
	if t.Step == "" {
		a.terms = append(a.terms, accountTerm{step: -1, name: t.Name, value: t.Given.Decimal, c: c})
		return
	}
	step := a.job.plan.step(t.Step)
	a.addStep(step, c)
	name := a.job.plan.Steps[step].Bar
	if name == "" {
		return
	}
	bar := a.job.plan.Bars[a.job.plan.bar(name)]
	if bar.Step != "" {
		a.addStep(a.job.plan.step(bar.Step), -c)
		return
	}
	for k := range a.terms {
		if a.terms[k].step < 0 && a.terms[k].name == name {
			a.terms[k].c -= c
			return
		}
	}
	a.terms = append(a.terms, accountTerm{step: -1, name: name, value: bar.Thickness.Decimal, c: -c})
}

func (a *account) addStep(step int, c int64) {
	for k := range a.terms {
		if a.terms[k].step == step {
			a.terms[k].c += c
			return
		}
	}
	a.terms = append(a.terms, accountTerm{
		step: step, name: a.job.plan.Steps[step].Name, value: a.job.steps[step].reduction.Value, c: c,
	})
}

// budget is the causes over the terms.
func (a *account) budget() calc.Budget {
	b := calc.Budget{Causes: a.causes}
	for _, r := range a.barred {
		b.Unstated = append(b.Unstated, r.Code)
	}
	for _, t := range a.terms {
		b.Terms = append(b.Terms, calc.Weight{Name: t.name, C: float64(t.c)})
	}
	return b
}

func (a *account) bar(code string, params ...string) {
	a.barred = append(a.barred, reason(code, params...))
}

func (a *account) assume(code string, params ...string) {
	a.assumed = append(a.assumed, reason(code, params...))
}

// reason makes a Reason from pairs of key and value.
func reason(code string, params ...string) Reason {
	r := Reason{Code: code}
	for i := 0; i+1 < len(params); i += 2 {
		if r.Params == nil {
			r.Params = map[string]string{}
		}
		r.Params[params[i]] = params[i+1]
	}
	return r
}

// correct takes a known error off term k.
func (a *account) correct(code string, k int, mm float64) {
	a.correctBy(code, k, decimal.NewFromFloat(mm))
}

func (a *account) correctBy(code string, k int, amount decimal.Decimal) {
	amount = amount.RoundBank(correctionPlaces)
	if amount.IsZero() {
		return
	}
	onGap := amount.Mul(decimal.NewFromInt(a.terms[k].c))
	a.gap = a.gap.Add(onGap)
	a.corrections = append(a.corrections, Correction{Code: code, Term: a.terms[k].name, Amount: Num(amount), OnGap: Num(onGap)})
}

// correctionPlaces is a hundredth of a micrometre: far below what anything shows.
const correctionPlaces = 5

// flat adds a rectangular cause of half-width a in the unit of its effects.
func (a *account) flat(name string, half float64, effects ...calc.Effect) {
	a.cause(calc.Cause{Name: name, U: half / math.Sqrt(3), Freedom: math.Inf(1), Shape: calc.Rectangular, Effects: effects})
}

// cause adds a cause unless it does nothing.
func (a *account) cause(c calc.Cause) {
	if c.U > 0 && len(c.Effects) > 0 {
		a.causes = append(a.causes, c)
	}
}

// repeats adds the scatter of a step's repeats, or its resolution.
func (a *account) repeats(k int, t accountTerm) error {
	rule, err := a.job.reduceRule(t.step)
	if err != nil {
		return err
	}
	spread, err := a.job.method.MeanUncertainty(*a.job.steps[t.step].reduction, a.job.scatter(t.step), a.job.freedom(t.step), rule)
	if err != nil {
		return fmt.Errorf("cannot find the uncertainty of step %q: %w", t.name, err)
	}
	a.cause(spread.Cause("repeats of "+t.name, k))
	return nil
}

// freedom is the least degrees of freedom that the stated repeatability of a step's
// instruments has.
func (j *job) freedom(step int) float64 {
	least := math.Inf(1)
	for i := range j.readings {
		f := &j.readings[i]
		if f.step != step || !f.counts() {
			continue
		}
		stated := judgedFreedom
		if f.profile >= 0 {
			stated = statedFreedom(&j.profiles[f.profile])
		}
		least = min(least, stated)
	}
	return least
}

// statedFreedom is the degrees of freedom of an instrument's repeatability.
func statedFreedom(p *Profile) float64 {
	if p.Degrees > 0 {
		return float64(p.Degrees)
	}
	return judgedFreedom
}

// given adds the uncertainty of values that the plan gives.
func (a *account) given() {
	for k, t := range a.terms {
		if t.step >= 0 {
			continue
		}
		u := a.statedU(t.name)
		if u == nil {
			a.bar("uncertainty not stated", "term", t.name)
			continue
		}
		a.cause(calc.Cause{Name: "given value of " + t.name, U: u.InexactFloat64(), Freedom: math.Inf(1), Shape: calc.Normal, Effects: []calc.Effect{{Term: k, By: 1}}})
	}
}

// statedU is the standard uncertainty that the plan states for a value it gives.
func (a *account) statedU(name string) *Number {
	for _, term := range a.chain.Terms {
		if term.Step == "" && term.Name == name {
			return term.U
		}
	}
	if i := a.job.plan.bar(name); i >= 0 {
		return a.job.plan.Bars[i].U
	}
	return nil
}

// gaskets takes off what a gasket gives way by.
func (a *account) gaskets() error {
	for _, t := range a.chain.Terms {
		if !t.Gasket {
			continue
		}
		name := t.Step
		if name == "" {
			name = t.Name
		}
		k := slices.IndexFunc(a.terms, func(at accountTerm) bool { return at.name == name })
		if t.Crush == nil {
			a.bar("crush not stated", "term", name)
			continue
		}
		thickness := a.terms[k].value
		squeezed, cause, err := calc.Squeezed("crush of "+name, thickness, t.Crush.InexactFloat64(), t.CrushU.InexactFloat64(), math.Inf(1), calc.Normal)
		if err != nil {
			return fmt.Errorf("cannot squeeze %q: %w", name, err)
		}
		a.correctBy("crush", k, squeezed.Sub(thickness))
		cause.Effects[0].Term = k
		a.cause(cause)
	}
	return nil
}

// bearings brings depths that were measured to a ring to the ring's middle position.
func (a *account) bearings() {
	for _, b := range a.job.plan.Bearings {
		step := a.job.plan.step(b.Step)
		k := slices.IndexFunc(a.terms, func(t accountTerm) bool { return t.step == step })
		if k < 0 {
			continue
		}
		if b.Play == nil {
			a.bar("play not stated", "bearing", b.Name)
			continue
		}
		play, u := b.Play.InexactFloat64(), b.PlayU.InexactFloat64()
		by := 0.5
		switch b.Held {
		case "away from the joint":
			a.correct("bearing play", k, -play/2)
			by = -by
		case "towards the joint":
			a.correct("bearing play", k, play/2)
		case "not held":
			a.flat("where the ring of "+b.Name+" lay", play, calc.Effect{Term: k, By: by})
			continue
		case "in the middle":
			continue
		}
		a.cause(playCause(b, u, calc.Effect{Term: k, By: by}))
	}
}

// unsettled bars what no limit of an instrument describes.
func (a *account) unsettled() {
	for _, t := range a.terms {
		if t.step >= 0 && a.job.steps[t.step].reduction.Unsettled {
			a.bar("step unsettled", "step", t.name)
		}
	}
}
