package session

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// fitsKept is how many fits an advice carries: the best and the next ones.
const fitsKept = 4

// uncertaintyNotEvaluated is what advice says of its uncertainty while the
// budget is not worked out. No certainty is claimed.
const uncertaintyNotEvaluated = "not evaluated"

// bar is what is subtracted from a step's readings; nil if nothing is, and ok
// false if a step measures the bar and has no value yet.
func (j *job) bar(step int) (bar *Number, ok bool) {
	name := j.plan.Steps[step].Bar
	if name == "" {
		return nil, true
	}
	b := j.plan.Bars[j.plan.bar(name)]
	if b.Thickness != nil {
		return b.Thickness, true
	}
	bar = j.value(j.plan.step(b.Step))
	return bar, bar != nil
}

// value is a step's value, bar subtracted; nil while it has none.
func (j *job) value(step int) *Number { return j.less(step, j.steps[step].reduction, false) }

// valueWithAll is the value had nothing been left out.
func (j *job) valueWithAll(step int) *Number { return j.less(step, j.steps[step].reduction, true) }

func (j *job) less(step int, r *calc.Reduction, all bool) *Number {
	if r == nil {
		return nil
	}
	v := r.Value
	if all {
		v = r.ValueWithAll
	}
	bar, ok := j.bar(step)
	if !ok {
		return nil
	}
	if bar != nil {
		v = v.Sub(bar.Decimal)
	}
	if j.plan.Steps[step].Half {
		v = v.DivRound(decimal.NewFromInt(2), lengthDecimals)
	}
	n := worked(v)
	return &n
}

// advise works out the advice for chain i from the readings as they stand.
func (j *job) advise(i int) (Advice, error) {
	ch := &j.plan.Chains[i]
	a := Advice{
		Chain: ch.Name, Title: ch.Title, Method: calc.WithUncertainty, State: Final,
		Least: ch.Least, Most: ch.Most, Aim: ch.aim(), Uncertainty: uncertaintyNotEvaluated, NoShims: ch.plainSum(),
	}
	for _, t := range ch.Terms {
		j.addTerm(&a, t)
	}
	if len(a.Missing) > 0 {
		a.State = Waiting
		return a, nil
	}
	if len(a.Open) > 0 || len(a.Unsettled) > 0 {
		a.State = Provisional
	}
	if err := j.evaluate(i, &a); err != nil {
		return a, err
	}
	a.Changed = j.changed(i, &a)
	return a, nil
}

// cannotAdvise is the advice for a chain that the arithmetic refuses: none, and why.
// No reading is lost by it.
func (j *job) cannotAdvise(i int, err error) Advice {
	ch := &j.plan.Chains[i]
	return Advice{
		Chain: ch.Name, Title: ch.Title, Method: calc.WithUncertainty, State: Provisional, Uncertainty: uncertaintyNotEvaluated, NoShims: ch.plainSum(),
		Least: ch.Least, Most: ch.Most, Aim: ch.aim(), Findings: []Reason{reason("cannot be worked out", "why", err.Error())},
	}
}

// addTerm adds one dimension of the chain to the advice, and what is open about it.
func (j *job) addTerm(a *Advice, t Term) {
	if t.Given != nil {
		a.Terms = append(a.Terms, TermView{Name: t.Name, Title: t.Name, Sign: t.Sign, Value: t.Given})
		return
	}
	step := j.plan.step(t.Step)
	value := j.value(step)
	a.Terms = append(a.Terms, TermView{Name: t.Step, Title: j.plan.Steps[step].Title, Sign: t.Sign, Value: value})
	j.addStep(a, step)
	if b := j.plan.Steps[step].Bar; b != "" {
		if s := j.plan.Bars[j.plan.bar(b)].Step; s != "" && !slices.ContainsFunc(a.Terms, func(v TermView) bool { return v.Name == s }) {
			j.addStep(a, j.plan.step(s))
		}
	}
}

