package session

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestUnitsAreConvertedExactly(t *testing.T) {
	// The pound-force is 0.453 592 37 kg (the international pound, 1959) times
	// 9.806 65 m/s² (CGPM 1901); the foot is 0.3048 m. Fixed points of the Fahrenheit
	// scale: 32 °F and 212 °F; −40 is the same on both.
	pound := mm("0.45359237").Mul(mm("9.80665").Decimal)
	assert.True(t, pound.Equal(mm("4.4482216152605").Decimal))
	for _, c := range []struct {
		unit       Unit
		text, kept string
	}{
		{Millimetre, "12.340", "12.340"},
		{Inch, "1.5", "38.10"},
		{Inch, "0.0005", "0.01270"},
		{NewtonMetre, "8.10", "8.10"},
		{PoundFoot, "1", "1.35581794833140040"},
		{PoundFoot, "-7.5", "-10.168634612485503000"},
		{Celsius, "21.5", "21.5"},
		{Fahrenheit, "32", "0"},
		{Fahrenheit, "212.0", "100.0"},
		{Fahrenheit, "-40.0", "-40.0"},
		{Fahrenheit, "98.6", "37.0"},
		{Fahrenheit, "100", "37.7777778"},
		{Fahrenheit, "31", "-0.5555556"},
	} {
		assert.Equal(t, c.kept, c.unit.Kept(mm(c.text)).String(), "%s %s", c.text, c.unit)
	}
}

func TestEveryUnitIsReadAsPeopleWriteIt(t *testing.T) {
	for unit, words := range map[Unit][]string{
		Millimetre: {"mm"}, Inch: {"in", "inch", "[in_i]"}, NewtonMetre: {"N.m", "Nm", "N·m"},
		PoundFoot: {"lbf.ft", "lbf·ft", "[lbf_av].[ft_i]"}, PoundInch: {"lbf.in", "lbf·in", "in-lb"}, Celsius: {"Cel", "°C", "C"}, Fahrenheit: {"[degF]", "°F", "F", "degF"},
	} {
		for _, word := range append(words, unit.Word(), string(unit)) {
			var got Unit
			require.NoError(t, got.UnmarshalText([]byte(word)), word)
			assert.Equal(t, unit, got, word)
		}
	}
	var u Unit
	assert.ErrorContains(t, u.UnmarshalText([]byte("cubit")), "unknown")
}

func taken(k Kind, value string) ReadingTaken {
	n := mm(value)
	return ReadingTaken{Reading: Reading{Instrument: "x", Kind: k, Value: n, Text: `"value_mm":`, Unit: k.Quantity().Unit()}, Ruling: Filed, Step: "s", Resolution: &n, Repeatability: &n}
}

func TestTheKeyOfAValueHasItsUnit(t *testing.T) {
	for kind, key := range map[Kind]string{Caliper: "mm", DialIndicator: "mm", Feeler: "mm", Pedal: "mm", Thermometer: "Cel", TorqueWrench: "Nm"} {
		text, err := Entry{Seq: 1, Body: taken(kind, "8.10")}.Encode()
		require.NoError(t, err)
		for _, name := range []string{"value", "resolution", "repeatability"} {
			assert.Contains(t, string(text), `"`+name+"_"+key+`":"8.10"`)
			assert.Equal(t, 1, strings.Count(string(text), `"`+name+"_"+key+`":`), "%s of a %s stands once as a key", name, kind)
		}
		assert.Contains(t, string(text), `\"value_mm\":`, "a text that looks like a key stays as it was")
		again, err := DecodeEntry(text)
		require.NoError(t, err)
		assert.Equal(t, taken(kind, "8.10"), again.Body)

		text, err = Entry{Seq: 1, Body: StepClosed{Step: "s", Value: new(mm("8.10")), Quantity: kind.Quantity()}}.Encode()
		require.NoError(t, err)
		assert.Contains(t, string(text), `"value_`+key+`":"8.10"`)
		again, err = DecodeEntry(text)
		require.NoError(t, err)
		twice, err := again.Encode()
		require.NoError(t, err)
		assert.Equal(t, string(text), string(twice))
	}
}

