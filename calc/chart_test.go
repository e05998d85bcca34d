package calc

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// flows is the worked example of an individuals chart in the NIST/SEMATECH e-Handbook,
// 6.3.2.2: ten batches and their flow rates. The ten values are from memory; mean, mean
// moving range and limits were compared with a second quotation of that page.
var flows = []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}

func TestIndividualsOfTheHandbook(t *testing.T) {
	c, err := Individuals(flows)
	require.NoError(t, err)
	assert.InDelta(t, 50.81, c.Centre, 1e-9)
	assert.InDelta(t, 1.8778, c.MeanRange, 5e-5)
	// The handbook takes 3/1.128, which is 2.6596, where we take 2.66.
	assert.InDelta(t, 55.8041, c.Upper, 0.0009)
	assert.InDelta(t, 45.8159, c.Lower, 0.0009)
	assert.InDeltaSlice(t, []float64{2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5}, c.Ranges, 1e-9)
	assert.Empty(t, c.Signals, "the handbook: the process is in control")
}

// The two constants are those of the range of two normal values, worked out: d₂ = 2/√π,
// d₃ = √(2 − 4/π), 3/d₂ and 1 + 3·d₃/d₂.
func TestTheConstantsAreThoseOfRangesOfTwo(t *testing.T) {
	d2, d3 := 2/math.Sqrt(math.Pi), math.Sqrt(2-4/math.Pi)
	assert.InDelta(t, 3/d2, individualsFactor, 0.005)
	assert.InDelta(t, 1+3*d3/d2, rangesFactor, 0.0005)
}

func TestSignals(t *testing.T) {
	for _, c := range []struct {
		name   string
		values []float64
		want   []Signal
	}{
		{"quiet", []float64{1, 2, 1, 2, 1, 2, 1, 2, 1, 2}, nil},
		{"all equal, and not to be written in binary", []float64{0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1}, nil},
		{"two", []float64{-1, 1}, nil},
		{"one far out", []float64{0, .1, 0, .1, 0, .1, 0, .1, 0, .1, 5, .1, 0, .1, 0, .1, 0, .1, 0, .1}, []Signal{
			{RowOnOneSide, 0, 9}, {RangeAboveLimit, 9, 10}, {OutsideLimits, 10, 10}, {RangeAboveLimit, 10, 11}, {RowOnOneSide, 11, 19}}},
		{"eight on one side", []float64{1, 2, 1, 2, 1, 2, 1, 2, 4, 3, 4, 3}, []Signal{{RowOnOneSide, 0, 7}}},
		{"seven on one side", []float64{1, 2, 1, 2, 1, 2, 1, 4, 3, 4, 3}, nil},
		{"the centre ends a row", []float64{0, 1, 0, 1, 0, 1, 0, 2, 0, 1, 0, 1, 4, 3, 4, 3, 4, 3, 4, 2, 4, 3, 4, 3}, nil},
		{"two rows", []float64{1, 2, 1, 2, 1, 2, 1, 2, 4, 3, 4, 3, 4, 3, 4, 3, 4}, []Signal{{RowOnOneSide, 0, 7}, {RowOnOneSide, 8, 16}}},
	} {
		got, err := Individuals(c.values)
		require.NoError(t, err, c.name)
		assert.ElementsMatch(t, c.want, got.Signals, "%s: centre %v", c.name, got.Centre)
	}
}

func TestAChartTakesNumbers(t *testing.T) {
	var field *FieldError
	for _, bad := range [][]float64{nil, {1}, {1, math.NaN()}, {math.Inf(1), 1}, make([]float64, mostPoints+1)} {
		_, err := Individuals(bad)
		require.ErrorAs(t, err, &field)
	}
}

