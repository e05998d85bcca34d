package devices

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

func TestScenariosAreSound(t *testing.T) {
	files, err := filepath.Glob("../testdata/scenarios/*.toml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		s, err := ReadScenario(file, text)
		require.NoError(t, err)
		assert.True(t, slices.IsSortedFunc(s.Events, func(a, b ScenarioEvent) int { return int(a.At - b.At) }))
	}
}

const oneCaliper = `scenario = "one"
[[instrument]]
[instrument.profile]
name = "caliper-1"
kind = "caliper"
resolution_mm = "0.01"
repeatability_mm = "0.008"
[instrument.profile.ascii]
pattern = '(?P<value>-?[0-9]+[.][0-9]{2})'
`

func TestMistakesOfAScenario(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{``, `lacks "scenario"`},
		{`scenario = "x"`, `lacks "instrument"`},
		{strings.Replace(oneCaliper, `"caliper-1"`, `"Caliper"`, 1), "is no name for an instrument"},
		{strings.Replace(oneCaliper, `kind =`, "port = \"/dev/x\"\nkind =", 1), "gets its port by itself"},
		{strings.Replace(oneCaliper, "[instrument.profile.ascii]\npattern = '(?P<value>-?[0-9]+[.][0-9]{2})'\n", "", 1), "nothing says how the instrument writes its value"},
		{strings.Replace(oneCaliper, "[instrument.profile]", "noise_mm = \"-1\"\n[instrument.profile]", 1), "the noise is below 0"},
		{strings.Replace(oneCaliper, "[instrument.profile]", "slips_per_hundred = 101\n[instrument.profile]", 1), "101 of a hundred"},
		{strings.Replace(oneCaliper, "[instrument.profile]", "frames_per_second = 50\n[instrument.profile]", 1), "is not streaming"},
		{strings.Replace(oneCaliper, "[instrument.profile]", "frames_per_second = 500\n[instrument.profile]", 1), "500 frames a second"},
		{strings.Replace(oneCaliper, "[instrument.profile]", "warm_half_life = \"-1m\"\n[instrument.profile]", 1), "half-life is below 0"},
		{strings.Replace(oneCaliper, "[instrument.profile]", "swing_period = \"-1m\"\n[instrument.profile]", 1), "period is below 0"},
		{strings.Replace(oneCaliper, "[instrument.profile]", "battery_bits = [3]\n[instrument.profile]", 1), "bit 3 is not in the frame"},
		{oneCaliper + strings.TrimPrefix(oneCaliper, "scenario = \"one\"\n"), `instrument "caliper-1" already`},
		{strings.Replace(oneCaliper, `kind = "caliper"`, `kind = "feeler"`, 1), "no cable to simulate"},
		{oneCaliper + "[[event]]\nat = \"1s\"\ninstrument = \"x\"\ndo = \"press\"\n", `there is no instrument "x"`},
		{oneCaliper + "[[event]]\nat = \"-1s\"\ninstrument = \"caliper-1\"\ndo = \"press\"\n", "before the beginning"},
		{oneCaliper + "[[event]]\nat = \"1s\"\ninstrument = \"caliper-1\"\ndo = \"explode\"\n", "explode"},
		{oneCaliper + "[[event]]\nat = \"1s\"\ninstrument = \"caliper-1\"\ndo = \"send\"\n", "what to send"},
		{oneCaliper + "[[event]]\nat = \"1s\"\ninstrument = \"caliper-1\"\ndo = \"garbage\"\ncount = -1\n", "-1 bytes of garbage"},
		{oneCaliper + "colour = 1\n", "unknown key"},
	} {
		_, err := ReadScenario("s.toml", []byte(c.text))
		assert.ErrorContains(t, err, c.want)
		assert.ErrorContains(t, err, "s.toml:")
	}
	_, err := ReadScenario("s.toml", []byte(oneCaliper))
	assert.NoError(t, err)
}

// read reads what an actor sends, as its instrument is read.
func (a *actor) read(t *testing.T, truth session.Number) session.Reading {
	b, err := a.frame(truth)
	require.NoError(t, err)
	d := decoder(t, onPress(a.Profile))
	got := append(feed(d, string(b), time.Second), quiet(d, 3*time.Second)...)
	require.Len(t, got, 1)
	return got[0]
}

// rehearse makes the actors of one instrument without a daemon.
func rehearse(t *testing.T, clock session.Clock, seed int, in ScenarioInstrument) (*Rehearsal, *actor) {
	r, err := Rehearse(Scenario{Title: "a test", Seed: seed, Instruments: []ScenarioInstrument{in}}, t.TempDir(), clock)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, r.Close()) })
	return r, r.all[0]
}

