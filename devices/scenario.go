package devices

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"shimwright/session"
	"shimwright/session/tomlfile"
)

// A Scenario is a simulated bench and what happens at it: which instruments there
// are, how they behave, and events at their times. It is read from strict TOML.
type Scenario struct {
	Title       string               `toml:"scenario" strict:"required" example:"A morning at the bench"`
	Seed        int                  `toml:"seed" example:"1"` // of every scatter; the same seed gives the same bytes
	Instruments []ScenarioInstrument `toml:"instrument" strict:"required"`
	Events      []ScenarioEvent      `toml:"event"`
}

// A ScenarioInstrument is a profile and how its instrument errs.
type ScenarioInstrument struct {
	Profile session.Profile `toml:"profile" strict:"required"`
	// Unknown keeps the profile from the daemon: an instrument to learn.
	Unknown  bool           `toml:"unknown"`
	Noise    session.Number `toml:"noise_mm" example:"0.006"`           // standard deviation of what it shows
	NoiseNm  session.Number `toml:"noise_Nm" example:"0.1"`             // that of a torque wrench
	NoiseCel session.Number `toml:"noise_Cel" example:"0.1"`            // that of a thermometer
	Drift    session.Number `toml:"drift_mm_per_hour" example:"0.02"`   // of its zero
	Slips    int            `toml:"slips_per_hundred" example:"5"`      // presses with the instrument askew
	Slip     session.Number `toml:"slip_mm" example:"0.17"`             // by how much they read large
	Warm     session.Number `toml:"warm_mm" example:"0.012"`            // by how much a warm part reads large at the start
	HalfLife time.Duration  `toml:"warm_half_life" example:"10m"`       // in which that halves; it stays if not given
	Rate     int            `toml:"frames_per_second" example:"50"`     // of a stream; 10 if not given
	Swing    session.Number `toml:"swing_mm" example:"0.04"`            // of a stream: half its movement
	Period   time.Duration  `toml:"swing_period" example:"2s"`          // in which the shaft is turned once
	Battery  string         `toml:"battery_line" example:"BATTERY LOW"` // sent instead of a frame when the battery is low
	Status   string         `toml:"battery_status" example:"lo"`        // what the status says then
	Bits     []int          `toml:"battery_bits" example:"[3]"`         // the bits of a frame that are turned over then
}

// A ScenarioEvent is one thing that happens.
type ScenarioEvent struct {
	At         time.Duration  `toml:"at" strict:"required" example:"20s"` // after the ports are live
	Instrument string         `toml:"instrument" strict:"required" example:"caliper-1"`
	Do         string         `toml:"do" strict:"required,oneof=press|show|send|garbage|unplug|plug|battery low|battery good|inch|mm" example:"press"`
	Value      session.Number `toml:"value_mm" example:"52.54"` // of press and show: what the part measures
	ValueNm    session.Number `toml:"value_Nm" example:"9.8"`   // of a torque wrench
	ValueCel   session.Number `toml:"value_Cel" example:"21.5"` // of a thermometer
	Bytes      string         `toml:"bytes"`                    // of send
	Count      int            `toml:"count"`                    // of garbage: how many bytes; 40 if not given
}

// ReadScenario reads a scenario. file is what messages call it. The error is a
// tomlfile.Problems that lists every mistake.
func ReadScenario(file string, text []byte) (Scenario, error) {
	var s Scenario
	doc, problems := tomlfile.Decode(file, text, &s)
	if doc == nil {
		return Scenario{}, problems
	}
	c := scenarioCheck{doc: doc, problems: problems}
	for i, in := range s.Instruments {
		c.instrument(i, in, s.Instruments)
	}
	for i, e := range s.Events {
		c.event(i, e, s)
	}
	if len(c.problems) > 0 {
		return Scenario{}, c.problems
	}
	s.fold()
	slices.SortStableFunc(s.Events, func(a, b ScenarioEvent) int { return int(max(-1, min(1, a.At-b.At))) })
	return s, nil
}

// fold puts the values of each quantity where the rehearsal looks.
func (s *Scenario) fold() {
	for i := range s.Instruments {
		in := &s.Instruments[i]
		in.Noise = ofKind(in.Profile.Kind, in.Noise, in.NoiseNm, in.NoiseCel)
	}
	for i := range s.Events {
		e := &s.Events[i]
		for _, in := range s.Instruments {
			if in.Profile.Name == e.Instrument {
				e.Value = ofKind(in.Profile.Kind, e.Value, e.ValueNm, e.ValueCel)
			}
		}
	}
}

