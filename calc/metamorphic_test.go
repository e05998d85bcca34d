package calc

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// What must not change an answer, and what must change it in a known way.

// times returns the problem with all lengths in another unit.
func (p LikelyProblem) times(unit decimal.Decimal) LikelyProblem {
	f := unit.InexactFloat64()
	q := p
	q.Gap, q.Grain, q.Apart = p.Gap.Mul(unit), p.Grain.Mul(unit), p.Apart.Mul(unit)
	q.Window = Window{p.Window.Least.Mul(unit), p.Window.Most.Mul(unit), p.Window.Aim.Mul(unit)}
	q.Estimate = Estimate{q.Gap, p.Estimate.U * f, p.Estimate.Freedom, nil, p.Estimate.Unstated}
	q.Stock, q.Sides, q.ShimU = slices.Clone(p.Stock), slices.Clone(p.Sides), slices.Clone(p.ShimU)
	for i := range q.Stock {
		q.Stock[i].Thickness = p.Stock[i].Thickness.Mul(unit)
	}
	for i := range q.Sides {
		q.Sides[i].Fitted = p.Sides[i].Fitted.Mul(unit)
	}
	for i := range q.ShimU {
		q.ShimU[i] = p.ShimU[i] * f
	}
	return q
}

// plainFit is what of a fit a person sees, lengths divided by the unit.
func plainFit(f LikelyFit, unit decimal.Decimal) string {
	text := f.Conformity.Outcome.String() + " " + f.EndFloat.DivRound(unit, 9).String()
	for _, p := range f.Packs {
		text += " |"
		for _, x := range p.Pieces {
			text += " " + x.DivRound(unit, 9).String()
		}
	}
	return text
}

func plainFits(fits []LikelyFit, unit string) []string {
	var out []string
	for _, f := range fits {
		out = append(out, plainFit(f, d(unit)))
	}
	return out
}

// In inches of a thousandth of a millimetre, so to speak: the unit does not matter.
func TestShimsInAnyUnit(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 1))
	for range 200 {
		p := manyAlike(random)
		p.Estimate.U *= 1.0001 // off any guard band's end, which rounding would decide
		want := plainFits(likelyFits(t, p, 3).Best, "1")
		for _, unit := range []string{"25.4", "10", "0.001"} {
			require.Equal(t, want, plainFits(likelyFits(t, p.times(d(unit)), 3).Best, unit), "%+v", p)
		}
	}
}

// The first few of many are the few that are asked for.
func TestFewerFitsAreTheFirst(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 2))
	for range 200 {
		p := manyAlike(random)
		// The step that the worst is counted in may be that of a group not among the few.
		few, many := likelyFits(t, p, 2).Best, likelyFits(t, p, 9).Best
		require.Equal(t, plainFits(few, "1"), plainFits(many[:len(few)], "1"), "%+v", p)
		plain, all := p.ShimProblem, 12
		one, err := method.BestFits(plain, 1)
		require.NoError(t, err)
		most, err := method.BestFits(plain, all)
		require.NoError(t, err)
		require.Equal(t, written(one.Best), written(most.Best[:len(one.Best)]))
	}
}

// The order in which the stock is listed does not matter, nor that a size is listed twice
// with its pieces shared out.
func TestStockAsListed(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 3))
	for range 200 {
		p := manyAlike(random)
		want := plainFits(likelyFits(t, p, 4).Best, "1")
		q := p
		q.Stock, q.ShimU = nil, nil
		for _, i := range random.Perm(len(p.Stock)) {
			for range p.Stock[i].Count {
				q.Stock = append(q.Stock, Shim{p.Stock[i].Thickness, 1})
				if len(p.ShimU) > 0 {
					q.ShimU = append(q.ShimU, p.ShimU[i])
				}
			}
		}
		require.Equal(t, want, plainFits(likelyFits(t, q, 4).Best, "1"), "%+v", p)
	}
}

