package calc

import (
	"math"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The chain of the trade's case, one caliper: two depths added, one of them over a bar
// that is subtracted, a width subtracted.
var caliperTerms = []Measured{
	{0, 1, d("33"), "caliper", "depth"}, {1, 1, d("5"), "caliper", "depth"},
	{2, -1, d("36"), "caliper", "outside"}, {3, -1, d("20"), "caliper", "outside"},
}

func caliperErrors(points ...Point) []UseErrors {
	return []UseErrors{
		{"caliper", "depth", 0.04, 0.01, 0.0001, points}, {"caliper", "outside", 0.02, 0.01, 0.0001, nil},
	}
}

func zeroPoint(found string, u float64) Point {
	return Point{"zero", d("0"), d(found), math.Inf(1), u, certain, Normal}
}

func instrumentErrors(t require.TestingT, terms []Measured, known []UseErrors) (InstrumentErrors, Uncertainty) {
	got, err := InstrumentCauses(terms, known)
	require.NoError(t, err)
	b := Budget{Causes: got.Causes}
	for _, x := range terms {
		b.Terms = append(b.Terms, Weight{"x", x.C})
	}
	u, err := b.Combine(0.95)
	require.NoError(t, err)
	return got, u
}

// Without knowledge like signs stand together and opposite ones apart.
func TestLimitsDoNotCancelUnearned(t *testing.T) {
	got, u := instrumentErrors(t, caliperTerms, caliperErrors())
	assert.InDelta(t, math.Hypot(0.08, 0.04)/math.Sqrt(3), u.U, 1e-12)
	assert.Equal(t, []Split{{"caliper", "depth", "limit", []int{0, 1}}, {"caliper", "outside", "limit", []int{2, 3}}}, got.Splits)
	opposite := []Measured{{0, 1, d("36"), "caliper", "outside"}, {1, -1, d("35"), "caliper", "outside"}}
	_, u = instrumentErrors(t, opposite, caliperErrors())
	assert.InDelta(t, 0.02*math.Sqrt2/math.Sqrt(3), u.U, 1e-12)
}

// A check at zero takes away the zero, and only that of its own use; what it is uncertain
// by is common to all its readings, so it cancels between opposite signs.
func TestZeroCheck(t *testing.T) {
	got, u := instrumentErrors(t, caliperTerms, caliperErrors(zeroPoint("0.03", 0.003)))
	assert.Equal(t, []string{"-0.03", "-0.03", "0", "0"}, []string{got.Corrections[0].String(), got.Corrections[1].String(), got.Corrections[2].String(), got.Corrections[3].String()})
	scale := 0.0001 * 38 / math.Sqrt(3)
	assert.InDelta(t, math.Sqrt(0.006*0.006+scale*scale+(0.02*0.02+0.04*0.04)/3), u.U, 1e-12)
	assert.Equal(t, "zero", got.Splits[0].How)
	opposite := []Measured{{0, 1, d("36"), "caliper", "depth"}, {1, -1, d("36"), "caliper", "depth"}}
	_, u = instrumentErrors(t, opposite, caliperErrors(zeroPoint("0.03", 0.003)))
	assert.InDelta(t, 0.01*math.Sqrt2/math.Sqrt(3), u.U, 1e-12, "zero and scale are gone")
}

// The nearest point that reaches a length is relied on, then the better known.
func TestNearestPoint(t *testing.T) {
	block := func(name, at string, u, reach float64) Point {
		return Point{name, d(at), d("0.01"), reach, u, certain, Normal}
	}
	k := caliperErrors(zeroPoint("0", 0.001), block("thirty", "30", 0.002, 5), block("thirty again", "30", 0.001, 5), block("thirty, poor", "30", 0.003, 5))
	for _, c := range []struct{ length, want string }{{"33", "thirty again"}, {"35", "thirty again"}, {"35.01", "zero"}, {"5", "zero"}, {"25", "thirty again"}} {
		got, _ := instrumentErrors(t, []Measured{{0, 1, d(c.length), "caliper", "depth"}}, k)
		assert.Equal(t, c.want, got.Splits[0].How, c.length)
	}
	got, u := instrumentErrors(t, []Measured{{0, 1, d("20"), "caliper", "depth"}}, caliperErrors(block("thirty", "30", 0.002, 5)))
	assert.Equal(t, "limit", got.Splits[0].How)
	assert.InDelta(t, 0.04/math.Sqrt(3), u.U, 1e-12)
}

// One scale for an instrument, whatever the use.
func TestOneScale(t *testing.T) {
	known := caliperErrors(zeroPoint("0", 0))
	known[1].Points = []Point{zeroPoint("0", 0)}
	got, u := instrumentErrors(t, []Measured{{0, 1, d("36"), "caliper", "depth"}, {1, -1, d("30"), "caliper", "outside"}}, known)
	scale := 0.0001 * 6 / math.Sqrt(3)
	assert.InDelta(t, math.Sqrt(scale*scale+2*0.01*0.01/3), u.U, 1e-12)
	names := []string{}
	for _, c := range got.Causes {
		names = append(names, c.Name)
	}
	assert.Equal(t, []string{"caliper, depth, zero", "caliper, scale", "caliper, depth, rest beyond a known point, added",
		"caliper, outside, zero", "caliper, outside, rest beyond a known point, subtracted"}, names)
}

// DIN 862 (second-hand), 0.01 mm digital, 50 to 200 mm: ±0.02 mm; DIN 863-1, 25 to 50 mm:
// ±4 µm. A width by micrometer instead of caliper.
func TestPermissibleErrors(t *testing.T) {
	limits := map[string]float64{}
	for _, row := range reference(t, "instrument_mpe.csv") {
		if row[0] == "DIN 862" && row[2] == "0.01 (digital)" && row[3] == "50..200" || row[0] == "DIN 863-1" && row[3] == "25-50" {
			limits[row[1]] = float(t, row[4]) / 1000
		}
	}
	for instrument, want := range map[string]float64{"caliper": 0.0115, "external micrometer": 0.00231} {
		_, u := instrumentErrors(t, []Measured{{0, -1, d("36"), instrument, "outside"}}, []UseErrors{{instrument, "outside", limits[instrument], 0, 0, nil}})
		assert.InDelta(t, want, u.U, 0.00005)
	}
}

func TestContradictingPoints(t *testing.T) {
	one, two := zeroPoint("0.01", 0.001), zeroPoint("0.03", 0.001)
	two.Name = "certificate"
	got, u := instrumentErrors(t, caliperTerms[:1], caliperErrors(one, two))
	assert.Equal(t, []Finding{{"known points disagree", map[string]string{"instrument": "caliper", "use": "depth", "points": "zero, certificate", "errors": "0.01, 0.03"}}}, got.Findings)
	assert.InDelta(t, 0.04/math.Sqrt(3), u.U, 1e-12)
	assert.Equal(t, "0", got.Corrections[0].String())
	got, _ = instrumentErrors(t, caliperTerms[:1], caliperErrors(zeroPoint("-0.05", 0.001)))
	assert.Equal(t, []Finding{{"error beyond limit", map[string]string{"instrument": "caliper", "use": "depth", "point": "zero", "error": "-0.05", "limit": "0.04"}}}, got.Findings)
	assert.Equal(t, "0.05", got.Corrections[0].String())
}

func TestInstrumentCausesRefuse(t *testing.T) {
	spoilt := func(change func(k *UseErrors)) []UseErrors {
		k := caliperErrors(zeroPoint("0", 0.001))
		change(&k[0])
		return k
	}
	point := func(change func(p *Point)) []UseErrors { return spoilt(func(k *UseErrors) { change(&k.Points[0]) }) }
	good := caliperErrors()
	for _, c := range []struct {
		field, problem string
		terms          []Measured
		known          []UseErrors
	}{
		{"terms[0].use", "nothing is known of its errors", []Measured{{0, 1, d("1"), "caliper", "inside"}}, good},
		{"terms[0].term", "is -1", []Measured{{-1, 1, d("1"), "caliper", "depth"}}, good},
		{"terms[0].c", "is not a number", []Measured{{0, math.NaN(), d("1"), "caliper", "depth"}}, good},
		{"terms[0].length", "million", []Measured{{0, 1, decimal.New(1, 6), "caliper", "depth"}}, good},
		{"known[0].limit", "must be above 0", nil, spoilt(func(k *UseErrors) { k.Limit = 0 })},
		{"known[0].limit", "is not a number", nil, spoilt(func(k *UseErrors) { k.Limit = math.NaN() })},
		{"known[0].scale", "is -1", nil, spoilt(func(k *UseErrors) { k.Scale = -1 })},
		{"known[0].rest", "state what is left", nil, spoilt(func(k *UseErrors) { k.Rest = 0 })},
		{"known[0].rest", "up to 0.04", nil, spoilt(func(k *UseErrors) { k.Rest = 0.05 })},
		{"known[1].scale", "an instrument has one scale", nil, spoilt(func(k *UseErrors) { k.Scale = 0.1 })},
		{"known[1].use", "is given twice", nil, spoilt(func(k *UseErrors) { k.Use = "outside" })},
		{"known[0].points[0].at", "million", nil, point(func(p *Point) { p.At = decimal.New(1, 6) })},
		{"known[0].points[0].error", "million", nil, point(func(p *Point) { p.Error = decimal.New(1, 6) })},
		{"known[0].points[0].reach", "is NaN", nil, point(func(p *Point) { p.Reach = math.NaN() })},
		{"known[0].points[0].u", "is -1", nil, point(func(p *Point) { p.U = -1 })},
		{"known[0].points[0].freedom", "is 0", nil, point(func(p *Point) { p.Freedom = 0 })},
		{"known[0].points[0].name", "is missing", nil, point(func(p *Point) { p.Name = "" })},
	} {
		_, err := InstrumentCauses(c.terms, c.known)
		refused(t, err, c.field, c.problem)
	}
}

func TestCertified(t *testing.T) {
	// JCGM 100:2008, H.1.3.1: U = 0.075 µm with k = 3 is u = 25 nm, 18 degrees of freedom.
	p, err := Certified("end gauge", d("50"), d("0.000623"), 1, 0.000075, 3, 18)
	require.NoError(t, err)
	assert.InDelta(t, 25e-6, p.U, 1e-15)
	for _, c := range []struct {
		field string
		u, k  float64
	}{{"k", 1, 0}, {"k", 1, math.NaN()}, {"u", -1, 2}, {"u", math.NaN(), 2}} {
		_, err := Certified("x", d("0"), d("0"), 1, c.u, c.k, 5)
		refused(t, err, c.field, "")
	}
}

func TestChecked(t *testing.T) {
	p, err := Checked("block", d("30.02"), d("30"), 10, Spread{0.004, 4, StudentT, "repeats"}, 0.003, 12)
	require.NoError(t, err)
	assert.Equal(t, "0.02", p.Error.String())
	assert.InDelta(t, 0.005, p.U, 1e-15)
	assert.InDelta(t, math.Pow(0.005, 4)/(math.Pow(0.004, 4)/4+math.Pow(0.003, 4)/12), p.Freedom, 1e-9)
	exact, err := Checked("zero", d("0.01"), d("0"), certain, Spread{0, 4, StudentT, "repeats"}, 0, certain)
	require.NoError(t, err)
	assert.Equal(t, certain, exact.Freedom)
	for _, c := range []struct {
		field       string
		read, block string
		s           Spread
		u, nu       float64
		reach       float64
	}{
		{"spread.u", "1", "1", Spread{-1, 4, StudentT, ""}, 1, 1, 1}, {"blocku", "1", "1", Spread{1, 4, StudentT, ""}, -1, 1, 1},
		{"blockfreedom", "1", "1", Spread{1, 4, StudentT, ""}, 1, 0, 1}, {"block", "1", "-1", Spread{1, 4, StudentT, ""}, 1, 1, 1},
		{"reach", "1", "1", Spread{1, 4, StudentT, ""}, 1, 1, -1},
	} {
		_, err := Checked("x", d(c.read), d(c.block), c.reach, c.s, c.u, c.nu)
		refused(t, err, c.field, "")
	}
}

// A bar that two depths are read over and that is measured once counts twice; zeroed on
// the bar, its thickness does not count, but the setting does, for both.
func TestBar(t *testing.T) {
	terms := []Weight{{"depth, drive side", 1}, {"depth, timing side", 1}}
	bar := Budget{Terms: terms, Causes: []Cause{{"bar", 0.003, certain, Normal, []Effect{{0, -1}, {1, -1}}}}}
	u, err := bar.Combine(0.95)
	require.NoError(t, err)
	assert.InDelta(t, 0.006, u.U, 1e-15)
	assert.Equal(t, -2.0, u.Lines[0].Sensitivity)
	z := Zeroing{"zero on the bar", 0.002, 8, 0.005, Spread{0.00289, certain, Rectangular, "resolution"}, []int{0, 1}}
	causes, err := z.Causes()
	require.NoError(t, err)
	u, err = Budget{Terms: terms, Causes: causes}.Combine(0.95)
	require.NoError(t, err)
	assert.InDelta(t, 2*math.Sqrt(0.002*0.002+0.005*0.005/3+0.00289*0.00289), u.U, 1e-12)
	for _, c := range []struct {
		field string
		spoil func(z *Zeroing)
	}{
		{"terms", func(z *Zeroing) { z.Terms = nil }}, {"parallelism", func(z *Zeroing) { z.Parallelism = -1 }},
		{"offset.u", func(z *Zeroing) { z.Offset = math.NaN() }}, {"offset.freedom", func(z *Zeroing) { z.OffsetFreedom = 0 }},
		{"offset.effects[0].term", func(z *Zeroing) { z.Terms = []int{-1} }}, {"spread.u", func(z *Zeroing) { z.Spread.U = -1 }},
	} {
		bad := z
		c.spoil(&bad)
		_, err := bad.Causes()
		refused(t, err, c.field, "")
	}
}

// Turning the chain round, or the order of its terms, changes no uncertainty; a known
// point never adds more than its own u.
func TestInstrumentCausesAreIndifferent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var terms []Measured
		n := rapid.IntRange(1, 5).Draw(t, "terms")
		for i := range n {
			terms = append(terms, Measured{i, float64(rapid.SampledFrom([]int{-2, -1, 1, 2}).Draw(t, "c")),
				decimal.New(rapid.Int64Range(0, 5000).Draw(t, "length"), -2), "caliper", rapid.SampledFrom([]string{"depth", "outside"}).Draw(t, "use")})
		}
		var points []Point
		if rapid.Bool().Draw(t, "checked") {
			points = []Point{zeroPoint("0.01", 0.002)}
		}
		_, want := instrumentErrors(t, terms, caliperErrors(points...))
		turned := make([]Measured, n)
		for i, x := range terms {
			x.C = -x.C
			turned[n-1-i] = x
			turned[n-1-i].Term = n - 1 - i
		}
		_, got := instrumentErrors(t, turned, caliperErrors(points...))
		require.InDelta(t, want.U, got.U, 1e-12)
	})
}