func ofKind(k session.Kind, length, torque, temperature session.Number) session.Number {
	switch k.Quantity() {
	case session.OfTorque:
		return torque
	case session.OfTemperature:
		return temperature
	}
	return length
}

// quantity checks that the values of an instrument stand under the keys of its kind.
func (c *scenarioCheck) quantity(k session.Kind, name string, length, torque, temperature session.Number, path ...any) {
	q := k.Quantity()
	wrong := q != session.OfLength && !length.IsZero() || q != session.OfTorque && !torque.IsZero() || q != session.OfTemperature && !temperature.IsZero()
	c.wrong(wrong, fmt.Sprintf("a %s has its %s in %s", k, name, q.Unit().Word()), fmt.Sprintf("write %s_%s", name, q.Key()), path...)
}

type scenarioCheck struct {
	doc      *tomlfile.Doc
	problems tomlfile.Problems
}

func (c *scenarioCheck) wrong(bad bool, wrong, right string, path ...any) {
	if bad {
		c.problems = append(c.problems, c.doc.Problem(wrong, right, path...))
	}
}

func (c *scenarioCheck) instrument(i int, in ScenarioInstrument, all []ScenarioInstrument) {
	at := func(keys ...any) []any { return append([]any{"instrument", i}, keys...) }
	for _, m := range Check(in.Profile) {
		path := at("profile")
		for _, key := range strings.Split(m.Field, ".") {
			path = append(path, key)
		}
		c.wrong(true, m.Wrong, m.Right, path...)
	}
	p := in.Profile
	c.wrong(p.Port != "", "a simulated instrument gets its port by itself", "remove it", at("profile", "port")...)
	c.wrong(p.Kind == session.Feeler, "a feeler has no cable to simulate", "remove it; its values are typed", at("profile", "kind")...)
	c.wrong(p.Kind != session.Feeler && p.Kind != session.Pedal && p.ASCII == nil && p.Binary == nil, "nothing says how the instrument writes its value", "add an ascii or a binary table", at("profile")...)
	c.quantity(p.Kind, "noise", in.Noise, in.NoiseNm, in.NoiseCel, at()...)
	c.wrong(in.Noise.IsNegative(), "the noise is below 0", "write a standard deviation, such as 0.006", at("noise_mm")...)
	c.wrong(in.Slips < 0 || in.Slips > 100, fmt.Sprintf("%d of a hundred cannot slip", in.Slips), "write a number from 0 to 100", at("slips_per_hundred")...)
	c.wrong(in.HalfLife < 0, "the half-life is below 0", `write a time, such as "10m"`, at("warm_half_life")...)
	c.wrong(in.Period < 0, "the period is below 0", `write a time, such as "2s"`, at("swing_period")...)
	c.wrong(in.Rate < 0 || in.Rate > 200, fmt.Sprintf("%d frames a second cannot be simulated", in.Rate), "write a number up to 200", at("frames_per_second")...)
	c.wrong(in.Rate > 0 && p.Trigger != session.Streaming, "frames_per_second is given and the trigger is not streaming", "remove it", at("frames_per_second")...)
	for _, bit := range in.Bits {
		c.wrong(p.Binary == nil || bit < 0 || bit >= p.Binary.Bits, fmt.Sprintf("bit %d is not in the frame", bit), "count bits of a binary frame from 0 in the order sent", at("battery_bits")...)
	}
	for j := range i {
		c.wrong(all[j].Profile.Name == p.Name, fmt.Sprintf("there is an instrument %q already", p.Name), "give each a name of its own", at("profile", "name")...)
	}
}

func (c *scenarioCheck) event(i int, e ScenarioEvent, s Scenario) {
	known := slices.ContainsFunc(s.Instruments, func(in ScenarioInstrument) bool { return in.Profile.Name == e.Instrument })
	c.wrong(!known, fmt.Sprintf("there is no instrument %q", e.Instrument), "name one of the scenario's", "event", i, "instrument")
	for _, in := range s.Instruments {
		if in.Profile.Name == e.Instrument {
			c.quantity(in.Profile.Kind, "value", e.Value, e.ValueNm, e.ValueCel, "event", i)
		}
	}
	c.wrong(e.At < 0, "an event cannot be before the beginning", `write a time, such as "20s"`, "event", i, "at")
	c.wrong(e.Do == "send" && e.Bytes == "", "nothing says what to send", `add bytes = "…"`, "event", i)
	c.wrong(e.Count < 0 || e.Count > 1<<20, fmt.Sprintf("%d bytes of garbage are not possible", e.Count), "write a number up to a million", "event", i, "count")
}