// What is fitted already is as good as a smaller gap: with x on the first side and a gap
// larger by x, packs to be apart by x more, the same pieces are advised.
func TestFittedIsASmallerGap(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 4))
	for range 200 {
		p := manyAlike(random)
		x := decimal.New(random.Int64N(300), -3)
		q := p
		q.Gap, q.Apart = p.Gap.Add(x), p.Apart.Add(x)
		q.Estimate.Value = q.Gap
		q.Sides = slices.Clone(p.Sides)
		q.Sides[0].Fitted = p.Sides[0].Fitted.Add(x)
		require.Equal(t, plainFits(likelyFits(t, p, 3).Best, "1"), plainFits(likelyFits(t, q, 3).Best, "1"), "%+v", p)
	}
}

// With the sides exchanged, and the packs to be apart the other way, as much is gained: the
// same distance from the aim, probability and number of pieces.
func TestSidesExchanged(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 5))
	for range 200 {
		p := manyAlike(random)
		if len(p.Sides) < 2 {
			continue
		}
		q := p
		q.Sides, q.Apart = []Side{p.Sides[1], p.Sides[0]}, p.Apart.Neg()
		a, b := likelyFits(t, p, 1).Best, likelyFits(t, q, 1).Best
		require.Len(t, b, len(a))
		if len(a) == 0 {
			continue
		}
		require.Equal(t, a[0].Conformity.Outcome, b[0].Conformity.Outcome)
		require.True(t, a[0].EndFloat.Sub(p.Window.Aim).Abs().Equal(b[0].EndFloat.Sub(p.Window.Aim).Abs()), "%+v", p)
		if p.Even && a[0].Inside {
			uneven := func(f LikelyFit, apart decimal.Decimal) string {
				return f.Packs[0].Total.Sub(f.Packs[1].Total).Sub(apart).Abs().String()
			}
			require.Equal(t, uneven(a[0], p.Apart), uneven(b[0], q.Apart), "%+v", p)
		}
	}
}

// The window and the gap may be moved together, as long as neither reaches below 0.
func TestWindowMovedWithTheGap(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 6))
	for range 200 {
		p := manyAlike(random)
		best := likelyFits(t, p, 1).Best
		if len(best) == 0 || !best[0].EndFloat.IsPositive() {
			continue
		}
		q, x := p, decimal.New(1+random.Int64N(500), -3)
		q.Gap, q.Window = p.Gap.Add(x), Window{p.Window.Least.Add(x), p.Window.Most.Add(x), p.Window.Aim.Add(x)}
		q.Estimate.Value = q.Gap
		moved := likelyFits(t, q, 1).Best
		if moved[0].EndFloat.LessThanOrEqual(x) {
			continue // it was 0 or less, and is no longer
		}
		require.Equal(t, best[0].Packs, moved[0].Packs, "%+v", p)
		require.InDelta(t, best[0].Conformity.Inside, moved[0].Conformity.Inside, 1e-9)
	}
}

// A value nearer to the middle is never less probably inside; a wider window never less,
// a greater u about the middle never more.
func TestProbabilityInsideIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := anyEstimate(t)
		w := window("-0.1", "0.1")
		off := rapid.Int64Range(0, 200).Draw(t, "off")
		nearer := rapid.Int64Range(0, off).Draw(t, "nearer")
		e.Value = decimal.New(off, -3)
		far := conform(t, e, w, rule2017)
		e.Value = decimal.New(-nearer, -3)
		near := conform(t, e, w, rule2017)
		require.GreaterOrEqual(t, near.Inside, far.Inside-1e-12)
		require.InDelta(t, 1, far.Inside+far.TooTight+far.TooLoose, 1e-9)
		e.Value, e.Flat = decimal.Zero, nil
		less := conform(t, e, w, rule2017).Inside
		e.U *= 1 + rapid.Float64Range(0, 3).Draw(t, "more u")
		require.LessOrEqual(t, conform(t, e, w, rule2017).Inside, less+1e-12)
	})
}