func TestNoiseAndQuantisation(t *testing.T) {
	in := ScenarioInstrument{Profile: exampleCaliper(), Noise: decimals(20, 3)}
	_, a := rehearse(t, &fakeTime{}, 5, in)
	_, twin := rehearse(t, &fakeTime{}, 5, in)
	sum, squares, n := 0.0, 0.0, 3000
	for range n {
		r := a.read(t, decimals(52540, 3))
		require.Nil(t, r.Fault)
		require.Equal(t, r.Value.String(), twin.read(t, decimals(52540, 3)).Value.String(), "the same seed gives the same")
		require.EqualValues(t, -2, r.Value.Exponent())
		off := r.Value.InexactFloat64() - 52.54
		sum += off
		squares += off * off
	}
	// the scatter is that of the noise and of rounding to 0.01: √(0.020² + 0.01²/12)
	assert.InDelta(t, 0, sum/float64(n), 0.0015)
	assert.InDelta(t, math.Sqrt(0.02*0.02+0.01*0.01/12), math.Sqrt(squares/float64(n)), 0.001)
}

func TestDriftWarmthSwing(t *testing.T) {
	clock := &fakeTime{}
	_, a := rehearse(t, clock, 1, ScenarioInstrument{Profile: exampleCaliper(), Drift: decimals(1, 1), Warm: decimals(8, 1), HalfLife: time.Hour})
	for _, want := range []string{"10.80", "10.50", "10.40", "10.40"} { // 0.8 0.4 0.2 0.1 warm, and 0.1 an hour
		assert.Equal(t, want, a.read(t, decimals(10, 0)).Value.String())
		clock.pass(time.Hour)
	}
	_, steady := rehearse(t, clock, 1, ScenarioInstrument{Profile: exampleCaliper(), Warm: decimals(8, 1)})
	assert.Equal(t, "10.80", steady.read(t, decimals(10, 0)).Value.String())
	clock = &fakeTime{}
	_, dial := rehearse(t, clock, 1, ScenarioInstrument{Profile: exampleCaliper(), Swing: decimals(4, 2), Period: 4 * time.Second})
	for _, want := range []string{"0.00", "0.04", "0.00", "-0.04"} {
		assert.Equal(t, want, dial.read(t, decimals(0, 0)).Value.String())
		clock.pass(time.Second)
	}
}

func TestSlips(t *testing.T) {
	_, a := rehearse(t, &fakeTime{}, 9, ScenarioInstrument{Profile: exampleCaliper(), Slips: 10, Slip: decimals(17, 2)})
	slipped := 0
	for range 1000 {
		if a.read(t, decimals(1, 0)).Value.String() == "1.17" {
			slipped++
		}
	}
	assert.InDelta(t, 100, slipped, 30)
}

func TestUnitsAndBatteries(t *testing.T) {
	status := exampleMicrometer()
	for _, c := range []struct {
		in   ScenarioInstrument
		weak string
		inch string
	}{
		{ScenarioInstrument{Profile: exampleCaliper(), Battery: "BATTERY LOW"}, "no match", "12.34440"},
		{ScenarioInstrument{Profile: exampleDepthGauge(), Bits: []int{3}}, "broken frame", "12.34440"},
		{ScenarioInstrument{Profile: status, Status: "lo"}, "bad status", ""},
		{ScenarioInstrument{Profile: exampleCaliper()}, "", "12.34440"}, // it says nothing of its battery
	} {
		r, a := rehearse(t, &fakeTime{}, 1, c.in)
		name := c.in.Profile.Name
		do := func(what string) { require.NoError(t, r.Do(ScenarioEvent{Instrument: name, Do: what})) }
		require.Nil(t, a.read(t, decimals(1234, 2)).Fault)
		do("battery low")
		weak := a.read(t, decimals(1234, 2))
		if c.weak == "" {
			assert.Nil(t, weak.Fault)
		} else {
			assert.Equal(t, c.weak, weak.Fault.Code)
		}
		do("battery good")
		if c.inch != "" {
			do("inch")
			assert.Equal(t, c.inch, a.read(t, decimals(1234, 2)).Value.String())
			do("mm")
		}
		assert.Equal(t, "12.34", a.read(t, decimals(1234, 2)).Value.Truncate(2).String())
	}
}

