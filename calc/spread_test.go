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

// larger is the finding on some repeats, and whether there is one.
func larger(t require.TestingT, repeats []Repeat, s Scatter, freedom float64) (map[string]string, bool) {
	r, err := method.Reduce(repeats, s, ReduceRule{})
	require.NoError(t, err)
	f, found, err := method.LargerSpread(r, s, freedom)
	require.NoError(t, err)
	if !found {
		require.Zero(t, f)
		return nil, false
	}
	require.Equal(t, "spread larger than stated", f.Code)
	return f.Params, true
}

var rod = Scatter{d("0.01"), d("0.01")}

// The case that Grubbs is blind to: of six, two alike on either side. s = √(2·0.07²/5) =
// 0.0443; of σ² = 0.01² + 0.01²/12 the limit is 0.0181 by χ²(5) at 99 % = 15.086, and
// 0.0268 by F(5, 8) = 6.632 (both from memory of printed tables). Nothing else changes.
func TestSixThatGrubbsIsBlindTo(t *testing.T) {
	six := at(0, "70.03", "70.10", "70.17", "70.10", "70.10", "70.10")
	got, found := larger(t, six, rod, certain)
	require.True(t, found)
	assert.Equal(t, map[string]string{"spread": "0.044", "stated": "0.01", "limit": "0.018", "repeats": "6"}, got)
	got, found = larger(t, six, rod, 8)
	require.True(t, found)
	assert.Equal(t, map[string]string{"spread": "0.044", "stated": "0.01", "limit": "0.027", "repeats": "6"}, got)

	r, err := method.Reduce(six, rod, ReduceRule{})
	require.NoError(t, err)
	assert.Equal(t, "70.1", r.Value.String())
	assert.False(t, r.Unsettled)
	assert.Empty(t, r.Findings)
	for _, v := range r.Verdicts {
		assert.False(t, v.LeftOut)
	}
}

func TestLargerSpread(t *testing.T) {
	for _, c := range []struct {
		name    string
		repeats []Repeat
		s       Scatter
		freedom float64
		found   bool
	}{
		{"two at one place are too few", at(0, "1.00", "1.04"), rod, certain, false},
		{"three, two of them at one place", append(at(0, "1.00", "1.04"), at(1, "1")...), rod, certain, true},
		{"one a place shows no scatter", append(at(0, "1.00"), append(at(1, "1.05"), at(2, "1.1")...)...), rod, certain, false},
		{"one count apart, whatever is stated", at(0, "1.00", "1.01", "1.00", "1.01", "1.00", "1.01"), Scatter{d("0.01"), d("0.001")}, certain, false},
		{"two counts apart", at(0, "1.00", "1.02", "1.00", "1.02", "1.00", "1.02"), Scatter{d("0.01"), d("0.001")}, certain, true},
		{"two counts apart, as stated", at(0, "1.00", "1.02", "1.00", "1.02", "1.00", "1.02"), rod, certain, false},
		{"places apart is no scatter", append(at(0, "1.00", "1.00"), at(1, "1.5", "1.5")...), rod, certain, false},
		{"an outlier that is left out does not scatter", at(0, "1.00", "1.00", "1.30"), rod, certain, false},
		{"unsettled has been said", at(0, "1.00", "1.10", "1.20", "1.30"), rod, certain, false},
		{"a stated value that is hardly known", at(0, "1.00", "1.02", "1.04"), Scatter{d("0.01"), d("0.004")}, 1, false},
		{"the same, well known", at(0, "1.00", "1.01", "1.02", "1.03"), Scatter{d("0.01"), d("0.004")}, certain, true},
	} {
		_, found := larger(t, c.repeats, c.s, c.freedom)
		assert.Equal(t, c.found, found, c.name)
	}
}

// The limit is met at equality: 1.00, 1.02, 1.04 have s = 0.02, and s² = σ²·F of two
// degrees of freedom, χ²(2)/2 = −ln 0.01, at σ² = 0.0004/4.605.
func TestLargerSpreadAtItsLimit(t *testing.T) {
	sigma := math.Sqrt(0.0004 / -math.Log(0.01))
	for _, c := range []struct {
		factor float64
		found  bool
	}{{0.9999, true}, {1.0001, false}} {
		sr := math.Sqrt(sigma*sigma*c.factor*c.factor - 1e-4/12)
		_, found := larger(t, at(0, "1.00", "1.02", "1.04"), Scatter{d("0.01"), decimal.NewFromFloat(sr).Round(9)}, certain)
		assert.Equal(t, c.found, found, "%v", c.factor)
	}
}

