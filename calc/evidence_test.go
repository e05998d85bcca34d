package calc

import (
	"math"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// plainly is a budget of one term with normal causes.
func plainly(causes ...Cause) Budget { return Budget{Terms: []Weight{{"x", 1}}, Causes: causes} }

func cause(name string, u float64) Cause { return Cause{name, u, certain, Normal, on(0, 1)} }

func TestFuse(t *testing.T) {
	for _, c := range []struct {
		name          string
		chain, direct Evidence
		value         string
		u, weight     float64
		agree         bool
	}{
		{"equally good", Evidence{d("0.5"), plainly(cause("a", 0.02))}, Evidence{d("0.52"), plainly(cause("b", 0.02))}, "0.51", 0.02 / math.Sqrt2, 0.5, true},
		{"by inverse variance", Evidence{d("0.5"), plainly(cause("a", 0.03))}, Evidence{d("0.51"), plainly(cause("b", 0.01))}, "0.509", 0.03 / math.Sqrt(10), 0.9, true},
		{"disagreeing", Evidence{d("0.5"), plainly(cause("a", 0.01))}, Evidence{d("0.6"), plainly(cause("b", 0.01))}, "0.6", 0.01, 1, false},
		{"all in common", Evidence{d("0.5"), plainly(cause("a", 0.03))}, Evidence{d("0.51"), plainly(cause("a", 0.03))}, "0.51", 0.03, 1, true},
		{"in common, and more in the chain", Evidence{d("0.5"), plainly(cause("a", 0.03), cause("b", 0.01))}, Evidence{d("0.51"), plainly(cause("a", 0.03))}, "0.51", 0.03, 1, true},
		{"in common, and more in the direct", Evidence{d("0.5"), plainly(cause("a", 0.03))}, Evidence{d("0.51"), plainly(cause("b", 0.01), cause("a", 0.03))}, "0.5", 0.03, 0, true},
		{"partly in common", Evidence{d("0.5"), plainly(cause("a", 0.03), cause("b", 0.02))}, Evidence{d("0.52"), plainly(cause("a", 0.03), cause("c", 0.02))}, "0.51", math.Sqrt(0.0009 + 0.0002), 0.5, true},
		{"exact and equal", Evidence{d("0.5"), plainly(cause("a", 0))}, Evidence{d("0.5"), plainly(cause("b", 0))}, "0.5", 0, 1, true},
		{"exact and not equal", Evidence{d("0.5"), plainly(cause("a", 0))}, Evidence{d("0.6"), plainly(cause("b", 0))}, "0.6", 0, 1, false},
	} {
		got, err := Fuse(c.chain, c.direct, 0.95)
		require.NoError(t, err, c.name)
		assert.InDelta(t, float(t, c.value), got.Value.InexactFloat64(), 1e-9, c.name)
		assert.InDelta(t, c.u, got.Uncertainty.U, 1e-9, c.name)
		assert.InDelta(t, c.weight, got.WeightDirect, 1e-9, c.name)
		assert.Equal(t, c.agree, got.Agree, c.name)
		assert.Equal(t, c.agree, len(got.Findings) == 0, c.name)
	}
	got, err := Fuse(Evidence{d("0.5"), plainly(cause("a", 0.01))}, Evidence{d("0.6"), plainly(cause("b", 0.01))}, 0.95)
	require.NoError(t, err)
	assert.Equal(t, []Finding{{"chain and direct measurement disagree", map[string]string{"en": "-3.608", "chain": "0.5", "direct": "0.6"}}}, got.Findings)
}

// Correlations and products come along, each to its causes.
func TestFuseKeepsAll(t *testing.T) {
	a := Evidence{d("1"), Budget{Terms: []Weight{{"x", 1}}, Causes: []Cause{cause("p", 0.03), cause("q", 0.02), cause("r", 0.01)},
		Correlations: []Correlation{{0, 1, 0.5}}, Products: []Product{{0, 2, 1}}}}
	b := Evidence{d("1"), Budget{Terms: []Weight{{"y", 1}}, Causes: []Cause{cause("q", 0.02), cause("s", 0.03), cause("p", 0.03), cause("t", 0.01)},
		Correlations: []Correlation{{2, 0, 0.5}, {1, 3, -0.5}}, Products: []Product{{0, 1, 2}}}}
	got, err := Fuse(a, b, 0.95)
	require.NoError(t, err)
	w := got.WeightDirect
	assert.Equal(t, []Correlation{{0, 1, 0.5}, {3, 4, -0.5}}, got.Budget.Correlations)
	assert.Equal(t, []Product{{0, 2, 1 - w}, {1, 3, 2 * w}}, got.Budget.Products)
	assert.Equal(t, []Weight{{"x", 1 - w}, {"y", w}}, got.Budget.Terms)
	assert.Equal(t, on(0, 1), a.Budget.Causes[0].Effects, "the input stays")
}

func TestFuseRefuses(t *testing.T) {
	good := Evidence{d("1"), plainly(cause("a", 1), cause("b", 1))}
	linked := good
	linked.Budget.Correlations = []Correlation{{0, 1, 0.5}}
	other := good
	other.Budget.Correlations = []Correlation{{0, 1, 0.4}}
	apart := good
	apart.Budget.Causes = []Cause{cause("a", 1), cause("b", 1), cause("c", 1)}
	apart.Budget.Correlations = []Correlation{{0, 2, 1}}
	chained := apart
	chained.Budget.Correlations = []Correlation{{1, 2, 1}}
	for _, c := range []struct {
		field, problem string
		a, b           Evidence
	}{
		{"chain.value", "million", Evidence{Value: decimal.New(1, 6)}, good},
		{"direct.causes", "are 0", good, Evidence{d("1"), plainly()}},
		{"direct.causes[0]", `is "b" as in the chain, but not the same`, good, Evidence{d("1"), plainly(cause("b", 2))}},
		{"direct.correlations[0]", "is 0.4, but 0.5", linked, other},
		{"correlations", "contradict", Evidence{d("1"), Budget{good.Budget.Terms, apart.Budget.Causes, []Correlation{{0, 2, 1}, {0, 1, -1}, {1, 2, -1}}, nil, nil}}, Evidence{d("1"),
			Budget{good.Budget.Terms, append([]Cause{cause("d", 1)}, apart.Budget.Causes...), []Correlation{{0, 1, 1}, {0, 2, 1}, {1, 2, 1}}, nil, nil}}},
	} {
		_, err := Fuse(c.a, c.b, 0.95)
		if c.field == "correlations" { // the same pair said twice is found first
			refused(t, err, "direct.correlations[2]", "is 1, but -1")
			continue
		}
		refused(t, err, c.field, c.problem)
	}
	// Each is possible, both together are not: d moves with a and with b, which move apart.
	one := Evidence{d("1"), Budget{good.Budget.Terms, good.Budget.Causes, []Correlation{{0, 1, -1}}, nil, nil}}
	two := Evidence{d("1"), Budget{good.Budget.Terms, []Cause{cause("a", 1), cause("d", 1)}, []Correlation{{0, 1, 1}}, nil, nil}}
	_, err := Fuse(one, two, 0.95)
	refused(t, err, "correlations", "contradict")
	_, err = Fuse(good, good, 2)
	refused(t, err, "chain.probability", "is 2")
}

// Fusing is never worse than either, and does not depend on which is which.
func TestFuseNeverHurts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.Float64Range(0.001, 0.1)
		common := cause("common", u.Draw(t, "common"))
		a := Evidence{d("0.5"), plainly(cause("a", u.Draw(t, "a")), common)}
		b := Evidence{d("0.501"), plainly(cause("b", u.Draw(t, "b")), common)}
		got, err := Fuse(a, b, 0.95)
		require.NoError(t, err)
		for _, e := range []Evidence{a, b} {
			alone, err := e.Budget.Combine(0.95)
			require.NoError(t, err)
			require.LessOrEqual(t, got.Uncertainty.U, alone.U*(1+1e-9))
		}
		turned, err := Fuse(b, a, 0.95)
		require.NoError(t, err)
		require.InDelta(t, got.Uncertainty.U, turned.Uncertainty.U, 1e-9)
		require.InDelta(t, got.Value.InexactFloat64(), turned.Value.InexactFloat64(), 2e-9)
	})
}

