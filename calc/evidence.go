package calc

import (
	"fmt"
	"math"
	"slices"

	"github.com/shopspring/decimal"
)

// Evidence is a value in mm with the budget it comes from.
type Evidence struct {
	Value  decimal.Decimal
	Budget Budget
}

// Fused is what chain and direct measurement come to together: the value, the budget,
// its combination, E_n of chain less direct, whether they agree, and the weight of the
// direct measurement, 0 to 1. If they do not agree the direct one stands alone, with a
// finding: "chain and direct measurement disagree", params en, chain, direct.
type Fused struct {
	Value        decimal.Decimal
	Budget       Budget
	Uncertainty  Uncertainty
	En           float64
	Agree        bool
	WeightDirect float64
	Findings     []Finding
}

const codeDisagree = "chain and direct measurement disagree"

// Fuse joins a chain with a direct measurement of the same gap. They agree if |E_n| is 1
// or less. Then, with u_a, u_b and what causes of the same name have in common, c,
//
//	w = (u_a² − c) / (u_a² + u_b² − 2c), held within 0 to 1,   y = (1−w)·a + w·b
//
// is the combination of least uncertainty; without common causes it is that by inverse
// variance. The budget that comes out has every cause once, with its weight, so that the
// uncertainty and its degrees of freedom are those of Combine. A chain with an unstated
// input is compared, but the direct measurement stands alone all the same. A cause that is named in
// both must be the same in both. The error is that of Combine, with "chain." or
// "direct." before the field, or a *FieldError that names the contradiction.
func Fuse(chain, direct Evidence, probability float64) (Fused, error) {
	a, ua, err := chain.alone("chain", probability)
	if err != nil {
		return Fused{}, err
	}
	b, ub, err := direct.alone("direct", probability)
	if err != nil {
		return Fused{}, err
	}
	out := Fused{Value: direct.Value, Budget: direct.Budget, Uncertainty: ub, WeightDirect: 1}
	if out.En, out.Agree = agreement(a-b, ua.Expanded, ub.Expanded); !out.Agree {
		out.Findings = []Finding{{Code: codeDisagree, Params: map[string]string{
			"en": fraction(out.En), "chain": chain.Value.String(), "direct": direct.Value.String()}}}
		return out, nil
	}
	if len(chain.Budget.Unstated) > 0 {
		return out, nil
	}
	if out.Budget, out.WeightDirect, err = bestMerged(chain.Budget, direct.Budget, ua.U, ub.U); err != nil {
		return Fused{}, err
	}
	out.Uncertainty, _ = out.Budget.Combine(probability)
	out.Value = (a + length(math.Round(out.WeightDirect*float64(b-a)))).decimal()
	return out, nil
}

func (e Evidence) alone(field string, probability float64) (length, Uncertainty, error) {
	v, problem := picometres(e.Value)
	if problem != "" {
		return 0, Uncertainty{}, refuse(field+".value", "%s", problem)
	}
	u, err := e.Budget.Combine(probability)
	if err != nil {
		return 0, Uncertainty{}, under(field+".", err)
	}
	return v, u, nil
}

// agreement is E_n and whether it is 1 or less in size. Two values that claim to be
// exact agree if they are equal; else E_n is infinite.
func agreement(difference length, ua, ub float64) (float64, bool) {
	en := 0.0
	if difference != 0 {
		en = difference.mm() / math.Hypot(ua, ub)
	}
	return en, math.Abs(en) <= 1
}

// bestMerged merges two budgets of the given u at the weight of the second that makes the
// least uncertainty.
func bestMerged(a, b Budget, ua, ub float64) (Budget, float64, error) {
	half, err := merged(a, b, 0.5)
	if err != nil {
		return Budget{}, 0, err
	}
	_, both, err := half.uncovered()
	if err != nil {
		return Budget{}, 0, err
	}
	w := weightOfSecond(ua*ua, ub*ub, both.U*both.U)
	out, _ := merged(a, b, w) // what is good at one half is good at any weight
	return out, w, nil
}

// weightOfSecond finds the best weight from the squares of u alone and at half and half:
// half = (a + b + 2c)/4.
func weightOfSecond(a, b, half float64) float64 {
	c := 2*half - (a+b)/2
	spread := a + b - 2*c
	if spread <= wholeSlack*(a+b) {
		return 1 // they share all causes, or are both exact: take the direct one
	}
	return min(max((a-c)/spread, 0), 1)
}

// merged is the budget of (1−w)·a + w·b.
func merged(a, b Budget, w float64) (Budget, error) {
	out := Budget{Unstated: b.Unstated}
	for _, t := range a.Terms {
		out.Terms = append(out.Terms, Weight{t.Name, t.C * (1 - w)})
	}
	for _, t := range b.Terms {
		out.Terms = append(out.Terms, Weight{t.Name, t.C * w})
	}
	out.Causes, out.Correlations = slices.Clone(a.Causes), slices.Clone(a.Correlations)
	to, err := out.join(b.Causes, len(a.Terms))
	if err != nil {
		return Budget{}, err
	}
	for i, r := range b.Correlations {
		if err := out.correlated(i, Correlation{to[r.A], to[r.B], r.R}); err != nil {
			return Budget{}, err
		}
	}
	for _, p := range a.Products {
		out.Products = append(out.Products, Product{p.A, p.B, p.By * (1 - w)})
	}
	for _, p := range b.Products {
		out.Products = append(out.Products, Product{to[p.A], to[p.B], p.By * w})
	}
	return out, nil
}