func TestAValueUnderTheKeyOfAnotherQuantityIsRefused(t *testing.T) {
	text, err := Entry{Seq: 1, Body: taken(Caliper, "8.10")}.Encode()
	require.NoError(t, err)
	for _, other := range []string{"value_Nm", "value_Cel"} {
		wrong := strings.ReplaceAll(string(text), `"value_mm"`, `"`+other+`"`)
		_, err := DecodeEntry([]byte(wrong))
		require.Error(t, err, other)
	}
	for _, kind := range []string{"thermometer", "torque wrench"} {
		_, err := DecodeEntry([]byte(strings.ReplaceAll(string(text), `"caliper"`, `"`+kind+`"`)))
		require.ErrorContains(t, err, "value_mm", kind)
	}
}

func TestAnEntryOfBeforeStillReads(t *testing.T) {
	_, err := DecodeEntry([]byte(`{"seq":9,"run":1,"at":"2026-03-02T08:00:00.000000000Z","mono_ns":5,"job":"1","operator":"mo","door":"instrument","kind":"reading","body":{"instrument":"caliper-1","instrument_kind":"caliper","value_mm":"52.54","text":"52.54","unit":"mm","ruling":"filed","step":"crank-width","place":0,"resolution_mm":"0.01","repeatability_mm":"0.008"}}`))
	require.NoError(t, err)
	_, err = DecodeEntry([]byte(`{"seq":2,"run":1,"at":"2026-03-02T08:00:00.000000000Z","mono_ns":5,"door":"bench","kind":"profile","body":{"profile":{"name":"pedal-1","kind":"pedal","resolution_mm":"0","repeatability_mm":"0","line":{}}}}`))
	require.NoError(t, err)
}

// warmPlan has a step for each quantity.
const warmPlan = `plan = "warm"
title = "Warm parts"
[[part]]
name = "case"
expansion_per_kelvin_e6 = 23
[[step]]
name = "air"
title = "The air"
instrument = "thermometer"
range = ["10", "35"]
[[step]]
name = "case-warmth"
title = "The case"
part = "case"
instrument = "thermometer"
repeats = 2
range = ["10", "60"]
[[step]]
name = "depth"
title = "Depth of the case"
part = "case"
instrument = "depth gauge"
use = "depth"
range = ["37.0", "38.0"]
[[step]]
name = "screws"
title = "Case screws"
instrument = "torque wrench"
range = ["9", "11"]
[[chain]]
name = "float"
title = "End float"
least = "0.10"
most = "0.24"
[[chain.term]]
step = "depth"
sign = "+"
[[chain.term]]
given = "37.00"
name = "shoulder"
sign = "-"
u = "0.01"
[[chain.side]]
name = "drive side"
most = 2
[[stock]]
thickness = "0.10"
count = 8
`

// otherQuantities are instruments that measure no length.
func otherQuantities() []Profile {
	return []Profile{
		{Name: "probe", Kind: Thermometer, Trigger: OnPress, ResolutionCel: plain("0.1"), RepeatabilityCel: plain("0.1"), PermissibleCel: plain("0.6")},
		{Name: "wrench", Kind: TorqueWrench, Trigger: OnPress, ResolutionNm: plain("0.1"), RepeatabilityNm: plain("0.1"), PermissibleNm: plain("0.2"), PermissiblePercent: plain("4")},
	}
}

func newWarmRig(t *testing.T) *rig {
	t.Helper()
	r := newRig(t, otherQuantities()...)
	r.do(Command{Do: Begin, Plan: warmPlan, Operator: "mo"})
	return r
}

