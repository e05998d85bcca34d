package session

import (
	"fmt"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// A chain without sides takes no shims: its sum is held against the window as it is,
// such as the interference of a ring and its seat, or the side clearance of a rod.

// plainSum tells whether a chain takes no shims.
func (ch *Chain) plainSum() bool { return len(ch.Sides) == 0 }

// weighSum adds to an advice what the decision rule says of a sum that no shim changes.
// It stands as the best fit, of no packs.
func (a *account) weighSum(known knowledge, advice *Advice) error {
	j, ch := a.job, a.chain
	found, err := calc.Conform(known.uncertainty.Estimate(known.value), ch.window(), j.plan.rule())
	if err != nil {
		return err
	}
	_, expanded, err := calc.Rounded(known.value, known.uncertainty.Expanded)
	if err != nil {
		return err
	}
	sum, shown, guard := worked(known.value), Num(expanded), Num(decimal.NewFromFloat(found.Guard).RoundCeil(3))
	advice.Best = &Fit{
		Packs: []Pack{}, EndFloat: sum, CheckGap: sum, Expanded: &shown, Guard: &guard, Outcome: found.Outcome.String(),
		Inside: !known.value.LessThan(ch.Least.Decimal) && !known.value.GreaterThan(ch.Most.Decimal),
		Chance: chanceOf(found),
	}
	return j.warmFloat(a, known, advice)
}

// sumSides checks a chain without sides: nothing of shims belongs to it.
func (c *planCheck) sumSides(i int) {
	ch := c.plan.Chains[i]
	for _, k := range []struct{ key, value string }{{"check", ch.Check}, {"trial", ch.Trial}, {"built", ch.Built}} {
		if k.value != "" {
			c.wrong(fmt.Sprintf("chain %q has no side for shims, and yet a %s", ch.Name, k.key), "give it a [[chain.side]], or leave it out", "chain", i, k.key)
		}
	}
	if c.has("chain", i, "split") {
		c.wrong(fmt.Sprintf("chain %q has no side for shims, so there is nothing to split", ch.Name), "give it a [[chain.side]], or leave the split out", "chain", i, "split")
	}
}
