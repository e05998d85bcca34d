package calc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// What lies exactly on a limit counts as the words at it say: "up to" and "or more"
// include it, "above" and "below" do not.
func TestOnTheLimit(t *testing.T) {
	budget := func(change func(b *Budget)) error {
		b := plainly(cause("a", 1), cause("b", 1))
		change(&b)
		_, err := b.Combine(0.95)
		return err
	}
	many := func(n int) []Cause {
		var out []Cause
		for i := range n {
			out = append(out, cause(fmt.Sprint(i), 1))
		}
		return out
	}
	conformed := func(e Estimate, r Rule) error { _, err := Conform(e, usual, r); return err }
	seat := func(alpha float64) error {
		_, err := Heat(SeatFit{d("30"), d("29.98"), d("0"), alpha, 20, nil})
		return err
	}
	screw := func(s Screw) error { _, err := Tighten(s); return err }
	squeezed := func(f float64) error { _, _, err := Squeezed("x", d("0.3"), f, 0, certain, Normal); return err }
	moved := func(n, width int) error { _, err := Movement(make([]decimal.Decimal, n), width); return err }
	rounded := func(v decimal.Decimal) error { _, _, err := Rounded(v, 1); return err }
	draws := func(n int) error { _, err := plainly(cause("a", 1)).MonteCarlo(n, 1); return err }
	depth := func(rest, reach float64) error {
		_, err := InstrumentCauses(nil, []UseErrors{{"c", "depth", 0.04, rest, 0, []Point{{"p", d("0"), d("0"), reach, 0, certain, Normal}}}})
		return err
	}
	reduced := func(n int, resolution string) error {
		repeats := make([]Repeat, n)
		_, err := method.Reduce(repeats, Scatter{d(resolution), d("0.01")}, ReduceRule{PlacesDiffer: decimal.NewNullDecimal(decimal.Zero)})
		return err
	}
	fits := func(most int) error {
		_, err := method.LikelyFits(likely("0.5", 0.01, 5, nil, twoUpTo(1), false), most)
		return err
	}
	for _, c := range []struct {
		name string
		err  error
		ok   bool
	}{
		{"u as big as may be", budget(func(b *Budget) { b.Causes = []Cause{cause("a", biggest)} }), true},
		{"u that comes to more", budget(func(b *Budget) { b.Causes = []Cause{cause("a", biggest), cause("b", biggest)} }), false},
		{"a thousand causes", budget(func(b *Budget) { b.Causes = many(1000) }), true},
		{"one more", budget(func(b *Budget) { b.Causes = many(1001) }), false},
		{"a thousand terms", budget(func(b *Budget) { b.Terms = make([]Weight, 1000) }), true},
		{"one more", budget(func(b *Budget) { b.Terms = make([]Weight, 1001) }), false},
		{"a correlation with the last cause", budget(func(b *Budget) { b.Correlations = []Correlation{{1, 0, 0.5}} }), true},
		{"with one after it", budget(func(b *Budget) { b.Correlations = []Correlation{{2, 0, 0.5}} }), false},
		{"with one after it", budget(func(b *Budget) { b.Correlations = []Correlation{{0, 2, 0.5}} }), false},
		{"a full correlation", budget(func(b *Budget) { b.Correlations = []Correlation{{1, 0, -1}} }), true},
		{"a term after the last", budget(func(b *Budget) { b.Causes[0].Effects = on(1, 1) }), false},
		{"four flat parts", conformed(Estimate{d("0.1"), 1, certain, []float64{0.1, 0.1, 0.1, 0.1}, nil}, rule2017), true},
		{"five", conformed(Estimate{d("0.1"), 1, certain, []float64{0.1, 0.1, 0.1, 0.1, 0.1}, nil}, rule2017), false},
		{"a flat part that is all of u", conformed(Estimate{d("0.1"), 0.01, certain, []float64{0.01 * math.Sqrt(3)}, nil}, rule2017), true},
		{"and a little more", conformed(Estimate{d("0.1"), 0.01, certain, []float64{0.0100001 * math.Sqrt(3)}, nil}, rule2017), false},
		{"the same of a u of metres", conformed(Estimate{d("0.1"), 1000, certain, []float64{1000.01 * math.Sqrt(3)}, nil}, rule2017), false},
		{"an even chance", conformed(normal("0.1", 0.01), Rule{ISO14253y2017, 0.5}), true},
		{"certainty", conformed(normal("0.1", 0.01), Rule{ISO14253y2017, 1}), false},
		{"the greatest expansion", seat(1e-3), true},
		{"the least expansion", seat(1e-7), true},
		{"half the diameter as pitch", screw(Screw{6, 3, 10, 0.2, 0}), true},
		{"a tiny screw", screw(Screw{1e-9, 1e-9 / 2, 1, 1, 0}), false},
		{"tiny numbers", screw(Screw{6, 1, 1e-9, 1e-9, 1e-9}), true},
		{"tinier", screw(Screw{6, 1, 1, 1, 0.9e-9}), false},
		{"nothing squeezed", squeezed(0), true},
		{"all of it", squeezed(1), false},
		{"the widest median", moved(99, 99), true},
		{"wider", moved(101, 101), false},
		{"a million", moved(1_000_000, 1), true},
		{"one more", moved(1_000_001, 1), false},
		{"twelve zeros", rounded(decimal.New(1, 12)), true},
		{"thirteen", rounded(decimal.New(1, 13)), false},
		{"four hundred digits", rounded(decimal.New(1, -400)), true},
		{"and one", rounded(decimal.New(1, -401)), false},
		{"four hundred digits", rounded(decimal.New(1, 0).Shift(399).Add(decimal.New(1, 0))), true},
		{"and one", rounded(decimal.New(1, 0).Shift(400).Add(decimal.New(1, 0))), false},
		{"two draws", draws(2), true},
		{"one", draws(1), false},
		{"a rest as large as the limit", depth(0.04, 1), true},
		{"no rest", depth(0, 1), false},
		{"a point that reaches only itself", depth(0.01, 0), true},
		{"four thousand repeats", reduced(4000, "0.01"), true},
		{"one more", reduced(4001, "0.01"), false},
		{"a nanometre", reduced(1, "0.000001"), true},
		{"less", reduced(1, "0.000000999"), false},
		{"a thousand fits", fits(1000), true},
		{"one more", fits(1001), false},
	} {
		if c.ok {
			assert.NoError(t, c.err, c.name)
		} else {
			assert.Error(t, c.err, c.name)
		}
	}
}

