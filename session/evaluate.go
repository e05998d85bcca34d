package session

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// evaluated says that an advice has its uncertainty.
const evaluated = "evaluated"

// evaluate adds to an advice whose dimensions all have values: the gap, its budget,
// the fits of the stock, and what would make it surer.
func (j *job) evaluate(i int, a *Advice) error {
	acct, err := j.accountFor(i)
	if err != nil {
		return err
	}
	known, err := acct.conclude()
	if err != nil {
		return fmt.Errorf("cannot evaluate chain %q: %w", a.Chain, err)
	}
	a.Uncertainty = evaluated
	a.Corrections, a.Assumed = acct.corrections, acct.assumed
	if len(known.budget.Unstated) > 0 {
		a.Barred = acct.barred
	}
	a.Findings = append(a.Findings, acct.findings...)
	gap := worked(known.value)
	a.Gap, a.Evidence = &gap, known.evidence
	if a.Evidence != nil {
		found := a.Evidence.Found
		a.CheckFound = &found
	}
	if a.Budget, err = j.budgetView(known); err != nil {
		return err
	}
	if err := j.fit(acct, known, a); err != nil {
		return fmt.Errorf("cannot choose shims for chain %q: %w", a.Chain, err)
	}
	return acct.lookAhead(known, a)
}

// knowledge is what is known of a gap: its value, budget and uncertainty.
type knowledge struct {
	value       decimal.Decimal
	budget      calc.Budget
	uncertainty calc.Uncertainty
	evidence    *EvidenceView
}

// conclude combines the budget of the chain, and a direct measurement if there is one.
func (a *account) conclude() (knowledge, error) {
	coverage := a.job.plan.Decision.Coverage.InexactFloat64()
	known := knowledge{value: a.gap, budget: a.budget()}
	var err error
	if known.uncertainty, err = known.budget.Combine(coverage); err != nil {
		return knowledge{}, err
	}
	direct, view, err := a.direct()
	if err != nil || view == nil {
		return known, err
	}
	if len(a.barred) > len(known.budget.Unstated) { // something that only the check lacks
		known.budget = a.budget()
	}
	fused, err := calc.Fuse(calc.Evidence{Value: known.value, Budget: known.budget}, direct, coverage)
	if err != nil {
		return knowledge{}, err
	}
	view.Chain, view.Weight = worked(known.value.RoundBank(correctionPlaces)), rounded(fused.WeightDirect, 4)
	if view.Compared {
		view.En, view.Agrees = rounded(fused.En, 3), fused.Agree
		for _, f := range fused.Findings {
			a.findings = append(a.findings, Reason{f.Code, f.Params})
		}
	}
	return knowledge{fused.Value.RoundBank(correctionPlaces), fused.Budget, fused.Uncertainty, view}, nil
}

