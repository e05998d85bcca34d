package calc

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func lengths(t *testing.T, texts []string) []length {
	t.Helper()
	var out []length
	for _, text := range texts {
		out = append(out, length(d(text).Shift(lengthPlaces).IntPart()))
	}
	return out
}

func setOf(t *testing.T, texts []string) []item {
	t.Helper()
	var out []item
	for i, v := range lengths(t, texts) {
		out = append(out, item{1, v, i})
	}
	slices.SortFunc(out, func(a, b item) int { return int(a.v - b.v) })
	return out
}

// NIST/SEMATECH e-Handbook 1.3.5.17.1: eight uranium isotope readings, G = 2.4687; the
// one-sided limit there is 2.032, ours is two-sided (2.127).
func TestGrubbsUranium(t *testing.T) {
	set := setOf(t, column(t, "uranium8.csv"))
	verdicts := make([]Verdict, len(set))
	out := method.extremes(set, testGrubbs, verdicts)
	assert.Equal(t, ends{high: 1}, out)
	assert.InDelta(t, 2.4687, verdicts[7].Statistic, 1e-4)
	assert.InDelta(t, 2.1266, verdicts[7].Limit, 1e-4)
	assert.InDelta(t, 2.032, grubbsLimit(8, 0.05), 5e-4)
}

// NIST/SEMATECH e-Handbook 1.3.5.17.3, after B. Rosner 1983: three outliers of 54, and all
// ten R and λ.
func TestGeneralisedESDRosner(t *testing.T) {
	texts, m := column(t, "rosner54.csv"), method
	set := setOf(t, texts)
	verdicts := make([]Verdict, len(set))
	require.Equal(t, ends{high: 3}, m.extremes(set, testMany, verdicts))
	var rest []string
	rest = append(rest, texts...)
	for i, r := range reference(t, "gesd_rosner54.csv") {
		o := momentsOf(setOf(t, rest))
		at := slices.Index(rest, trimmed(r[5]))
		require.GreaterOrEqual(t, at, 0, r[5])
		x := item{v: lengths(t, rest[at:at+1])[0]}
		for column, tolerance := range map[int]float64{1: 2e-6, 2: 1e-6} {
			assert.InDelta(t, float(t, r[column]), o.distance(x), tolerance, "R%d", i+1)
			assert.InDelta(t, float(t, r[column+2]), m.limit(len(rest)), 6e-6, "lambda %d", i+1)
		}
		if i < 3 {
			taken := verdicts[slices.Index(texts, rest[at])]
			assert.InDelta(t, float(t, r[1]), taken.Statistic, 2e-6)
			assert.InDelta(t, float(t, r[3]), taken.Limit, 6e-6)
		}
		rest = slices.Delete(rest, at, at+1)
	}
}

func trimmed(text string) string { return d(text).String() }

// NIST StRD, univariate summary statistics: certified standard deviation (n−1) and lag-1
// autocorrelation.
func TestSpreadAndAutocorrelationStRD(t *testing.T) {
	files := map[string]string{"Lottery": "strd_lottery.csv", "Michelso": "strd_michelso.csv", "NumAcc1": "strd_numacc1.csv", "NumAcc2": "strd_numacc2.csv", "NumAcc3": "strd_numacc3.csv"}
	for _, r := range reference(t, "strd_certified.csv") {
		texts := column(t, files[r[0]])
		assert.InEpsilon(t, float(t, r[3]), momentsOf(setOf(t, texts)).s*picometre, 1e-12, r[0])
		got, ok := autocorrelation(lengths(t, texts))
		assert.True(t, ok)
		assert.InEpsilon(t, float(t, r[4]), got, 1e-12, r[0])
	}
}

// Means to a nanometre against the certified ones, NIST StRD. NumAcc1, beyond a million,
// is taken in thousands.
func TestMeansStRD(t *testing.T) {
	files := map[string]string{"Lottery": "strd_lottery.csv", "Michelso": "strd_michelso.csv", "NumAcc1": "strd_numacc1.csv", "NumAcc2": "strd_numacc2.csv", "NumAcc3": "strd_numacc3.csv"}
	known := noise{resolution: 1e6} // 0.001 mm, so means to 0.000001
	for _, r := range reference(t, "strd_certified.csv") {
		texts, want := column(t, files[r[0]]), d(r[2])
		if r[0] == "NumAcc1" {
			want = want.Shift(-3)
			for i := range texts {
				texts[i] = d(texts[i]).Shift(-3).String()
			}
		}
		got := known.kept(known.mean(setOf(t, texts)))
		assert.Equal(t, want.RoundBank(6).String(), got.String(), r[0])
	}
}

func TestAutocorrelationOfEqualValues(t *testing.T) {
	_, ok := autocorrelation([]length{5, 5, 5})
	assert.False(t, ok)
}

func TestHalfEven(t *testing.T) {
	for _, c := range []struct{ sum, times, by, want int64 }{
		{5, 1, 2, 2}, {7, 1, 2, 4}, {-5, 1, 2, -2}, {-7, 1, 2, -4}, {1, 1, 3, 0}, {2, 1, 3, 1}, {-2, 1, 3, -1}, {0, 1000, 7, 0},
		{25, 1, 10, 2}, {35, 1, 10, 4}, {26, 1, 10, 3}, {24, 1, 10, 2}, {1e18, 1000, 1e3, 1e18}, {3, 1000, 2000, 2}, {1, 1000, 2000, 0},
	} {
		assert.Equal(t, c.want, halfEven(c.sum, c.times, c.by), "%+v", c)
	}
}