// Both must be met at equality: the guard band by the value, the level by the probability.
func TestOutcomeOnTheLimit(t *testing.T) {
	for _, c := range []struct {
		low, high, guard, inside float64
		want                     Outcome
	}{
		{0.02, 0.08, 0.02, 0.96, ShownInside},
		{0.08, 0.02, 0.02, 0.96, ShownInside},
		{0.05, 0.05, 0.02, 0.95, ShownInside},
		{0.019, 0.081, 0.02, 0.96, NotShown},
		{0.081, 0.019, 0.02, 0.96, NotShown},
		{0.05, 0.05, 0.02, 0.94, NotShown},
		{-0.02, 0.12, 0.02, 0.01, NotShown},
		{0.12, -0.02, 0.02, 0.01, NotShown},
		{-0.021, 0.121, 0.02, 0.01, ShownOutside},
		{0.121, -0.021, 0.02, 0.01, ShownOutside},
		{-0.03, 0.13, 0.02, 0.2, NotShown},
		{-0.03, 0.13, 0.02, 0.0625, ShownOutside},
	} {
		level := 0.95
		if c.inside == 0.0625 {
			level = 0.9375 // 1 − inside exactly
		}
		assert.Equal(t, c.want, Rule{ISO14253y2017, level}.outcome(c.low, c.high, c.guard, c.inside, false), "%+v", c)
	}
}

// E_n of exactly 1 is agreement.
func TestAgreementOnTheLimit(t *testing.T) {
	en, agree := agreement(5_000_000_000, 3, 4) // 5 mm, and √(3² + 4²) mm
	assert.Equal(t, 1.0, en)
	assert.True(t, agree)
	_, agree = agreement(-5_000_000_001, 3, 4)
	assert.False(t, agree)
}

