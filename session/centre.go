package session

import (
	"github.com/shopspring/decimal"
)

// apart is by how much the first side's pack should be thicker than the second's, and
// whether that matters. Seen from the joint face of the first side's half, the shoulders
// of the crank may lie from −d + t₁ on the first side, d being the depth there, to
// g − t₂ on the second, g being what the other dimensions add. The middle of the crank's
// two ends of travel brings the rod to
//
//	½·(g − d + t₁ − t₂ − w) + r
//
// with w over the shoulders and r from the first shoulder to the rod. That is the axis a
// where t₁ − t₂ = 2a + d − g + w − 2r. Until both dimensions of the centre are measured
// the packs are as even as can be.
func (j *job) apart(ch *Chain, even bool) (bool, decimal.Decimal) {
	if ch.Split != "centred" {
		return even, decimal.Zero
	}
	by, ok := j.centredBy(ch)
	if !ok {
		return true, decimal.Zero
	}
	return true, by.Round(correctionPlaces)
}

func (j *job) centredBy(ch *Chain) (decimal.Decimal, bool) {
	rod, axis := j.value(j.plan.step(ch.Centre.Rod)), j.value(j.plan.step(ch.Centre.Axis))
	if rod == nil || axis == nil {
		return decimal.Zero, false
	}
	two := decimal.NewFromInt(2)
	by := axis.Sub(rod.Decimal).Mul(two)
	for _, t := range ch.Terms {
		value := t.Given
		if t.Step != "" {
			value = j.value(j.plan.step(t.Step))
		}
		switch {
		case value == nil:
			return decimal.Zero, false
		case t.Sign == "-", j.plan.onSide(t, ch.Sides[0].Name):
			by = by.Add(value.Decimal)
		default:
			by = by.Sub(value.Decimal)
		}
	}
	return by, true
}

// offCentre is how far the best fit leaves the rod beyond the cylinder's axis, away from
// the first side; nil where that is not known.
func (j *job) offCentre(ch *Chain, fit *Fit) *Number {
	if ch.Split != "centred" || fit == nil {
		return nil
	}
	by, ok := j.centredBy(ch)
	if !ok {
		return nil
	}
	off := worked(fit.Packs[0].Total.Sub(fit.Packs[1].Total.Decimal).Sub(by).DivRound(decimal.NewFromInt(2), correctionPlaces))
	return &off
}