func TestTrialBuild(t *testing.T) {
	gap, change, err := TrialBuild(d("0.13"), d("0.4"), d("0.1"))
	require.NoError(t, err)
	assert.Equal(t, "0.53", gap.String())
	assert.Equal(t, "0.03", change.String())
	again, none, err := TrialBuild(gap.Sub(d("0.4").Add(change)), d("0.4").Add(change), d("0.1"))
	require.NoError(t, err)
	assert.True(t, gap.Equal(again))
	assert.True(t, none.IsZero())
	_, _, err = TrialBuild(d("0.1"), d("-0.1"), d("0.1"))
	refused(t, err, "fitted", "must be 0 or more")
}

func TestShaftBend(t *testing.T) {
	got, err := ShaftBend(d("0.05"))
	require.NoError(t, err)
	assert.Equal(t, "0.025", got.String())
	_, err = ShaftBend(d("-0.05"))
	refused(t, err, "movement", "must be 0 or more")
}

func TestFeeler(t *testing.T) {
	gap, c, err := Feeler("check gap", d("0.3"), d("0.35"), d("0.005"))
	require.NoError(t, err)
	assert.Equal(t, "0.325", gap.String())
	assert.InDelta(t, 0.03/math.Sqrt(3), c.U, 1e-12)
	assert.Equal(t, Rectangular, c.Shape)
	for _, x := range []struct{ field, passes, stops, tolerance string }{
		{"passes", "0.35", "0.3", "0"}, {"passes", "0.3", "0.3", "0"}, {"passes", "-0.1", "0.3", "0"}, {"tolerance", "0.1", "0.3", "-1"},
	} {
		_, _, err := Feeler("x", d(x.passes), d(x.stops), d(x.tolerance))
		refused(t, err, x.field, "must be")
	}
}