// What is just big enough to have a shape has it.
func TestBeliefOnTheLimit(t *testing.T) {
	b := Estimate{U: nothing, Freedom: certain, Flat: []float64{nothing}}.belief()
	assert.Equal(t, nothing, b.u)
	assert.Equal(t, 1, b.n)
	b = Estimate{U: 2, Freedom: certain, Flat: []float64{2 * shapeless, 1}}.belief()
	assert.Equal(t, 2, b.n)
	assert.InDelta(t, math.Sqrt(4-(0.02*0.02+1)/3), b.sigma, 1e-12)
	assert.Zero(t, Estimate{U: nothing / 2, Freedom: certain}.belief().u)
	assert.Equal(t, 1, Estimate{U: 2, Freedom: certain, Flat: []float64{1.9 * shapeless, 1}}.belief().n)

	u, err := plainly(Cause{"flat", nothing, certain, Rectangular, on(0, 1)}).Combine(0.95)
	require.NoError(t, err)
	assert.InEpsilon(t, nothing*math.Sqrt(3)*0.95, u.Expanded, 1e-6)
}

// A third of u² does not dominate, more does; and a product that others are part of does
// not keep a cause from being folded.
func TestDominatesAboveAThird(t *testing.T) {
	flat := func(name string, u float64) Cause { return Cause{name, u, certain, Rectangular, on(0, 1)} }
	u, err := plainly(flat("a", 1), flat("b", 1), flat("c", 1)).Combine(0.95)
	require.NoError(t, err)
	assert.Empty(t, u.Dominant)
	assert.Equal(t, ByStudent, u.Way)
	b := plainly(flat("a", 1), cause("b", 0.1), cause("c", 0.1))
	b.Products = []Product{{1, 2, 1}}
	u, err = b.Combine(0.95)
	require.NoError(t, err)
	assert.Equal(t, []string{"a"}, u.Dominant)
	assert.Equal(t, ByConvolution, u.Way)
	for _, p := range []Product{{0, 1, 1}, {1, 0, 1}} {
		b.Products = []Product{p}
		u, err = b.Combine(0.95)
		require.NoError(t, err)
		assert.Equal(t, ByDraws, u.Way)
	}
}

// A product has the square p²·u_a²·u_b², half of it for each of its two, and the fewest
// degrees of freedom of them: with u of 3 and 2 and p = 1/4 it is 2.25, beside 9 and 4.
func TestProductInTheBudget(t *testing.T) {
	b := plainly(Cause{"a", 3, 10, Normal, on(0, 1)}, Cause{"b", 2, 5, Normal, on(0, 1)})
	b.Products = []Product{{0, 1, 0.25}}
	_, u, err := b.uncovered()
	require.NoError(t, err)
	assert.InDelta(t, math.Sqrt(15.25), u.U, 1e-12)
	assert.InDelta(t, 15.25*15.25/(81.0/10+16.0/5+2.25*2.25/5), u.Freedom, 1e-9)
	assert.Equal(t, []string{"a", "b"}, []string{u.Lines[0].Name, u.Lines[1].Name})
	assert.InDelta(t, (9+1.125)/15.25, u.Lines[0].Share, 1e-12)
	assert.InDelta(t, (4+1.125)/15.25, u.Lines[1].Share, 1e-12)
	assert.Empty(t, u.Dominant)
	b.Products[0].By = -1
	u, err = b.Combine(0.95)
	require.NoError(t, err)
	assert.Equal(t, []string{"a × b"}, u.Dominant)
}

// A budget in which nothing acts has shares of 0, not of 0/0.
func TestNothingActs(t *testing.T) {
	u, err := plainly(Cause{"a", 1, 5, Normal, nil}, cause("b", 0)).Combine(0.95)
	require.NoError(t, err)
	assert.Zero(t, u.U)
	for _, l := range u.Lines {
		assert.Equal(t, 0.0, l.Share)
	}
}

// Drawn coverage reaches to the further of the two ends, whichever it is.
func TestDrawnCoverageReachesBothEnds(t *testing.T) {
	b := plainly(Cause{"a", 1, certain, ArcSine, on(0, 1)})
	s, err := b.MonteCarlo(ownDraws, ownSeed)
	require.NoError(t, err)
	lower, upper := 0, 0
	for p := 0.05; p < 1; p += 0.05 {
		low, high := s.Interval(p)
		u, err := b.Combine(p)
		require.NoError(t, err)
		require.Equal(t, math.Max(-low, high), u.Expanded)
		if -low > high {
			lower++
		} else {
			upper++
		}
	}
	assert.Positive(t, lower)
	assert.Positive(t, upper)
}