// Quantiles of χ² and F at 99 %: closed forms of two degrees of freedom, the rest as
// printed in tables (NIST/SEMATECH e-Handbook, 1.3.6.7.3 and 1.3.6.7.4, from memory).
func TestVarianceRatios(t *testing.T) {
	for _, c := range []struct{ nu, freedom, want float64 }{
		{1, certain, 6.635}, {5, certain, 15.086 / 5}, {10, certain, 23.209 / 10}, {30, certain, 50.892 / 30},
		{1, 1, 4052.2}, {4, 10, 5.994}, {5, 8, 6.632}, {10, 20, 3.368}, {1, 8, 11.259},
	} {
		assert.InEpsilon(t, c.want, varianceRatio(c.nu, c.freedom), 1e-4, "%v, %v", c.nu, c.freedom)
	}
	assert.InEpsilon(t, -math.Log(0.01), varianceRatio(2, certain), 1e-9)
	for _, nu := range []float64{1, 2, 7.5, 8, 50, 1e5} {
		assert.InEpsilon(t, nu/2*(math.Pow(0.01, -2/nu)-1), varianceRatio(2, nu), 1e-8, "%v", nu)
	}
	assert.InEpsilon(t, varianceRatio(6, certain), varianceRatio(6, likeNormal-1), 1e-5, "no step where F becomes χ²")
}

// Of repeats that scatter as stated, wherever they lie between two counts, about 1 in 100
// sets is found to scatter more (rounding is no normal error); of those that scatter four times as much, most are.
func TestLargerSpreadIsRarelyWrong(t *testing.T) {
	random := rand.New(rand.NewPCG(6, 6))
	sets := *oracleSets / 2
	for _, sr := range []float64{0.001, 0.003, 0.005, 0.01, 0.03} {
		for _, n := range []int{3, 6, 12} {
			wrong, right := 0, 0
			for range sets {
				x := random.Float64()
				for _, as := range []float64{1, 4} {
					var repeats []Repeat
					for range n {
						repeats = append(repeats, Repeat{0, decimal.NewFromFloat(x + as*sr*random.NormFloat64()).Round(2)})
					}
					// Places without a test, so that nothing is left out.
					items, err := sorted(repeats)
					require.NoError(t, err)
					places := []PlaceMean{{Counted: n, Spread: (items[n-1].v - items[0].v).decimal(), Deviation: deviation(items)}}
					_, found, err := method.LargerSpread(Reduction{Places: places}, Scatter{d("0.01"), decimal.NewFromFloat(sr)}, certain)
					require.NoError(t, err)
					if found && as == 1 {
						wrong++
					} else if found {
						right++
					}
				}
			}
			share := float64(wrong) / float64(sets)
			assert.LessOrEqual(t, share, 0.013+3*math.Sqrt(0.013/float64(sets)), "s_r %v, %d repeats", sr, n)
			if sr >= 0.005 && n >= 6 {
				assert.Greater(t, float64(right)/float64(sets), 0.9, "s_r %v, %d repeats", sr, n)
			}
		}
	}
}

// The order of repeats, mirroring, moving all of them and the unit do not matter; a
// better known repeatability never hides a finding, a larger one never makes one.
func TestLargerSpreadIsIndifferent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		counts := rapid.SliceOfN(rapid.Int64Range(0, 8), 2, 12).Draw(t, "counts")
		sr := rapid.Int64Range(1, 30).Draw(t, "s_r")
		as := func(unit, sign, shift int64, order []int64, sr int64) ([]Repeat, Scatter) {
			var out []Repeat
			for i, c := range order {
				out = append(out, Repeat{i % 2, decimal.New((sign*c+shift)*unit*10, -5)})
			}
			return out, Scatter{decimal.New(unit*10, -5), decimal.New(unit*sr, -5)}
		}
		plain, s := as(100, 1, 0, counts, sr)
		nu := rapid.SampledFrom([]float64{1, 8, 40, certain}).Draw(t, "nu")
		_, want := larger(t, plain, s, nu)
		mirrored, _ := as(100, -1, rapid.Int64Range(-1000, 1000).Draw(t, "shift"), counts, sr)
		inch, inchScatter := as(254, 1, 0, counts, sr)
		_, got := larger(t, rapid.Permutation(mirrored).Draw(t, "order"), s, nu)
		require.Equal(t, want, got)
		_, got = larger(t, inch, inchScatter, nu)
		require.Equal(t, want, got)
		coarser := Scatter{s.Resolution, s.Repeatability.Mul(d("2"))}
		r, err := method.Reduce(plain, s, ReduceRule{})
		require.NoError(t, err)
		_, still, err := method.LargerSpread(r, coarser, nu)
		require.NoError(t, err)
		require.False(t, still && !want)
	})
}

func TestLargerSpreadRefuses(t *testing.T) {
	good, err := method.Reduce(at(0, "1", "1.1", "1.2"), caliper, ReduceRule{})
	require.NoError(t, err)
	for _, c := range []struct {
		field   string
		m       *Method
		r       Reduction
		s       Scatter
		freedom float64
	}{
		{"method", nil, good, caliper, 8},
		{"scatter.repeatability", method, good, Scatter{Resolution: d("0.01")}, 8},
		{"freedom", method, good, caliper, 0},
		{"freedom", method, good, caliper, math.NaN()},
		{"reduction.places", method, Reduction{}, caliper, 8},
		{"reduction.places", method, Reduction{Places: []PlaceMean{{Counted: 0}}}, caliper, 8},
		{"reduction.places", method, Reduction{Places: []PlaceMean{{Counted: 3, Deviation: math.NaN()}}}, caliper, 8},
	} {
		_, found, err := c.m.LargerSpread(c.r, c.s, c.freedom)
		refused(t, err, c.field, "")
		assert.False(t, found)
	}
}
