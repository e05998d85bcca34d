package calc

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var certain = math.Inf(1)

func on(term int, by float64) []Effect { return []Effect{{term, by}} }

// endGauge is JCGM 100:2008, H.1, from its inputs as stated there, in nm and °C.
func endGauge(t *testing.T) Budget {
	t.Helper()
	reliable := func(r float64) float64 {
		nu, err := FreedomOf(r)
		require.NoError(t, err)
		return nu
	}
	const ls, alpha, theta = 50_000_623.0, 11.5e-6, -0.1
	return Budget{
		Terms: []Weight{{"length", 1}},
		Causes: []Cause{
			{"standard", 75.0 / 3, 18, StudentT, on(0, 1)},
			{"difference, five repeats", 13 / math.Sqrt(5), 24, StudentT, on(0, 1)},
			{"comparator, random", 10 / studentQuantile(0.975, 5), 5, StudentT, on(0, 1)},
			{"comparator, systematic", 20.0 / 3, reliable(0.25), StudentT, on(0, 1)},
			{"expansion of the standard", 2e-6 / math.Sqrt(3), certain, Rectangular, on(0, 0)},
			{"mean temperature", 0.2, certain, Normal, on(0, 0)},
			{"cycle of temperature", 0.5 / math.Sqrt2, certain, ArcSine, on(0, 0)},
			{"difference of expansion", 1e-6 / math.Sqrt(3), reliable(0.1), Rectangular, on(0, -ls*theta)},
			{"difference of temperature", 0.05 / math.Sqrt(3), reliable(0.5), Rectangular, on(0, -ls*alpha)},
		},
	}
}

// JCGM 100:2008, H.1: u_c = 32 nm, ν_eff = 16.7 cut to 16, U99 = 93 nm.
func TestEndGaugeOfTheGUM(t *testing.T) {
	var want struct {
		UC     float64 `json:"uc_nm"`
		Nu     float64 `json:"nu_eff"`
		NuUsed float64 `json:"nu_eff_truncated"`
		T99    float64 `json:"t99_16"`
		U99    float64 `json:"U99_nm"`
		L      int64   `json:"l_nm"`
	}
	text, err := os.ReadFile(filepath.Join("..", "testdata", "reference", "gum_h1_expected.json"))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &want))
	got, err := endGauge(t).Combine(0.99)
	require.NoError(t, err)
	assert.Equal(t, want.UC, math.Round(got.U))
	assert.InDelta(t, want.Nu, got.Freedom, 0.05)
	assert.Equal(t, want.NuUsed, got.FreedomUsed)
	assert.InDelta(t, want.T99, got.K, 0.005)
	value, u, err := Rounded(decimal.New(want.L, 0), got.Expanded)
	require.NoError(t, err)
	assert.Equal(t, fmt.Sprint(want.U99), u.String())
	assert.Equal(t, fmt.Sprint(want.L), value.String())
	assert.Equal(t, ByStudent, got.Way)
	for i, name := range []string{"standard", "difference of temperature", "comparator, systematic", "difference, five repeats", "comparator, random", "difference of expansion"} {
		assert.Equal(t, name, got.Lines[i].Name)
	}
	for _, row := range reference(t, "gum_h1_budget.csv") {
		c := float(t, row[8])
		if c == 0 || row[0] == "d" {
			continue
		}
		found := false
		for _, l := range got.Lines {
			found = found || math.Abs(l.Contribution-c) < 0.06
		}
		assert.True(t, found, "no line of %v nm for %s", c, row[0])
	}
}

// JCGM 100:2008, H.1.7: with the second-order terms, 11.7 nm and 1.7 nm, u_c is 34 nm
// (the figures from memory; they agree on recomputing).
func TestEndGaugeToSecondOrder(t *testing.T) {
	b := endGauge(t)
	b.Products = []Product{{7, 5, 50_000_623}, {7, 6, 50_000_623}, {8, 4, 50_000_623}}
	got, err := b.Combine(0.99)
	require.NoError(t, err)
	assert.Equal(t, 34.0, math.Round(got.U))
	first, err := endGauge(t).Combine(0.99)
	require.NoError(t, err)
	assert.InDelta(t, math.Sqrt(first.U*first.U+11.7*11.7+1.7*1.7), got.U, 0.05)
	s, err := b.MonteCarlo(200_000, 3)
	require.NoError(t, err)
	assert.InDelta(t, got.U, s.U(), 2) // the t causes are wider than their u
	assert.Greater(t, s.U(), got.U)
}