// E_n changes its sign with the order and nothing else, and no unit matters to it.
func TestEnExchanged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := decimal.New(rapid.Int64Range(-500, 500).Draw(t, "a"), -3), decimal.New(rapid.Int64Range(-500, 500).Draw(t, "b"), -3)
		ua, ub := rapid.Float64Range(0.001, 1).Draw(t, "ua"), rapid.Float64Range(0.001, 1).Draw(t, "ub")
		one, err := En(a, ua, b, ub)
		require.NoError(t, err)
		other, err := En(b, ub, a, ua)
		require.NoError(t, err)
		require.InDelta(t, one, -other, 1e-12)
		inch, err := En(a.Mul(d("25.4")), 25.4*ua, b.Mul(d("25.4")), 25.4*ub)
		require.NoError(t, err)
		require.InDelta(t, one, inch, 1e-9)
	})
}

// Which of two that agree is called the chain does not matter, if nothing is common to
// them; and a result is never less sure than the better of them.
func TestFuseExchanged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ua, ub := rapid.Float64Range(0.002, 0.1).Draw(t, "ua"), rapid.Float64Range(0.002, 0.1).Draw(t, "ub")
		a := Evidence{d("0.5"), plainly(cause("a", ua))}
		b := Evidence{d("0.5").Add(decimal.NewFromFloat(ua * rapid.Float64Range(-0.9, 0.9).Draw(t, "apart")).Round(6)), plainly(cause("b", ub))}
		one, err := Fuse(a, b, 0.95)
		require.NoError(t, err)
		other, err := Fuse(b, a, 0.95)
		require.NoError(t, err)
		require.True(t, one.Agree && other.Agree)
		require.InDelta(t, one.WeightDirect, 1-other.WeightDirect, 1e-7)
		require.InDelta(t, one.Value.InexactFloat64(), other.Value.InexactFloat64(), 1e-7)
		require.InDelta(t, one.Uncertainty.U, other.Uncertainty.U, 1e-9)
		require.LessOrEqual(t, one.Uncertainty.U, min(ua, ub)+1e-12)
		require.InEpsilon(t, 1/(ua*ua)+1/(ub*ub), 1/(one.Uncertainty.U*one.Uncertainty.U), 1e-6, "by inverse variance")
	})
}

// To take a cause away never makes u greater, and the cheaper of two alike comes first.
func TestRemovingNeverHurts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := anyBudget(t)
		now, err := b.Combine(0.95)
		require.NoError(t, err)
		var acts []Act
		for i, c := range b.Causes {
			acts = append(acts, Act{Name: c.Name, Minutes: float64(i), Removes: []string{c.Name}, Adds: []Cause{cause("left", 0)}})
			acts = append(acts, Act{Name: c.Name + ", slowly", Minutes: float64(i) + 0.5, Removes: []string{c.Name}, Adds: []Cause{cause("left", 0)}})
		}
		next, err := WhatNext(b, d("0.1"), usual, rule2017, 0.95, acts)
		require.NoError(t, err)
		require.Len(t, next, len(acts))
		at := map[string]int{}
		for i, p := range next {
			at[p.Act.Name] = i
			require.LessOrEqual(t, p.Uncertainty.U, now.U*(1+1e-12))
			require.GreaterOrEqual(t, p.LessThanNow, -1e-12)
		}
		for _, c := range b.Causes {
			require.Less(t, at[c.Name], at[c.Name+", slowly"])
		}
	})
}

