package session

import (
	"fmt"
	"math"
	"slices"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// The minutes that an act costs at a bench (judged, common practice).
const (
	minutesZero   = 1
	minutesBlock  = 3
	minutesFeeler = 5
	minutesTrial  = 40

	usualBlockU  = 0.0005 // mm, of a gauge block (assumed)
	usualBlades  = 0.05   // mm between neighbouring blades (assumed)
	usualDial    = 0.01   // mm, ± of a dial indicator (assumed)
	usualDialRep = 0.003  // mm, of its repeats (assumed)
)

// act is something to do next, with the code by which it is told.
type act struct {
	calc.Act
	told Reason
}

// lookAhead adds what would make the advice surer, unless it is shown already.
func (a *account) lookAhead(known knowledge, advice *Advice) error {
	switch {
	case advice.Best == nil || advice.Best.Outcome != calc.NotShown.String():
		return nil
	case advice.Built != nil && advice.Built.Outcome == calc.ShownInside.String():
		return nil // the engine itself shows it
	case advice.Keep && known.has(trialBuild):
		return nil // nothing at a bench is better than a trial build
	}
	acts, err := a.acts(known, advice.Best)
	if err != nil {
		return err
	}
	plain := make([]calc.Act, len(acts))
	for i := range acts {
		plain[i] = acts[i].Act
	}
	ch := a.chain
	w := ch.window()
	prospects, err := calc.WhatNext(a.job.floatBudget(known, *advice.Best), advice.Best.EndFloat.Decimal, w, a.job.plan.rule(), a.job.plan.Decision.Coverage.InexactFloat64(), plain)
	if err != nil {
		return fmt.Errorf("cannot weigh what to do next: %w", err)
	}
	now := advice.Best.Expanded
	for _, p := range prospects {
		if p.LessThanNow < 0.02 || (now != nil && p.Uncertainty.Expanded > 0.98*now.InexactFloat64()) {
			continue // not worth the walk
		}
		_, expanded, err := calc.Rounded(known.value, p.Uncertainty.Expanded)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(acts, func(x act) bool { return x.Name == p.Act.Name })
		advice.Next = append(advice.Next, NextAct{
			Act: acts[i].told, Minutes: p.Act.Minutes, Expanded: Num(expanded), Outcome: p.Now.Outcome.String(), AtBest: p.AtBest.Outcome.String(),
		})
	}
	return nil
}

// acts lists what could be done: check an instrument that has not been checked, find
// the check gap, or build the engine on trial.
func (a *account) acts(known knowledge, best *Fit) ([]act, error) {
	var acts []act
	for i, e := range a.errors {
		for _, kind := range []string{"zero check", "block check"} {
			if x, ok, err := a.checking(known, i, kind); err != nil {
				return nil, err
			} else if ok {
				x.Name, x.told = kind+" of "+e.Instrument+", "+e.Use, reason(kind, "instrument", e.Instrument, "use", e.Use)
				acts = append(acts, x)
			}
		}
	}
	if a.chain.plainSum() {
		return acts, nil
	}
	acts = append(acts, a.checkGapAct(known, best)...)
	return append(acts, a.trialAct(known)...), nil
}

// checkGapAct is to find the check gap, unless the gap was measured directly already.
// The packs of the other sides are then taken off what it gives.
func (a *account) checkGapAct(known knowledge, best *Fit) []act {
	if a.chain.Check == "" || len(known.evidence) > 0 {
		return nil
	}
	adds := []calc.Cause{flatCause("between the blades", usualBlades/2+bladeTolerance, []calc.Effect{{Term: 0, By: 1}})}
	for i, pack := range best.Packs {
		for k, piece := range pack.Pieces {
			if c := a.job.pieceCause(pack, k, piece, 0); i > 0 && c.U > 0 {
				c.Effects[0].By = -1
				adds = append(adds, c)
			}
		}
	}
	for _, b := range a.job.plan.Bearings {
		if b.Play == nil || !a.chain.uses(b.Step) {
			continue
		}
		c := flatCause("where the ring of "+b.Name+" will lie", b.Play.InexactFloat64()/2, []calc.Effect{{Term: 0, By: 1}})
		if a.job.takesUpPlay(a.job.plan.step(a.chain.Check)) {
			c = playCause(b, b.PlayU.InexactFloat64(), calc.Effect{Term: 0, By: -0.5})
		}
		if c.U > 0 {
			adds = append(adds, c)
		}
	}
	return []act{{calc.Act{Name: "check gap", Minutes: minutesFeeler, Direct: true, Adds: adds, Unstated: a.unstatedPlay()}, reason("check gap by feeler", "step", a.chain.Check)}}
}

// trialAct is to build the engine on trial and measure the float itself; once that is
// done and other packs come out better, to do it again with those.
func (a *account) trialAct(known knowledge) []act {
	j := a.job
	one := []calc.Effect{{Term: 0, By: 1}}
	code, limit := "trial build", flatCause("limit of a dial indicator", usualDial, one)
	if known.has(trialBuild) {
		if p := j.instrumentOf(j.plan.step(a.chain.Trial)); p != nil && !math.IsInf(limitOf(p, j.plan.Steps[j.plan.step(a.chain.Trial)].Use), 1) {
			use := j.plan.Steps[j.plan.step(a.chain.Trial)].Use
			limit = flatCause(limitName(p, use, limitOf(p, use)), limitOf(p, use), one)
		}
		code = "trial build again"
	}
	adds := []calc.Cause{limit, {Name: "repeats of the next dial readings", U: usualDialRep, Freedom: 8, Shape: calc.StudentT, Effects: one}}
	for _, b := range j.plan.Bearings {
		if b.PlayU != nil && a.chain.uses(b.Step) && b.PlayU.IsPositive() {
			adds = append(adds, playCause(b, b.PlayU.InexactFloat64(), calc.Effect{Term: 0, By: -0.5}))
		}
	}
	return []act{{calc.Act{Name: "trial build", Minutes: minutesTrial, Direct: true, Adds: adds, Unstated: a.unstatedPlay()}, reason(code)}}
}

// unstatedPlay is play that nobody states: it is in what is measured directly as well.
func (a *account) unstatedPlay() []string {
	var codes []string
	for _, r := range a.barred {
		if r.Code == "play not stated" {
			codes = append(codes, r.Code)
		}
	}
	return codes
}

// has tells whether the gap was measured directly in one way.
func (k knowledge) has(w way) bool {
	return slices.ContainsFunc(k.evidence, func(e EvidenceView) bool { return e.Way == w.String() })
}

// checking is the act of checking instrument use i at zero or on a block near the
// length: its causes as they are go, and those that it would have then come. ok is
// false if that was done already.
func (a *account) checking(known knowledge, i int, kind string) (act, bool, error) {
	e := a.errors[i]
	if !slices.Contains(Uses(), Use(e.Use)) {
		return act{}, false, nil // zeroed on a bar: nothing to check but the bar
	}
	u, freedom := a.job.checkU(e.Instrument)
	point := calc.Point{Name: kind, Reach: math.Inf(1), U: u, Freedom: freedom, Shape: calc.StudentT}
	minutes := float64(minutesZero)
	if kind == "block check" {
		at, ok := a.lengthOf(e)
		if !ok {
			return act{}, false, nil
		}
		point.At, point.Reach, minutes = at, usualReach, minutesBlock
		point.U = math.Hypot(point.U, usualBlockU)
	}
	for _, p := range e.Points {
		if p.At.IsZero() == point.At.IsZero() {
			return act{}, false, nil
		}
	}
	before, err := a.instrumentCauses(a.errors)
	if err != nil {
		return act{}, false, err
	}
	with := slices.Clone(a.errors)
	with[i].Points = append(slices.Clone(e.Points), point)
	after, err := a.instrumentCauses(with)
	if err != nil {
		return act{}, false, err
	}
	x := act{Act: calc.Act{Minutes: minutes}}
	for _, c := range before.Causes {
		switch in := slices.ContainsFunc(known.budget.Causes, func(o calc.Cause) bool { return o.Name == c.Name }); {
		case in:
			x.Removes = append(x.Removes, c.Name)
		case c.U > 0:
			return act{}, false, nil // the gap does not rest on the chain
		}
	}
	for _, c := range after.Causes {
		if c.U > 0 {
			x.Adds = append(x.Adds, c)
		}
	}
	return x, len(x.Removes) > 0, nil
}

// checkU is the uncertainty that two repeats of a check would have.
func (j *job) checkU(instrument string) (u, freedom float64) {
	p := &j.profiles[j.profileOf(instrument)]
	return max(p.Repeatability.InexactFloat64()/math.Sqrt2, p.Resolution.InexactFloat64()/math.Sqrt(12)), statedFreedom(p)
}

// lengthOf is the length that most is read at with an instrument in one use.
func (a *account) lengthOf(e calc.UseErrors) (decimal.Decimal, bool) {
	for _, m := range a.measured {
		if m.Instrument == e.Instrument && m.Use == e.Use && m.Length.GreaterThan(decimal.NewFromInt(1)) {
			return m.Length.Round(0), true
		}
	}
	return decimal.Zero, false
}