// JCGM 100:2008, Table G.2, as printed and as recomputed.
func TestStudentQuantiles(t *testing.T) {
	levels := []float64{0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973}
	for _, row := range reference(t, "gum_tableG2.csv") {
		nu := certain
		if row[0] != "inf" {
			nu = float(t, row[0])
		}
		for i, p := range levels {
			q := studentQuantile((1+p)/2, nu)
			want := float(t, row[7+i])
			assert.InDelta(t, want, q, 3e-4*want, "%s %v", row[0], p) // the table's 95.45 and the like are cut
			assert.InDelta(t, (1+p)/2, studentBelow(q, nu), 1e-9, "%s %v", row[0], p)
		}
	}
}

func TestShapeAndWayText(t *testing.T) {
	for _, text := range []string{"normal", "rectangular", "triangular", "arcsine", "t"} {
		s, err := ParseShape(text)
		require.NoError(t, err)
		assert.Equal(t, text, s.String())
	}
	_, err := ParseShape("flat")
	refused(t, err, "shape", `is "flat"`)
	assert.Equal(t, "Shape(0)", Shape(0).String())
	assert.Equal(t, "student", ByStudent.String())
	assert.Equal(t, "convolution", ByConvolution.String())
	assert.Equal(t, "draws", ByDraws.String())
	assert.Equal(t, "Way(3)", Way(3).String())
}

func four(s Shape) Budget {
	b := Budget{Terms: []Weight{{"sum", 1}}}
	for i := range 4 {
		b.Causes = append(b.Causes, Cause{strconv.Itoa(i), 1, certain, s, on(0, 1)})
	}
	return b
}