// Steel on steel at one temperature reads right whatever the temperature; to correct a
// length and let it grow again gives it back, but for the square of the expansion.
func TestThermalRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := decimal.New(rapid.Int64Range(1_000, 500_000).Draw(t, "l"), -3)
		warm := rapid.Float64Range(-20, 120).Draw(t, "t")
		alpha := rapid.Float64Range(1e-6, 30e-6).Draw(t, "alpha")
		materials := []Material{material("part", alpha, 0), material("scale", 11.5e-6, 0)}
		at := []Temperature{at20("part", warm, 0), at20("scale", 20, 0)}
		same, err := ToReference([]Expanding{{0, l, 0, 0, 0, 0}}, materials, at)
		require.NoError(t, err)
		require.True(t, same.Corrections[0].IsZero())
		cold, err := ToReference([]Expanding{{0, l, 1, 1, 0, 0}}, materials, at)
		require.NoError(t, err)
		back, err := Growth([]Staying{{0, l.Add(cold.Corrections[0]), 0, 0}}, materials, at)
		require.NoError(t, err)
		square := l.InexactFloat64() * math.Pow(alpha*(warm-20), 2)
		require.InDelta(t, square, -cold.Corrections[0].Add(back.Corrections[0]).InexactFloat64(), 2e-6)
	})
}

// A heated seat has grown to the ring and the clearance; twice the interference and
// clearance need twice the heat.
func TestHeatRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seat := rapid.Int64Range(10_000, 90_000).Draw(t, "seat")
		tight, clearance := rapid.Int64Range(0, 60).Draw(t, "interference"), rapid.Int64Range(0, 40).Draw(t, "clearance")
		alpha := rapid.Float64Range(10e-6, 25e-6).Draw(t, "alpha")
		heat := func(times int64) Heating {
			h, err := Heat(SeatFit{decimal.New(seat+times*tight, -3), decimal.New(seat, -3), decimal.New(times*clearance, -3), alpha, 20, nil})
			require.NoError(t, err)
			require.True(t, h.Allowed)
			require.True(t, h.Interference.Equal(decimal.New(times*tight, -3)))
			require.InDelta(t, 20+h.Above, h.Celsius, 1e-9)
			return h
		}
		one := heat(1)
		require.InDelta(t, float64(seat+tight+clearance)/1000, float64(seat)/1000*(1+alpha*one.Above), 1e-9)
		require.InDelta(t, 2*one.Above, heat(2).Above, 1e-6)
	})
}

// The wait brings a part to the allowance, and no minute less does.
func TestWarmWaitsLongEnough(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		part, room := rapid.Float64Range(-20, 150).Draw(t, "part"), rapid.Float64Range(5, 35).Draw(t, "room")
		allowed, constant := rapid.Float64Range(0.5, 10).Draw(t, "allowed"), rapid.Float64Range(1, 60).Draw(t, "constant")
		f, warm, err := Warm(part, room, allowed, constant)
		require.NoError(t, err)
		away := math.Abs(part - room)
		require.Equal(t, away > allowed, warm)
		if !warm {
			return
		}
		wait := d(f.Params["wait"]).InexactFloat64()
		require.Equal(t, math.Trunc(wait), wait)
		require.LessOrEqual(t, away*math.Exp(-wait/constant), allowed*(1+1e-9))
		require.Greater(t, away*math.Exp(-(wait-1)/constant), allowed*(1-1e-9))
	})
}

