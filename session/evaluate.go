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
	for _, e := range a.Evidence {
		if e.Way == checkGap.String() {
			a.CheckFound = &e.Found
		}
	}
	if a.Budget, err = j.budgetView(known); err != nil {
		return err
	}
	if acct.chain.plainSum() {
		if err := acct.weighSum(known, a); err != nil {
			return fmt.Errorf("cannot judge the sum of chain %q: %w", a.Chain, err)
		}
		return acct.lookAhead(known, a)
	}
	if err := j.fit(acct, known, a); err != nil {
		return fmt.Errorf("cannot choose shims for chain %q: %w", a.Chain, err)
	}
	if err := acct.built(known, a); err != nil {
		return fmt.Errorf("cannot judge the built engine for chain %q: %w", a.Chain, err)
	}
	if err := j.instead(i, known, a); err != nil {
		return fmt.Errorf("cannot work out the float with what is fitted for chain %q: %w", a.Chain, err)
	}
	return acct.lookAhead(known, a)
}

// knowledge is what is known of a gap: its value, budget and uncertainty.
type knowledge struct {
	value       decimal.Decimal
	budget      calc.Budget
	uncertainty calc.Uncertainty
	evidence    []EvidenceView // direct measurements, in the order in which they were joined
	kept        []Pack         // per side: what the last of them was measured with; nil without
}

func flatCause(name string, half float64, effects []calc.Effect) calc.Cause {
	return calc.Cause{Name: name, U: half / math.Sqrt(3), Freedom: math.Inf(1), Shape: calc.Rectangular, Effects: effects}
}

// toleranceOf is ± about the thickness of a shim in stock.
func (p *Plan) toleranceOf(thickness Number) float64 {
	if i := shimOf(p.Stock, thickness); i >= 0 {
		return p.Stock[i].halfWidth().InexactFloat64()
	}
	return usualTolerance // of a shim that the stock does not hold
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
	p.Even, p.Apart = j.apart(ch, p.Even)
	for _, s := range j.plan.Stock {
		p.ShimU = append(p.ShimU, s.halfWidth().InexactFloat64()/math.Sqrt(3))
	}
	return p
}

// fit adds the best fits, best first, what limits them, and the float when warm.
func (j *job) fit(acct *account, known knowledge, a *Advice) error {
	fits, stays, err := j.choose(acct.chain, known)
	if err != nil {
		return err
	}
	a.Stays, a.Keep = stays, len(stays) > 0 && len(stays) == len(acct.chain.Sides)
	if len(stays) == 0 {
		why, err := j.givenUp(acct.chain, known)
		if err != nil {
			return err
		}
		if why != nil {
			a.Findings = append(a.Findings, *why)
		}
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
	a.OffCentre = j.offCentre(acct.chain, a.Best)
	if acct.chain.Split == "centred" && a.OffCentre == nil {
		a.Findings = append(a.Findings, reason("not centred", "rod", acct.chain.Centre.Rod, "axis", acct.chain.Centre.Axis))
	}
	if err := acct.dial(known, a); err != nil {
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
	if len(known.evidence) == 0 {
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

// floatBudget is the budget of a gap with the shims of a fit. A piece that lies where
// it lay when the gap was measured directly is the same piece: what is not known of its
// thickness acts once.
func (j *job) floatBudget(known knowledge, fit Fit) calc.Budget {
	return j.withPacks(known.budget, fit.Packs)
}

// withPacks takes the pieces of packs off a budget.
func (j *job) withPacks(b calc.Budget, packs []Pack) calc.Budget {
	b.Terms, b.Causes = slices.Clone(b.Terms), slices.Clone(b.Causes)
	for _, pack := range packs {
		for k, piece := range pack.Pieces {
			b.Terms = append(b.Terms, calc.Weight{Name: pieceName(pack, k), C: -1})
			addCause(&b, j.pieceCause(pack, k, piece, len(b.Terms)-1))
		}
	}
	return b
}

// pieceName names a piece by size and seat.
func pieceName(pack Pack, k int) string {
	return fmt.Sprintf("shim %d of %s, %s", k+1, pack.Pieces[k], pack.Side)
}

func (j *job) pieceCause(pack Pack, k int, piece Number, term int) calc.Cause {
	return flatCause(pieceName(pack, k), j.plan.toleranceOf(piece), []calc.Effect{{Term: term, By: 1}})
}

// addCause adds a cause to a budget, or what it does more to one that is there already.
func addCause(b *calc.Budget, c calc.Cause) {
	if c.U == 0 {
		return
	}
	if i := slices.IndexFunc(b.Causes, func(o calc.Cause) bool { return o.Name == c.Name }); i >= 0 {
		b.Causes[i].Effects = append(slices.Clone(b.Causes[i].Effects), c.Effects...)
		return
	}
	b.Causes = append(b.Causes, c)
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

// likelyFit shows a fit with its uncertainty.
func (j *job) likelyFit(f calc.LikelyFit, known knowledge) (Fit, error) {
	fit := fitOf(f.Fit)
	for i := range fit.Packs {
		fit.Packs[i].Sizes = sizesOf(j.plan.Stock, fit.Packs[i].Pieces)
	}
	factor := known.uncertainty.K
	_, expanded, err := calc.Rounded(f.EndFloat, factor*f.U)
	if err != nil {
		return Fit{}, err
	}
	u, guard := Num(expanded), Num(decimal.NewFromFloat(f.Conformity.Guard).RoundCeil(3))
	fit.Expanded, fit.Guard, fit.Outcome = &u, &guard, f.Conformity.Outcome.String()
	fit.Chance = chanceOf(f.Conformity)
	return fit, nil
}

// instead adds what the float comes to with the shims that are said to be in, where those
// are not the best fit and the engine is not measured yet.
func (j *job) instead(i int, known knowledge, a *Advice) error {
	ch, packs := &j.plan.Chains[i], j.saidPacks(i)
	if a.Best == nil || a.Built != nil || len(packs) < len(ch.Sides) || slices.EqualFunc(packs, a.Best.Packs, samePieces) {
		return nil
	}
	total := decimal.Zero
	for _, pack := range packs {
		total = total.Add(pack.Total.Decimal)
	}
	u, err := j.withPacks(known.budget, packs).Combine(j.plan.Decision.Coverage.InexactFloat64())
	if err != nil {
		return err
	}
	float := known.value.Sub(total)
	said, err := calc.Conform(u.Estimate(float), ch.window(), j.plan.rule())
	if err != nil {
		return err
	}
	expanded, err := plusMinus(float, u)
	if err != nil {
		return err
	}
	guard := Num(decimal.NewFromFloat(said.Guard).RoundCeil(3))
	a.Instead = &Fit{
		Packs: packs, Total: worked(total), EndFloat: worked(float.RoundBank(correctionPlaces)), CheckGap: worked(known.value.Sub(packs[0].Total.Decimal)),
		Inside:   !float.LessThan(ch.Least.Decimal) && !float.GreaterThan(ch.Most.Decimal),
		Expanded: &expanded, Guard: &guard, Outcome: said.Outcome.String(),
		Chance: chanceOf(said),
	}
	return nil
}

// chanceOf is how a conformity is shown: to four decimals.
func chanceOf(c calc.Conformity) *Chance {
	return &Chance{rounded(c.Inside, 4), rounded(c.TooTight, 4), rounded(c.TooLoose, 4)}
}

// window is what the decision rule holds a float or a sum against.
func (ch *Chain) window() calc.Window {
	return calc.Window{Least: ch.Least.Decimal, Most: ch.Most.Decimal, Aim: ch.aim().Decimal}
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