func TestCombineRefuses(t *testing.T) {
	good := Cause{"a", 1, certain, Normal, on(0, 1)}
	other := Cause{"b", 1, certain, Normal, on(0, 1)}
	third := Cause{"c", 1, certain, Normal, on(0, 1)}
	with := func(change func(*Cause)) Budget {
		c := good
		change(&c)
		return Budget{Terms: []Weight{{"x", 1}}, Causes: []Cause{c}}
	}
	pair := func(r ...Correlation) Budget {
		return Budget{Terms: []Weight{{"x", 1}}, Causes: []Cause{good, other, third}, Correlations: r}
	}
	product := func(p Product, r ...Correlation) Budget {
		b := pair(r...)
		b.Products = []Product{p}
		return b
	}
	for _, c := range []struct {
		field, problem string
		b              Budget
	}{
		{"terms", "are 0", Budget{}},
		{"terms[0].c", "is not a number", Budget{Terms: []Weight{{"x", math.NaN()}}}},
		{"causes", "are 0", Budget{Terms: []Weight{{"x", 1}}}},
		{"causes", "are 1001", Budget{Terms: []Weight{{"x", 1}}, Causes: make([]Cause, 1001)}},
		{"causes[0].name", "is missing", with(func(c *Cause) { c.Name = "" })},
		{"causes[0].u", "is not a number", with(func(c *Cause) { c.U = math.NaN() })},
		{"causes[0].u", "is +Inf", with(func(c *Cause) { c.U = math.Inf(1) })},
		{"causes[0].u", "is -1; it must be 0 or more", with(func(c *Cause) { c.U = -1 })},
		{"causes[0].freedom", "is 0; give 1 or more", with(func(c *Cause) { c.Freedom = 0 })},
		{"causes[0].freedom", "is NaN", with(func(c *Cause) { c.Freedom = math.NaN() })},
		{"causes[0].shape", `of "a" is not stated`, with(func(c *Cause) { c.Shape = 0 })},
		{"causes[0].shape", "is not stated", with(func(c *Cause) { c.Shape = StudentT + 1 })},
		{"causes[0].effects[0].term", "is 1; there are 1", with(func(c *Cause) { c.Effects = on(1, 1) })},
		{"causes[0].effects[0].term", "is -1", with(func(c *Cause) { c.Effects = on(-1, 1) })},
		{"causes[0].effects[0].by", "is 1e+16", with(func(c *Cause) { c.Effects = on(0, 1e16) })},
		{"causes[1].name", `is "a" like that of causes[0]`, Budget{Terms: []Weight{{"x", 1}}, Causes: []Cause{good, good}}},
		{"correlations[0]", "between causes 0 and 3", pair(Correlation{0, 3, 0})},
		{"correlations[0]", "between causes -1 and 0", pair(Correlation{-1, 0, 0})},
		{"correlations[0]", "between cause 1 and itself", pair(Correlation{1, 1, 1})},
		{"correlations[0].r", "is 1.1", pair(Correlation{0, 1, 1.1})},
		{"correlations[0].r", "is NaN", pair(Correlation{0, 1, math.NaN()})},
		{"correlations[1]", "is given twice", pair(Correlation{0, 1, 1}, Correlation{1, 0, 1})},
		{"correlations", "contradict", pair(Correlation{0, 1, 1}, Correlation{0, 2, 1}, Correlation{1, 2, 0.5})},
		{"correlations", "contradict", pair(Correlation{0, 1, 0.9}, Correlation{0, 2, 0.9}, Correlation{1, 2, -0.9})},
		{"products[0]", "between cause 0 and itself", product(Product{0, 0, 1})},
		{"products[0].by", "is not a number", product(Product{0, 1, math.NaN()})},
		{"products[0]", "are correlated", product(Product{0, 1, 1}, Correlation{0, 1, 0.5})},
	} {
		_, err := c.b.Combine(0.95)
		refused(t, err, c.field, c.problem)
		_, err = c.b.MonteCarlo(10, 1)
		refused(t, err, c.field, c.problem)
	}
	for _, p := range []float64{0, 1, -1, math.NaN(), math.Inf(1)} {
		_, err := four(Normal).Combine(p)
		refused(t, err, "probability", "must be above 0 and below 1")
	}
	for _, n := range []int{-1, 1, 10_000_001} {
		_, err := four(Normal).MonteCarlo(n, 1)
		refused(t, err, "draws", "ask for 2 to")
	}
}

func TestFreedomOf(t *testing.T) {
	// JCGM 100:2008, G.4.2, example: 25 % gives 8.
	for _, c := range []struct{ r, want float64 }{{0.25, 8}, {0.1, 50}, {0.5, 2}, {0, certain}, {math.Sqrt2 / 2, 1}} {
		got, err := FreedomOf(c.r)
		require.NoError(t, err)
		assert.InDelta(t, 1/c.want, 1/got, 1e-12)
	}
	for _, r := range []float64{-0.1, 0.8, math.NaN()} {
		_, err := FreedomOf(r)
		refused(t, err, "reliability", "must be from 0")
	}
}

func TestRounded(t *testing.T) {
	for _, c := range []struct {
		value    string
		u        float64
		want, uu string
	}{
		{"0.10049", 0.0123, "0.1", "0.013"}, // JCGM 100:2008, 7.2.6 asks for two digits at most
		{"0.10050", 0.012, "0.1", "0.012"},  // half to even
		{"0.10150", 0.012, "0.102", "0.012"},
		{"0.5", 0.0996, "0.5", "0.1"},
		{"0.55555", 0.1 + 0.2, "0.56", "0.3"}, // 0.30000000000000004 means 0.3
		{"12345", 1210, "12300", "1300"},
		{"1", 9.91, "1", "10"},
		{"0.123456", 0, "0.123456", "0"},
	} {
		v, u, err := Rounded(d(c.value), c.u)
		require.NoError(t, err)
		assert.True(t, d(c.want).Equal(v), "%s: %s", c.value, v)
		assert.True(t, d(c.uu).Equal(u), "%v: %s", c.u, u)
	}
	for _, u := range []float64{math.NaN(), math.Inf(1), -1} {
		_, _, err := Rounded(d("1"), u)
		refused(t, err, "expanded", "is")
	}
	for _, v := range []decimal.Decimal{decimal.New(1, 13), decimal.New(1, -401)} {
		_, _, err := Rounded(v, 1)
		refused(t, err, "value", "too many digits")
	}
}