// A chain whose depth rod may be off by 0.04 mm: a zero check is cheap and settles it, a
// trial build too but costs more, another repeat does not help.
func TestWhatNext(t *testing.T) {
	rod := Cause{"depth rod", 0.04 / math.Sqrt(3), certain, Rectangular, on(0, 2)} // two depths
	b := plainly(rod, cause("repeats", 0.004), cause("jaws", 0.006))
	zero := Act{Name: "zero check", Minutes: 2, Removes: []string{"depth rod"}, Adds: []Cause{cause("zero check", 0.004), cause("rest of the rod", 0.008)}}
	trial := Act{Name: "trial build", Minutes: 40, Direct: true, Adds: []Cause{cause("dial", 0.006)}}
	feeler := Act{Name: "feeler", Minutes: 1, Direct: true, Adds: []Cause{{"blades", 0.026, certain, Rectangular, on(0, 1)}}}
	repeat := Act{Name: "repeat", Minutes: 0.5, Removes: []string{"repeats"}, Adds: []Cause{cause("more repeats", 0.003)}}
	got, err := WhatNext(b, d("0.1"), window("0.05", "0.15"), rule1998, 0.95, []Act{trial, repeat, zero, feeler})
	require.NoError(t, err)
	var names []string
	for _, p := range got {
		names = append(names, p.Act.Name)
	}
	assert.Equal(t, []string{"feeler", "zero check", "trial build", "repeat"}, names)
	assert.True(t, got[1].Settles)
	assert.False(t, got[3].Settles)
	assert.False(t, got[3].CouldSettle)
	assert.InDelta(t, math.Sqrt(0.004*0.004*2+0.006*0.006+0.008*0.008), got[1].Uncertainty.U, 1e-9)
	assert.Greater(t, got[2].LessThanNow, 0.7)
	// At the edge of the window a better measurement cannot show it, but another pack can.
	got, err = WhatNext(b, d("0.056"), window("0.05", "0.15"), rule1998, 0.95, []Act{zero, repeat})
	require.NoError(t, err)
	assert.False(t, got[0].Settles)
	assert.True(t, got[0].CouldSettle)
	exact, err := WhatNext(plainly(cause("a", 0)), d("0.1"), window("0.05", "0.15"), rule1998, 0.95, []Act{{Name: "nothing"}})
	require.NoError(t, err)
	assert.Zero(t, exact[0].LessThanNow)
}

func TestWhatNextKeepsTheRest(t *testing.T) {
	b := Budget{Terms: []Weight{{"x", 1}}, Causes: []Cause{cause("a", 1), cause("b", 1), cause("c", 1), cause("d", 1)},
		Correlations: []Correlation{{0, 1, 0.5}, {1, 2, 0.5}}, Products: []Product{{0, 3, 1}, {2, 3, 2}}}
	got := b.without(map[int]bool{0: true}, []Cause{cause("e", 1)})
	assert.Equal(t, []Correlation{{0, 1, 0.5}}, got.Correlations)
	assert.Equal(t, []Product{{1, 2, 2}}, got.Products)
	assert.Len(t, got.Causes, 4)
}

