package calc

import (
	"encoding/binary"
	"fmt"
	"math"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
)

// bag hands out values made from the bytes of a fuzzer, awkward ones often.
type bag []byte

func (b *bag) next() int {
	if len(*b) == 0 {
		return 0
	}
	x := (*b)[0]
	*b = (*b)[1:]
	return int(x)
}

var awkward = []float64{0, math.NaN(), math.Inf(1), math.Inf(-1), -1, 1, 0.05, math.SmallestNonzeroFloat64, math.MaxFloat64, 1e15, 1e-9, 0.01, 2, 5, 1e16, -0.02}

func (b *bag) float() float64 {
	switch x := b.next(); {
	case x < 24:
		return awkward[x%len(awkward)]
	case x < 250:
		return []float64{float64(b.next()) / 1000, float64(b.next()), math.Inf(1), 0.95}[x%4]
	}
	var bits [8]byte
	for i := range bits {
		bits[i] = byte(b.next())
	}
	return math.Float64frombits(binary.LittleEndian.Uint64(bits[:]))
}

func (b *bag) decimal() decimal.Decimal {
	switch x := b.next(); {
	case x < 4:
		return decimal.New(int64(b.next())-128, int32(b.next())-128)
	case x < 8:
		return decimal.New(math.MaxInt64-int64(b.next()), int32(x)-40)
	}
	return decimal.New(int64(b.next())*4-200, -3)
}

func (b *bag) index(n int) int {
	x := b.next()
	if x < 8 || n == 0 {
		return x - 4
	}
	return x % n
}

func (b *bag) shape() Shape {
	x := b.next()
	if x < 8 {
		return Shape(x)
	}
	return Normal + Shape(x%5)
}

func (b *bag) name() string { return []string{"a", "b", "c", "a", "b", "c", "a", "b", ""}[b.next()%9] }

func (b *bag) budget() Budget {
	var out Budget
	terms, causes := b.next()%4, b.next()%5
	for range terms {
		out.Terms = append(out.Terms, Weight{"t", b.float()})
	}
	for i := range causes {
		c := Cause{fmt.Sprint(i), b.float(), b.float(), b.shape(), nil}
		for range b.next() % 3 {
			c.Effects = append(c.Effects, Effect{b.index(terms), b.float()})
		}
		out.Causes = append(out.Causes, c)
	}
	for range b.next() % 3 {
		out.Correlations = append(out.Correlations, Correlation{b.index(causes), b.index(causes), b.float()})
	}
	for range b.next() % 2 {
		out.Products = append(out.Products, Product{b.index(causes), b.index(causes), b.float()})
	}
	return out
}

func (b *bag) estimate() Estimate {
	e := Estimate{b.decimal(), b.float(), b.float(), nil, nil}
	for range b.next() % 3 {
		e.Flat = append(e.Flat, b.float())
	}
	return e
}

func (b *bag) window() Window { return Window{b.decimal(), b.decimal(), b.decimal()} }

func (b *bag) rule() Rule { return Rule{Edition(1 + b.next()%5%3), b.float()} }

func (b *bag) spread() Spread { return Spread{b.float(), b.float(), b.shape(), ""} }

// fieldError accepts a refusal that names its field, and nothing else.
func fieldError(t *testing.T, err error) bool {
	t.Helper()
	if err == nil {
		return false
	}
	var e *FieldError
	require.ErrorAs(t, err, &e)
	require.NotEmpty(t, e.Field)
	require.NotEmpty(t, e.Problem)
	return true
}

func finite(t *testing.T, xs ...float64) {
	t.Helper()
	for _, x := range xs {
		require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%v", xs)
	}
}

func sensible(t *testing.T, u Uncertainty) {
	t.Helper()
	finite(t, u.U, u.K, u.Expanded)
	require.GreaterOrEqual(t, u.U, 0.0)
	require.GreaterOrEqual(t, u.Expanded, 0.0)
	require.GreaterOrEqual(t, u.Freedom, 1.0)
	require.GreaterOrEqual(t, u.FreedomUsed, 1.0)
	for _, l := range u.Lines {
		finite(t, l.Share, l.Contribution)
	}
}