func TestCombineCorrelated(t *testing.T) {
	b := Budget{Terms: []Weight{{"a", 1}, {"b", -1}}, Causes: []Cause{
		{"p", 3, 10, Normal, on(0, 1)}, {"q", 4, 5, Normal, on(1, 1)}, {"none", 1, 2, Normal, nil}}}
	for _, c := range []struct{ r, u, nu float64 }{
		{0, 5, 5 * 5 * 5 * 5 / (81.0/10 + 256.0/5)}, {1, 1, 5}, {-1, 7, 5}, {0.5, math.Sqrt(25 - 12), 5},
	} {
		b.Correlations = []Correlation{{0, 1, c.r}}
		got, err := b.Combine(0.95)
		require.NoError(t, err)
		assert.InDelta(t, c.u, got.U, 1e-12, c.r)
		assert.InDelta(t, c.nu, got.Freedom, 1e-9, c.r)
		sum := 0.0
		for _, l := range got.Lines {
			sum += l.Share
		}
		assert.InDelta(t, 1, sum, 1e-12)
		assert.Equal(t, 0.0, got.Lines[2].Contribution)
		s, err := b.MonteCarlo(100_000, 5)
		require.NoError(t, err)
		assert.InDelta(t, c.u, s.U(), 0.02*c.u)
	}
	// Equal causes that cancel leave nothing, and a certain result.
	b.Causes[0].U, b.Correlations[0].R = 4, 1
	got, err := b.Combine(0.95)
	require.NoError(t, err)
	assert.Equal(t, 0.0, got.U)
	assert.Equal(t, certain, got.Freedom)
	assert.InDelta(t, 1.96, got.K, 0.001)
}

// What all causes have in common may be entered as correlation or as one cause.
func TestCorrelationIsACommonCause(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.Float64Range(0.001, 10)
		c1, c2 := float64(rapid.IntRange(-3, 3).Draw(t, "c1")), float64(rapid.IntRange(-3, 3).Draw(t, "c2"))
		common, x, y := u.Draw(t, "common"), u.Draw(t, "x"), u.Draw(t, "y")
		terms := []Weight{{"a", c1}, {"b", c2}}
		once := Budget{Terms: terms, Causes: []Cause{{"x", x, certain, Normal, on(0, 1)}, {"y", y, certain, Normal, on(1, 1)},
			{"common", common, certain, Normal, []Effect{{0, 1}, {1, 1}}}}}
		ux, uy := math.Hypot(x, common), math.Hypot(y, common)
		pair := Budget{Terms: terms, Causes: []Cause{{"x", ux, certain, Normal, on(0, 1)}, {"y", uy, certain, Normal, on(1, 1)}},
			Correlations: []Correlation{{0, 1, common * common / (ux * uy)}}}
		a, err := once.Combine(0.95)
		require.NoError(t, err)
		b, err := pair.Combine(0.95)
		require.NoError(t, err)
		require.InDelta(t, a.U, b.U, 1e-6*(a.U+1))
	})
}