// The root of a correlation matrix, times itself transposed, is the matrix; of one of
// full correlations too.
func TestRootOfCorrelations(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 7))
	for i := range 200 {
		n := 2 + random.IntN(5)
		vectors := make([][]float64, n)
		for j := range vectors {
			size := 0.0
			vectors[j] = make([]float64, n-i%2) // every other has one dimension too few
			for k := range vectors[j] {
				vectors[j][k] = random.NormFloat64()
				size += vectors[j][k] * vectors[j][k]
			}
			for k := range vectors[j] {
				vectors[j][k] /= math.Sqrt(size)
			}
		}
		r, want := make([][]float64, n), make([][]float64, n)
		for j := range r {
			r[j], want[j] = make([]float64, n), make([]float64, n)
			for k := range r {
				for x := range vectors[j] {
					r[j][k] += vectors[j][x] * vectors[k][x]
				}
				want[j][k] = r[j][k]
			}
		}
		require.True(t, root(r))
		for j := range r {
			for k := range r {
				got := 0.0
				for x := range n {
					got += r[j][x] * r[k][x]
				}
				require.InDelta(t, want[j][k], got, 1e-4)
				require.True(t, k <= j || r[j][k] == 0)
			}
		}
	}
	// A pivot that is 0 but for rounding: what is left of its column must be so too.
	nearly := func(left float64) bool {
		return root([][]float64{{1, 1 - 1e-10, 0.5}, {1 - 1e-10, 1, 0.5 + left}, {0.5, 0.5 + left, 1}})
	}
	assert.True(t, nearly(2e-5))
	assert.False(t, nearly(4e-5))
}

// Two digits, and no more of the value than they warrant; what a float64 has beyond its
// 12 digits is not meant.
func TestRoundedTo(t *testing.T) {
	for _, c := range []struct {
		value    string
		expanded float64
		want, u  string
		places   int32
	}{
		{"1.23456", 0.0996, "1.23", "0.1", 2},
		{"1.23456", 0.0991, "1.23", "0.1", 2},
		{"1.23456", 0.099, "1.235", "0.099", 3},
		{"1.23456", 0.10000000000004, "1.23", "0.1", 2},
		{"1.23456", 0.1000000004, "1.23", "0.11", 2},
		{"123456", 996, "123500", "1000", -2},
	} {
		value, u, err := Rounded(d(c.value), c.expanded)
		require.NoError(t, err)
		assert.Equal(t, c.want, value.String(), "%v", c.expanded)
		assert.Equal(t, c.u, u.String(), "%v", c.expanded)
		assert.Equal(t, -c.places, u.Exponent(), "%v", c.expanded)
	}
}

// Even of u as small as a micrometre a half and a half are weighed, and the terms of a
// direct measurement keep their places.
func TestFuseSmall(t *testing.T) {
	direct := Budget{Terms: []Weight{{"x", 2}, {"y", 5}}, Causes: []Cause{{"b", 0.0002, certain, Normal, on(1, 1)}}}
	got, err := Fuse(Evidence{d("0.1"), plainly(cause("a", 0.001))}, Evidence{d("0.1002"), direct}, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 0.5, got.WeightDirect, 1e-9)
	assert.Equal(t, "0.1001", got.Value.String())
	assert.InDelta(t, 0.001/math.Sqrt2, got.Uncertainty.U, 1e-12)
	assert.Equal(t, []Weight{{"x", 0.5}, {"x", 1}, {"y", 2.5}}, got.Budget.Terms)
}

// Two that share all causes leave nothing to weigh: the direct one counts, also if it is
// worse by a hair.
func TestNothingToWeigh(t *testing.T) {
	for _, ub := range []float64{1, 1 + 1e-5, 1 - 1e-5} {
		half := (1 + ub) / 2
		assert.Equal(t, 1.0, weightOfSecond(1, ub*ub, half*half), "%v", ub)
	}
	assert.InDelta(t, 0.5, weightOfSecond(1e-6, 1e-6, 0.5e-6), 1e-12)
	assert.InDelta(t, 0.2, weightOfSecond(1, 4, 5.0/4), 1e-12)
	assert.Equal(t, 0.0, weightOfSecond(1, 4, 9.0/4-0.1))
}