func TestWhatNextRefuses(t *testing.T) {
	b := plainly(cause("a", 1))
	w := window("0.05", "0.15")
	for _, c := range []struct {
		field, problem string
		b              Budget
		value          decimal.Decimal
		w              Window
		act            Act
	}{
		{"causes", "are 0", plainly(), d("1"), w, Act{}},
		{"estimate.value", "million", b, decimal.New(1, 6), w, Act{}},
		{"window.least", "swap", b, d("1"), window("1", "0"), Act{}},
		{"acts[0].minutes", "is -1", b, d("1"), w, Act{Minutes: -1}},
		{"acts[0].minutes", "is not a number", b, d("1"), w, Act{Minutes: math.NaN()}},
		{"acts[0].removes[0]", `is "z"; the budget has no such`, b, d("1"), w, Act{Removes: []string{"z"}}},
		{"acts[0].causes", "are 0", b, d("1"), w, Act{Removes: []string{"a"}}},
		{"acts[0].direct.causes[0].name", "is missing", b, d("1"), w, Act{Direct: true, Adds: []Cause{{}}}},
	} {
		_, err := WhatNext(c.b, c.value, c.w, rule1998, 0.95, []Act{c.act})
		refused(t, err, c.field, c.problem)
	}
	_, err := WhatNext(b, d("1"), w, Rule{}, 0.95, nil)
	refused(t, err, "rule.edition", "is not stated")
}

// Without the squeezed thickness of the gasket nothing is shown inside, whatever is done
// to the instruments; a trial build, which has the gasket in it, can show it.
func TestUnstatedInputs(t *testing.T) {
	chain := plainly(cause("repeats", 0.004))
	chain.Unstated = []string{"crush of the gasket"}
	u, err := chain.Combine(0.95)
	require.NoError(t, err)
	e, w := u.Estimate(d("0.1")), window("0.05", "0.15")
	assert.Equal(t, NotShown, conform(t, e, w, rule2017).Outcome)
	assert.Greater(t, conform(t, e, w, rule2017).Inside, 0.99)
	far := e
	far.Value = d("0.3")
	assert.Equal(t, ShownOutside, conform(t, far, w, rule2017).Outcome)
	s, err := chain.MonteCarlo(1000, 1)
	require.NoError(t, err)
	c, err := s.Conform(d("0.1"), w, rule2017)
	require.NoError(t, err)
	assert.Equal(t, NotShown, c.Outcome)
	trial := Act{Name: "trial build", Direct: true, Adds: []Cause{cause("dial", 0.008)}}
	better := Act{Name: "better caliper", Removes: []string{"repeats"}, Adds: []Cause{cause("repeats", 0.001)}}
	next, err := WhatNext(chain, d("0.1"), w, rule2017, 0.95, []Act{better, trial})
	require.NoError(t, err)
	assert.Equal(t, "trial build", next[0].Act.Name)
	assert.True(t, next[0].Settles)
	assert.False(t, next[1].CouldSettle)
	fused, err := Fuse(Evidence{d("0.5"), chain}, Evidence{d("0.505"), plainly(cause("dial", 0.008))}, 0.95)
	require.NoError(t, err)
	assert.True(t, fused.Agree)
	assert.Equal(t, 1.0, fused.WeightDirect)
	assert.InDelta(t, 0.008, fused.Uncertainty.U, 1e-12)
	p := likely("0.5", 0.004, certain, shims("0.2", 2), twoUpTo(1), true)
	p.Estimate.Unstated = chain.Unstated
	got := likelyFits(t, p, 1)
	assert.Equal(t, NotShown, got.Best[0].Conformity.Outcome)
	assert.Equal(t, []string{LimitUnstated}, got.Limits)
	p.ShimU = []float64{0.001}
	assert.Equal(t, NotShown, likelyFits(t, p, 1).Best[0].Conformity.Outcome)
}

func TestBladesFor(t *testing.T) {
	blades := []decimal.Decimal{d("0.35"), d("0.05"), d("0.25"), d("0.3"), d("0.2"), d("0.4")}
	for _, c := range []struct {
		gap           string
		u             float64
		passes, stops string
	}{
		{"0.3", 0, "0.25", "0.35"}, {"0.3", 0.05, "0.25", "0.35"}, {"0.3", 0.06, "0.2", "0.4"}, {"0.31", 0.001, "0.3", "0.35"},
		{"0.5", 0.01, "0.4", ""}, {"0.04", 0.001, "", "0.05"}, {"-0.1", 0.01, "", "0.05"},
	} {
		got, err := BladesFor(d(c.gap), c.u, blades)
		require.NoError(t, err)
		text := func(x decimal.NullDecimal) string {
			if !x.Valid {
				return ""
			}
			return x.Decimal.String()
		}
		assert.Equal(t, []string{c.passes, c.stops}, []string{text(got.Passes), text(got.Stops)}, "%+v", c)
	}
	_, err := BladesFor(decimal.New(1, 6), 0, nil)
	refused(t, err, "gap", "million")
	_, err = BladesFor(d("1"), -1, nil)
	refused(t, err, "expanded", "is -1")
	_, err = BladesFor(d("1"), 0, []decimal.Decimal{d("1"), d("0")})
	refused(t, err, "blades[1]", "must be above 0")
}