// JCGM 101:2008, 9.2.2 and 9.2.3: the sum of four normal causes of u = 1 lies within
// ±3.92, of four rectangular ones within ±3.88, each with 95 %.
func TestMonteCarloOfFour(t *testing.T) {
	for _, c := range []struct {
		shape Shape
		want  float64
	}{{Normal, 3.92}, {Rectangular, 3.88}} {
		s, err := four(c.shape).MonteCarlo(500_000, 1)
		require.NoError(t, err)
		low, high := s.Interval(0.95)
		assert.InDelta(t, -c.want, low, 0.02, c.shape)
		assert.InDelta(t, c.want, high, 0.02, c.shape)
		low, high = s.Shortest(0.95)
		assert.InDelta(t, 2*c.want, high-low, 0.04, c.shape)
		assert.InDelta(t, 0, s.Mean(), 0.01)
		assert.InDelta(t, 2, s.U(), 0.01)
	}
	// No one of the four carries a third, so the analytic result is the t interval, 3.92.
	got, err := four(Rectangular).Combine(0.95)
	require.NoError(t, err)
	assert.InDelta(t, 3.92, got.Expanded, 0.001)
	assert.Empty(t, got.Dominant)
	// Two carry half each: exact folding. The sum of two alike is a triangle: 95 % lie
	// within 2√3·(1−√0.05).
	b := four(Rectangular)
	b.Causes = b.Causes[:2]
	got, err = b.Combine(0.95)
	require.NoError(t, err)
	assert.Equal(t, ByConvolution, got.Way)
	assert.Equal(t, []string{"0", "1"}, got.Dominant)
	assert.InDelta(t, 2*math.Sqrt(3)*(1-math.Sqrt(0.05)), got.Expanded, 1e-5)
}

// Each shape has u = 1, and its interval is known.
func TestMonteCarloShapes(t *testing.T) {
	for _, c := range []struct {
		shape    Shape
		nu, u, w float64
	}{
		{Normal, certain, 1, 1.95996}, {Rectangular, certain, 1, 0.95 * math.Sqrt(3)},
		{Triangular, certain, 1, math.Sqrt(6) * (1 - math.Sqrt(0.05))}, {ArcSine, certain, 1, math.Sqrt2 * math.Sin(0.95*math.Pi/2)},
		{StudentT, 5, math.Sqrt(5.0 / 3), 2.57058}, {StudentT, certain, 1, 1.95996}, {StudentT, 1.5, 0, 6.0},
	} {
		b := Budget{Terms: []Weight{{"x", 2}}, Causes: []Cause{{"x", 0.5, c.nu, c.shape, on(0, 1)}}}
		for _, products := range [][]Product{nil, {{0, 1, 1}}} {
			b.Causes, b.Products = b.Causes[:1], products
			if products != nil {
				b.Causes = append(b.Causes, Cause{"none", 0, certain, Normal, nil})
			}
			s, err := b.MonteCarlo(100_000, 7)
			require.NoError(t, err)
			low, high := s.Interval(0.95)
			if c.u > 0 {
				assert.InDelta(t, c.u, s.U(), 0.02, c.shape)
				assert.InDelta(t, c.w, high, 0.02*c.w, c.shape)
				assert.InDelta(t, -c.w, low, 0.02*c.w, c.shape)
			} else { // Student's t has no such moment
				assert.InDelta(t, studentQuantile(0.975, c.nu), high, 0.2, c.shape)
			}
			assert.InDelta(t, 0.5, s.Below(0), 0.005)
			assert.InDelta(t, 0.975, s.Below(high), 1e-4)
		}
	}
}

// One dominant cause: the interval that Combine gives by itself is that of the draws.
func TestDominantCauses(t *testing.T) {
	for _, c := range []struct {
		name   string
		way    Way
		causes []Cause
		r      []Correlation
	}{
		{"rectangular", ByConvolution, []Cause{{"a", 1, certain, Rectangular, on(0, 1)}, {"b", 0.4, certain, Normal, on(0, 1)}}, nil},
		{"triangular", ByConvolution, []Cause{{"a", 1, certain, Triangular, on(0, 1)}, {"b", 0.4, certain, Normal, on(0, 1)}}, nil},
		{"both", ByConvolution, []Cause{{"a", 1, certain, Triangular, on(0, 1)}, {"b", 1, certain, Rectangular, on(0, 1)}, {"c", 0.2, certain, Normal, on(0, 1)}}, nil},
		{"arcsine", ByDraws, []Cause{{"a", 1, certain, ArcSine, on(0, 1)}, {"b", 0.9, certain, Rectangular, on(0, 1)}}, nil},
		{"correlated", ByDraws, []Cause{{"a", 1, certain, Rectangular, on(0, 1)}, {"b", 1, certain, Rectangular, on(0, 1)}}, []Correlation{{0, 1, 1}}},
		{"not dominant", ByStudent, []Cause{{"a", 1, certain, Rectangular, on(0, 1)}, {"b", 2, certain, Normal, on(0, 1)}}, nil},
	} {
		b := Budget{Terms: []Weight{{"x", 1}}, Causes: c.causes, Correlations: c.r}
		got, err := b.Combine(0.95)
		require.NoError(t, err)
		assert.Equal(t, c.way, got.Way, c.name)
		s, err := b.MonteCarlo(150_000, 11)
		require.NoError(t, err)
		_, high := s.Interval(0.95)
		assert.InDelta(t, high, got.Expanded, 0.015*high, c.name)
		assert.InDelta(t, got.U, s.U(), 0.01*got.U, c.name)
		assert.InDelta(t, got.Expanded, got.K*got.U, 1e-12)
		if got.Way != ByConvolution {
			continue
		}
		for x := -4.0; x <= 4; x += 0.25 {
			assert.InDelta(t, s.Below(x), got.belief().below(x), 0.004, "%s %v", c.name, x)
		}
	}
}