// A flat part that is all of u is so for any u: what rounding makes of the rest is nothing.
func TestFlatIsAllOfAnyU(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 1))
	for range 200 {
		u := math.Exp(30 * random.Float64()) // up to 10¹³
		_, _, err := Estimate{d("0.1"), u, certain, []float64{u * math.Sqrt(3)}, nil}.check("e")
		require.NoError(t, err, "%v", u)
	}
}

// An act that leaves three quarters of u makes it smaller by one.
func TestActMakesSmallerBy(t *testing.T) {
	b := plainly(cause("a", 0.03), cause("b", 0.04))
	next, err := WhatNext(b, d("0.1"), usual, rule2017, 0.95, []Act{{Name: "x", Removes: []string{"a", "b"}, Adds: []Cause{cause("c", 0.0375)}}})
	require.NoError(t, err)
	assert.InDelta(t, 0.25, next[0].LessThanNow, 1e-12)
}

// A limit in the way is one that would be exceeded.
func TestHeatToTheLimit(t *testing.T) {
	f := SeatFit{d("10.01"), d("10"), d("0"), 1e-5, 20, []HottestAllowed{{"seal", 120}}}
	got, err := Heat(f)
	require.NoError(t, err)
	assert.InDelta(t, 100, got.Above, 1e-9)
	f.Limits[0].Celsius = got.Celsius
	got, err = Heat(f)
	require.NoError(t, err)
	assert.True(t, got.Allowed)
	f.Limits[0].Celsius = math.Nextafter(got.Celsius, 0)
	got, err = Heat(f)
	require.NoError(t, err)
	assert.False(t, got.Allowed)
}

// What more is squeezed leaves less: the effect of the fraction is minus the thickness.
func TestSqueezedEffect(t *testing.T) {
	_, c, err := Squeezed("crush", d("0.3"), 0.2, 0.05, 8, Normal)
	require.NoError(t, err)
	require.Len(t, c.Effects, 1)
	assert.InDelta(t, -0.3, c.Effects[0].By, 1e-12)
}

// The nearest point is relied on, of two as near the better known, of two alike the first;
// the scale counts from it.
func TestWhichPointIsReliedOn(t *testing.T) {
	block := func(name, at string, u float64) Point { return Point{name, d(at), d("0"), 5, u, certain, Normal} }
	term := []Measured{{0, 1, d("30"), "caliper", "depth"}}
	for _, c := range []struct {
		name   string
		points []Point
		want   string
		by     float64
	}{
		{"nearer", []Point{block("far", "26", 0.001), block("near", "31", 0.002)}, "near", -1},
		{"nearer, listed first", []Point{block("near", "31", 0.002), block("far", "26", 0.001)}, "near", -1},
		{"better known", []Point{block("worse", "28", 0.002), block("better", "32", 0.001)}, "better", -2},
		{"better known, listed first", []Point{block("better", "28", 0.001), block("worse", "32", 0.002)}, "better", 2},
		{"alike", []Point{block("first", "28", 0.001), block("second", "32", 0.001)}, "first", 2},
		{"just reached", []Point{block("reached", "25", 0.001)}, "reached", 5},
		{"just not", []Point{block("not", "24.999999999", 0.001)}, "limit", 0},
	} {
		got, err := InstrumentCauses(term, []UseErrors{{"caliper", "depth", 0.04, 0.01, 0.0001, c.points}})
		require.NoError(t, err)
		assert.Equal(t, c.want, got.Splits[0].How, c.name)
		at := slices.IndexFunc(got.Causes, func(c Cause) bool { return c.Name == "caliper, scale" })
		if c.by == 0 {
			assert.Negative(t, at, c.name)
			continue
		}
		assert.InDelta(t, c.by, got.Causes[at].Effects[0].By, 1e-9, c.name)
	}
	got, err := InstrumentCauses(term, []UseErrors{{"caliper", "depth", 0.04, 0.01, 0, []Point{block("p", "28", 0.001)}}})
	require.NoError(t, err)
	assert.Len(t, got.Causes, 2, "an exact scale is no cause")
	got, err = InstrumentCauses([]Measured{{0, 0, d("30"), "caliper", "depth"}}, []UseErrors{{"caliper", "depth", 0.04, 0.01, 0, nil}})
	require.NoError(t, err)
	assert.Equal(t, "caliper, depth, limit, added", got.Causes[0].Name)
}