// Whatever the values: limits lie about the centre, turning the scale round turns the
// chart round, shifting and stretching it shifts and stretches the chart, and each signal
// is what it says.
func TestChartsFollowTheirScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.IntRange(-300, 300), 2, 60).Draw(t, "values")
		shift, stretch := rapid.IntRange(-100, 100).Draw(t, "shift"), rapid.SampledFrom([]float64{-4, -1, -0.5, 0.25, 8}).Draw(t, "stretch")
		x, y := make([]float64, len(values)), make([]float64, len(values))
		for i, v := range values {
			x[i], y[i] = float64(v), float64(v)*stretch+float64(shift)
		}
		a, err := Individuals(x)
		require.NoError(t, err)
		b, err := Individuals(y)
		require.NoError(t, err)
		near := func(want, got float64) { assert.InDelta(t, want, got, 1e-9*(1+math.Abs(want))) }
		near(a.Centre*stretch+float64(shift), b.Centre)
		near((a.Upper-a.Lower)*math.Abs(stretch), b.Upper-b.Lower)
		near(a.RangeLimit*math.Abs(stretch), b.RangeLimit)
		for _, s := range a.Signals {
			require.True(t, 0 <= s.From && s.From <= s.To && s.To < len(x))
			switch s.Code {
			case OutsideLimits:
				require.True(t, x[s.From] > a.Upper || x[s.From] < a.Lower)
			case RangeAboveLimit:
				require.Greater(t, math.Abs(x[s.To]-x[s.From]), a.RangeLimit)
			case RowOnOneSide:
				require.GreaterOrEqual(t, s.To-s.From+1, rowLength)
				for _, v := range x[s.From : s.To+1] {
					require.Equal(t, x[s.From] > a.Centre, v > a.Centre)
				}
			}
		}
	})
}

// Normal values lie outside in about 1 of 370 cases when the limits are known; with limits
// of 400 values each it comes near that.
func TestChanceSeldomSignals(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 7))
	outside, all := 0, 0
	for range 50 {
		values := make([]float64, 400)
		for i := range values {
			values[i] = r.NormFloat64()
		}
		c, err := Individuals(values)
		require.NoError(t, err)
		for _, s := range c.Signals {
			if s.Code == OutsideLimits {
				outside++
			}
		}
		all += len(values)
	}
	assert.InDelta(t, 0.0027, float64(outside)/float64(all), 0.0015)
}

func decimals(texts ...string) []decimal.Decimal {
	out := make([]decimal.Decimal, len(texts))
	for i, text := range texts {
		out[i] = decimal.RequireFromString(text)
	}
	return out
}

// JCGM 100:2008, H.5: ten days of five readings of a voltage standard with the standard
// deviations of table H.9 (from memory; they give the pooled 85 µV with 40 degrees of
// freedom that the example states). The days' means scatter by 57 µV, five times which
// squared is 128 µV squared with 9 degrees of freedom: F(9, 40) = 2.25, between the 95 %
// and the 97.5 % quantile, 2.12 and 2.45, that the example states.
func TestPoolingTheGuidesExample(t *testing.T) {
	var p Pooled
	for _, s := range []float64{60, 77, 111, 101, 67, 93, 80, 73, 88, 86} {
		p = p.With(Pooled{s * s * 4, 4})
	}
	assert.Equal(t, 40, p.Freedom)
	assert.InDelta(t, 85, p.Deviation(), 0.5)
	days := Pooled{128 * 128 * 9, 9}
	assert.InDelta(t, 2.25, math.Pow(days.Deviation()/p.Deviation(), 2), 0.03)
	assert.True(t, days.Exceeds(p, 0.05))
	assert.False(t, days.Exceeds(p, 0.025))
}

func TestPooledOf(t *testing.T) {
	for _, c := range []struct {
		values  []string
		s       float64
		freedom int
	}{
		{nil, 0, 0},
		{[]string{"52.54"}, 0, 0},
		{[]string{"52.54", "52.54"}, 0, 1},
		{[]string{"52.54", "52.56"}, 0.02 / math.Sqrt2, 1},
		{[]string{"1", "2", "3", "4"}, math.Sqrt(5. / 3), 3},
		{[]string{"999999.000000001", "999999.000000003"}, 2e-9 / math.Sqrt2, 1}, // exact, not 1e6 squared
	} {
		p, err := PooledOf(decimals(c.values...))
		require.NoError(t, err)
		assert.InEpsilon(t, 1+c.s, 1+p.Deviation(), 1e-12, c.values)
		assert.Equal(t, c.freedom, p.Freedom)
	}
	var field *FieldError
	_, err := PooledOf(decimals("1000000"))
	require.ErrorAs(t, err, &field)
}