// Events happen at their times, in order, and those of a cable that is out are passed
// over; the bytes go through a pseudo-terminal.
func TestRehearsal(t *testing.T) {
	clock := &fakeTime{}
	s := Scenario{Instruments: []ScenarioInstrument{{Profile: exampleCaliper()}, {Profile: exampleDepthGauge(), Unknown: true}}, Events: []ScenarioEvent{
		{At: time.Second, Instrument: "caliper-1", Do: "press", Value: decimals(1, 0)},
		{At: 2 * time.Second, Instrument: "caliper-1", Do: "garbage"},
		{At: 3 * time.Second, Instrument: "caliper-1", Do: "unplug"},
		{At: 4 * time.Second, Instrument: "caliper-1", Do: "press"},
		{At: 5 * time.Second, Instrument: "caliper-1", Do: "plug"},
		{At: 6 * time.Second, Instrument: "caliper-1", Do: "send", Bytes: "x"},
	}}
	r, err := Rehearse(s, t.TempDir(), clock)
	require.NoError(t, err)
	defer func() { assert.NoError(t, r.Close()) }()
	require.Len(t, r.Profiles(), 1)
	require.Len(t, r.Strangers(), 1)
	var told []string
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- r.Run(ctx, clock.After, func(e ScenarioEvent) { told = append(told, e.Do) })
	}()
	for range s.Events {
		eventually(t, func() bool { return len(clock.waiting()) == 1 })
		clock.pass(time.Second)
	}
	eventually(t, func() bool { return len(clock.waiting()) == 0 })
	stop()
	require.NoError(t, <-ended)
	assert.Equal(t, []string{"press", "garbage", "unplug", "press", "plug", "send"}, told)
	assert.Error(t, r.Do(ScenarioEvent{Instrument: "nobody", Do: "press"}))
	assert.Error(t, r.Do(ScenarioEvent{Instrument: "caliper-1", Do: "sing"}))
}

// A stream flows at its rate through a real port.
func TestStreamOfARehearsal(t *testing.T) {
	p := streaming()
	r, err := Rehearse(Scenario{Instruments: []ScenarioInstrument{{Profile: p, Rate: 100}}}, t.TempDir(), realClock{time.Now()})
	require.NoError(t, err)
	h := &heard{}
	in, err := New(Config{Profile: r.Profiles()[0], Clock: realClock{time.Now()}, Sink: h.sink()})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 2)
	go func() { ended <- in.Run(ctx) }()
	go func() { ended <- r.Run(ctx, time.After, func(ScenarioEvent) {}) }()
	require.NoError(t, r.Do(ScenarioEvent{Instrument: p.Name, Do: "press", Value: decimals(314, 2)}))
	eventually(t, func() bool { return in.Counters().NotAsked > 5 })
	require.NoError(t, in.Take(ctx))
	eventually(t, func() bool { return len(h.values()) == 1 })
	assert.Equal(t, []string{"3.14"}, h.values())
	stop()
	require.NoError(t, <-ended)
	require.NoError(t, <-ended)
	require.NoError(t, r.Close())
}

// No text makes the reader of scenarios panic, and what it takes is sound.
func FuzzReadScenario(f *testing.F) {
	f.Add(oneCaliper)
	text, err := os.ReadFile("../testdata/scenarios/water-pump.toml")
	require.NoError(f, err)
	f.Add(string(text))
	f.Add(oneCaliper + "[[event]]\nat = \"1s\"\ninstrument = \"caliper-1\"\ndo = \"press\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := ReadScenario("s.toml", []byte(text))
		if err != nil {
			return
		}
		for _, in := range s.Instruments {
			require.Empty(t, Check(in.Profile))
		}
	})
}

func TestScenarioValuesStandUnderTheKeyOfTheirQuantity(t *testing.T) {
	text := func(noise, value string) []byte {
		return []byte(`scenario = "t"
[[instrument]]
` + noise + `
[instrument.profile]
name = "probe"
kind = "thermometer"
resolution_Cel = "0.1"
repeatability_Cel = "0.1"
permissible_error_Cel = "1.0"
ascii = { pattern = '(?P<value>[0-9.]+)' }
[[event]]
at = "1s"
instrument = "probe"
do = "press"
` + value)
	}
	s, err := ReadScenario("s.toml", text(`noise_Cel = "0.2"`, `value_Cel = "41.3"`))
	require.NoError(t, err)
	assert.Equal(t, "0.2", s.Instruments[0].Noise.String())
	assert.Equal(t, "41.3", s.Events[0].Value.String())
	_, err = ReadScenario("s.toml", text(`noise_mm = "0.2"`, `value_Cel = "41.3"`))
	assert.ErrorContains(t, err, "write noise_Cel")
	_, err = ReadScenario("s.toml", text("", `value_Nm = "41.3"`))
	assert.ErrorContains(t, err, "a thermometer has its value in °C; write value_Cel")
}