// An error is beyond its limit, and two disagree, if by more than 2u.
func TestPointsBeyond(t *testing.T) {
	findings := func(limit float64, points ...Point) []string {
		got, err := InstrumentCauses(nil, []UseErrors{{"caliper", "depth", limit, 0.01, 0, points}})
		require.NoError(t, err)
		var out []string
		for _, f := range got.Findings {
			out = append(out, f.Code)
		}
		return out
	}
	point := func(found string, u float64) Point { return Point{"p", d("0"), d(found), 1, u, certain, Normal} }
	assert.Empty(t, findings(0.5, point("0.75", 0.125)))
	assert.Empty(t, findings(0.5, point("-0.75", 0.125)))
	assert.Equal(t, []string{codeBeyond}, findings(0.5, point("0.75", 0.1249)))
	assert.Equal(t, []string{codeBeyond}, findings(0.5, point("-0.75", 0.1249)))
	assert.Empty(t, findings(0.5, point("0.25", 0.125), point("0", 0)))
	assert.Equal(t, []string{codePoints}, findings(0.5, point("0.25", 0.1249), point("0", 0)))
	assert.Equal(t, []string{codePoints}, findings(0.5, point("-0.25", 0.1249), point("0", 0)))
}

// A thread as thin, as thick, as fine or as coarse as one may be; class 8.8 proves a
// little more above 16 mm, not at it (ISO 898-1, table 3; from memory).
func TestThreadOnTheLimit(t *testing.T) {
	for text, ok := range map[string]bool{
		"M1x0.2": true, "M0.9x0.2": false, "M64x4": true, "M65x4": false, "M8x0.19": false, "M8x4": true, "M8x4.1": false,
	} {
		_, _, err := ParseThread(text)
		assert.Equal(t, ok, err == nil, text)
	}
	at16, err := ProofStress("8.8", 16)
	require.NoError(t, err)
	assert.Equal(t, 580.0, at16)
	above, err := ProofStress("8.8", 16.1)
	require.NoError(t, err)
	assert.Equal(t, 600.0, above)
}

// Where one way of working out Student's t hands over to the next, the next one has it.
func TestStudentHandsOver(t *testing.T) {
	for _, x := range []float64{0.3, 1, 2.5} {
		assert.Equal(t, below(x), studentBelow(x, likeNormal))
		assert.Equal(t, below(normalOf(x, manyEnough)), studentBelow(x, manyEnough))
	}
	for _, p := range []float64{0.6, 0.95, 0.999} {
		assert.Equal(t, distuv.UnitNormal.Quantile(p), studentQuantile(p, likeNormal))
		assert.Equal(t, studentOf(distuv.UnitNormal.Quantile(p), manyEnough), studentQuantile(p, manyEnough))
	}
	assert.Equal(t, distuv.ChiSquared{K: 5}.Quantile(0.99)/5, varianceRatio(5, likeNormal))
}

// Temperatures and materials at their ends; the second of each has its own cause; what
// nothing was read at is none.
func TestThermalOnTheLimit(t *testing.T) {
	length := []Expanding{{0, d("100"), 0, 0, 1, 1}}
	both := []Material{material("steel", -mostAlpha, 1e-6), material("case", mostAlpha, 2e-6), material("other", 1e-5, 1e-6)}
	at := []Temperature{at20("cold", coldest, 1), at20("hot", hottest, 2), at20("unused", 20, 1)}
	got, err := ToReference(length, both, at)
	require.NoError(t, err)
	var names []string
	for _, c := range got.Causes {
		names = append(names, c.Name)
		require.Len(t, c.Effects, 1)
	}
	assert.Equal(t, []string{"expansion of steel", "expansion of case", "temperature of cold", "temperature of hot"}, names)
	assert.InDelta(t, 100*(coldest-20), got.Causes[0].Effects[0].By, 1e-9)
	assert.InDelta(t, -100*(hottest-20), got.Causes[1].Effects[0].By, 1e-9)
	assert.InDelta(t, -100*mostAlpha, got.Causes[2].Effects[0].By, 1e-12)
	assert.InDelta(t, -100*mostAlpha, got.Causes[3].Effects[0].By, 1e-12)
	at[1].U = -1
	_, err = ToReference(length, both, at)
	refused(t, err, "temperatures[1].u", "is -1")
	at[1] = at20("hot", math.Nextafter(hottest, 3000), 1)
	_, err = ToReference(length, both, at)
	refused(t, err, "temperatures[1].celsius", "")
}