// A place closes with two repeats that agree within a count, and asks for a third where
// they do not: the pooled scatter is that of the instrument all the same. The mean of the
// places' deviations would not be.
func TestPoolingIsRightHoweverPlacesClose(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 5))
	const sigma, count = 0.010, 0.010
	var p Pooled
	mean, places := 0.0, 0
	for range 20_000 {
		values := []float64{sigma * r.NormFloat64(), sigma * r.NormFloat64()}
		for math.Abs(values[len(values)-1]-values[len(values)-2]) > count && len(values) < 6 {
			values = append(values, sigma*r.NormFloat64())
		}
		set := make([]decimal.Decimal, len(values))
		for i, v := range values {
			set[i] = decimal.NewFromFloat(v).Round(9)
		}
		one, err := PooledOf(set)
		require.NoError(t, err)
		p, mean, places = p.With(one), mean+one.Deviation(), places+1
	}
	assert.InEpsilon(t, sigma, p.Deviation(), 0.01)
	assert.Less(t, mean/float64(places), 0.85*sigma)
}

// The interval holds the true deviation as often as it says.
func TestIntervalOfADeviation(t *testing.T) {
	// Quantiles of χ² with 10 degrees of freedom, 3.247 and 20.483 (standard table, as in
	// NIST/SEMATECH e-Handbook, 1.3.6.7.4; from memory).
	low, high := Pooled{10, 10}.Interval(0.95)
	assert.InDelta(t, math.Sqrt(10/20.483), low, 1e-4)
	assert.InDelta(t, math.Sqrt(10/3.247), high, 1e-4)
	low, high = Pooled{}.Interval(0.95)
	assert.Zero(t, low)
	assert.True(t, math.IsInf(high, 1))
	r := rand.New(rand.NewPCG(2, 9))
	held := 0
	const rounds = 4000
	for range rounds {
		p := Pooled{0, 7}
		for range 7 {
			x := r.NormFloat64()
			p.Squares += x * x
		}
		if low, high := p.Interval(0.95); low < 1 && 1 < high {
			held++
		}
	}
	assert.InDelta(t, 0.95, float64(held)/rounds, 0.015)
}

func scatterOf(d, sr string) Scatter {
	return Scatter{Resolution: decimal.RequireFromString(d), Repeatability: decimal.RequireFromString(sr)}
}

func TestAgainst(t *testing.T) {
	for _, c := range []struct {
		name    string
		s       float64
		nu      int
		d, sr   string
		freedom float64
		want    int
	}{
		{"as stated", 0.008, 40, "0.01", "0.008", 8, 0},
		{"with the rounding in it", 0.0085, 4000, "0.01", "0.008", 4000, 0},
		{"twice of what nobody doubts", 0.016, 40, "0.01", "0.008", math.Inf(1), 1},
		{"twice of what is only judged", 0.016, 12, "0.01", "0.008", 8, 0},
		{"three times of what is only judged", 0.026, 12, "0.01", "0.008", 8, 1},
		{"half of what nobody doubts", 0.004, 40, "0.001", "0.008", math.Inf(1), -1},
		{"nothing to be seen below the floor", 0, 400, "0.01", "0.003", math.Inf(1), 0},
		{"nothing, where more is stated", 0, 400, "0.01", "0.008", math.Inf(1), -1},
		{"no degree of freedom", 1, 0, "0.01", "0.008", 8, 0},
		{"nothing stated", 1, 10, "0.01", "0.008", 0, 0},
	} {
		p := Pooled{c.s * c.s * float64(c.nu), c.nu}
		assert.Equal(t, c.want, p.Against(scatterOf(c.d, c.sr), c.freedom), c.name)
	}
	// F(10, 10) at 99.5 %: 5.85 (standard table, from memory).
	assert.InDelta(t, 5.85, ratioLimit(10, 10), 0.005)
	assert.InEpsilon(t, ratioLimit(12, 1e6), ratioLimit(12, math.Inf(1)), 1e-4)
	assert.InEpsilon(t, ratioLimit(1e6, 12), ratioLimit(math.Inf(1), 12), 1e-4)
	assert.InDelta(t, 1, ratioLimit(math.Inf(1), math.Inf(1)), 0)
}