// addStep notes how far a step is and which of its readings count. A bar that
// serves several depths is noted once.
func (j *job) addStep(a *Advice, step int) {
	name := j.plan.Steps[step].Name
	r := j.steps[step].reduction
	switch {
	case slices.Contains(a.Missing, name) || slices.Contains(a.Open, name):
		return
	case r == nil:
		a.Missing = append(a.Missing, name)
		return
	case !j.steps[step].closed:
		a.Open = append(a.Open, name)
	}
	if r.Unsettled {
		a.Unsettled = append(a.Unsettled, name)
	}
	a.Findings = append(a.Findings, j.findings(step)...)
	for _, f := range j.overdueFindings(step) {
		a.addFinding(f)
	}
	for i := range j.readings {
		f := &j.readings[i]
		if f.step != step || slices.Contains(a.Counted, f.seq) {
			continue
		}
		switch f.standing {
		case Counted:
			a.Counted = append(a.Counted, f.seq)
		case LeftOut:
			a.LeftOut = append(a.LeftOut, f.seq)
		}
	}
}

// addFinding adds a finding that is not there yet.
func (a *Advice) addFinding(f Reason) {
	if !slices.ContainsFunc(a.Findings, func(o Reason) bool { return o.Code == f.Code && maps.Equal(o.Params, f.Params) }) {
		a.Findings = append(a.Findings, f)
	}
}

// findings are those of a step's reduction, each with the step's name.
func (j *job) findings(step int) []Reason {
	r := j.steps[step].reduction
	if r == nil {
		return nil
	}
	var found []Reason
	for _, f := range r.Findings {
		params := withUnit(j.plan.Steps[step].Instrument, map[string]string{"step": j.plan.Steps[step].Name})
		for k, v := range f.Params {
			params[k] = v
			if k == "place" || k == "places" {
				params[k] = j.placeNames(step, v)
			}
		}
		found = append(found, Reason{f.Code, params})
	}
	return found
}

// placeNames turns a list of places by index, as calc knows them, into names.
func (j *job) placeNames(step int, list string) string {
	names := strings.Split(list, ", ")
	for i, text := range names {
		at, err := strconv.Atoi(text)
		if err != nil || at < 0 || at >= len(j.plan.Steps[step].Places) {
			continue
		}
		names[i] = cmp.Or(j.plan.Steps[step].Places[at], strconv.Itoa(at+1))
	}
	return strings.Join(names, ", ")
}

// shimProblem puts the plan's stock and sides in the terms of calc. Differences
// of end float below two counts of the coarsest instrument do not matter.
func (j *job) shimProblem(ch *Chain, gap decimal.Decimal) calc.ShimProblem {
	p := calc.ShimProblem{
		Gap:    gap,
		Window: ch.window(),
		Grain:  j.grain(ch),
		Even:   ch.Split == "even",
	}
	stock := slices.Clone(j.plan.Stock)
	i := j.plan.chain(ch.Name)
	count(stock, slices.Concat(j.elsewhere(i), j.promised(i)), -1)
	for _, s := range stock {
		p.Stock = append(p.Stock, calc.Shim{Thickness: s.Thickness.Decimal, Count: s.Count})
	}
	for _, s := range ch.Sides {
		side := calc.Side{Name: s.Name, Fewest: s.Fewest, Most: s.Most}
		if s.Fitted != nil {
			side.Fitted = s.Fitted.Decimal
		}
		if s.Pack != nil {
			side.Exactly = decimal.NewNullDecimal(s.Pack.Decimal)
		}
		p.Sides = append(p.Sides, side)
	}
	return p
}

// grain is two counts of the coarsest instrument of a chain, the least that is practically out.
func (j *job) grain(ch *Chain) decimal.Decimal {
	grain := decimal.New(1, -3)
	for _, t := range ch.Terms {
		if t.Step == "" {
			continue
		}
		if d := j.scatter(j.plan.step(t.Step)).Resolution; d.GreaterThan(grain) {
			grain = d
		}
	}
	return grain.Add(grain)
}