// Force goes with the torque and against K and the diameter; the stress area is that of
// the mean of two diameters, so it lies between the core's and the whole.
func TestTightenScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Screw{Diameter: rapid.Float64Range(3, 20).Draw(t, "d"), Torque: rapid.Float64Range(1, 100).Draw(t, "T"),
			K: rapid.Float64Range(0.1, 0.3).Draw(t, "K"), ProofStress: rapid.Float64Range(200, 1000).Draw(t, "S")}
		s.Pitch = s.Diameter * rapid.Float64Range(0.05, 0.25).Draw(t, "P")
		p, err := Tighten(s)
		require.NoError(t, err)
		twice, half := s, s
		twice.Torque, half.K = 2*s.Torque, s.K/2
		for _, q := range []Screw{twice, half} {
			more, err := Tighten(q)
			require.NoError(t, err)
			require.InEpsilon(t, 2*p.Force, more.Force, 1e-12)
			require.InEpsilon(t, 2*p.PercentOfProof, more.PercentOfProof, 1e-12)
			require.Equal(t, p.StressArea, more.StressArea)
		}
		require.InEpsilon(t, s.Torque, p.Force*p.AssumedK*s.Diameter/1000, 1e-12)
		require.InEpsilon(t, p.Force, p.PercentOfProof/100*s.ProofStress*p.StressArea, 1e-12)
		disc := func(d float64) float64 { return math.Pi / 4 * d * d }
		require.Less(t, p.StressArea, disc(s.Diameter))
		require.Greater(t, p.StressArea, disc(s.Diameter-1.23*s.Pitch))
	})
}

// Any torque there and back: a foot is twelve inches, and what is added is added.
func TestTorqueUnits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := decimal.New(rapid.Int64Range(-1e6, 1e6).Draw(t, "a"), -3), decimal.New(rapid.Int64Range(-1e6, 1e6).Draw(t, "b"), -3)
		to := func(x decimal.Decimal, u TorqueUnit) decimal.Decimal {
			out, err := ToNewtonMetres(x, u)
			require.NoError(t, err)
			return out
		}
		for _, u := range []TorqueUnit{NewtonMetre, PoundForceFoot, PoundForceInch} {
			require.True(t, to(a, u).Add(to(b, u)).Equal(to(a.Add(b), u)))
		}
		require.True(t, to(a, PoundForceFoot).Equal(to(a.Mul(d("12")), PoundForceInch)))
		require.True(t, to(a, NewtonMetre).Equal(a))
	})
}

// A trial build that is measured, changed and measured again is on the aim; what was
// measured with more shim fitted says the same of the gap.
func TestTrialBuildCloses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mm := func(name string, least, most int64) decimal.Decimal {
			return decimal.New(rapid.Int64Range(least, most).Draw(t, name), -3)
		}
		gap, fitted, aim := mm("gap", 0, 2000), mm("fitted", 1000, 2000), mm("aim", -200, 200)
		found, change, err := TrialBuild(gap.Sub(fitted), fitted, aim)
		require.NoError(t, err)
		require.True(t, found.Equal(gap))
		again, none, err := TrialBuild(gap.Sub(fitted.Add(change)), decimal.Max(fitted.Add(change), decimal.Zero), aim)
		require.NoError(t, err)
		if fitted.Add(change).IsNegative() {
			return // no pack is thin enough
		}
		require.True(t, again.Equal(gap))
		require.True(t, none.IsZero())
	})
}

// An instrument zeroed on a bar: what its readings share counts twice in a sum of two, and
// not at all in a difference.
func TestZeroingIsShared(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		offset, parallel, setting := rapid.Float64Range(0, 0.01).Draw(t, "offset"), rapid.Float64Range(0, 0.01).Draw(t, "parallel"), rapid.Float64Range(0.001, 0.01).Draw(t, "setting")
		causes, err := Zeroing{"bar", offset, 8, parallel, Spread{setting, 5, StudentT, "repeats"}, []int{0, 2}}.Causes()
		require.NoError(t, err)
		alone := math.Sqrt(offset*offset + parallel*parallel/3 + setting*setting)
		for _, c := range []struct{ second, want float64 }{{1, 2 * alone}, {-1, 0}, {0.5, 1.5 * alone}} {
			b := Budget{Terms: []Weight{{"depth", 1}, {"width", -1}, {"depth", c.second}}, Causes: causes}
			_, u, err := b.uncovered()
			require.NoError(t, err)
			require.InDelta(t, c.want, u.U, 1e-12)
		}
	})
}