// direct is the gap as the check gap gives it: what the feelers found with the first
// side's pack in place, and that pack. The view is nil if it was not measured, or if
// nothing had been advised to fit.
func (a *account) direct() (calc.Evidence, *EvidenceView, error) {
	j := a.job
	i := j.plan.chain(a.chain.Name)
	pack := j.fitted[i]
	if a.chain.Check == "" || pack == nil {
		return calc.Evidence{}, nil, nil
	}
	step := j.plan.step(a.chain.Check)
	found := j.value(step)
	if found == nil {
		return calc.Evidence{}, nil, nil
	}
	if f := j.lastFiled(step); f.taken.Feeler != nil {
		last := worked(f.taken.Value.Decimal) // of several pairs the last is the one that was meant
		found = &last
	}
	causes, err := a.directCauses(step, pack)
	if err != nil {
		return calc.Evidence{}, nil, err
	}
	e := calc.Evidence{Value: found.Add(pack.Total.Decimal).Add(a.chain.fittedBeyond()), Budget: calc.Budget{Terms: []calc.Weight{{Name: a.chain.Check, C: 1}}, Causes: causes}}
	for _, r := range a.barred {
		if r.Code == "play not stated" || r.Code == "check limit not stated" {
			e.Budget.Unstated = append(e.Budget.Unstated, r.Code) // it moves the check gap as well
		}
	}
	u, err := e.Budget.Combine(j.plan.Decision.Coverage.InexactFloat64())
	if err != nil {
		return calc.Evidence{}, nil, err
	}
	_, expanded, err := calc.Rounded(e.Value, u.Expanded)
	if err != nil {
		return calc.Evidence{}, nil, err
	}
	return e, &EvidenceView{Step: a.chain.Check, Found: *found, Fitted: pack.Total, Gap: worked(e.Value), Expanded: Num(expanded), Compared: len(a.barred) == 0}, nil
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

// directCauses are what a check gap may be wrong by: where between the blades it
// lies, the blades, and the shims of the pack.
func (a *account) directCauses(step int, pack *Pack) ([]calc.Cause, error) {
	j := a.job
	var causes []calc.Cause
	one := []calc.Effect{{Term: 0, By: 1}}
	if f := j.lastFiled(step); f != nil && f.taken.Feeler != nil {
		pair := f.taken.Feeler
		_, cause, err := calc.Feeler("between the blades of "+f.taken.Instrument, pair.Passes.Decimal, pair.Stops.Decimal, decimal.NewFromFloat(bladeTolerance))
		if err != nil {
			return nil, err
		}
		causes = append(causes, cause)
	} else {
		rule, err := j.reduceRule(step)
		if err != nil {
			return nil, err
		}
		spread, err := j.method.MeanUncertainty(*j.steps[step].reduction, j.scatter(step), j.freedom(step), rule)
		if err != nil {
			return nil, err
		}
		causes = append(causes, spread.Cause("repeats of "+j.plan.Steps[step].Name, 0))
		if p := j.instrumentOf(step); p != nil {
			limit := limitOf(p, j.plan.Steps[step].Use)
			if math.IsInf(limit, 1) {
				limit = worstLimit
				a.bar("check limit not stated", "instrument", p.Name, "use", string(j.plan.Steps[step].Use))
			}
			causes = append(causes, flatCause("limit of "+p.Name, limit, one))
		}
	}
	for i, piece := range pack.Pieces {
		causes = append(causes, flatCause(fmt.Sprintf("shim %d of %s in the check", i+1, piece), j.plan.toleranceOf(piece), one))
	}
	return causes, nil
}

func flatCause(name string, half float64, effects []calc.Effect) calc.Cause {
	return calc.Cause{Name: name, U: half / math.Sqrt(3), Freedom: math.Inf(1), Shape: calc.Rectangular, Effects: effects}
}

// toleranceOf is ± about the thickness of a shim in stock.
func (p *Plan) toleranceOf(thickness Number) float64 {
	for _, s := range p.Stock {
		if s.Thickness.Equal(thickness.Decimal) {
			return s.Tolerance.InexactFloat64()
		}
	}
	return 0
}

// rule is the plan's decision rule. A plan in State is sound, so its edition is known.
func (p *Plan) rule() calc.Rule {
	edition, err := calc.ParseEdition(p.Decision.Edition)
	if err != nil {
		edition = calc.ISO14253y2017
	}
	return calc.Rule{Edition: edition, Level: p.Decision.Level.InexactFloat64()}
}

// likelyProblem is the shim problem with what is known of its numbers.
func (j *job) likelyProblem(ch *Chain, estimate calc.Estimate) calc.LikelyProblem {
	p := calc.LikelyProblem{ShimProblem: j.shimProblem(ch, estimate.Value), Estimate: estimate, Rule: j.plan.rule()}
	for _, s := range j.plan.Stock {
		p.ShimU = append(p.ShimU, s.Tolerance.InexactFloat64()/math.Sqrt(3))
	}
	return p
}

// fit adds the best fits, best first, what limits them, and the float when warm.
func (j *job) fit(acct *account, known knowledge, a *Advice) error {
	fits, err := j.choose(acct.chain, known)
	if err != nil {
		return err
	}
	wanted := worked(fits.Wanted)
	a.Wanted, a.Possible, a.Limits = &wanted, fits.Possible, fits.Limits
	if len(fits.Limits) == 1 && fits.Limits[0] == calc.LimitStock {
		change := worked(fits.Change)
		a.Change = &change
	}
	for i, f := range fits.Best {
		fit, err := j.likelyFit(f, known)
		fit.CheckGap = worked(fit.CheckGap.Sub(acct.chain.fittedBeyond()))
		if err != nil {
			return err
		}
		if i == 0 {
			a.Best = &fit
		} else {
			a.Others = append(a.Others, fit)
		}
	}
	if a.Best == nil {
		return nil
	}
	if err := bladesFor(a.Best); err != nil {
		return err
	}
	return j.warmFloat(acct, known, a)
}

// warmFloat adds the best fit's float at running temperature, with its uncertainty.
func (j *job) warmFloat(acct *account, known knowledge, a *Advice) error {
	growth, causes, ok, err := acct.growth()
	if !ok || err != nil {
		return err
	}
	b := j.floatBudget(known, *a.Best)
	if known.evidence == nil {
		b.Causes = append(slices.Clone(b.Causes), renamed(causes, "when warm: ")...)
	} else { // the terms are no longer those of the chain
		b.Terms = append(slices.Clone(b.Terms), calc.Weight{Name: "growth", C: 1})
		b.Causes = append(slices.Clone(b.Causes), onOneTerm(causes, acct, len(b.Terms)-1)...)
	}
	u, err := b.Combine(j.plan.Decision.Coverage.InexactFloat64())
	if err != nil {
		return fmt.Errorf("cannot find the uncertainty when warm: %w", err)
	}
	warm := worked(a.Best.EndFloat.Add(growth).RoundBank(correctionPlaces))
	_, expanded, err := calc.Rounded(warm.Decimal, u.Expanded)
	if err != nil {
		return err
	}
	n := Num(expanded)
	a.WarmFloat, a.WarmExpanded = &warm, &n
	return nil
}

// renamed keeps the causes of running temperature apart from those of the measuring.
func renamed(causes []calc.Cause, prefix string) []calc.Cause {
	out := slices.Clone(causes)
	for i := range out {
		out[i].Name = prefix + out[i].Name
	}
	return out
}

// onOneTerm gathers what causes do over the terms of an account into one term.
func onOneTerm(causes []calc.Cause, acct *account, term int) []calc.Cause {
	out := renamed(causes, "when warm: ")
	for i, c := range causes {
		sum := 0.0
		for _, e := range c.Effects {
			sum += e.By * float64(acct.terms[e.Term].c)
		}
		out[i].Effects = []calc.Effect{{Term: term, By: sum}}
	}
	return out
}

// floatBudget is the budget of a gap with the shims of a fit.
func (j *job) floatBudget(known knowledge, fit Fit) calc.Budget {
	b := known.budget
	b.Terms, b.Causes = slices.Clone(b.Terms), slices.Clone(b.Causes)
	for side, pack := range fit.Packs {
		for k, piece := range pack.Pieces {
			b.Terms = append(b.Terms, calc.Weight{Name: fmt.Sprintf("shim %d on side %d", k+1, side+1), C: -1})
			if half := j.plan.toleranceOf(piece); half > 0 {
				b.Causes = append(b.Causes, flatCause(fmt.Sprintf("shim %d on side %d", k+1, side+1), half, []calc.Effect{{Term: len(b.Terms) - 1, By: 1}}))
			}
		}
	}
	return b
}

// bladesFor names the feelers to try on the check gap of a fit, of a usual set in
// steps of 0.05 mm up to 1 mm (common practice, no published source).
func bladesFor(f *Fit) error {
	var blades []decimal.Decimal
	for i := int64(1); i <= 20; i++ {
		blades = append(blades, decimal.New(5*i, -2))
	}
	found, err := calc.BladesFor(f.CheckGap.Decimal, f.Expanded.InexactFloat64(), blades)
	if err != nil {
		return err
	}
	if found.Passes.Valid {
		n := Num(found.Passes.Decimal)
		f.Passes = &n
	}
	if found.Stops.Valid {
		n := Num(found.Stops.Decimal)
		f.Stops = &n
	}
	return nil
}

// choose ranks the fits of the stock. Once the check gap has been read the first
// side's pack is in: it stays if that comes out as well.
func (j *job) choose(ch *Chain, known knowledge) (calc.LikelyFits, error) {
	p := j.likelyProblem(ch, known.uncertainty.Estimate(known.value))
	free, err := j.method.LikelyFits(p, fitsKept)
	pack := j.fitted[j.plan.chain(ch.Name)]
	if err != nil || known.evidence == nil || pack == nil || len(free.Best) == 0 {
		return free, err
	}
	p.Sides[0].Exactly = decimal.NewNullDecimal(pack.Total.Decimal)
	kept, err := j.method.LikelyFits(p, fitsKept)
	if err != nil || len(kept.Best) == 0 || kept.Best[0].Conformity.Outcome > free.Best[0].Conformity.Outcome ||
		(kept.Best[0].Conformity.Outcome != calc.ShownInside && kept.Best[0].Conformity.Inside < free.Best[0].Conformity.Inside-0.01) {
		return free, nil
	}
	kept.Possible = free.Possible
	return kept, nil
}

// likelyFit shows a fit with its uncertainty.
func (j *job) likelyFit(f calc.LikelyFit, known knowledge) (Fit, error) {
	fit := fitOf(f.Fit)
	factor := known.uncertainty.K
	_, expanded, err := calc.Rounded(f.EndFloat, factor*f.U)
	if err != nil {
		return Fit{}, err
	}
	u, guard := Num(expanded), Num(decimal.NewFromFloat(f.Conformity.Guard).RoundCeil(3))
	fit.Expanded, fit.Guard, fit.Outcome = &u, &guard, f.Conformity.Outcome.String()
	fit.Chance = &Chance{rounded(f.Conformity.Inside, 4), rounded(f.Conformity.TooTight, 4), rounded(f.Conformity.TooLoose, 4)}
	return fit, nil
}

// rounded rounds to places decimals, so that equal results have equal texts.
func rounded(x float64, places int32) float64 {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		return 0
	}
	return decimal.NewFromFloat(x).RoundBank(places).InexactFloat64()
}