// temperatures are those of the log.
func (r *rig) temperatures() (all []TemperatureTaken) {
	r.t.Helper()
	require.NoError(r.t, r.log.replay(-1)(func(e Entry) error {
		if b, ok := e.Body.(TemperatureTaken); ok {
			all = append(all, b)
		}
		return nil
	}))
	return all
}

func TestAStepWithAThermometerNotesATemperature(t *testing.T) {
	r := newWarmRig(t)
	require.Equal(t, Filed, r.press("probe", "21.5").Ruling)
	// One reading: √(0.1² + (0.6/√3)²) = 0.36056, rounded up.
	require.Equal(t, []TemperatureTaken{{Of: Shop, Celsius: mm("21.50"), U: mm("0.361"), Step: "air"}}, r.temperatures())
	r.requireAt("case-warmth", 0)
	require.Equal(t, Filed, r.press("probe", "41.0").Ruling)
	require.Len(t, r.temperatures(), 1, "it wants two repeats")
	require.Equal(t, Filed, r.press("probe", "41.2").Ruling)
	r.requireAt("case-warmth", 0)
	require.Equal(t, Filed, r.press("probe", "41.1").Ruling)
	r.requireAt("depth", 0)
	got := r.temperatures()
	require.Len(t, got, 2)
	require.Equal(t, "case", got[1].Of)
	require.Equal(t, "41.10", got[1].Celsius.String())
	require.Equal(t, "case-warmth", got[1].Step)
	v := r.step("case-warmth")
	require.Nil(t, v.Value)
	require.Equal(t, "41.10", v.Celsius.String())

	require.Equal(t, "part warm", r.press("depth-1", "37.41").Why.Code, "41.1 is more than 8 K above 21.5")
}

func TestAThermometerWhileThePartIsTooWarmCountsAsItsTemperature(t *testing.T) {
	r := newWarmRig(t)
	r.press("probe", "21.5")
	r.press("probe", "41.0")
	r.press("probe", "41.0")
	r.requireAt("depth", 0)
	got := r.press("probe", "31.2")
	require.Equal(t, NoStep, got.Ruling)
	require.Equal(t, "noted as temperature", got.Why.Code)
	all := r.temperatures()
	require.Equal(t, TemperatureTaken{Of: "case", Celsius: mm("31.2"), U: mm("0.361"), Reading: got.Seq}, all[len(all)-1])
	require.Equal(t, "part warm", r.press("depth-1", "37.41").Why.Code)
	r.press("probe", "28.9")
	require.Equal(t, Filed, r.press("depth-1", "37.41").Ruling)
	wrong := r.press("probe", "28.9")
	require.Equal(t, WrongInstrument, wrong.Ruling, "nothing is too warm any more")
}

func TestATorqueIsRuledInItsOwnUnit(t *testing.T) {
	r := newWarmRig(t)
	r.do(Command{Do: Next, Step: "screws"})
	low := r.press("wrench", "8.9")
	require.Equal(t, OutOfRange, low.Ruling)
	require.Equal(t, "N.m", low.Why.Params["unit"])
	got := r.do(Command{Do: Enter, Instrument: "wrench", Value: "7.5", Unit: "lbf.ft"})
	require.Equal(t, Filed, got.Ruling)
	v := r.reading(got.Seq)
	require.Nil(t, v.Value)
	require.Equal(t, "10.168634612485503000", v.Torque.String())
	require.Equal(t, "7.5", v.Text)
	require.Equal(t, PoundFoot, v.Unit)
	require.True(t, r.step("screws").Closed, "a screw is tightened once")
	require.Empty(t, r.temperatures())
	require.Equal(t, "bad unit", r.refused(Command{Do: Enter, Instrument: "wrench", Value: "7.5", Unit: "mm"}))
	require.Equal(t, "bad unit", r.refused(Command{Do: Enter, Instrument: "caliper-1", Value: "7.5", Unit: "N.m"}))
	require.Equal(t, "not to check", r.refused(Command{Do: CheckInstrument, Instrument: "wrench", Use: Outside, Value: "0"}))
	require.Equal(t, "bad temperature", r.refused(Command{Do: Enter, Instrument: "probe", Value: "900"}))
}