// A stream upside down has its peak where the trough was, moved it moves, and turned round
// it shows the same.
func TestMovementUpsideDown(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Int64Range(-50, 50), 7, 40).Draw(t, "values")
		width := rapid.SampledFrom([]int{1, 3, 5, 7}).Draw(t, "width")
		shift := rapid.Int64Range(-1000, 1000).Draw(t, "shift")
		upside, moved, round := make([]int64, len(values)), make([]int64, len(values)), slices.Clone(values)
		for i, v := range values {
			upside[i], moved[i] = -v, v+shift
		}
		slices.Reverse(round)
		swing := func(values []int64) Swing {
			s, err := Movement(stream(values...), width)
			require.NoError(t, err)
			require.True(t, s.Movement.Equal(s.Peak.Sub(s.Trough)))
			return s
		}
		s, u, m := swing(values), swing(upside), swing(moved)
		require.True(t, u.Peak.Equal(s.Trough.Neg()) && u.Trough.Equal(s.Peak.Neg()))
		require.True(t, m.Movement.Equal(s.Movement) && m.Peak.Equal(s.Peak.Add(decimal.New(shift, -3))))
		require.Equal(t, s, swing(round))
	})
}

// A result in tens has its digits one place further left, up to where digits are meant.
func TestRoundedShifts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := decimal.New(rapid.Int64Range(-1e9, 1e9).Draw(t, "value"), -6)
		digits := rapid.Int64Range(1, 99999).Draw(t, "digits")
		exp := rapid.Int32Range(-6, 0).Draw(t, "exp")
		expanded := decimal.New(digits, exp)
		v, u, err := Rounded(value, expanded.InexactFloat64())
		require.NoError(t, err)
		require.True(t, u.GreaterThanOrEqual(expanded), "%s of %s", u, expanded)
		require.True(t, u.LessThanOrEqual(expanded.Mul(d("1.1"))), "%s of %s: more than a unit of the second digit", u, expanded)
		require.LessOrEqual(t, v.Sub(value).Abs().InexactFloat64(), expanded.InexactFloat64(), "no more than U is rounded away")
		tens, ten, err := Rounded(value.Shift(1), expanded.Shift(1).InexactFloat64())
		require.NoError(t, err)
		require.True(t, tens.Equal(v.Shift(1)) && ten.Equal(u.Shift(1)))
		less, _, err := Rounded(value.Neg(), expanded.InexactFloat64())
		require.NoError(t, err)
		require.True(t, less.Equal(v.Neg()))
	})
}

// The feelers to try are those that a person would pick from the list.
func TestBladesAgainstTheList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gap, u := rapid.Int64Range(-20, 100).Draw(t, "gap"), rapid.Int64Range(0, 20).Draw(t, "u")
		list := rapid.SliceOfN(rapid.Int64Range(1, 120), 0, 8).Draw(t, "blades")
		var blades []decimal.Decimal
		passes, stops := int64(0), int64(1000)
		for _, b := range list {
			blades = append(blades, decimal.New(b, -2))
			if b <= gap-u && b < gap {
				passes = max(passes, b)
			}
			if b >= gap+u && b > gap {
				stops = min(stops, b)
			}
		}
		got, err := BladesFor(decimal.New(gap, -2), float64(u)*0.01*(1-1e-9), blades)
		require.NoError(t, err)
		require.Equal(t, passes > 0, got.Passes.Valid)
		require.Equal(t, stops < 1000, got.Stops.Valid)
		require.True(t, passes == 0 || got.Passes.Decimal.Equal(decimal.New(passes, -2)))
		require.True(t, stops == 1000 || got.Stops.Decimal.Equal(decimal.New(stops, -2)))
	})
}