func decided(t *testing.T, c Conformity) {
	t.Helper()
	finite(t, c.Guard, c.Inside, c.TooTight, c.TooLoose)
	require.Contains(t, []Outcome{ShownInside, NotShown, ShownOutside}, c.Outcome)
	require.InDelta(t, 1, c.Inside+c.TooTight+c.TooLoose, 1e-5)
}

func seed(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte{1, 2, 5, 240, 1, 1, 1, 0, 5, 6, 5, 2, 1, 1, 5, 1, 3, 200, 17, 5, 5, 1, 2, 1, 1, 5, 0, 0})
	for i := range byte(12) {
		b := make([]byte, 60)
		for j := range b {
			b[j] = byte(j*j)*7 + i*31 + byte(j)*i
		}
		f.Add(b)
	}
}

func FuzzBudget(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		b := bag(data)
		budget, p := b.budget(), b.float()
		if u, err := budget.Combine(p); !fieldError(t, err) {
			sensible(t, u)
			_, err := Conform(u.Estimate(decimal.Zero), Window{Most: d("1")}, rule2017)
			require.NoError(t, err)
			_, rounded, err := Rounded(decimal.Zero, u.Expanded)
			require.NoError(t, err)
			require.False(t, rounded.IsNegative())
		}
		if s, err := budget.MonteCarlo(20+b.next(), 1); !fieldError(t, err) {
			low, high := s.Interval(0.9)
			require.LessOrEqual(t, low, high)
		}
		other := b.budget()
		if got, err := Fuse(Evidence{b.decimal(), budget}, Evidence{b.decimal(), other}, p); !fieldError(t, err) {
			sensible(t, got.Uncertainty)
			require.True(t, got.WeightDirect >= 0 && got.WeightDirect <= 1)
		}
		act := Act{Name: b.name(), Minutes: b.float(), Direct: b.next()%2 == 0, Removes: []string{"0"}, Adds: other.Causes}
		got, err := WhatNext(budget, b.decimal(), b.window(), b.rule(), p, []Act{act})
		if !fieldError(t, err) {
			decided(t, got[0].Now)
			decided(t, got[0].AtBest)
		}
	})
}

func FuzzConform(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		b := bag(data)
		e, w, r := b.estimate(), b.window(), b.rule()
		if got, err := Conform(e, w, r); !fieldError(t, err) {
			decided(t, got)
		}
		if got, err := CanShow(e, w, r); !fieldError(t, err) {
			decided(t, got)
		}
		if en, err := En(b.decimal(), b.float(), b.decimal(), b.float()); !fieldError(t, err) {
			require.False(t, math.IsNaN(en))
		}
		_, c, err := Feeler("f", b.decimal(), b.decimal(), b.decimal())
		if !fieldError(t, err) {
			finite(t, c.U)
		}
		_, _, err = TrialBuild(b.decimal(), b.decimal(), b.decimal())
		fieldError(t, err)
		_, err = BladesFor(b.decimal(), b.float(), []decimal.Decimal{b.decimal(), b.decimal()})
		fieldError(t, err)
		_, err = ShaftBend(b.decimal())
		fieldError(t, err)
		_, u, err := Rounded(b.decimal(), b.float())
		if !fieldError(t, err) {
			require.False(t, u.IsNegative())
		}
		_, err = FreedomOf(b.float())
		fieldError(t, err)
	})
}

