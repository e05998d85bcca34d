package calc

import (
	"math"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func micrometres(t *testing.T, text string) decimal.Decimal { return d(text).Shift(-3) }

// A ring of 52 mm (ISO 15: 6304) of normal tolerance (ISO 492: 0/−13 µm) in seats of ISO
// 286 classes, all second-hand: the greatest and least interference of each, and the
// heating that an aluminium case (Swyt 1994: 23.1e-6) needs for a clearance of 0.02 mm.
func TestSeatsOfTheStandards(t *testing.T) {
	var ringUpper, ringLower decimal.Decimal
	for _, row := range reference(t, "iso492_normal.csv") {
		if row[0] == "outer" && row[1] == "50" {
			ringUpper, ringLower = micrometres(t, row[4]), micrometres(t, row[5])
		}
	}
	require.Equal(t, "-0.013", ringLower.String())
	bearing := reference(t, "iso15_bearings.csv")[3]
	require.Equal(t, "6304", bearing[0])
	outside := d(bearing[2])
	want := map[string][2]string{"H7": {"0", "-0.043"}, "J7": {"0.012", "-0.031"}, "K7": {"0.021", "-0.022"}, "M7": {"0.03", "-0.013"}, "N7": {"0.039", "-0.004"}, "P7": {"0.051", "0.008"}}
	seen := 0
	for _, row := range reference(t, "iso286_housing.csv") {
		if w, ok := want[row[1]]; ok && row[0] == "52" {
			seen++
			upper, lower := micrometres(t, row[2]), micrometres(t, row[3])
			assert.True(t, upper.Sub(lower).Equal(micrometres(t, row[4])))
			tight, err := Heat(SeatFit{outside.Add(ringUpper), outside.Add(lower), d("0.02"), alpha(t, "aluminium (typical)"), 20, nil})
			require.NoError(t, err)
			assert.Equal(t, w[0], tight.Interference.String(), row[1])
			need := (tight.Interference.InexactFloat64() + 0.02) / (23.1e-6 * outside.Add(lower).InexactFloat64())
			assert.InDelta(t, need, tight.Above, 1e-9)
			assert.InDelta(t, 20+need, tight.Celsius, 1e-9)
			loose, err := Heat(SeatFit{outside.Add(ringLower), outside.Add(upper), d("0"), alpha(t, "aluminium (typical)"), 20, nil})
			require.NoError(t, err)
			assert.Equal(t, w[1], loose.Interference.String(), row[1])
			assert.Equal(t, row[1] == "P7", loose.Above > 0)
		}
	}
	assert.Equal(t, len(want), seen)
}

// ISO 286: the widths of the housing classes are the tolerance grades of the range.
func TestGradesOfTheStandard(t *testing.T) {
	grades := map[string]string{}
	for _, row := range reference(t, "iso286_it_grades.csv") {
		if row[0] == "over 50 to 80" {
			grades["6"], grades["7"] = row[6], row[7]
		}
	}
	for _, row := range reference(t, "iso286_housing.csv") {
		assert.Equal(t, grades[row[1][len(row[1])-1:]], row[4], row[1])
	}
}

// ISO 492: an inner ring's width may be 0.12 mm under the nominal, more than the whole
// window of TM 5-4240-501-14&P's .002 to .008 in hides: widths are measured, not assumed.
func TestRingWidthsAreMeasured(t *testing.T) {
	window := reference(t, "endfloat_manuals.csv")[0]
	require.Equal(t, "0.05-0.20", window[3])
	for _, row := range reference(t, "iso492_normal.csv") {
		if row[3] == "Delta_Bs" {
			width := d("14").Add(micrometres(t, row[5]))
			got, err := Conform(Estimate{d("14"), d("14").Sub(width).InexactFloat64() / math.Sqrt(12), certain, nil, nil},
				Window{Least: d("13.95"), Most: d("14.05")}, rule2017)
			require.NoError(t, err)
			assert.Equal(t, NotShown, got.Outcome, row)
		}
	}
}

func TestHeatLimits(t *testing.T) {
	f := SeatFit{d("52"), d("51.95"), d("0.03"), 23.1e-6, 20, []HottestAllowed{{"seal", 80}, {"bearing", 120}}}
	got, err := Heat(f)
	require.NoError(t, err)
	assert.False(t, got.Allowed)
	assert.Equal(t, []Finding{{"too hot for", map[string]string{"name": "seal", "limit": "80", "needed": "87"}}}, got.Findings)
	f.Limits = f.Limits[1:]
	got, err = Heat(f)
	require.NoError(t, err)
	assert.True(t, got.Allowed)
	f.RingCelsius = -18 // a ring from the freezer
	cold, err := Heat(f)
	require.NoError(t, err)
	assert.InDelta(t, got.Celsius-38, cold.Celsius, 1e-9)
	for _, c := range []struct {
		field string
		spoil func(f *SeatFit)
	}{
		{"ring", func(f *SeatFit) { f.Ring = d("0") }}, {"seat", func(f *SeatFit) { f.Seat = d("-1") }},
		{"clearance", func(f *SeatFit) { f.Clearance = d("-1") }}, {"alpha", func(f *SeatFit) { f.Alpha = math.NaN() }},
		{"alpha", func(f *SeatFit) { f.Alpha = 23.1 }}, {"alpha", func(f *SeatFit) { f.Alpha = 1e-300 }},
		{"ringcelsius", func(f *SeatFit) { f.RingCelsius = -300 }},
		{"limits[0].celsius", func(f *SeatFit) { f.Limits = []HottestAllowed{{"x", math.NaN()}} }},
	} {
		bad := f
		c.spoil(&bad)
		_, err := Heat(bad)
		refused(t, err, c.field, "")
	}
}

// A seal 12 mm deep (common practice, no published source) by the same decision rule.
func TestSealDepth(t *testing.T) {
	for _, c := range []struct {
		depth string
		want  Outcome
	}{{"12", ShownInside}, {"12.19", NotShown}, {"12.4", ShownOutside}} {
		assert.Equal(t, c.want, conform(t, normal(c.depth, 0.02), window("11.8", "12.2"), rule2017).Outcome, c.depth)
	}
}

// NIST SP 811, B.8: 1 lbf·ft = 1.355 818 N·m, 1 lbf·in = 0.112 984 8 N·m.
func TestToNewtonMetres(t *testing.T) {
	for _, c := range []struct {
		torque string
		unit   TorqueUnit
		want   string
	}{
		{"1", PoundForceFoot, "1.3558179483314004"}, {"1", PoundForceInch, "0.1129848290276167"},
		{"6", PoundForceFoot, "8.1349076899884024"}, // common practice, no published source, for M6
		{"12", PoundForceInch, "1.3558179483314004"}, {"8.1", NewtonMetre, "8.1"},
	} {
		got, err := ToNewtonMetres(d(c.torque), c.unit)
		require.NoError(t, err)
		assert.Equal(t, c.want, got.String())
	}
	foot, _ := ToNewtonMetres(d("1"), PoundForceFoot)
	assert.Equal(t, "1.355818", foot.Round(6).String())
	_, err := ToNewtonMetres(d("1"), 0)
	refused(t, err, "unit", "is 0")
	_, err = ToNewtonMetres(decimal.New(1, 9), NewtonMetre)
	refused(t, err, "torque", "out of range")
	for _, u := range []TorqueUnit{NewtonMetre, PoundForceFoot, PoundForceInch} {
		got, err := ParseTorqueUnit(u.String())
		require.NoError(t, err)
		assert.Equal(t, u, got)
	}
	_, err = ParseTorqueUnit("kg")
	refused(t, err, "unit", `is "kg"`)
	assert.Equal(t, "TorqueUnit(0)", TorqueUnit(0).String())
}

// ISO 898-1: stress areas as published, to three figures, and by the formula.
func TestStressAreas(t *testing.T) {
	for _, row := range reference(t, "fastener_stress_area.csv") {
		got, err := Tighten(Screw{float(t, row[1]), float(t, row[2]), 8, 0.2, 0})
		require.NoError(t, err)
		assert.InDelta(t, float(t, row[3]), got.StressArea, 0.05, row[0])
		assert.InDelta(t, float(t, row[4]), got.StressArea, 0.0001, row[0])
		assert.Zero(t, got.PercentOfProof)
	}
}

// M6 at 6 lbf·ft (common practice, no published source) with K = 0.2: 6779 N, which is
// 337 N/mm², 58 % of the proof stress of class 8.8 (ISO 898-1: 580 N/mm², from memory).
func TestTighten(t *testing.T) {
	torque, err := ToNewtonMetres(d("6"), PoundForceFoot)
	require.NoError(t, err)
	got, err := Tighten(Screw{6, 1, torque.InexactFloat64(), 0.2, 580})
	require.NoError(t, err)
	assert.InDelta(t, 6779, got.Force, 0.5)
	assert.InDelta(t, 58.1, got.PercentOfProof, 0.05)
	assert.Equal(t, 0.2, got.AssumedK)
	for _, c := range []struct {
		field string
		s     Screw
	}{
		{"diameter", Screw{0, 1, 8, 0.2, 0}}, {"pitch", Screw{6, math.NaN(), 8, 0.2, 0}}, {"pitch", Screw{6, 4, 8, 0.2, 0}},
		{"torque", Screw{6, 1, -8, 0.2, 0}}, {"k", Screw{6, 1, 8, 1e-300, 0}}, {"k", Screw{6, 1, 8, math.Inf(1), 0}},
		{"proofstress", Screw{6, 1, 8, 0.2, -1}}, {"proofstress", Screw{6, 1, 8, 0.2, 1e-300}},
	} {
		_, err := Tighten(c.s)
		refused(t, err, c.field, "")
	}
}