func TestPicometres(t *testing.T) {
	for _, c := range []struct {
		in      decimal.Decimal
		want    length
		problem string
	}{
		{d("0"), 0, ""}, {decimal.Decimal{}, 0, ""}, {d("-0.01"), -1e7, ""}, {d("999999.999999999"), 1e15 - 1, ""}, {decimal.New(5, 3), 5e12, ""},
		{d("0.0000000001"), 0, "9 decimal places"}, {d("1000000"), 0, "million"}, {d("-1000000"), 0, "million"}, {decimal.New(1, 6), 0, "million"},
		{decimal.New(0, 6), 0, ""}, {decimal.New(0, 7), 0, "million"}, {decimal.New(1, 1<<30), 0, "million"}, {decimal.New(1, -1<<30), 0, "9 decimal places"},
		{d("123456789012345678901234567890"), 0, "million"},
	} {
		got, problem := picometres(c.in)
		assert.Equal(t, c.want, got, "%s", problem)
		if c.problem == "" {
			assert.Empty(t, problem)
		} else {
			assert.Contains(t, problem, c.problem)
		}
	}
}

func TestExactHasNoTrailingZeros(t *testing.T) {
	for _, c := range []struct {
		v    int64
		exp  int32
		want string
		to   int32
	}{{1200, -3, "1.2", -1}, {0, -9, "0", 0}, {-50, -1, "-5", 0}, {7, -2, "0.07", -2}, {10, 0, "10", 0}} {
		got := exact(c.v, c.exp)
		assert.Equal(t, c.want, got.String())
		assert.Equal(t, c.to, got.Exponent())
	}
}

// Equal readings stand or fall together, also where a test took only one of them.
func TestWithEquals(t *testing.T) {
	for _, c := range []struct {
		name     string
		values   []string
		in, want ends
	}{
		{"none out", []string{"1", "1", "2"}, ends{}, ends{}},
		{"low", []string{"1", "1", "1", "2", "3"}, ends{low: 1}, ends{low: 3}},
		{"high", []string{"1", "2", "3", "3"}, ends{high: 1}, ends{high: 2}},
		{"both", []string{"1", "1", "2", "3", "3"}, ends{1, 1}, ends{2, 2}},
		{"already all", []string{"1", "2", "2", "3"}, ends{1, 2}, ends{1, 3}},
		{"never more than there are", []string{"1", "1", "1"}, ends{1, 1}, ends{2, 1}},
	} {
		assert.Equal(t, c.want, withEquals(setOf(t, c.values), c.in), c.name)
	}
}

// A value at its limit still passes, in each test; just above it does not.
func TestOutlierOnTheLimit(t *testing.T) {
	m := &Method{grubbs: make([]float64, cachedLimits)}
	m.scatter[3] = 1.5
	three := []item{{v: 0, at: 0}, {v: 0, at: 1}, {v: 30_000_000, at: 2}} // 0.03 mm
	deviations := func() []Verdict { return []Verdict{{}, {}, {Deviation: 0.03}} }
	assert.Equal(t, ends{}, m.knownScatter(three, noise{sigma: 0.02}, deviations()))
	assert.Equal(t, ends{high: 1}, m.knownScatter(three, noise{sigma: 0.0199}, deviations()))

	six := []item{{v: 0, at: 0}, {v: 1, at: 1}, {v: 2, at: 2}, {v: 3, at: 3}, {v: 4, at: 4}, {v: 90, at: 5}}
	m.grubbs[6], m.grubbs[5], m.grubbs[4] = momentsOf(six).distance(six[5]), 9, 9
	assert.Equal(t, ends{}, m.extremes(six, testGrubbs, make([]Verdict, 6)))
	assert.Equal(t, ends{}, m.extremes(six, testMany, make([]Verdict, 6)))
	m.grubbs[6] = math.Nextafter(m.grubbs[6], 0)
	assert.Equal(t, ends{high: 1}, m.extremes(six, testGrubbs, make([]Verdict, 6)))

	// 2.77·s_r of 0.01 mm, read finely.
	for last, counted := range map[string]int{"1.0277": 3, "1.0278": 2} {
		r, err := method.Reduce(at(0, "1", "1", last), Scatter{d("0.0001"), d("0.01")}, ReduceRule{})
		require.NoError(t, err)
		assert.Equal(t, counted, r.Places[0].Counted, last)
	}
}

// The candidate is the value further from the mean, of two as far the largest.
func TestCandidateIsTheFurther(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 8))
	for range 500 {
		var set []item
		sum := int64(0)
		for range 3 + random.IntN(8) {
			v := random.Int64N(20) - 10
			set, sum = append(set, item{v: length(v)}), sum+v
		}
		slices.SortFunc(set, func(a, b item) int { return cmp.Compare(a.v, b.v) })
		n := int64(len(set)) // distances from the mean, times n
		low, high := sum-n*int64(set[0].v), n*int64(set[n-1].v)-sum
		require.Equal(t, high >= low, momentsOf(set).highFurther, "%v", set)
	}
	assert.True(t, momentsOf([]item{{v: -5}, {v: 0}, {v: 5}}).highFurther)
}
