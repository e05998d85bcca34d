package calc

import (
	"math"
	"strings"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// taken reads "1: 5.01 5.02; 2: 5.03" as repeats at places.
func taken(text string) []Repeat {
	var out []Repeat
	for _, part := range strings.Split(text, ";") {
		place, values, _ := strings.Cut(part, ":")
		for _, v := range strings.Fields(values) {
			out = append(out, Repeat{int(d(strings.TrimSpace(place)).IntPart()), d(v)})
		}
	}
	return out
}

// leftOut lists the values left out, in the order of the repeats.
func leftOut(repeats []Repeat, r Reduction) string {
	var out []string
	for i, v := range r.Verdicts {
		if v.LeftOut {
			out = append(out, repeats[i].Value.String())
		}
	}
	return strings.Join(out, " ")
}

func codes(r Reduction) string {
	var out []string
	for _, f := range r.Findings {
		out = append(out, f.Code)
	}
	return strings.Join(out, ", ")
}

func nullable(text string) decimal.NullDecimal {
	if text == "" {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(d(text))
}

// The instrument is the caliper: d = 0.01, s_r = 0.005, so σ = 0.00577 and nothing up to
// 0.02 from the median is ever left out (2.77·s_r = 0.01385 is less).
func TestReduce(t *testing.T) {
	for _, c := range []struct {
		name, repeats     string
		governs           Governs
		differ            string
		value, withAll    string
		leftOut, findings string
	}{
		{"one reading", "1: 5.01", 0, "", "5.01", "5.01", "", ""},
		{"two agree", "1: 5.01 5.02", 0, "", "5.015", "5.015", "", ""},
		{"two that differ by one count are never outliers", "1: 5.00 5.01", 0, "", "5.005", "5.005", "", ""},
		{"of two none: unsettled", "1: 5.00 5.50", 0, "", "5.25", "5.25", "", "place unsettled"},
		{"of three one", "1: 5.00 5.01 5.50", 0, "", "5.005", "5.17", "5.5", ""},
		{"of three one, low", "1: 4.00 5.00 5.01", 0, "", "5.005", "4.67", "4", ""},
		{"of three two: unsettled", "1: 4.00 5.00 6.00", 0, "", "5", "5", "", "place unsettled"},
		{"2d away still counts", "1: 5.00 5.00 5.02", 0, "", "5.00667", "5.00667", "", ""},
		{"3d away does not", "1: 5.00 5.00 5.03", 0, "", "5", "5.01", "5.03", ""},
		{"of four one", "1: 5.00 5.01 5.02 5.90", 0, "", "5.01", "5.2325", "5.9", ""},
		{"of four a pair either way", "1: 5.00 5.00 5.90 5.90", 0, "", "5.45", "5.45", "", "place unsettled"},
		{"of five one", "1: 5.00 5.01 4.10 5.01 5.00", 0, "", "5.005", "4.824", "4.1", ""},
		{"of five two: unsettled", "1: 5.00 5.01 4.10 4.20 5.00", 0, "", "4.662", "4.662", "", "place unsettled"},
		{"six, all equal", "1: 5 5 5 5 5 5", 0, "", "5", "5", "", ""},
		{"six, a count apart: statistically out, practically not", "1: 5 5 5 5 5 5.01", 0, "", "5.00167", "5.00167", "", ""},
		{"six, one out", "1: 5.00 5.01 5.00 5.50 5.01 5.00", 0, "", "5.004", "5.08667", "5.5", ""},
		{"six, two on one side hide each other", "1: 5.00 5.01 5.00 5.50 5.01 5.50", 0, "", "5.17", "5.17", "", ""},
		{"seven, one out on either side", "1: 5.00 5.01 5.00 9.50 5.01 5.02 4.50", 0, "", "5.008", "5.57714", "9.5 4.5", ""},
		{"places are judged apart", "1: 5.00 5.01 5.50; 2: 6.00 6.00 6.01", 0, "", "5.50416", "5.58666", "5.5", ""},
		{"smallest governs", "2: 5.04 5.04; 1: 5.01 5.01; 3: 5.02", SmallestPlace, "", "5.01", "5.01", "", ""},
		{"largest governs", "2: 5.04 5.04; 1: 5.01 5.01; 3: 5.02", LargestPlace, "", "5.04", "5.04", "", ""},
		{"governing place with all", "1: 5.00 5.00 4.00; 2: 4.90 4.90", SmallestPlace, "", "4.9", "4.66667", "4", ""},
		{"places differ", "2: 5.04; 1: 5.01; 3: 5.02", 0, "0.02", "5.02333", "5.02333", "", "places differ"},
		{"places differ by what is allowed", "2: 5.04; 1: 5.01", 0, "0.03", "5.025", "5.025", "", ""},
		{"negative lengths", "1: -0.02 -0.03 -0.90", 0, "", "-0.025", "-0.31667", "-0.9", ""},
		{"half to even, up", "1: 5.00 5.01 5.01; 2: 5.00", 0, "", "5.00334", "5.00334", "", ""},
		{"half to even, down", "1: 5.00 5.00 5.01; 2: 5.00", 0, "", "5.00166", "5.00166", "", ""},
	} {
		repeats := taken(c.repeats)
		got, err := method.Reduce(repeats, caliper, ReduceRule{c.governs, nullable(c.differ)})
		require.NoError(t, err, c.name)
		assert.Equal(t, c.value, got.Value.String(), c.name)
		assert.Equal(t, c.withAll, got.ValueWithAll.String(), c.name)
		assert.Equal(t, c.leftOut, leftOut(repeats, got), c.name)
		assert.Equal(t, c.findings, codes(got), c.name)
		assert.Equal(t, strings.Contains(c.findings, "unsettled"), got.Unsettled, c.name)
	}
}

// Where the instrument scatters much, 2.77·s_r (0.0554) is the practical limit, not 2d.
// 0.055 is beyond the test's limit of 2.506·0.020.
func TestPracticalLimitOfAPoorInstrument(t *testing.T) {
	for _, c := range []struct{ repeats, leftOut string }{{"1: 5 5 5.055", ""}, {"1: 5 5 5.056", "5.056"}} {
		repeats := taken(c.repeats)
		got, err := method.Reduce(repeats, Scatter{d("0.001"), d("0.02")}, ReduceRule{})
		require.NoError(t, err)
		assert.Equal(t, c.leftOut, leftOut(repeats, got), c.repeats)
		assert.Greater(t, got.Verdicts[2].Statistic, got.Verdicts[2].Limit)
	}
}

func TestReduceTellsOfEachPlace(t *testing.T) {
	got, err := method.Reduce(taken("7: 5.00 5.01 5.50; 0: 6.00 6.40"), caliper, ReduceRule{PlacesDiffer: nullable("0.5")})
	require.NoError(t, err)
	require.Len(t, got.Places, 2)
	assert.Equal(t, PlaceMean{0, d("6.2"), d("6.2"), d("0.4"), 2, 0, true, got.Places[0].Deviation}, got.Places[0])
	assert.Equal(t, PlaceMean{7, d("5.005"), d("5.17"), d("0.01"), 2, 1, false, got.Places[1].Deviation}, got.Places[1])
	assert.Equal(t, []Finding{
		{"place unsettled", map[string]string{"place": "0", "out": "2", "allowed": "0"}},
		{"places differ", map[string]string{"places": "7, 0", "by": "1.195", "allowed": "0.5"}},
	}, got.Findings)
	slipped := got.Verdicts[2]
	assert.True(t, slipped.LeftOut)
	assert.Equal(t, "known scatter", slipped.Test)
	assert.InDelta(t, 0.49, slipped.Deviation, 1e-12)
	assert.InDelta(t, 0.49/math.Sqrt(0.005*0.005+0.01*0.01/12), slipped.Statistic, 1e-9)
	assert.InDelta(t, 2.506, slipped.Limit, 5e-4)
	assert.InDelta(t, -0.2, got.Verdicts[3].Deviation, 1e-12)
}

func TestReduceNamesTheTest(t *testing.T) {
	for n, want := range map[int]string{1: "", 2: "known scatter", 5: "known scatter", 6: "grubbs", 24: "grubbs", 25: "generalised esd", 54: "generalised esd"} {
		var repeats []Repeat
		for i := range n {
			repeats = append(repeats, Repeat{1, decimal.New(int64(500+i%3), -2)})
		}
		got, err := method.Reduce(repeats, caliper, ReduceRule{})
		require.NoError(t, err)
		for _, v := range got.Verdicts {
			assert.Equal(t, want, v.Test, n)
			assert.False(t, v.LeftOut)
			assert.Equal(t, want == "", v.Limit == 0)
		}
	}
}

// Gross errors of one size hide each other from the first steps of the test; it works
// out all steps before it decides, and one step more than may be left out.
func TestManyRepeats(t *testing.T) {
	good := strings.Repeat(" 5.00 5.01 5.02", 9)
	for _, c := range []struct {
		name, bad, leftOut string
		unsettled          bool
	}{
		{"none", "", "", false},
		{"one", " 7.00", "7", false},
		{"equal ones fall together", " 7.00 7.00 7.00", "7 7 7", false},
		{"either side", " 7.00 2.00 7.10", "7 2 7.1", false},
		{"a third", strings.Repeat(" 7.00", 13), strings.TrimSpace(strings.Repeat("7 ", 13)), false},
		{"one more than a third", strings.Repeat(" 7.00", 14), "", true},
	} {
		repeats := taken("1:" + good + c.bad)
		got, err := method.Reduce(repeats, caliper, ReduceRule{})
		require.NoError(t, err, c.name)
		assert.Equal(t, c.leftOut, leftOut(repeats, got), c.name)
		assert.Equal(t, c.unsettled, got.Unsettled, c.name)
	}
}

// Ever further out: each step of the ESD test is significant, also the one beyond a third.
func TestMoreThanAThirdOutIsUnsettled(t *testing.T) {
	repeats := taken("1:" + strings.Repeat(" 5.00 5.01 5.02", 6))
	for far := int64(10); len(repeats) < 28; far *= 4 {
		repeats = append(repeats, Repeat{1, decimal.New(far, -1)})
	}
	got, err := method.Reduce(repeats, caliper, ReduceRule{})
	require.NoError(t, err)
	assert.True(t, got.Unsettled)
	assert.Empty(t, leftOut(repeats, got))
	assert.True(t, got.Value.Equal(got.ValueWithAll))
	assert.Equal(t, "place unsettled", got.Findings[0].Code)
	assert.Equal(t, map[string]string{"place": "1", "out": "10", "allowed": "9"}, got.Findings[0].Params)
}

// NIST StRD, Michelso: lag-1 autocorrelation 0.535 of 100, above 2/√100.
func TestDriftMichelso(t *testing.T) {
	var repeats []Repeat
	for _, v := range column(t, "strd_michelso.csv") {
		repeats = append(repeats, Repeat{4, d(v)})
	}
	got, err := method.Reduce(repeats, Scatter{d("0.01"), d("0.08")}, ReduceRule{})
	require.NoError(t, err)
	assert.Equal(t, "299.8524", got.Value.String(), "certified mean")
	assert.Equal(t, []Finding{{"repeats not independent", map[string]string{"place": "4", "autocorrelation": "0.535", "limit": "0.200", "repeats": "100"}}}, got.Findings)
}

func TestDriftIsAskedFromTenRepeats(t *testing.T) {
	for _, c := range []struct{ repeats, want string }{
		{"1: 1 1 1 1 1 1.01 1.01 1.01 1.01", ""},
		{"1: 1 1 1 1 1 1.01 1.01 1.01 1.01 1.01", "repeats not independent"},
		{"1: 1 1.01 1 1.01 1 1.01 1 1.01 1 1.01", "repeats not independent"},
		{"1: 1 1 1.01 1.01 1 1.01 1.01 1 1 1.01", ""},
		{"1: 1 1 1 1 1 1 1 1 1 1", ""},
	} {
		got, err := method.Reduce(taken(c.repeats), caliper, ReduceRule{})
		require.NoError(t, err)
		assert.Equal(t, c.want, codes(got), c.repeats)
	}
}

// Sixteen readings with an autocorrelation of exactly 2/√16 are still independent.
func TestDriftOnTheLimit(t *testing.T) {
	values := []length{0, 1, -3, -3, -2, 2, 1, 1, 3, 3, 3, -1, -1, -1, -3, 0}
	r, ok := autocorrelation(values)
	require.True(t, ok)
	require.Equal(t, 0.5, r)
	var repeats []Repeat
	for _, v := range values {
		repeats = append(repeats, Repeat{0, decimal.New(int64(v), -2)})
	}
	got, err := method.Reduce(repeats, caliper, ReduceRule{})
	require.NoError(t, err)
	assert.Empty(t, got.Findings)
}

// Of places that are as low or as high the first are named.
func TestPlacesDifferNamesTheFirst(t *testing.T) {
	got, err := method.Reduce(taken("1: 5.00; 2: 5.00; 3: 5.40; 4: 5.40; 5: 5.20"), caliper, ReduceRule{PlacesDiffer: nullable("0.1")})
	require.NoError(t, err)
	require.Equal(t, []Finding{{"places differ", map[string]string{"places": "1, 3", "by": "0.4", "allowed": "0.1"}}}, got.Findings)
}

func TestReduceRefuses(t *testing.T) {
	good := taken("1: 5.00")
	for _, c := range []struct {
		field, problem string
		repeats        []Repeat
		s              Scatter
		r              ReduceRule
	}{
		{"repeats", "has 0 readings", nil, caliper, ReduceRule{}},
		{"repeats", "has 4001 readings", make([]Repeat, 4001), caliper, ReduceRule{}},
		{"repeats[1].value", "million", append(taken("1: 5"), Repeat{1, decimal.New(1, 99)}), caliper, ReduceRule{}},
		{"repeats[0].place", "is -1", []Repeat{{-1, d("5")}}, caliper, ReduceRule{}},
		{"scatter.resolution", "is 0 mm", good, Scatter{d("0"), d("1")}, ReduceRule{}},
		{"scatter.resolution", "at least", good, Scatter{d("0.0000009"), d("1")}, ReduceRule{}},
		{"scatter.resolution", "9 decimal places", good, Scatter{d("0.0000000001"), d("1")}, ReduceRule{}},
		{"scatter.repeatability", "above 0", good, Scatter{d("0.01"), d("0")}, ReduceRule{}},
		{"scatter.repeatability", "is -1 mm", good, Scatter{d("0.01"), d("-1")}, ReduceRule{}},
		{"scatter.repeatability", "million", good, Scatter{d("0.01"), d("1e9")}, ReduceRule{}},
		{"rule.governs", "is 3", good, caliper, ReduceRule{Governs: 3}},
		{"rule.governs", "is -1", good, caliper, ReduceRule{Governs: -1}},
		{"rule.placesdiffer", "0 or more", good, caliper, ReduceRule{PlacesDiffer: nullable("-0.1")}},
		{"rule.placesdiffer", "million", good, caliper, ReduceRule{PlacesDiffer: nullable("1e7")}},
	} {
		got, err := method.Reduce(c.repeats, c.s, c.r)
		refused(t, err, c.field, c.problem)
		assert.Zero(t, got)
	}
	for _, m := range []*Method{nil, {}} {
		_, err := m.Reduce(good, caliper, ReduceRule{})
		refused(t, err, "method", "NewMethod")
	}
}

func refused(t *testing.T, err error, field, problem string) {
	t.Helper()
	var e *FieldError
	require.ErrorAs(t, err, &e, field)
	assert.Equal(t, field, e.Field)
	assert.Contains(t, e.Problem, problem, field)
	assert.Equal(t, e.Field+" "+e.Problem, err.Error())
}

func TestGovernsText(t *testing.T) {
	for _, text := range []string{"mean", "smallest", "largest"} {
		g, err := ParseGoverns(text)
		require.NoError(t, err)
		assert.Equal(t, text, g.String())
	}
	assert.Zero(t, MeanOfPlaces)
	assert.Equal(t, "Governs(9)", Governs(9).String())
	_, err := ParseGoverns("Mean")
	refused(t, err, "governs", `is "Mean"`)
}

// someRepeats draws repeats that scatter by some counts, with gross errors.
func someRepeats(t *rapid.T) []Repeat {
	var out []Repeat
	for place := range rapid.IntRange(1, 3).Draw(t, "places") {
		for range rapid.SampledFrom([]int{1, 2, 3, 4, 5, 6, 9, 12, 24, 25, 31}).Draw(t, "n") {
			v := rapid.Int64Range(3580, 3583).Draw(t, "v")
			if rapid.IntRange(0, 5).Draw(t, "slip") == 0 {
				v += rapid.Int64Range(-300, 300).Draw(t, "by")
			}
			out = append(out, Repeat{place, decimal.New(v, -2)})
		}
	}
	return out
}

func someRule(t *rapid.T) ReduceRule {
	r := ReduceRule{Governs: Governs(rapid.IntRange(0, 2).Draw(t, "governs"))}
	if rapid.Bool().Draw(t, "check places") {
		r.PlacesDiffer = nullable("0.02")
	}
	return r
}

// Whatever the order, the same values are left out and the same value comes out.
func TestOrderOfReadingsIsIrrelevant(t *testing.T) {
	m := method
	rapid.Check(t, func(t *rapid.T) {
		repeats, rule := someRepeats(t), someRule(t)
		shuffled := rapid.Permutation(repeats).Draw(t, "shuffled")
		a, err := m.Reduce(repeats, caliper, rule)
		require.NoError(t, err)
		b, err := m.Reduce(shuffled, caliper, rule)
		require.NoError(t, err)
		require.Equal(t, a.Places, b.Places)
		require.Equal(t, a.Value, b.Value)
		require.Equal(t, a.Unsettled, b.Unsettled)
		require.Equal(t, fates(repeats, a), fates(shuffled, b))
	})
}

// fates counts how often each value at each place was kept and left out; equal values
// must have one fate.
func fates(repeats []Repeat, r Reduction) map[string][2]int {
	out := map[string][2]int{}
	for i, v := range r.Verdicts {
		key := decimal.New(int64(repeats[i].Place), 0).String() + ": " + repeats[i].Value.String()
		n := out[key]
		if v.LeftOut {
			n[1]++
		} else {
			n[0]++
		}
		out[key] = n
	}
	return out
}

func TestReductionInvariants(t *testing.T) {
	m := method
	rapid.Check(t, func(t *rapid.T) {
		repeats := someRepeats(t)
		got, err := m.Reduce(repeats, caliper, someRule(t))
		require.NoError(t, err)
		for value, n := range fates(repeats, got) {
			require.False(t, n[0] > 0 && n[1] > 0, "equal readings %s fall apart", value)
		}
		total, unsettled := 0, false
		for _, p := range got.Places {
			require.LessOrEqual(t, p.LeftOut, (p.Counted+p.LeftOut)/3)
			require.False(t, p.Unsettled && p.LeftOut > 0)
			require.True(t, p.LeftOut > 0 || p.Mean.Equal(p.MeanWithAll))
			unsettled = unsettled || p.Unsettled
			total += p.Counted + p.LeftOut
		}
		require.Equal(t, len(repeats), total)
		require.Equal(t, unsettled, got.Unsettled)
		for _, v := range got.Verdicts {
			require.False(t, v.LeftOut && math.Abs(v.Deviation) <= 0.02)
		}
	})
}

// In inches times 25.4, exactly 25.4 times the value comes out, and the same are left out.
func TestUnitsScale(t *testing.T) {
	m, inch := method, d("25.4")
	rapid.Check(t, func(t *rapid.T) {
		repeats, rule := someRepeats(t), someRule(t)
		rule.PlacesDiffer = decimal.NullDecimal{}
		scaled := make([]Repeat, len(repeats))
		for i, r := range repeats {
			scaled[i] = Repeat{r.Place, r.Value.Mul(inch)}
		}
		a, err := m.Reduce(repeats, caliper, rule)
		require.NoError(t, err)
		b, err := m.Reduce(scaled, Scatter{caliper.Resolution.Mul(inch), caliper.Repeatability.Mul(inch)}, rule)
		require.NoError(t, err)
		require.Equal(t, a.Value.Mul(inch).String(), b.Value.String())
		for i := range a.Verdicts {
			require.Equal(t, a.Verdicts[i].LeftOut, b.Verdicts[i].LeftOut)
			require.InDelta(t, a.Verdicts[i].Statistic, b.Verdicts[i].Statistic, 1e-9)
		}
	})
}

// FuzzReduce feeds numbers of any size: never a panic, and either a *FieldError or a
// verdict on every repeat.
func FuzzReduce(f *testing.F) {
	f.Add([]byte{3, 3, 4}, int64(1), int32(-2), int64(5), int32(-3), 0, int64(2))
	f.Add([]byte{0, 0, 0, 0, 0, 200, 0, 0}, int64(-7), int32(-9), int64(1), int32(5), 2, int64(-1))
	f.Add([]byte{}, int64(1), int32(0), int64(1), int32(0), 7, int64(0))
	f.Add([]byte{255}, int64(math.MaxInt64), int32(math.MaxInt32), int64(math.MinInt64), int32(math.MinInt32), -1, int64(1))
	m := method
	f.Fuzz(func(t *testing.T, values []byte, unit int64, exp int32, sr int64, srExp int32, governs int, allow int64) {
		var repeats []Repeat
		for i, v := range values {
			repeats = append(repeats, Repeat{i % 3, decimal.New(int64(v)*unit, exp)})
		}
		got, err := m.Reduce(repeats, Scatter{decimal.New(unit, exp), decimal.New(sr, srExp)},
			ReduceRule{Governs(governs), decimal.NullDecimal{Decimal: decimal.New(allow, exp), Valid: allow > 3}})
		if err != nil {
			var e *FieldError
			require.ErrorAs(t, err, &e)
			return
		}
		require.Len(t, got.Verdicts, len(repeats))
		low, high := repeats[0].Value, repeats[0].Value
		for i, v := range got.Verdicts {
			low, high = decimal.Min(low, repeats[i].Value), decimal.Max(high, repeats[i].Value)
			require.False(t, math.IsNaN(v.Statistic) || math.IsInf(v.Statistic, 0) || math.IsNaN(v.Deviation))
		}
		require.False(t, got.Value.LessThan(low) || got.Value.GreaterThan(high), "%s not in %s to %s", got.Value, low, high)
	})
}
