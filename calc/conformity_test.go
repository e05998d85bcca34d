package calc

import (
	"math"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var (
	rule1998 = Rule{ISO14253y1998, 0.95}
	rule2017 = Rule{ISO14253y2017, 0.95}
)

func normal(value string, u float64) Estimate { return Estimate{d(value), u, certain, nil, nil} }

// window with its aim in the middle.
func window(least, most string) Window {
	return Window{d(least), d(most), d(least).Add(d(most)).Div(d("2"))}
}

func conform(t require.TestingT, e Estimate, w Window, r Rule) Conformity {
	c, err := Conform(e, w, r)
	require.NoError(t, err)
	return c
}

// JCGM 106:2012, Table 1 (from memory, agrees on recomputing): one-sided probability of
// conformance at z standard uncertainties from the limit.
func TestOneSidedConformance(t *testing.T) {
	for _, c := range []struct{ z, p float64 }{{0.84, 0.80}, {1.28, 0.90}, {1.64, 0.95}, {2.33, 0.99}, {3.09, 0.999}} {
		e := Estimate{decimal.NewFromFloat(100 + c.z).Round(9), 1, certain, nil, nil}
		got := conform(t, e, window("100", "900"), rule1998)
		assert.InDelta(t, c.p, got.Inside, 0.001, c.z)
		assert.InDelta(t, 1-c.p, got.TooTight, 0.001, c.z)
		assert.Equal(t, 1.0, got.TooLoose+got.Inside+got.TooTight)
	}
}

// ILAC-G8 and ISO 14253-1, both editions: the multiple of u that is the guard band, and
// the risk of a value at the acceptance limit.
func TestGuardBands(t *testing.T) {
	editions := map[string]Edition{"ILAC-G8:2009 / ISO 14253-1:1998": ISO14253y1998, "ISO 14253-1:2017": ISO14253y2017}
	seen := 0
	for _, row := range reference(t, "guardband_rules.csv") {
		edition, known := editions[row[0]]
		if !known {
			continue
		}
		seen++
		g := float(t, row[2])
		at := decimal.NewFromFloat(100 + g)
		got := conform(t, Estimate{at, 1, certain, nil, nil}, window("100", "900"), Rule{edition, 0.95})
		assert.Equal(t, g, got.Guard)
		assert.InDelta(t, float(t, row[3]), 1-got.Inside, 1e-6)
		assert.Equal(t, ShownInside, got.Outcome)
		just := conform(t, Estimate{at.Sub(d("0.000001")), 1, certain, nil, nil}, window("100", "900"), Rule{edition, 0.95})
		assert.Equal(t, NotShown, just.Outcome)
	}
	assert.Equal(t, 2, seen)
	// JCGM 100:2008, Table G.2, at 5 degrees of freedom: 95.45 % two-sided 2.65, 95 %
	// one-sided (90 % two-sided) 2.02.
	e := Estimate{d("500"), 1, 5.9, nil, nil}
	assert.InDelta(t, 2.65, conform(t, e, window("100", "900"), rule1998).Guard, 0.005)
	assert.InDelta(t, 2.02, conform(t, e, window("100", "900"), rule2017).Guard, 0.006)
}

func TestConform(t *testing.T) {
	for _, c := range []struct {
		name    string
		e       Estimate
		least   string
		most    string
		rule    Rule
		outcome Outcome
		inside  float64
	}{
		{"in the middle, surely", normal("0.1", 0.01), "0.05", "0.15", rule1998, ShownInside, 1},
		{"in the middle, hardly", normal("0.1", 0.0304), "0.05", "0.15", rule1998, NotShown, 0.9},
		{"in the guard band", normal("0.065", 0.01), "0.05", "0.15", rule1998, NotShown, 0.9332},
		{"outside", normal("0.2", 0.01), "0.05", "0.15", rule1998, ShownOutside, 0},
		{"outside below", normal("0", 0.01), "0.05", "0.15", rule1998, ShownOutside, 0},
		{"outside by less than the guard", normal("0.16", 0.01), "0.05", "0.15", rule1998, NotShown, 0.1587},
		{"1.65 u is enough by the later edition", normal("0.068", 0.01), "0.05", "0.15", rule2017, ShownInside, 0.9641},
		{"2 u is not reached by the earlier", normal("0.068", 0.01), "0.05", "0.15", rule1998, NotShown, 0.9641},
		{"the level is asked for too", normal("0.068", 0.01), "0.05", "0.15", Rule{ISO14253y2017, 0.97}, NotShown, 0.9641},
		{"both guard bands fit, both tails do not", normal("0.1", 0.03), "0.05", "0.15", Rule{ISO14253y2017, 0.95}, NotShown, 0.9044},
		{"preload", normal("-0.05", 0.005), "-0.08", "-0.02", rule1998, ShownInside, 1},
		{"no width", normal("0.1", 0.01), "0.1", "0.1", rule1998, NotShown, 0},
		{"no width, exact", normal("0.1", 0), "0.1", "0.1", rule1998, ShownInside, 1},
		{"exact on the limit", normal("0.05", 0), "0.05", "0.15", rule1998, ShownInside, 1},
		{"exact below", normal("0.049", 0), "0.05", "0.15", rule1998, ShownOutside, 0},
		{"exact above", normal("0.151", 0), "0.05", "0.15", rule1998, ShownOutside, 0},
		{"flat, but nothing", Estimate{d("0.1"), 1e-300, certain, []float64{1e-300}, nil}, "0.05", "0.15", rule1998, ShownInside, 1},
		{"flat in part", Estimate{d("0.1"), 0.05 / math.Sqrt(3), certain, []float64{1e-70, 0.05}, nil}, "0.05", "0.15", rule1998, NotShown, 1},
		{"flat", Estimate{d("0.1"), 0.05 / math.Sqrt(3), certain, []float64{0.05}, nil}, "0.05", "0.15", rule1998, NotShown, 1},
	} {
		got := conform(t, c.e, window(c.least, c.most), c.rule)
		assert.Equal(t, c.outcome, got.Outcome, c.name)
		assert.InDelta(t, c.inside, got.Inside, 0.0005, c.name)
		assert.InDelta(t, 1, got.Inside+got.TooTight+got.TooLoose, 1e-12, c.name)
	}
}

func TestConformRefuses(t *testing.T) {
	good, w := normal("0.1", 0.01), window("0.05", "0.15")
	for _, c := range []struct {
		field, problem string
		e              Estimate
		w              Window
		r              Rule
	}{
		{"rule.edition", "is not stated", good, w, Rule{}},
		{"rule.level", "is 0;", good, w, Rule{ISO14253y1998, 0}},
		{"rule.level", "is NaN", good, w, Rule{ISO14253y1998, math.NaN()}},
		{"estimate.value", "million", Estimate{Value: decimal.New(1, 6)}, w, rule1998},
		{"estimate.u", "is -1", Estimate{d("1"), -1, 5, nil, nil}, w, rule1998},
		{"estimate.u", "is not a number", Estimate{d("1"), math.NaN(), 5, nil, nil}, w, rule1998},
		{"estimate.freedom", "is 0", Estimate{d("1"), 1, 0, nil, nil}, w, rule1998},
		{"estimate.flat", "has 5 parts", Estimate{d("1"), 1, 5, make([]float64, 5), nil}, w, rule1998},
		{"estimate.flat", "must be above 0", Estimate{d("1"), 1, 5, make([]float64, 1), nil}, w, rule1998},
		{"estimate.flat", "is not a number", Estimate{d("1"), 1, 5, []float64{math.NaN()}, nil}, w, rule1998},
		{"estimate.flat", "is wider than u of 1", Estimate{d("1"), 1, 5, []float64{2}, nil}, w, rule1998},
		{"window.least", "swap them", good, window("0.15", "0.05"), rule1998},
		{"window.most", "million", good, Window{Most: decimal.New(1, 6)}, rule1998},
	} {
		_, err := Conform(c.e, c.w, c.r)
		refused(t, err, c.field, c.problem)
	}
	_, err := CanShow(good, window("0.15", "0.05"), rule1998)
	refused(t, err, "window.least", "swap them")
}

// Draws say the same as the formula, where there is one, and decide where there is none.
func TestSampleConform(t *testing.T) {
	for _, shape := range []Shape{Normal, Rectangular, ArcSine} {
		b := Budget{Terms: []Weight{{"x", 1}}, Causes: []Cause{{"a", 0.02, certain, shape, on(0, 1)}, {"b", 0.01, certain, Normal, on(0, 1)}}}
		s, err := b.MonteCarlo(200_000, 2)
		require.NoError(t, err)
		u, err := b.Combine(0.95)
		require.NoError(t, err)
		for _, value := range []string{"0.02", "0.06", "0.1", "0.12", "0.3"} {
			got, err := s.Conform(d(value), window("0.05", "0.15"), rule2017)
			require.NoError(t, err)
			assert.InDelta(t, 1, got.Inside+got.TooTight+got.TooLoose, 1e-12)
			want := conform(t, u.Estimate(d(value)), window("0.05", "0.15"), rule2017)
			if shape != ArcSine { // for which an Estimate has no shape
				assert.InDelta(t, want.Inside, got.Inside, 0.005, "%s %s", shape, value)
				assert.InDelta(t, want.TooTight, got.TooTight, 0.005, "%s %s", shape, value)
				assert.Equal(t, want.Outcome, got.Outcome, "%s %s", shape, value)
			}
		}
	}
	s, err := plainly(cause("a", 0)).MonteCarlo(10, 1)
	require.NoError(t, err)
	got, err := s.Conform(d("0.15"), window("0.05", "0.15"), rule2017)
	require.NoError(t, err)
	assert.Equal(t, Conformity{Outcome: ShownInside, Inside: 1}, got)
	_, err = s.Conform(d("0.1"), window("0.05", "0.15"), Rule{})
	refused(t, err, "rule.edition", "is not stated")
	_, err = s.Conform(decimal.New(1, 6), window("0.05", "0.15"), rule2017)
	refused(t, err, "value", "million")
	_, err = s.Conform(d("0.1"), window("0.15", "0.05"), rule2017)
	refused(t, err, "window.least", "swap")
}

// A caliper with ±0.04 mm on its depth rod cannot show a window of 0.10 mm; 0.013 mm can.
func TestCanShow(t *testing.T) {
	for _, c := range []struct {
		u    float64
		want Outcome
	}{{0.04, NotShown}, {0.026, NotShown}, {0.0249, ShownInside}, {0.013, ShownInside}, {0, ShownInside}} {
		got, err := CanShow(normal("17", c.u), window("0.05", "0.15"), rule1998)
		require.NoError(t, err)
		assert.Equal(t, c.want, got.Outcome, c.u)
	}
}

func TestTextOfRules(t *testing.T) {
	for _, e := range []Edition{ISO14253y1998, ISO14253y2017} {
		got, err := ParseEdition(e.String())
		require.NoError(t, err)
		assert.Equal(t, e, got)
	}
	_, err := ParseEdition("2017")
	refused(t, err, "edition", `is "2017"`)
	assert.Equal(t, "ISO 14253-1:2017", ISO14253y2017.String())
	assert.Equal(t, "Edition(0)", Edition(0).String())
	assert.Equal(t, "shown inside", ShownInside.String())
	assert.Equal(t, "not shown", NotShown.String())
	assert.Equal(t, "shown outside", ShownOutside.String())
	assert.Equal(t, "Outcome(0)", Outcome(0).String())
}

func anyEstimate(t *rapid.T) Estimate {
	e := Estimate{decimal.New(rapid.Int64Range(-300, 300).Draw(t, "value"), -3), rapid.Float64Range(0, 0.1).Draw(t, "u"),
		rapid.SampledFrom([]float64{1, 3, 12.7, certain}).Draw(t, "nu"), nil, nil}
	if n := rapid.IntRange(0, 2).Draw(t, "flat parts"); n > 0 && e.U > 0 {
		for range n {
			e.Flat = append(e.Flat, e.U*rapid.Float64Range(0.3, 1/math.Sqrt(float64(n))).Draw(t, "part")*math.Sqrt(3))
		}
	}
	return e
}

// Probabilities add up; turning the chain round exchanges tight and loose; units do not
// matter; a wider window never makes it less likely to be inside, nor the outcome worse.
func TestConformIsIndifferent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := anyEstimate(t)
		least := rapid.Int64Range(-200, 200).Draw(t, "least")
		most := least + rapid.Int64Range(0, 200).Draw(t, "width")
		w := Window{Least: decimal.New(least, -3), Most: decimal.New(most, -3)}
		r := Rule{Edition(rapid.IntRange(1, 2).Draw(t, "edition")), rapid.SampledFrom([]float64{0.5, 0.9, 0.95}).Draw(t, "level")}
		got := conform(t, e, w, r)
		require.InDelta(t, 1, got.Inside+got.TooTight+got.TooLoose, 1e-9)
		turned := e
		turned.Value = e.Value.Neg()
		m := conform(t, turned, Window{Least: w.Most.Neg(), Most: w.Least.Neg()}, r)
		require.InDelta(t, got.TooTight, m.TooLoose, 1e-9)
		require.InDelta(t, got.Inside, m.Inside, 1e-9)
		if math.Abs(got.Inside-r.Level) > 1e-6 && math.Abs(got.Inside+r.Level-1) > 1e-6 {
			require.Equal(t, got.Outcome, m.Outcome)
		}
		wider := conform(t, e, Window{Least: w.Least, Most: decimal.New(most+rapid.Int64Range(0, 50).Draw(t, "more"), -3)}, r)
		require.GreaterOrEqual(t, wider.Inside, got.Inside-1e-9)
		require.True(t, got.Outcome != ShownInside || wider.Outcome == ShownInside)
	})
}