// A check in the session takes away what it found: a reading that is off by the same is
// right again, and no surer than the check.
func TestCheckTakesItsErrorAway(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		block, off := decimal.New(rapid.Int64Range(0, 50_000).Draw(t, "block"), -3), decimal.New(rapid.Int64Range(-60, 60).Draw(t, "off"), -3)
		u, blockU := rapid.Float64Range(0.001, 0.01).Draw(t, "u"), rapid.Float64Range(0, 0.002).Draw(t, "block u")
		p, err := Checked("check", block.Add(off), block, certain, Spread{u, 5, StudentT, "repeats"}, blockU, certain)
		require.NoError(t, err)
		require.InDelta(t, math.Hypot(u, blockU), p.U, 1e-15)
		require.GreaterOrEqual(t, p.Freedom, 5.0)
		terms := []Measured{{0, 1, block.Add(off), "gauge", "depth"}, {1, -1, block.Add(off), "gauge", "depth"}}
		got, err := InstrumentCauses(terms, []UseErrors{{"gauge", "depth", 0.1, 0.001, 0, []Point{p}}})
		require.NoError(t, err)
		for i, x := range terms {
			require.True(t, x.Length.Add(got.Corrections[i]).Equal(block))
		}
		b := Budget{Terms: []Weight{{"a", 1}, {"b", -1}}, Causes: got.Causes}
		_, both, err := b.uncovered()
		require.NoError(t, err)
		require.InDelta(t, 0.001*math.Sqrt2/math.Sqrt(3), both.U, 1e-12, "the check itself cancels, the rest does not")
	})
}

// What is squeezed less is thicker, and a tenth of a fraction's u is a tenth of the gap's.
func TestSqueezedIsLinear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		thick := decimal.New(rapid.Int64Range(100, 900).Draw(t, "thickness"), -3)
		fraction := float64(rapid.IntRange(0, 500).Draw(t, "fraction")) / 1000
		left, c, err := Squeezed("g", thick, fraction, 0.02, 8, Normal)
		require.NoError(t, err)
		require.InDelta(t, thick.InexactFloat64()*(1-fraction), left.InexactFloat64(), 1e-9)
		half, _, err := Squeezed("g", thick, fraction/2, 0.02, 8, Normal)
		require.NoError(t, err)
		require.InDelta(t, thick.InexactFloat64(), half.Add(half).Sub(left).InexactFloat64(), 1e-8)
		_, u, err := plainly(c).uncovered()
		require.NoError(t, err)
		require.InDelta(t, 0.02*thick.InexactFloat64(), u.U, 1e-12)
	})
}

// The mean of a place is that of its repeats, whatever their order, and moves with them;
// places taken in another order give the same value.
func TestReduceMoves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var plain, moved []Repeat
		shift := rapid.Int64Range(-5000, 5000).Draw(t, "shift")
		for place := range rapid.IntRange(1, 3).Draw(t, "places") {
			for _, v := range rapid.SliceOfN(rapid.Int64Range(0, 6), 1, 9).Draw(t, "counts") {
				plain = append(plain, Repeat{place, decimal.New(v, -2)})
				moved = append(moved, Repeat{2 - place, decimal.New(v+shift, -2)})
			}
		}
		for _, governs := range []Governs{MeanOfPlaces, SmallestPlace, LargestPlace} {
			a, err := method.Reduce(plain, caliper, ReduceRule{Governs: governs})
			require.NoError(t, err)
			b, err := method.Reduce(moved, caliper, ReduceRule{Governs: governs})
			require.NoError(t, err)
			// Means are kept to a thousandth of a count, half to even: half a unit may go either way.
			require.InDelta(t, a.Value.InexactFloat64(), b.Value.Sub(decimal.New(shift, -2)).InexactFloat64(), 2.1e-5)
			for i := range a.Verdicts {
				require.Equal(t, a.Verdicts[i].LeftOut, b.Verdicts[i].LeftOut)
				require.InDelta(t, a.Verdicts[i].Deviation, b.Verdicts[i].Deviation, 1e-9)
			}
			require.Equal(t, a.Unsettled, b.Unsettled)
			assert.Len(t, b.Places, len(a.Places))
		}
	})
}
