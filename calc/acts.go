package calc

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/shopspring/decimal"
)

// Act is something that can be done to know better: what it costs in minutes, and what
// it changes in the budget. Removes are causes by name, which it makes go; Adds are the
// causes that come instead. If Direct, Adds are all causes of a measurement of the same
// quantity by other means, which is then combined with the budget as in Fuse; Removes
// is not looked at.
type Act struct {
	Name    string
	Minutes float64
	Direct  bool
	Removes []string
	Adds    []Cause
	// Unstated are inputs that a direct measurement would lack as well; they bar it.
	Unstated []string
}

// Prospect is where an act would lead, if the value stays: the uncertainty, the
// conformity of the value, and that of a value in the middle of the window.
type Prospect struct {
	Act         Act
	Uncertainty Uncertainty
	Now, AtBest Conformity
	Settles     bool    // Now would be shown, inside or outside
	CouldSettle bool    // AtBest would be shown inside: with the right pack it can be shown
	LessThanNow float64 // how much smaller u would be, as a fraction of the present u
}

// WhatNext puts acts in order: first those that settle the question, then those after
// which a pack could settle it, then the others; the cheaper first, then the smaller u,
// then the order given. The error is that of Combine, or a *FieldError that names the
// act: a cost that is negative, a removed cause that the budget does not have.
func WhatNext(b Budget, value decimal.Decimal, w Window, r Rule, probability float64, acts []Act) ([]Prospect, error) {
	now, err := b.Combine(probability)
	if err != nil {
		return nil, err
	}
	x, _, err := now.Estimate(value).check("estimate")
	if err != nil {
		return nil, err
	}
	least, most, err := w.limits()
	if err != nil {
		return nil, err
	}
	if err := r.check(); err != nil {
		return nil, err
	}
	out := make([]Prospect, 0, len(acts))
	for i, a := range acts {
		field := fmt.Sprintf("acts[%d].", i)
		if err := atLeast(field+"minutes", a.Minutes, 0); err != nil {
			return nil, err
		}
		after, err := a.applied(b, now.U)
		if err != nil {
			return nil, under(field, err)
		}
		u, err := after.Combine(probability)
		if err != nil {
			return nil, under(field, err)
		}
		p := Prospect{Act: a, Uncertainty: u}
		believed := u.belief()
		guard := r.guardPerU(believed.nu)
		p.Now, p.AtBest = r.decide(x, least, most, believed, guard), r.decide(least+(most-least)/2, least, most, believed, guard)
		p.Settles, p.CouldSettle = p.Now.Outcome != NotShown, p.AtBest.Outcome == ShownInside
		if now.U > 0 {
			p.LessThanNow = 1 - u.U/now.U
		}
		out = append(out, p)
	}
	slices.SortStableFunc(out, func(a, b Prospect) int {
		return cmp.Or(cmp.Compare(a.rank(), b.rank()), cmp.Compare(a.Act.Minutes, b.Act.Minutes), cmp.Compare(a.Uncertainty.U, b.Uncertainty.U))
	})
	return out, nil
}

// applied is the budget of the u given, after the act. A direct measurement is taken to
// find the value that is known, so that it agrees as Fuse has it.
func (a Act) applied(b Budget, u float64) (Budget, error) {
	if a.Direct {
		direct := Budget{Terms: []Weight{{Name: a.Name, C: 1}}, Causes: a.Adds, Unstated: a.Unstated}
		_, alone, err := direct.uncovered()
		if err != nil {
			return Budget{}, under("direct.", err)
		}
		if len(b.Unstated) > 0 {
			return direct, nil
		}
		fused, _, err := bestMerged(b, direct, u, alone.U)
		return fused, err
	}
	gone := make(map[int]bool, len(a.Removes))
	for i, name := range a.Removes {
		at := slices.IndexFunc(b.Causes, func(c Cause) bool { return c.Name == name })
		if at < 0 {
			return Budget{}, refuse(fmt.Sprintf("removes[%d]", i), "is %q; the budget has no such cause", name)
		}
		gone[at] = true
	}
	return b.without(gone, a.Adds), nil
}

// without leaves causes out, with their correlations and products, and adds others.
func (b Budget) without(gone map[int]bool, add []Cause) Budget {
	out := Budget{Terms: b.Terms, Unstated: b.Unstated}
	to := make(map[int]int, len(b.Causes))
	for i, c := range b.Causes {
		if !gone[i] {
			to[i] = len(out.Causes)
			out.Causes = append(out.Causes, c)
		}
	}
	out.Causes = append(out.Causes, add...)
	for _, r := range b.Correlations {
		if !gone[r.A] && !gone[r.B] {
			out.Correlations = append(out.Correlations, Correlation{to[r.A], to[r.B], r.R})
		}
	}
	for _, p := range b.Products {
		if !gone[p.A] && !gone[p.B] {
			out.Products = append(out.Products, Product{to[p.A], to[p.B], p.By})
		}
	}
	return out
}

func (p Prospect) rank() int {
	switch {
	case p.Settles:
		return 0
	case p.CouldSettle:
		return 1
	}
	return 2
}