func FuzzInstruments(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		b := bag(data)
		var terms []Measured
		var known []UseErrors
		for range b.next() % 3 {
			k := UseErrors{b.name(), "depth", b.float(), b.float(), b.float(), nil}
			for range b.next() % 3 {
				k.Points = append(k.Points, Point{b.name(), b.decimal(), b.decimal(), b.float(), b.float(), b.float(), b.shape()})
			}
			known = append(known, k)
		}
		for i := range b.next() % 4 {
			terms = append(terms, Measured{i, b.float(), b.decimal(), b.name(), "depth"})
		}
		got, err := InstrumentCauses(terms, known)
		if !fieldError(t, err) {
			require.Len(t, got.Corrections, len(terms))
			for _, c := range got.Causes {
				finite(t, c.U)
			}
		}
		p, err := Certified(b.name(), b.decimal(), b.decimal(), b.float(), b.float(), b.float(), b.float())
		if !fieldError(t, err) {
			finite(t, p.U)
		}
		p, err = Checked(b.name(), b.decimal(), b.decimal(), b.float(), b.spread(), b.float(), b.float())
		if !fieldError(t, err) {
			finite(t, p.U)
			require.GreaterOrEqual(t, p.Freedom, 1.0)
		}
		_, err = Zeroing{b.name(), b.float(), b.float(), b.float(), b.spread(), []int{b.index(3)}}.Causes()
		fieldError(t, err)
	})
}

func FuzzThermalAndFit(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		b := bag(data)
		m := []Material{{b.name(), b.float(), b.float(), b.float(), b.shape()}}
		at := []Temperature{{b.name(), b.float(), b.float(), b.float(), b.shape()}}
		_, err := ToReference([]Expanding{{b.index(3), b.decimal(), b.index(1), b.index(1), b.index(1), b.index(1)}}, m, at)
		fieldError(t, err)
		_, err = Growth([]Staying{{b.index(3), b.decimal(), b.index(1), b.index(1)}}, m, at)
		fieldError(t, err)
		_, _, err = Warm(b.float(), b.float(), b.float(), b.float())
		fieldError(t, err)
		h, err := Heat(SeatFit{b.decimal(), b.decimal(), b.decimal(), b.float(), b.float(), []HottestAllowed{{b.name(), b.float()}}})
		if !fieldError(t, err) {
			finite(t, h.Above, h.Celsius)
		}
		p, err := Tighten(Screw{b.float(), b.float(), b.float(), b.float(), b.float()})
		if !fieldError(t, err) {
			finite(t, p.Force, p.Stress, p.StressArea, p.PercentOfProof)
		}
		_, c, err := Squeezed(b.name(), b.decimal(), b.float(), b.float(), b.float(), b.shape())
		if !fieldError(t, err) {
			finite(t, c.U)
		}
		_, err = Movement([]decimal.Decimal{b.decimal(), b.decimal(), b.decimal()}, b.next()%5)
		fieldError(t, err)
		_, err = ToNewtonMetres(b.decimal(), TorqueUnit(b.next()%5))
		fieldError(t, err)
	})
}

func FuzzLikelyFits(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		b := bag(data)
		p := LikelyProblem{Estimate: b.estimate(), Rule: b.rule(), Apart: b.decimal()}
		p.ShimProblem = ShimProblem{Gap: p.Estimate.Value, Window: b.window(), Grain: d("0.01"), Even: b.next()%2 == 0}
		for range b.next() % 5 {
			p.Stock = append(p.Stock, Shim{b.decimal(), b.next() % 4})
			p.ShimU = append(p.ShimU, b.float())
		}
		for i := range 1 + b.next()%2 {
			p.Sides = append(p.Sides, Side{Name: fmt.Sprint(i), Fewest: b.next() % 2, Most: b.next() % 4, Fitted: b.decimal()})
		}
		got, err := method.LikelyFits(p, 3)
		if fieldError(t, err) {
			return
		}
		decided(t, got.AtBest)
		for _, x := range got.Best {
			decided(t, x.Conformity)
			finite(t, x.U)
		}
	})
}

func FuzzMeanUncertainty(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		b := bag(data)
		s, rule, nu := Scatter{b.decimal(), b.decimal()}, ReduceRule{Governs: Governs(b.next() % 4)}, b.float()
		var repeats []Repeat
		for range b.next() % 12 {
			repeats = append(repeats, Repeat{b.next() % 3, b.decimal()})
		}
		r, err := method.Reduce(repeats, s, rule)
		fieldError(t, err)
		got, err := method.MeanUncertainty(r, s, nu, rule)
		if !fieldError(t, err) {
			finite(t, got.U)
			require.Greater(t, got.U, 0.0)
			require.GreaterOrEqual(t, got.Freedom, 1.0)
		}
	})
}