// The folded shape is a distribution: rising, ½ in the middle, and its upper inverts it.
func TestFolded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b belief
		e := Estimate{U: 0, Freedom: certain}
		for range rapid.IntRange(1, 4).Draw(t, "parts") {
			a := rapid.Float64Range(0.01, 3).Draw(t, "a")
			e.Flat = append(e.Flat, a)
			e.U = math.Hypot(e.U, a/math.Sqrt(3))
		}
		e.U = math.Hypot(e.U, rapid.SampledFrom([]float64{0, 1e-9, 0.01, 1, 5}).Draw(t, "rest"))
		b = e.belief()
		x, step := rapid.Float64Range(-12, 12).Draw(t, "x"), rapid.Float64Range(0, 2).Draw(t, "step")
		require.InDelta(t, 0.5, b.below(0), 1e-6)
		require.GreaterOrEqual(t, b.below(x+step), b.below(x)-1e-7)
		require.InDelta(t, 1, b.below(x)+b.below(-x), 1e-6)
		require.InDelta(t, 0.9, b.below(b.upper(0.9)), 1e-6)
		more := b.wider(0.01)
		require.Greater(t, more.u, b.u)
	})
}

// ISO 13528:2022, E.4: |E_n| = 0.46, satisfactory.
func TestEn(t *testing.T) {
	for _, row := range reference(t, "en_examples.csv") {
		got, err := En(d(row[1]), float(t, row[2]), d(row[3]), float(t, row[4]))
		require.NoError(t, err)
		assert.InDelta(t, float(t, row[5]), math.Abs(got), 0.005)
		assert.InDelta(t, float(t, row[6]), got, 0.0001)
	}
	for _, c := range []struct {
		field, problem string
		a, b           decimal.Decimal
		ua, ub         float64
	}{
		{"a", "million", decimal.New(1, 6), d("1"), 1, 1},
		{"b", "million", d("1"), decimal.New(1, 6), 1, 1},
		{"expandeda", "is -1", d("1"), d("1"), -1, 1},
		{"expandedb", "is not a number", d("1"), d("1"), 1, math.NaN()},
		{"expandeda", "nothing to compare", d("1"), d("1"), 0, 0},
	} {
		_, err := En(c.a, c.ua, c.b, c.ub)
		refused(t, err, c.field, c.problem)
	}
}

func TestUnder(t *testing.T) {
	assert.Equal(t, assert.AnError, under("x.", assert.AnError))
	refused(t, under("x.", refuse("y", "is bad")), "x.y", "is bad")
}