func fitOf(f calc.Fit) Fit {
	fit := Fit{Total: worked(f.Total), EndFloat: worked(f.EndFloat), CheckGap: worked(f.CheckGap), Inside: f.Inside}
	for _, p := range f.Packs {
		pack := Pack{Side: p.Side, Total: worked(p.Total), Pieces: []Number{}}
		for _, piece := range p.Pieces {
			pack.Pieces = append(pack.Pieces, worked(piece))
		}
		fit.Packs = append(fit.Packs, pack)
	}
	return fit
}

// oneMoreDecides tells whether the two counts between which a place stands lead
// to different shims, so that one more repeat is worth its press. It can be known
// only when every other dimension of the chain is settled.
func (j *job) oneMoreDecides(step, place int) bool {
	p := j.placeMean(step, place)
	if p.Spread.IsZero() || j.plan.Steps[step].OnCommand {
		return false
	}
	if at := (worth{j.changes, step, place, j.worth.another}); at != j.worth {
		j.worth = worth{j.changes, step, place, j.anotherDecides(step, place)}
	}
	return j.worth.another
}

// worth is whether one more repeat at a place is worth its press, as found after so
// many changes.
type worth struct {
	changes     int64
	step, place int
	another     bool
}

func (j *job) anotherDecides(step, place int) bool {
	p := j.placeMean(step, place)
	swing := p.Spread.DivRound(decimal.NewFromInt(2*int64(len(j.plan.Steps[step].Places))), 9)
	for i := range j.plan.Chains {
		if j.lastOpen(i, step, place) && j.swingMatters(i, swing) {
			return true
		}
	}
	return false
}

// lastOpen tells whether a place is the only thing still open in chain i.
func (j *job) lastOpen(i, step, place int) bool {
	ch := &j.plan.Chains[i]
	if !ch.uses(j.plan.Steps[step].Name) {
		return false
	}
	for _, t := range ch.Terms {
		if t.Step == "" {
			continue
		}
		s := j.plan.step(t.Step)
		if s != step && (!j.steps[s].closed || j.value(s) == nil) {
			return false
		}
	}
	for k, closed := range j.steps[step].places {
		if k != place && !closed {
			return false
		}
	}
	return j.value(step) != nil
}

// swingMatters tells whether the best packs differ at gap ± swing.
func (j *job) swingMatters(i int, swing decimal.Decimal) bool {
	acct, err := j.accountFor(i)
	if err != nil {
		return false
	}
	known, err := acct.conclude()
	if err != nil {
		return false
	}
	best := func(gap decimal.Decimal) *calc.LikelyFit {
		fits, err := j.method.LikelyFits(j.likelyProblem(acct.chain, known.uncertainty.Estimate(gap)), 1)
		if err != nil || len(fits.Best) == 0 {
			return nil
		}
		return &fits.Best[0]
	}
	low, high := best(known.value.Sub(swing)), best(known.value.Add(swing))
	return low != nil && high != nil && !samePacks(low.Fit, high.Fit)
}

func samePacks(a, b calc.Fit) bool {
	for i := range a.Packs {
		if !slices.EqualFunc(a.Packs[i].Pieces, b.Packs[i].Pieces, decimal.Decimal.Equal) {
			return false
		}
	}
	return true
}

// news is the JSON of an advice for chain i that is not what was told last, and the same
// without what it changed; nil if it is.
func (j *job) news(i int, a Advice) (text, bare []byte, err error) {
	changed := a.Changed
	a.Changed = nil
	if j.told[i] == nil && j.advice[i] != nil {
		last := *j.advice[i]
		last.Changed = nil
		told, err := marshal(last)
		if err != nil {
			return nil, nil, fmt.Errorf("cannot encode the last advice: %w", err)
		}
		j.told[i] = told
	}
	if bare, err = marshal(a); err != nil {
		return nil, nil, fmt.Errorf("cannot encode an advice: %w", err)
	}
	if bytes.Equal(bare, j.told[i]) {
		return nil, nil, nil
	}
	if changed == nil {
		return bare, bare, nil
	}
	a.Changed = changed
	text, err = marshal(a)
	return text, bare, err
}