// join adds causes whose terms begin at first, and says where each went.
func (b *Budget) join(causes []Cause, first int) ([]int, error) {
	to := make([]int, len(causes))
	for i, c := range causes {
		effects := make([]Effect, len(c.Effects))
		for j, e := range c.Effects {
			effects[j] = Effect{first + e.Term, e.By}
		}
		at := slices.IndexFunc(b.Causes, func(o Cause) bool { return o.Name == c.Name })
		if at < 0 {
			to[i] = len(b.Causes)
			c.Effects = effects
			b.Causes = append(b.Causes, c)
			continue
		}
		to[i] = at
		o := &b.Causes[at]
		if o.U != c.U || o.Freedom != c.Freedom || o.Shape != c.Shape {
			return nil, refuse(fmt.Sprintf("direct.causes[%d]", i), "is %q as in the chain, but not the same there; a common cause has one u, freedom and shape", c.Name)
		}
		o.Effects = append(slices.Clone(o.Effects), effects...)
	}
	return to, nil
}

func (b *Budget) correlated(i int, r Correlation) error {
	for _, o := range b.Correlations {
		if min(o.A, o.B) == min(r.A, r.B) && max(o.A, o.B) == max(r.A, r.B) {
			if o.R == r.R {
				return nil
			}
			return refuse(fmt.Sprintf("direct.correlations[%d]", i), "is %v, but %v in the chain; it is the same pair", r.R, o.R)
		}
	}
	b.Correlations = append(b.Correlations, r)
	return nil
}

// TrialBuild turns the end float measured on a trial build, with shims of the total
// fitted, into the gap they were fitted in, and says by how much the total must grow to
// hit the aim: below 0 it must shrink. All in mm, exact. The error is a *FieldError.
func TrialBuild(measured, fitted, aim decimal.Decimal) (gap, change decimal.Decimal, err error) {
	var f, s, a length
	for _, n := range []number{{"measured", measured, &f, anything, ""}, {"fitted", fitted, &s, 0, natural}, {"aim", aim, &a, anything, ""}} {
		if err := n.check(); err != nil {
			return decimal.Zero, decimal.Zero, err
		}
	}
	return (f + s).decimal(), (f - a).decimal(), nil
}

// ShaftBend is half the total movement of an indicator over one turn, in mm. The error
// is a *FieldError: a movement that is negative or out of range.
func ShaftBend(movement decimal.Decimal) (decimal.Decimal, error) {
	var m length
	if err := (number{"movement", movement, &m, 0, natural}).check(); err != nil {
		return decimal.Zero, err
	}
	return exact(int64(m)*5, -lengthPlaces-1), nil
}

// Feeler turns two blades, one that passes and the next that does not, into the gap
// between them: the middle, and a rectangular cause of the given name over all from the
// one to the other, widened by the blades' tolerance ±tolerance. All in mm. The error is
// a *FieldError: the passing blade not thinner than the other, a negative tolerance.
func Feeler(name string, passes, stops, tolerance decimal.Decimal) (decimal.Decimal, Cause, error) {
	var p, q, t length
	for _, n := range []number{{"passes", passes, &p, 0, natural}, {"stops", stops, &q, 0, natural}, {"tolerance", tolerance, &t, 0, natural}} {
		if err := n.check(); err != nil {
			return decimal.Zero, Cause{}, err
		}
	}
	if p >= q {
		return decimal.Zero, Cause{}, refuse("passes", "is %s mm, but %s mm does not pass; the blade that passes must be thinner", passes, stops)
	}
	return exact(int64(p+q)*5, -lengthPlaces-1), Cause{Name: name, U: ((q-p).mm()/2 + t.mm()) / math.Sqrt(3), Freedom: math.Inf(1),
		Shape: Rectangular, Effects: []Effect{{Term: 0, By: 1}}}, nil
}

// Blades are the feelers to try on an expected gap: the thickest that should pass and the
// thinnest that should not; neither need exist.
type Blades struct{ Passes, Stops decimal.NullDecimal }

// BladesFor picks from the blades at hand, thicknesses in mm above 0, for a gap of an
// expanded uncertainty in mm: what should pass is at most gap − U thick, what should not
// is at least gap + U; a blade exactly as thick as the gap is neither. The error is a
// *FieldError.
func BladesFor(gap decimal.Decimal, expanded float64, blades []decimal.Decimal) (Blades, error) {
	var g, t length
	if err := (number{"gap", gap, &g, anything, ""}).check(); err != nil {
		return Blades{}, err
	}
	if err := atLeast("expanded", expanded, 0); err != nil {
		return Blades{}, err
	}
	var out Blades
	for i, b := range blades {
		if err := (number{fmt.Sprintf("blades[%d]", i), b, &t, 1, positive}).check(); err != nil {
			return Blades{}, err
		}
		over := (t - g).mm()
		if over <= -expanded && over < 0 && (!out.Passes.Valid || b.GreaterThan(out.Passes.Decimal)) {
			out.Passes = decimal.NewNullDecimal(b)
		}
		if over >= expanded && over > 0 && (!out.Stops.Valid || b.LessThan(out.Stops.Decimal)) {
			out.Stops = decimal.NewNullDecimal(b)
		}
	}
	return out, nil
}