// A rest of few degrees of freedom is widened: the interval is not below that of the draws,
// in which it is Student's t, and not far above.
func TestDominantWithFewFreedom(t *testing.T) {
	for _, nu := range []float64{1, 2, 4, 10, 40} {
		for _, rest := range []float64{0.3, 0.7, 1.2} {
			b := Budget{Terms: []Weight{{"x", 1}}, Causes: []Cause{{"a", 1, certain, Rectangular, on(0, 1)}, {"b", rest, nu, StudentT, on(0, 1)}}}
			got, err := b.Combine(0.95)
			require.NoError(t, err)
			require.Equal(t, ByConvolution, got.Way)
			s, err := b.MonteCarlo(100_000, 3)
			require.NoError(t, err)
			_, high := s.Interval(0.95)
			assert.GreaterOrEqual(t, got.Expanded, 0.97*high, "%v %v", nu, rest)
			assert.LessOrEqual(t, got.Expanded, 1.2*high, "%v %v", nu, rest)
		}
	}
}

// Over random chains without a dominant cause that is not normal, the draws give the
// analytic interval.
func TestMonteCarloAgrees(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	compared := 0
	for compared < 8 {
		b := Budget{}
		for i := range 6 {
			b.Terms = append(b.Terms, Weight{strconv.Itoa(i), float64(1 - 2*random.IntN(2))})
			b.Causes = append(b.Causes, Cause{strconv.Itoa(i), 0.2 + random.Float64(), certain, Shape(1 + random.IntN(4)), on(i, 1)})
		}
		got, err := b.Combine(0.95)
		require.NoError(t, err)
		if len(got.Dominant) > 0 {
			continue
		}
		compared++
		s, err := b.MonteCarlo(100_000, uint64(compared))
		require.NoError(t, err)
		low, high := s.Interval(0.95)
		assert.InDelta(t, got.Expanded, (high-low)/2, 0.04*got.Expanded)
	}
}

// Products with correlated causes among them: u² is that of Combine.
func TestMonteCarloOfProducts(t *testing.T) {
	b := Budget{Terms: []Weight{{"x", 1}}, Causes: []Cause{{"a", 1, certain, Normal, on(0, 1)}, {"b", 2, certain, Normal, on(0, 1)}, {"c", 1, certain, Normal, nil}},
		Correlations: []Correlation{{0, 1, -0.5}}, Products: []Product{{1, 2, 3}}}
	got, err := b.Combine(0.95)
	require.NoError(t, err)
	assert.InDelta(t, math.Sqrt(1+4-2+36), got.U, 1e-12)
	s, err := b.MonteCarlo(200_000, 1)
	require.NoError(t, err)
	assert.InDelta(t, got.U, s.U(), 0.02*got.U)
	assert.Equal(t, ByDraws, got.Way)
	assert.Equal(t, []string{"b × c"}, got.Dominant)
	_, high := s.Interval(0.95)
	assert.InDelta(t, high, got.Expanded, 0.02*high)
	// A flat cause that counts by its product alone has no shape to fold.
	flat := Budget{Terms: []Weight{{"x", 1}}, Causes: []Cause{{"a", 1, certain, Rectangular, nil}, {"b", 1, certain, Normal, nil}, {"c", 1, certain, Normal, on(0, 0.7)}},
		Products: []Product{{0, 1, 1}}}
	got, err = flat.Combine(0.95)
	require.NoError(t, err)
	assert.Equal(t, ByDraws, got.Way)
	flat.Products = append(flat.Products, Product{0, 2, 1}, Product{0, 1, 1})
	got, err = flat.Combine(0.95)
	require.NoError(t, err)
	assert.Equal(t, []string{"a"}, got.Dominant)
	assert.Empty(t, got.flats)
}

