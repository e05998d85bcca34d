package calc

import (
	"math"
	"slices"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func spread(t require.TestingT, repeats []Repeat, s Scatter, freedom float64, rule ReduceRule) Spread {
	r, err := method.Reduce(repeats, s, rule)
	require.NoError(t, err)
	out, err := method.MeanUncertainty(r, s, freedom, rule)
	require.NoError(t, err)
	return out
}

func at(place int, values ...string) []Repeat {
	var out []Repeat
	for _, v := range values {
		out = append(out, Repeat{place, d(v)})
	}
	return out
}

// JCGM 100:2008, 4.4.3: twenty temperatures (taken as mm here), s = 1.489, s/√20 = 0.333.
// One degree of freedom for the instrument's own s_r of the same size hardly changes it.
func TestMeanOfTheGUM(t *testing.T) {
	var repeats []Repeat
	for _, v := range column(t, "gum_table1_temps.csv") {
		repeats = append(repeats, Repeat{0, d(v)})
	}
	s := Scatter{d("0.01"), d("1.489")}
	r, err := method.Reduce(repeats, s, ReduceRule{})
	require.NoError(t, err)
	assert.InDelta(t, 1.489, r.Places[0].Deviation, 0.0005)
	got := spread(t, repeats, s, 1, ReduceRule{})
	assert.InDelta(t, 0.333, got.U, 0.0005)
	assert.Equal(t, 20.0, got.Freedom)
	assert.Equal(t, StudentT, got.Shape)
}

// NIST Statistical Reference Datasets: certified standard deviations, to 12 digits on
// Lottery and Michelso and 9 on NumAcc3 as asked in their report.
func TestDeviationOfReferenceSets(t *testing.T) {
	digits := map[string]float64{"Lottery": 12, "Michelso": 12, "NumAcc1": 15, "NumAcc3": 9}
	files := map[string]string{"Lottery": "strd_lottery.csv", "Michelso": "strd_michelso.csv", "NumAcc1": "strd_numacc1.csv", "NumAcc3": "strd_numacc3.csv"}
	for _, row := range reference(t, "strd_certified.csv") {
		n, known := digits[row[0]]
		if !known {
			continue
		}
		var set []item
		for _, v := range column(t, files[row[0]]) {
			x, err := decimal.NewFromString(v)
			require.NoError(t, err)
			p, _ := picometres(x.Shift(-3)) // in thousands, to stay below a kilometre
			set = append(set, item{v: p, at: len(set)})
		}
		// NumAcc1 and NumAcc3 are offset by up to 10,000,000; sorting is not needed here.
		want := float(t, row[3])
		got := deviation(set) * 1000
		assert.InDelta(t, want, got, want*math.Pow(10, -n+1), row[0])
	}
}

func TestMeanUncertainty(t *testing.T) {
	floor := 0.01 / math.Sqrt(12)
	for _, c := range []struct {
		name    string
		repeats []Repeat
		s       Scatter
		nu      float64
		rule    ReduceRule
		want    Spread
	}{
		{"identical repeats are not exact", at(0, "5", "5", "5"), Scatter{d("0.01"), d("0.001")}, 20, ReduceRule{}, Spread{floor, certain, Rectangular, "resolution"}},
		{"more of them neither", at(0, "5", "5", "5", "5", "5", "5"), Scatter{d("0.01"), d("0.001")}, 20, ReduceRule{}, Spread{floor, certain, Rectangular, "resolution"}},
		{"one repeat has s_r", at(0, "5"), caliper, 20, ReduceRule{}, Spread{0.005, 20, StudentT, "repeats"}},
		{"s_r is certain", at(0, "5", "5.02"), caliper, certain, ReduceRule{}, Spread{0.005 / math.Sqrt2, certain, StudentT, "repeats"}},
		{"pooled", at(0, "5", "5.02"), caliper, 3, ReduceRule{}, Spread{math.Sqrt((3*0.005*0.005+0.0002)/4) / math.Sqrt2, 4, StudentT, "repeats"}},
		{"unequal places", append(at(0, "5"), at(1, "5", "5")...), Scatter{d("0.001"), d("0.006")}, certain, ReduceRule{}, Spread{0.006 * math.Sqrt(1.5) / 2, certain, StudentT, "repeats"}},
		{"places differ", append(at(0, "5", "5"), at(1, "5.06", "5.06")...), caliper, 20, ReduceRule{}, Spread{0.03, 1, Rectangular, "places"}},
		{"four places differ", slices.Concat(at(0, "5"), at(1, "5.06"), at(2, "5"), at(3, "5.06")), caliper, 20, ReduceRule{}, Spread{0.06 / math.Sqrt(12), 3, StudentT, "places"}},
		{"the tightest governs", append(at(0, "5", "5", "5", "5"), at(1, "5.06", "5.06")...), caliper, certain, ReduceRule{Governs: LargestPlace}, Spread{0.005 / math.Sqrt2, certain, StudentT, "repeats"}},
	} {
		got := spread(t, c.repeats, c.s, c.nu, c.rule)
		assert.InDelta(t, c.want.U, got.U, 1e-12, c.name)
		got.U = c.want.U
		assert.Equal(t, c.want, got, c.name)
	}
	assert.InDelta(t, 0.00289, floor, 5e-6) // GUM F.2.2.1: 0.01 mm over √12
	assert.Equal(t, Cause{"x", 1, 2, StudentT, []Effect{{3, 1}}}, Spread{1, 2, StudentT, "repeats"}.Cause("x", 3))
}

func TestMeanUncertaintyRefuses(t *testing.T) {
	good, err := method.Reduce(at(0, "5"), caliper, ReduceRule{})
	require.NoError(t, err)
	for _, c := range []struct {
		field, problem string
		m              *Method
		r              Reduction
		s              Scatter
		nu             float64
		rule           ReduceRule
	}{
		{"method", "has no limits", nil, good, caliper, 5, ReduceRule{}},
		{"scatter.repeatability", "above 0", method, good, Scatter{d("0.01"), d("0")}, 5, ReduceRule{}},
		{"rule.governs", "is 7", method, good, caliper, 5, ReduceRule{Governs: 7}},
		{"freedom", "is 0", method, good, caliper, 0, ReduceRule{}},
		{"freedom", "is NaN", method, good, caliper, math.NaN(), ReduceRule{}},
		{"reduction.places", "are none", method, Reduction{}, caliper, 5, ReduceRule{}},
		{"reduction.places", "without counted", method, Reduction{Places: []PlaceMean{{}}}, caliper, 5, ReduceRule{}},
		{"reduction.places", "without counted", method, Reduction{Places: []PlaceMean{{Counted: 1, Deviation: math.NaN()}}}, caliper, 5, ReduceRule{}},
	} {
		_, err := c.m.MeanUncertainty(c.r, c.s, c.nu, c.rule)
		refused(t, err, c.field, c.problem)
	}
}

// A further repeat at the mean of its place never widens, as long as standings stay.
func TestRepeatAtTheMeanNeverWidens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var repeats []Repeat
		for place := range rapid.IntRange(1, 3).Draw(t, "places") {
			base := rapid.Int64Range(0, 5).Draw(t, "base")
			for _, x := range rapid.SliceOfN(rapid.Int64Range(-2, 2), 1, 4).Draw(t, "x") {
				repeats = append(repeats, Repeat{place, decimal.New(1000+base+x, -2)})
			}
		}
		nu := rapid.SampledFrom([]float64{1, 10, certain}).Draw(t, "nu")
		before, err := method.Reduce(repeats, caliper, ReduceRule{})
		require.NoError(t, err)
		mean := before.Places[0].Mean
		more := append(append([]Repeat(nil), repeats...), Repeat{0, mean})
		after, err := method.Reduce(more, caliper, ReduceRule{})
		require.NoError(t, err)
		if before.Places[0].LeftOut != after.Places[0].LeftOut || !after.Places[0].Mean.Equal(mean) {
			return
		}
		a, b := spread(t, repeats, caliper, nu, ReduceRule{}), spread(t, more, caliper, nu, ReduceRule{})
		require.LessOrEqual(t, b.U, a.U*(1+1e-9))
		require.LessOrEqual(t, spread(t, rapid.Permutation(more).Draw(t, "order"), caliper, nu, ReduceRule{}).U, b.U*(1+1e-12))
	})
}

// Units: the same in thousandths gives a thousandth.
func TestMeanUncertaintyScales(t *testing.T) {
	repeats := append(at(0, "5", "5.02", "5.01"), at(1, "5.03", "5.01")...)
	small := make([]Repeat, len(repeats))
	for i, r := range repeats {
		small[i] = Repeat{r.Place, r.Value.Shift(-3)}
	}
	a := spread(t, repeats, caliper, 7, ReduceRule{})
	b := spread(t, small, Scatter{d("0.00001"), d("0.000005")}, 7, ReduceRule{})
	assert.InDelta(t, a.U/1000, b.U, 1e-12)
	assert.Equal(t, a.From, b.From)
}
