package calc

import (
	"math"
	"strings"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func at20(name string, celsius, u float64) Temperature {
	return Temperature{name, celsius, u, certain, Normal}
}

func material(name string, alpha, u float64) Material {
	return Material{name, alpha, u, certain, Rectangular}
}

// alphas by the beginning of the name in the reference file, in 1/K.
func alpha(t *testing.T, name string) float64 {
	t.Helper()
	for _, row := range reference(t, "thermal_coefficients.csv") {
		if strings.HasPrefix(row[0], name) {
			return float(t, row[1]) * 1e-6
		}
	}
	t.Fatal(name)
	return 0
}

// OpenStax, College Physics, example 13.3: a bridge of 1275 m, 12e-6 per K, from −15 to
// 40 °C grows by 0.84 m. (Metres stand for millimetres here.)
func TestBridge(t *testing.T) {
	grown := func(celsius float64) float64 {
		got, err := Growth([]Staying{{0, d("1275"), 0, 0}}, []Material{material("steel", 12e-6, 0)}, []Temperature{at20("air", celsius, 0)})
		require.NoError(t, err)
		assert.Empty(t, got.Causes)
		return got.Corrections[0].InexactFloat64()
	}
	assert.InDelta(t, 0.84, grown(40)-grown(-15), 0.005)
}

// An aluminium case read with a steel caliper, both at 28 °C: it reads large by L·Δα·8 K
// (coefficients: Swyt, J. Res. NIST 99:31, 1994).
func TestToReference(t *testing.T) {
	steel, aluminium := alpha(t, "steel (typical gauge)"), alpha(t, "aluminium (typical)")
	materials := []Material{material("steel", steel, 1e-6), material("aluminium", aluminium, 1e-6)}
	room := []Temperature{at20("room", 28, 2)}
	lengths := []Expanding{{0, d("36"), 0, 0, 1, 0}, {1, d("36"), 0, 0, 0, 0}}
	got, err := ToReference(lengths, materials, room)
	require.NoError(t, err)
	assert.InDelta(t, 36*(steel-aluminium)*8, got.Corrections[0].InexactFloat64(), 5e-7)
	assert.True(t, got.Corrections[1].IsZero(), "steel on steel at one temperature cancels")
	u, err := Budget{Terms: []Weight{{"case", 1}, {"shaft", 0}}, Causes: got.Causes}.Combine(0.95)
	require.NoError(t, err)
	byAlpha := 36.0 * 8 * 1e-6
	assert.InDelta(t, math.Sqrt(2*byAlpha*byAlpha+math.Pow(36*(steel-aluminium)*2, 2)), u.U, 1e-12)
	u, err = Budget{Terms: []Weight{{"case", 0}, {"shaft", 1}}, Causes: got.Causes}.Combine(0.95)
	require.NoError(t, err)
	assert.InDelta(t, 0, u.U, 1e-15, "an unknown room temperature cancels too")
	// Case against shaft: what is left is the difference of the two.
	u, err = Budget{Terms: []Weight{{"case", 1}, {"shaft", -1}}, Causes: got.Causes}.Combine(0.95)
	require.NoError(t, err)
	assert.Greater(t, u.U, 36*(aluminium-steel)*2*0.99)
}

// A part still at 60 °C after the bearings went in: cast aluminium 356.0 (Callister &
// Rethwisch, Table B.6) reads 36 mm large by 0.03 mm, a third of a window of 0.10 mm.
func TestWarmCaseReadsLarge(t *testing.T) {
	got, err := ToReference([]Expanding{{0, d("36"), 0, 0, 1, 1}},
		[]Material{material("steel", 11.5e-6, 0), material("case", alpha(t, "cast Al 356.0"), 0)}, []Temperature{at20("room", 20, 0), at20("case", 60, 0)})
	require.NoError(t, err)
	assert.InDelta(t, -36*21.5e-6*40, got.Corrections[0].InexactFloat64(), 5e-7)
}

// The running gap: an aluminium case round a steel shaft, both at 100 °C, opens.
func TestGrowth(t *testing.T) {
	parts := []Staying{{0, d("36.5"), 1, 0}, {1, d("-36.4"), 0, 0}}
	got, err := Growth(parts, []Material{material("steel", 11.5e-6, 0), material("case", 21.5e-6, 0)}, []Temperature{at20("engine", 100, 10)})
	require.NoError(t, err)
	sum := got.Corrections[0].Add(got.Corrections[1]).InexactFloat64()
	assert.InDelta(t, 80*(36.5*21.5e-6-36.4*11.5e-6), sum, 1e-6)
	u, err := Budget{Terms: []Weight{{"case", 1}, {"shaft", 1}}, Causes: got.Causes}.Combine(0.95)
	require.NoError(t, err)
	assert.InDelta(t, sum/80*10, u.U, 1e-6)
}

func TestThermalRefuses(t *testing.T) {
	steel, room := []Material{material("steel", 11.5e-6, 0)}, []Temperature{at20("room", 20, 0)}
	for _, c := range []struct {
		field, problem string
		e              Expanding
		m              []Material
		t              []Temperature
	}{
		{"lengths[0].term", "is -1", Expanding{Term: -1}, steel, room},
		{"lengths[0].scale", "is 1; there are 1", Expanding{Scale: 1}, steel, room},
		{"lengths[0].scaleat", "is -1", Expanding{ScaleAt: -1}, steel, room},
		{"lengths[0].part", "is 2", Expanding{Part: 2}, steel, room},
		{"lengths[0].partat", "is 3", Expanding{PartAt: 3}, steel, room},
		{"lengths[0].length", "million", Expanding{Length: decimal.New(1, 6)}, steel, room},
		{"materials[0].alpha", "is 11.5 per K", Expanding{}, []Material{material("steel", 11.5, 0)}, room},
		{"materials[0].alpha", "is NaN", Expanding{}, []Material{material("steel", math.NaN(), 0)}, room},
		{"materials[0].u", "is -1", Expanding{}, []Material{material("steel", 0, -1)}, room},
		{"temperatures[0].celsius", "is -300", Expanding{}, steel, []Temperature{at20("room", -300, 0)}},
		{"temperatures[0].celsius", "is NaN", Expanding{}, steel, []Temperature{at20("room", math.NaN(), 0)}},
		{"temperatures[0].freedom", "is 0", Expanding{}, steel, []Temperature{{Name: "room"}}},
	} {
		_, err := ToReference([]Expanding{c.e}, c.m, c.t)
		refused(t, err, c.field, c.problem)
	}
	_, err := Growth([]Staying{{0, d("1"), 1, 0}}, steel, room)
	refused(t, err, "parts[0].material", "is 1")
	_, err = Growth(nil, steel, []Temperature{{}})
	refused(t, err, "temperatures[0].freedom", "is 0")
}

func TestWarm(t *testing.T) {
	f, warm, err := Warm(60, 22, 2, 15)
	require.NoError(t, err)
	assert.True(t, warm)
	assert.Equal(t, Finding{"part not at room temperature", map[string]string{"part": "60", "room": "22", "allowed": "2", "wait": "45"}}, f) // 15·ln 19 = 44.2
	_, warm, err = Warm(24, 22, 2, 15)
	require.NoError(t, err)
	assert.False(t, warm)
	_, warm, err = Warm(5, 22, 2, 15)
	require.NoError(t, err)
	assert.True(t, warm, "a cold part reads small")
	for _, c := range []struct {
		field                         string
		part, room, allowed, constant float64
	}{{"part", math.NaN(), 22, 2, 15}, {"room", 60, 3000, 2, 15}, {"allowed", 60, 22, 0, 15}, {"constant", 60, 22, 2, 0}, {"constant", 60, 22, 2, math.Inf(1)}} {
		_, _, err := Warm(c.part, c.room, c.allowed, c.constant)
		refused(t, err, c.field, "")
	}
}