// Whoever states what was achieved, with its degrees of freedom, is not contradicted by it.
func TestWhatWasAchievedContradictsNoStatementOfIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		nu := rapid.IntRange(1, 3000).Draw(t, "nu")
		d := rapid.SampledFrom([]string{"0.001", "0.01", "0.05"}).Draw(t, "d")
		s := rapid.Float64Range(0, 0.1).Draw(t, "s")
		p := Pooled{s * s * float64(nu), nu}
		stated := decimal.NewFromFloat(max(p.Deviation(), ReadingFloor(decimal.RequireFromString(d))))
		assert.Zero(t, p.Against(Scatter{decimal.RequireFromString(d), stated}, float64(nu)))
	})
}

// R. A. Fisher, The Design of Experiments (1935), chapter II: of eight cups, three of the
// four named right by chance or better is 17/70, all four 1/70.
func TestOftener(t *testing.T) {
	for _, c := range []struct {
		hits, tries, others, otherTries int
		want                            float64
	}{
		{3, 4, 1, 4, 17. / 70}, {4, 4, 0, 4, 1. / 70}, {0, 4, 4, 4, 1}, {0, 0, 0, 0, 1}, {0, 10, 0, 10, 1}, {10, 10, 10, 10, 1},
		{2, 2, 0, 0, 1}, {1, 1, 0, 99, 0.01},
	} {
		p, err := Oftener(c.hits, c.tries, c.others, c.otherTries)
		require.NoError(t, err)
		assert.InDelta(t, c.want, p, 1e-9, c)
	}
	var field *FieldError
	for _, bad := range [][4]int{{5, 4, 0, 0}, {-1, 4, 0, 0}, {0, 0, 1, 0}, {0, 0, -1, 0}} {
		_, err := Oftener(bad[0], bad[1], bad[2], bad[3])
		require.ErrorAs(t, err, &field)
	}
}

// The probabilities of all outcomes with the same margins sum to one.
func TestOftenerCountsEveryOutcomeOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tries, others := rapid.IntRange(0, 200).Draw(t, "tries"), rapid.IntRange(0, 200).Draw(t, "others")
		hits := rapid.IntRange(0, tries+others).Draw(t, "hits")
		least, most := max(0, hits-others), min(tries, hits)
		last := 1.0
		for k := least; k <= most; k++ {
			p, err := Oftener(k, tries, hits-k, others)
			require.NoError(t, err)
			if k == least {
				require.InDelta(t, 1, p, 1e-9)
			}
			require.LessOrEqual(t, p, last+1e-9, "more is never likelier")
			last = p
		}
	})
}

func FuzzIndividuals(f *testing.F) {
	f.Add(1.0, 2.0, -3.0, 7)
	f.Add(0.1, 0.1, 0.1, 12)
	f.Add(math.Inf(1), 0.0, math.NaN(), 3)
	f.Fuzz(func(t *testing.T, a, b, c float64, n int) {
		values := make([]float64, 0, 64)
		for i := range min(max(n, 0), 64) {
			values = append(values, []float64{a, b, c}[i%3])
		}
		chart, err := Individuals(values)
		if err != nil {
			return
		}
		require.LessOrEqual(t, chart.Lower, chart.Upper)
		require.Len(t, chart.Ranges, len(values)-1)
	})
}