// meant rounds to six significant digits.
func meant(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 6, 64), 64)
	if err != nil {
		return x
	}
	return y
}

// freely writes degrees of freedom; 0 means without end.
func freely(nu float64) float64 {
	if math.IsInf(nu, 1) || nu > 1e6 {
		return 0
	}
	return rounded(nu, 1)
}

func (j *job) budgetView(known knowledge) (*BudgetView, error) {
	u := known.uncertainty
	_, expanded, err := calc.Rounded(known.value, u.Expanded)
	if err != nil {
		return nil, err
	}
	d := j.plan.Decision
	v := &BudgetView{
		U: Num(decimal.NewFromFloat(u.U).RoundBank(correctionPlaces)), Expanded: Num(expanded), K: rounded(u.K, 3), Freedom: freely(u.FreedomUsed),
		Coverage: *d.Coverage, Way: u.Way.String(), Edition: d.Edition, Level: *d.Level,
	}
	for _, l := range u.Lines {
		contribution := decimal.NewFromFloat(l.Contribution).RoundBank(correctionPlaces)
		if contribution.IsZero() {
			continue // below a hundredth of a micrometre
		}
		v.Lines = append(v.Lines, BudgetLine{
			Name: l.Name, Shape: l.Shape.String(), U: meant(l.U), Sensitivity: meant(l.Sensitivity),
			Contribution: Num(contribution), Freedom: freely(l.Freedom), Share: rounded(l.Share, 4),
		})
	}
	return v, nil
}