func TestPlansKeepQuantitiesApart(t *testing.T) {
	for name, c := range map[string]struct{ from, to, wrong string }{
		"chain":     {`step = "depth"` + "\n" + `sign`, `step = "screws"` + "\n" + `sign`, `step "screws" measures a torque, where a length is needed`},
		"bar":       {`range = ["10", "35"]`, `range = ["10", "35"]` + "\n" + `bar = "parallel"`, "has a bar"},
		"use":       {`range = ["9", "11"]`, `range = ["9", "11"]` + "\n" + `use = "outside"`, "only what measures lengths has one"},
		"reference": {`range = ["10", "35"]`, `range = ["10", "35"]` + "\n" + `reference = "0"`, "has a reference"},
		"range":     {`range = ["10", "35"]`, `range = ["10", "3500"]`, "no temperature that can be measured"},
	} {
		_, err := ReadPlan("p.toml", []byte(strings.Replace(warmPlan, c.from, c.to, 1)))
		require.ErrorContains(t, err, c.wrong, name)
	}
	inches := strings.Replace(warmPlan, "title = \"Warm parts\"", "title = \"Warm parts\"\nunit = \"in\"", 1)
	inches = strings.NewReplacer(`"37.0", "38.0"`, `"1.46", "1.49"`, `"37.00"`, `"1.457"`, `"0.10"`, `"0.004"`, `"0.24"`, `"0.01"`).Replace(inches)
	p, err := ReadPlan("p.toml", []byte(inches))
	require.NoError(t, err)
	require.Equal(t, "10", p.Steps[0].Range[0].String(), "a temperature is not in inches")
	require.Equal(t, "37.084", p.Steps[2].Range[0].String())
}

func TestLimitOfAWrenchIsTheLarger(t *testing.T) {
	p, caliper := otherQuantities()[1], testProfiles()[0]
	require.Equal(t, "0.2", p.Limit(mm("4")).String())
	require.Equal(t, "0.40", p.Limit(mm("10")).String())
	require.Nil(t, caliper.Limit(mm("10")), "those of lengths are per use")
}

func TestACertificateOfAThermometerSpeaksNearItsTemperatures(t *testing.T) {
	p := otherQuantities()[0]
	p.CertificatesCel = []CertificateCel{
		{At: mm("20.0"), Error: mm("-0.2"), Expanded: mm("0.4")},
		{At: mm("45.0"), Error: mm("0.3"), Expanded: mm("0.6"), Factor: plain("3"), Reach: plain("5")},
	}
	for _, c := range []struct {
		p            *Profile
		shown, is, u string
	}{
		{&p, "21.5", "21.7", "0.224"}, // √(0.1² + 0.2²)
		{&p, "44.0", "43.7", "0.224"}, // √(0.1² + (0.6/3)²)
		{&p, "38.0", "38.0", "0.361"}, // neither speaks: √(0.1² + (0.6/√3)²)
		{nil, "38.0", "38.0", "0.1"},
	} {
		is, u := trueCelsius(c.p, mm(c.shown), 0.1)
		assert.Equal(t, c.is, is.String(), c.shown)
		assert.True(t, u.Equal(mm(c.u).Decimal), "%s: %s", c.shown, u)
	}
	r := newRig(t, p)
	r.do(Command{Do: Begin, Plan: strings.Replace(warmPlan, `instrument = "torque wrench"`, `instrument = "caliper"`, 1), Operator: "mo"})
	r.press("probe", "21.5")
	require.Equal(t, []TemperatureTaken{{Of: Shop, Celsius: mm("21.70"), U: mm("0.224"), Step: "air"}}, r.temperatures())
}
