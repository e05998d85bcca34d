package session

import (
	"fmt"
	"slices"
	"strconv"

	"github.com/shopspring/decimal"
)

// fitted notes which packs are in: as advised, or as a person says.
func (t *turn) fitted(j *job, c Command) *Refusal {
	chain, no := j.chainFor(c.Chain)
	if no != nil {
		return no
	}
	ch := &j.plan.Chains[chain]
	b := Fitted{Chain: ch.Name, Advised: len(c.Packs) == 0, Correction: c.Correction}
	if b.Advised {
		a := j.advice[chain]
		if a == nil || a.Best == nil {
			return refuse("nothing advised", fmt.Sprintf("nothing has been advised yet for %q", ch.Name), "say what is in: a side and its pieces", "chain", ch.Name, "title", ch.Title)
		}
		b.Packs = a.Best.Packs
	}
	for _, said := range c.Packs {
		pack, no := j.pack(ch, said)
		if no != nil {
			return no
		}
		b.Packs = append(b.Packs, pack)
	}
	before, closed := j.fitted[chain].said, j.directClosed(chain)
	t.add(b)
	t.by("", FromBench)
	t.takeFrom(before, j.fitted[chain].said)
	t.measureAgain(closed)
	return nil
}

// trialFindings say, after a trial build and before the engine is built, that other shims
// than were in come out best.
func (j *job) trialFindings(step int) []Reason {
	chain, w := j.plan.direct(step)
	if chain < 0 || w != trialBuild || !j.steps[step].closed {
		return nil
	}
	a, was := j.advice[chain], j.fitted[chain].during[trialBuild]
	if a == nil || a.Best == nil || a.Built != nil || was == nil || slices.EqualFunc(was, a.Best.Packs, samePieces) {
		return nil
	}
	return []Reason{reason("other shims than in the trial", "step", j.plan.Steps[step].Name, "chain", a.Chain)}
}

// directClosed are the closed steps that measure a chain directly.
func (j *job) directClosed(chain int) []int {
	var steps []int
	for w := range ways {
		if k := j.plan.directStep(&j.plan.Chains[chain], w); k >= 0 && j.steps[k].closed {
			steps = append(steps, k)
		}
	}
	return steps
}

// measureAgain goes back to the first of steps that other shims or a new part opened
// again, so that nobody goes on with what has to be measured once more. Where the active
// step is begun it stays.
func (t *turn) measureAgain(steps []int) {
	j := t.state.job
	for _, k := range steps {
		if j.steps[k].closed || j.step >= 0 && (j.step <= k || !j.untouched()) {
			continue
		}
		if why := j.needless(k); why != nil {
			t.add(Skipped{j.plan.Steps[k].Name, *why})
			continue
		}
		t.add(Opened{j.plan.Steps[k].Name, firstOpen(j.steps[k].places)})
		return
	}
	if j.step < 0 && !j.allClosed() {
		t.openNext()
	}
}

// untouched tells whether nothing was done yet at the active step.
func (j *job) untouched() bool {
	s := &j.steps[j.step]
	return j.fresh && s.wait == nil && !slices.Contains(s.places, true)
}

// fittedViews lists what is said to be in, and whether that is what is advised.
func (j *job) fittedViews() []FittedView {
	var views []FittedView
	for i, ch := range j.plan.Chains {
		v := FittedView{Chain: ch.Name, Packs: j.saidPacks(i)}
		if len(v.Packs) == 0 {
			continue
		}
		if a := j.advice[i]; a != nil && a.Best != nil {
			v.Advised = slices.EqualFunc(v.Packs, a.Best.Packs, samePieces)
		}
		views = append(views, v)
	}
	return views
}

// saidPacks are those that are said to be in for a chain, in the order of its sides.
func (j *job) saidPacks(i int) []Pack {
	var packs []Pack
	for _, side := range j.plan.Chains[i].Sides {
		for _, pack := range j.fitted[i].said {
			if pack.Side == side.Name {
				packs = append(packs, pack)
			}
		}
	}
	return packs
}

// chainFor finds the named chain with sides for shims, or the only one.
func (j *job) chainFor(name string) (int, *Refusal) {
	var names []string
	last := -1
	for i, ch := range j.plan.Chains {
		if len(ch.Sides) > 0 {
			names, last = append(names, ch.Name), i
		}
		if ch.Name == name && len(ch.Sides) > 0 {
			return i, nil
		}
	}
	switch {
	case name != "":
		return 0, nameOneOf(names, "no such chain", fmt.Sprintf("the plan has no chain %q that takes shims", name), "chain", name)
	case len(names) == 1:
		return last, nil
	case len(names) == 0:
		return 0, refuse("no shims", "this plan has no shims to fit", "there is nothing to say")
	}
	return 0, nameOneOf(names, "which chain", fmt.Sprintf("%d chains of this plan take shims", len(names)))
}

// pack reads what a person says is in on a side. Any thickness is taken, also one that
// the stock does not hold: it is what is in the engine that counts.
func (j *job) pack(ch *Chain, said SaidPack) (Pack, *Refusal) {
	var names []string
	for _, side := range ch.Sides {
		names = append(names, side.Name)
		if side.Name != said.Side {
			continue
		}
		pack := Pack{Side: side.Name, Pieces: []Number{}}
		total := decimal.Zero
		if side.Fitted != nil {
			total = side.Fitted.Decimal
		}
		if len(said.Pieces) > mostPieces {
			return Pack{}, refuse("too many shims", fmt.Sprintf("%d shims on the %s are more than a side takes", len(said.Pieces), side.Name), fmt.Sprintf("name at most %d", mostPieces),
				"side", side.Name, "count", strconv.Itoa(len(said.Pieces)), "most", strconv.Itoa(mostPieces))
		}
		for _, text := range said.Pieces {
			n, no := typedNumber("shim", text, OfLength)
			if no != nil || !n.IsPositive() || !measurable(n) {
				return Pack{}, refuse("bad number", fmt.Sprintf("%q is not the thickness of a shim", text), "write it in mm, like 0.16", "side", side.Name, "field", "shim", "text", text)
			}
			if i := shimOf(j.plan.Stock, n); i >= 0 {
				n = j.plan.Stock[i].Thickness // of a size that was measured
			}
			pack.Pieces = append(pack.Pieces, n)
			total = total.Add(n.Decimal)
		}
		pack.Total = worked(total)
		pack.Sizes = sizesOf(j.plan.Stock, pack.Pieces)
		return pack, nil
	}
	return Pack{}, nameOneOf(names, "no such side", fmt.Sprintf("chain %q has no side %q", ch.Name, said.Side), "side", said.Side, "title", ch.Title)
}
