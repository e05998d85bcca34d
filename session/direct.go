package session

import (
	"fmt"
	"math"
	"slices"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// A way of measuring a gap or float directly, with shims in.
type way int

const (
	checkGap   way = iota // with only the first side's pack in
	trialBuild            // with all packs in, gasket and torque as later
	builtEngine
	ways
)

func (w way) String() string { return [ways]string{"check gap", "trial build", "built engine"}[w] }

// directStep is the step by which a chain is measured directly, -1 if the plan has none.
func (p *Plan) directStep(ch *Chain, w way) int {
	return p.step([ways]string{ch.Check, ch.Trial, ch.Built}[w])
}

// direct is the chain that a step measures directly, and in which way; -1 if none.
func (p *Plan) direct(step int) (chain int, w way) {
	for i := range p.Chains {
		for w := range ways {
			if p.directStep(&p.Chains[i], w) == step {
				return i, w
			}
		}
	}
	return -1, 0
}

// fitting is which packs are in the engine for a chain.
type fitting struct {
	said   []Pack       // as a person said it, by side; a side is missing while nobody did
	during [ways][]Pack // in while the step was measured; nil if it was not
	before *directly    // what the trial build gave with other shims than are in now; never changed
}

// packsNow is what is in: as said, or else as advised. It is nil without either.
func (j *job) packsNow(chain int, w way) []Pack {
	var packs []Pack
	for i, side := range j.plan.Chains[chain].Sides {
		if w == checkGap && i > 0 {
			break
		}
		k := slices.IndexFunc(j.fitted[chain].said, func(p Pack) bool { return p.Side == side.Name })
		switch a := j.advice[chain]; {
		case k >= 0:
			packs = append(packs, j.fitted[chain].said[k])
		case a != nil && a.Best != nil:
			packs = append(packs, a.Best.Packs[i])
		default:
			return nil
		}
	}
	return packs
}

// noteFitting notes, with the first reading of a direct measurement, what is in.
func (j *job) noteFitting(step int) {
	chain, w := j.plan.direct(step)
	if chain >= 0 && j.fitted[chain].during[w] == nil {
		j.fitted[chain].during[w] = j.packsNow(chain, w)
	}
}

// packsFor is what is to be in while a step measures directly, or was; nil for others.
func (j *job) packsFor(step int) []Pack {
	chain, w := j.plan.direct(step)
	if chain < 0 {
		return j.packsToFit(step)
	}
	if packs := j.fitted[chain].during[w]; packs != nil {
		return packs
	}
	return j.packsNow(chain, w)
}

// packsToFit are those that are advised and go in at a step that is confirmed.
func (j *job) packsToFit(step int) []Pack {
	var packs []Pack
	for _, i := range j.toFit(step) {
		if a := j.advice[i]; a != nil && a.Best != nil {
			packs = append(packs, a.Best.Packs...)
		}
	}
	return packs
}

// setFitted takes what a person says is in. Unless that corrects what was in before,
// readings made with other packs fall out of the count and their step opens again.
func (j *job) setFitted(b Fitted) error {
	chain := j.plan.chain(b.Chain)
	if chain < 0 {
		return fmt.Errorf("the plan has no chain %q", b.Chain)
	}
	if !b.Correction {
		j.keepTrial(chain, b.Packs)
	}
	said := slices.Clone(j.fitted[chain].said)
	for _, p := range b.Packs {
		if k := slices.IndexFunc(said, func(o Pack) bool { return o.Side == p.Side }); k >= 0 {
			said[k] = p
			continue
		}
		said = append(said, p)
	}
	j.fitted[chain].said, j.stale = said, true
	for w := range ways {
		was := j.fitted[chain].during[w]
		now := replaced(was, b.Packs)
		if slices.EqualFunc(was, now, samePieces) {
			continue
		}
		if b.Correction {
			j.fitted[chain].during[w] = now
			continue
		}
		j.fitted[chain].during[w] = nil
		if err := j.dropStep(j.plan.directStep(&j.plan.Chains[chain], w), reason("pack changed", "chain", b.Chain)); err != nil {
			return err
		}
	}
	return nil
}

// keepTrial keeps what the trial build gave while other shims go in: the gap without
// shims is the same. So the advice does not fall back on what the trial had put right,
// until the trial build is measured again.
func (j *job) keepTrial(chain int, packs []Pack) {
	was := j.fitted[chain].during[trialBuild]
	if slices.EqualFunc(was, replaced(was, packs), samePieces) {
		return
	}
	a, err := j.accountFor(chain)
	if err != nil {
		return // a dimension is missing: there is no advice that could fall back
	}
	if d, err := a.direct(trialBuild); err == nil && d != nil {
		d.view.Earlier = true
		j.fitted[chain].before = d
	}
}

// replaced is packs with those of the same sides in their place.
func replaced(packs, by []Pack) []Pack {
	packs = slices.Clone(packs)
	for i := range packs {
		if k := slices.IndexFunc(by, func(p Pack) bool { return p.Side == packs[i].Side }); k >= 0 {
			packs[i] = by[k]
		}
	}
	return packs
}

func samePieces(a, b Pack) bool {
	return a.Side == b.Side && slices.EqualFunc(a.Pieces, b.Pieces, func(x, y Number) bool { return x.Equal(y.Decimal) })
}

// dropStep lets the readings of a step fall out of the count; it is open again.
func (j *job) dropStep(step int, why Reason) error {
	for i := range j.readings {
		if f := &j.readings[i]; f.step == step && f.fell == nil {
			f.fell, f.standing, f.verdict = &why, StruckOut, calc.Verdict{}
		}
	}
	s := &j.steps[step]
	s.closed, s.skipped = false, nil
	for i := range s.places {
		s.places[i] = false
	}
	return j.reduce(step)
}

// lastCounting is the last reading that counts in a step; nil if there is none.
func (j *job) lastCounting(step int) *filed {
	for i := len(j.readings) - 1; i >= 0; i-- {
		if f := &j.readings[i]; f.step == step && f.counts() {
			return f
		}
	}
	return nil
}

// conclude combines the budget of the chain, and the direct measurements if there are any.
func (a *account) conclude() (knowledge, error) {
	coverage := a.job.plan.Decision.Coverage.InexactFloat64()
	known := knowledge{value: a.gap, budget: a.budget()}
	var err error
	if known.uncertainty, err = known.budget.Combine(coverage); err != nil {
		return knowledge{}, err
	}
	for _, w := range []way{checkGap, trialBuild} {
		d, err := a.direct(w)
		if err != nil {
			return knowledge{}, err
		}
		if d == nil && w == trialBuild {
			d = a.job.fitted[a.job.plan.chain(a.chain.Name)].before
		}
		if d == nil {
			continue
		}
		if known, err = a.join(known, d, coverage); err != nil {
			return knowledge{}, err
		}
	}
	return known, nil
}

// directly is a direct measurement: what the gap is by it, and how that was found.
type directly struct {
	calc.Evidence
	view EvidenceView
}

// join combines what is known with a direct measurement: both where they agree, the
// direct one alone where they do not.
func (a *account) join(known knowledge, d *directly, coverage float64) (knowledge, error) {
	if len(a.barred) > len(known.budget.Unstated) && len(known.evidence) == 0 { // something that only the check lacks
		known.budget = a.budget()
	}
	fused, err := calc.Fuse(calc.Evidence{Value: known.value, Budget: known.budget}, d.Evidence, coverage)
	if err != nil {
		return knowledge{}, err
	}
	view := d.view
	view.Expected = worked(d.view.Found.Add(known.value.Sub(d.Value)).RoundBank(correctionPlaces))
	view.Chain, view.Weight = worked(known.value.RoundBank(correctionPlaces)), rounded(fused.WeightDirect, 4)
	if view.Compared {
		view.En, view.Agrees = rounded(fused.En, 3), fused.Agree
		for _, f := range fused.Findings {
			r := Reason{f.Code, f.Params}
			if r.Params != nil {
				r.Params["way"] = view.Way
			}
			a.findings = append(a.findings, r)
		}
	}
	kept := view.Packs
	if view.Earlier {
		kept = known.kept // those are not in any more
	}
	return knowledge{
		value: fused.Value.RoundBank(correctionPlaces), budget: fused.Budget, uncertainty: fused.Uncertainty,
		evidence: append(slices.Clip(known.evidence), view), kept: kept,
	}, nil
}

// direct is the gap as a direct measurement gives it: what was found, and what was in.
// It is nil if nothing was measured, or nothing was in or had been advised.
func (a *account) direct(w way) (*directly, error) {
	j := a.job
	chain := j.plan.chain(a.chain.Name)
	step, packs := j.plan.directStep(a.chain, w), j.fitted[chain].during[w]
	if step < 0 || packs == nil {
		return nil, nil
	}
	last := j.lastCounting(step)
	found := j.value(step)
	if last == nil || found == nil || a.ringHeld(w) {
		return nil, nil
	}
	if last.taken.Feeler != nil {
		n := worked(last.taken.Value.Decimal) // of several pairs the last is the one that was meant
		found = &n
	}
	causes, err := a.directCauses(step, last)
	if err != nil {
		return nil, err
	}
	d := &directly{view: EvidenceView{Way: w.String(), Step: j.plan.Steps[step].Name, Found: *found, Packs: packs}}
	d.Budget = calc.Budget{Terms: []calc.Weight{{Name: j.plan.Steps[step].Name, C: 1}}, Causes: causes}
	value := a.atReference(a.withoutPlay(step, found.Decimal, d), last, d)
	total := decimal.Zero
	for _, pack := range packs {
		total = total.Add(pack.Total.Decimal)
		for k, piece := range pack.Pieces {
			addCause(&d.Budget, j.pieceCause(pack, k, piece, 0))
		}
	}
	d.view.Fitted = worked(total)
	d.Value = value.Add(total)
	if w == checkGap {
		d.Value = d.Value.Add(a.chain.fittedBeyond())
	}
	if w != builtEngine && len(j.fitted[chain].said) < len(packs) {
		a.assume("packs as advised", "way", w.String())
	}
	for _, r := range a.barred {
		if r.Code == "play not stated" || r.Code == "check limit not stated" {
			d.Budget.Unstated = append(d.Budget.Unstated, r.Code) // it moves what was found as well
		}
	}
	u, err := d.Budget.Combine(j.plan.Decision.Coverage.InexactFloat64())
	if err != nil {
		return nil, err
	}
	_, expanded, err := calc.Rounded(d.Value, u.Expanded)
	if err != nil {
		return nil, err
	}
	d.view.Gap, d.view.Expanded = worked(d.Value), Num(expanded)
	d.view.Compared = len(a.barred) == 0
	return d, nil
}

// ringHeld tells whether a ring of the chain's bearings does not slide on its journal,
// and says so: a shaft that takes the rings along shows their play, not the gap.
func (a *account) ringHeld(w way) bool {
	i := slices.IndexFunc(a.job.plan.Bearings, func(b Bearing) bool {
		return a.chain.uses(b.Step) && b.Slides != nil && !*b.Slides
	})
	if i < 0 {
		return false
	}
	a.findings = append(a.findings, reason("ring does not slide", "bearing", a.job.plan.Bearings[i].Name, "way", w.String()))
	return true
}

// withoutPlay takes off what was found the play that the bearings have in it: half of
// each bearing's where the shaft was pushed home both ways. Where it was not, a ring lay
// anywhere in its play.
func (a *account) withoutPlay(step int, found decimal.Decimal, d *directly) decimal.Decimal {
	off := decimal.Zero
	for _, b := range a.job.plan.Bearings {
		if b.Play == nil || !a.chain.uses(b.Step) {
			continue
		}
		if a.job.takesUpPlay(step) {
			off = off.Add(b.Play.Mul(decimal.New(5, -1)))
			addCause(&d.Budget, playCause(b, b.PlayU.InexactFloat64(), calc.Effect{Term: 0, By: -0.5}))
			continue
		}
		addCause(&d.Budget, flatCause("where the ring of "+b.Name+" lay at "+a.job.plan.Steps[step].Name, b.Play.InexactFloat64()/2, []calc.Effect{{Term: 0, By: 1}}))
	}
	if !off.IsZero() {
		n := worked(off)
		d.view.Play = &n
	}
	return found.Sub(off)
}

func playCause(b Bearing, u float64, effect calc.Effect) calc.Cause {
	return calc.Cause{Name: "play of " + b.Name, U: u, Freedom: math.Inf(1), Shape: calc.Normal, Effects: []calc.Effect{effect}}
}

// takesUpPlay is whether a direct measurement takes up the play of the bearings.
func (j *job) takesUpPlay(step int) bool {
	s := &j.plan.Steps[step]
	return s.Play == "taken up" || s.Play == "" && s.Instrument == DialIndicator
}

// atReference brings a gap that was measured on the assembled engine to 20 °C: parts
// grow with the shop, whose temperature is the one cause it has in the chain as well.
func (a *account) atReference(value decimal.Decimal, last *filed, d *directly) decimal.Decimal {
	perKelvin := 0.0
	for _, t := range a.terms {
		if t.step < 0 || a.job.isBar(t.step) {
			continue
		}
		p := Part{Name: t.name}
		if i := a.job.plan.part(a.job.plan.Steps[t.step].Part); i >= 0 {
			p = a.job.plan.Parts[i]
		}
		if net := a.job.value(t.step); net != nil {
			perKelvin += float64(t.c) * net.InexactFloat64() * materialOf(p).Alpha
		}
	}
	shop := a.shop(last.warmth)
	addCause(&d.Budget, calc.Cause{Name: "temperature of " + shop.Name, U: shop.U, Freedom: shop.Freedom, Shape: shop.Shape, Effects: []calc.Effect{{Term: 0, By: -perKelvin}}})
	return value.Sub(decimal.NewFromFloat(perKelvin * (shop.Celsius - celsiusISO1)).RoundBank(correctionPlaces))
}

// fittedBeyond is what is fitted for good on the sides after the first.
func (ch *Chain) fittedBeyond() decimal.Decimal {
	sum := decimal.Zero
	for i, s := range ch.Sides {
		if i > 0 && s.Fitted != nil {
			sum = sum.Add(s.Fitted.Decimal)
		}
	}
	return sum
}

// directCauses are what a direct measurement may be wrong by, shims and play left out:
// where between the blades it lies and the blades, or repeats and instrument.
func (a *account) directCauses(step int, last *filed) ([]calc.Cause, error) {
	j := a.job
	if pair := last.taken.Feeler; pair != nil {
		_, cause, err := calc.Feeler("between the blades of "+last.taken.Instrument+" at "+j.plan.Steps[step].Name, pair.Passes.Decimal, pair.Stops.Decimal, decimal.NewFromFloat(bladeTolerance))
		return []calc.Cause{cause}, err
	}
	rule, err := j.reduceRule(step)
	if err != nil {
		return nil, err
	}
	spread, err := j.method.MeanUncertainty(*j.steps[step].reduction, j.scatter(step), j.freedom(step), rule)
	if err != nil {
		return nil, err
	}
	causes := []calc.Cause{spread.Cause("repeats of "+j.plan.Steps[step].Name, 0)}
	p, use := j.instrumentOf(step), j.plan.Steps[step].Use
	if p == nil {
		return causes, nil
	}
	limit := limitOf(p, use)
	if math.IsInf(limit, 1) {
		limit = worstLimit
		a.bar("check limit not stated", "instrument", p.Name, "use", string(use))
	}
	return append(causes, flatCause(limitName(p, use, limit), limit, []calc.Effect{{Term: 0, By: 1}})), nil
}

// limitName names the limit of an instrument in one use, the same for all that was
// measured directly with it.
func limitName(p *Profile, use Use, limit float64) string {
	return fmt.Sprintf("limit of %s, %s, ±%g", p.Name, use, limit)
}

// choose ranks the fits of the stock. What was in when the gap was measured directly
// stays if that comes out as well.
func (j *job) choose(ch *Chain, known knowledge) (calc.LikelyFits, []string, error) {
	p := j.likelyProblem(ch, known.uncertainty.Estimate(known.value))
	free, err := j.method.LikelyFits(p, fitsKept)
	if err != nil || len(known.kept) == 0 || len(free.Best) == 0 {
		return free, nil, err
	}
	kept, err := j.keeping(ch, known)
	if err != nil {
		return calc.LikelyFits{}, nil, err
	}
	if len(kept.Best) == 0 || kept.Best[0].Conformity.Outcome > free.Best[0].Conformity.Outcome ||
		(kept.Best[0].Conformity.Outcome != calc.ShownInside && kept.Best[0].Conformity.Inside < free.Best[0].Conformity.Inside-0.01) {
		return free, nil, nil
	}
	kept.Possible, kept.Wanted = free.Possible, free.Wanted
	var stays []string
	for _, pack := range known.kept {
		stays = append(stays, pack.Side)
	}
	return kept, stays, nil
}

// keeping ranks the fits that leave in what was in: what is not known of those packs
// acts on the float as it did in the measurement, which had them in it.
func (j *job) keeping(ch *Chain, known knowledge) (calc.LikelyFits, error) {
	u, err := j.withPacks(known.budget, known.kept).Combine(j.plan.Decision.Coverage.InexactFloat64())
	if err != nil {
		return calc.LikelyFits{}, err
	}
	p := j.likelyProblem(ch, u.Estimate(known.value))
	for i, pack := range known.kept {
		p.Sides[i] = calc.Side{Name: pack.Side, Fitted: pack.Total.Decimal}
		for _, piece := range pack.Pieces {
			for s := range p.Stock {
				if p.Stock[s].Thickness.Equal(piece.Decimal) {
					p.Stock[s].Count = max(p.Stock[s].Count-1, 0)
				}
			}
		}
	}
	fits, err := j.method.LikelyFits(p, fitsKept)
	for _, f := range fits.Best {
		for i, pack := range known.kept {
			for _, piece := range pack.Pieces {
				f.Packs[i].Pieces = append(f.Packs[i].Pieces, piece.Decimal)
			}
		}
	}
	return fits, err
}

// dial adds what a dial indicator will show of the best fit: the play of the bearings
// comes to the float.
func (a *account) dial(known knowledge, advice *Advice) error {
	j := a.job
	if !slices.ContainsFunc([]string{a.chain.Trial, a.chain.Built}, func(name string) bool {
		step := j.plan.step(name)
		return step >= 0 && j.takesUpPlay(step)
	}) {
		return nil
	}
	b := j.floatBudget(known, *advice.Best)
	b.Terms = append(b.Terms, calc.Weight{Name: "play", C: 1})
	shows := advice.Best.EndFloat.Decimal
	for _, bearing := range j.plan.Bearings {
		if !a.chain.uses(bearing.Step) {
			continue
		}
		if bearing.Play == nil {
			return nil // nobody knows
		}
		shows = shows.Add(bearing.Play.Mul(decimal.New(5, -1)))
		addCause(&b, playCause(bearing, bearing.PlayU.InexactFloat64(), calc.Effect{Term: len(b.Terms) - 1, By: 0.5}))
	}
	u, err := b.Combine(j.plan.Decision.Coverage.InexactFloat64())
	if err != nil {
		return fmt.Errorf("cannot find what a dial shows: %w", err)
	}
	_, expanded, err := calc.Rounded(shows, u.Expanded)
	if err != nil {
		return err
	}
	value, plusMinus := worked(shows), Num(expanded)
	advice.DialShows, advice.DialExpanded = &value, &plusMinus
	return nil
}

// built judges the end float of the built engine: against the window by the decision
// rule, and beside what was expected of the packs that are in.
func (a *account) built(known knowledge, advice *Advice) error {
	d, err := a.direct(builtEngine)
	if err != nil || d == nil {
		return err
	}
	j, ch := a.job, a.chain
	coverage := j.plan.Decision.Coverage.InexactFloat64()
	// What was found is the float itself: the packs are in it, whatever their thickness.
	measured := j.withPacks(d.Budget, d.view.Packs)
	u, err := measured.Combine(coverage)
	if err != nil {
		return err
	}
	float := d.Value.Sub(d.view.Fitted.Decimal)
	said, err := calc.Conform(u.Estimate(float), ch.window(), j.plan.rule())
	if err != nil {
		return err
	}
	expected := known.value.Sub(d.view.Fitted.Decimal)
	before, err := j.withPacks(known.budget, d.view.Packs).Combine(coverage)
	if err != nil {
		return err
	}
	v := &BuiltView{
		Step: d.view.Step, Found: d.view.Found, Packs: d.view.Packs, Play: d.view.Play, Float: worked(float), Outcome: said.Outcome.String(),
		Chance:   *chanceOf(said),
		Expected: worked(expected.RoundBank(correctionPlaces)), Compared: d.view.Compared,
	}
	if v.Expanded, err = plusMinus(float, u); err != nil {
		return err
	}
	if v.ExpectedU, err = plusMinus(expected, before); err != nil {
		return err
	}
	if v.Compared {
		en, err := calc.En(float, u.Expanded, expected, before.Expanded)
		if err != nil {
			return err
		}
		v.En, v.Agrees = rounded(en, 3), math.Abs(en) <= 1
		if !v.Agrees {
			advice.Findings = append(advice.Findings, reason("built engine and expectation disagree", "found", v.Float.String(), "expected", v.Expected.String(), "en", fmt.Sprintf("%.2f", en)))
		}
	}
	if said.Outcome != calc.ShownInside {
		change := worked(float.Sub(ch.aim().Decimal))
		v.Change = &change
	}
	advice.Built = v
	return nil
}

// plusMinus is the expanded uncertainty as it is shown beside a value.
func plusMinus(value decimal.Decimal, u calc.Uncertainty) (Number, error) {
	_, expanded, err := calc.Rounded(value, u.Expanded)
	return Num(expanded), err
}