func TestSampleEnds(t *testing.T) {
	s := newSample([]float64{3, -1, 2, -5, 0})
	assert.Equal(t, []float64{-5, -1, 0, 2, 3}, s.sorted)
	for _, p := range []float64{math.NaN(), -1, 0} {
		low, high := s.Interval(p)
		assert.Equal(t, low, high)
	}
	low, high := s.Interval(2)
	assert.Equal(t, []float64{-5, 3}, []float64{low, high})
	low, high = s.Shortest(0.4)
	assert.Equal(t, []float64{-1, 0}, []float64{low, high})
	low, high = s.Shortest(1)
	assert.Equal(t, []float64{-5, 3}, []float64{low, high})
	assert.Equal(t, 0.0, s.Below(-5))
	assert.Equal(t, 1.0, s.Below(4))
}

func TestSortFloats(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := rapid.SliceOf(rapid.Float64()).Draw(t, "values")
		out := sortFloats(append([]float64(nil), in...))
		require.Len(t, out, len(in))
		require.IsNonDecreasing(t, append([]float64{math.Inf(-1)}, out...))
		require.ElementsMatch(t, in, out)
	})
}

func anyBudget(t *rapid.T) Budget {
	var b Budget
	n := rapid.IntRange(1, 4).Draw(t, "terms")
	for i := range n {
		b.Terms = append(b.Terms, Weight{strconv.Itoa(i), float64(rapid.IntRange(-2, 2).Draw(t, "c"))})
	}
	for i := range rapid.IntRange(1, 6).Draw(t, "causes") {
		c := Cause{Name: strconv.Itoa(i), U: float64(rapid.IntRange(0, 5000).Draw(t, "u")) / 1000,
			Freedom: rapid.SampledFrom([]float64{1, 2, 7.5, 30, certain}).Draw(t, "nu"), Shape: Shape(rapid.IntRange(1, 5).Draw(t, "shape"))}
		if c.Shape == ArcSine { // which would be drawn: slow
			c.Shape = Normal
		}
		for range rapid.IntRange(0, 3).Draw(t, "effects") {
			c.Effects = append(c.Effects, Effect{rapid.IntRange(0, n-1).Draw(t, "term"), float64(rapid.IntRange(-3000, 3000).Draw(t, "by")) / 1000})
		}
		b.Causes = append(b.Causes, c)
	}
	return b
}

// The order of causes does not matter, units do not, mirrored signs do not.
func TestCombineIsIndifferent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := anyBudget(t)
		want, err := b.Combine(0.95)
		require.NoError(t, err)
		factor := rapid.SampledFrom([]float64{1, -1, 25.4, 1e-6}).Draw(t, "unit")
		changed := Budget{Causes: rapid.Permutation(b.Causes).Draw(t, "order")}
		for _, w := range b.Terms {
			changed.Terms = append(changed.Terms, Weight{w.Name, w.C * factor})
		}
		got, err := changed.Combine(0.95)
		require.NoError(t, err)
		size := math.Abs(factor)
		require.InDelta(t, want.U*size, got.U, 1e-9*size*(1+want.U))
		// What is less than nothing is not folded but Student's t, of 12.7 at one degree of freedom.
		require.InDelta(t, want.Expanded*size, got.Expanded, 1e-6*size*(1+want.Expanded)+13*nothing)
		if min(want.U, got.U) > nothing { // and not what rounding leaves of causes that cancel
			require.InDelta(t, 1/want.Freedom, 1/got.Freedom, 1e-9)
			require.Equal(t, want.Dominant, got.Dominant)
		}
		require.GreaterOrEqual(t, got.Freedom, 1.0)
		require.IsNonIncreasing(t, append(contributions(got), -1))
	})
}

func contributions(u Uncertainty) []float64 {
	var out []float64
	for _, l := range u.Lines {
		out = append(out, l.Contribution)
	}
	return out
}

// u and ν against math/big at 200 bits, on random sets.
func TestCombineAgainstBig(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 9))
	big2 := func(x float64) *big.Float { return new(big.Float).SetPrec(200).SetFloat64(x) }
	mul := func(a, b *big.Float) *big.Float { return new(big.Float).SetPrec(200).Mul(a, b) }
	for range *oracleSets {
		var b Budget
		terms := 1 + random.IntN(6)
		for i := range terms {
			b.Terms = append(b.Terms, Weight{strconv.Itoa(i), float64(1 - 2*random.IntN(2))})
		}
		u2, w := big2(0), big2(0)
		for i := range 1 + random.IntN(8) {
			c := Cause{strconv.Itoa(i), math.Exp(6 * random.NormFloat64()), float64(1 + random.IntN(40)), Normal, nil}
			s := big2(0)
			for j := range terms {
				by := random.NormFloat64()
				c.Effects = append(c.Effects, Effect{j, by})
				s.Add(s, mul(big2(by), big2(b.Terms[j].C)))
			}
			b.Causes = append(b.Causes, c)
			x := mul(mul(s, s), mul(big2(c.U), big2(c.U)))
			u2.Add(u2, x)
			w.Add(w, new(big.Float).SetPrec(200).Quo(mul(x, x), big2(c.Freedom)))
		}
		got, err := b.Combine(0.95)
		require.NoError(t, err)
		wantU, _ := new(big.Float).Sqrt(u2).Float64()
		wantNu, _ := new(big.Float).SetPrec(200).Quo(mul(u2, u2), w).Float64()
		require.InEpsilon(t, wantU, got.U, 1e-11)
		require.InEpsilon(t, wantNu, got.Freedom, 1e-10)
		checkRoundedUp(t, got.Expanded)
	}
}

// checkRoundedUp: the stated U has at most two digits, is not below U, and less than one
// unit of its second digit above it.
func checkRoundedUp(t *testing.T, expanded float64) {
	t.Helper()
	_, u, err := Rounded(decimal.Zero, expanded)
	require.NoError(t, err)
	x := u.InexactFloat64()
	require.GreaterOrEqual(t, x, expanded*(1-1e-11))
	unit := math.Pow(10, math.Floor(math.Log10(expanded))-1)
	require.Less(t, x-expanded, unit*(1+1e-9))
}

func BenchmarkCombine(b *testing.B) {
	budget := Budget{}
	for i := range 10 {
		budget.Terms = append(budget.Terms, Weight{strconv.Itoa(i), float64(1 - 2*(i%2))})
		for j := range 3 {
			budget.Causes = append(budget.Causes, Cause{fmt.Sprint(i, j), float64(1 + j), float64(5 + i), StudentT, on(i, 1)})
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		_, err := budget.Combine(0.95)
		require.NoError(b, err)
	}
}

// BenchmarkMonteCarlo is 10⁶ draws of a chain of six terms.
func BenchmarkMonteCarlo(b *testing.B) {
	budget := Budget{}
	for i := range 6 {
		budget.Terms = append(budget.Terms, Weight{strconv.Itoa(i), float64(1 - 2*(i%2))})
		budget.Causes = append(budget.Causes, Cause{strconv.Itoa(i), float64(1 + i), certain, Shape(1 + i%2), on(i, 1)})
	}
	for b.Loop() {
		s, err := budget.MonteCarlo(1_000_000, 1)
		require.NoError(b, err)
		s.Interval(0.95)
	}
}
