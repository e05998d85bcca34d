package session

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
)

const bendPlan = `plan = "bend"
title = "Shaft between centres"
[[step]]
name = "bend"
title = "Bend of the shaft"
instrument = "dial indicator"
repeats = 2
range = ["0.00", "0.50"]
reduce = "movement"
half = true
most = "0.05"
[[step]]
name = "float"
title = "End float"
instrument = "dial indicator"
use = "gap"
repeats = 2
range = ["0.00", "0.50"]
reduce = "movement"
window = "4s"
[[step]]
name = "width"
title = "Width"
instrument = "caliper"
range = ["9", "11"]
[[chain]]
name = "float"
title = "Float"
least = "0.10"
most = "0.24"
[[chain.term]]
step = "width"
sign = "+"
[[chain.term]]
given = "9.70"
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

func dials() []Profile {
	dial := Profile{
		Name: "dial-1", Kind: DialIndicator, Trigger: Streaming, Resolution: mm("0.01"), Repeatability: mm("0.004"),
		Permissible: map[Use]Number{StepUse: mm("0.02"), GapCheck: mm("0.02")},
	}
	pressed := dial
	pressed.Name, pressed.Trigger = "dial-2", OnPress
	return []Profile{dial, pressed}
}

func newBendRig(t *testing.T) *rig {
	t.Helper()
	r := newRig(t, dials()...)
	_, err := r.submit(PortChanged{Instrument: "dial-1", State: PortLive})
	require.NoError(t, err)
	r.do(Command{Do: Begin, Plan: bendPlan, Operator: "mo"})
	return r
}

// window sends the reading of a window.
func (r *rig) window(values ...string) Receipt {
	r.t.Helper()
	r.clock.move(time.Second)
	var all []Number
	for _, v := range values {
		all = append(all, mm(v))
	}
	m, err := MovementOf(all)
	require.NoError(r.t, err)
	receipt, err := r.submit(Reading{
		Instrument: "dial-1", Kind: DialIndicator, Value: Num(m.Peak.Sub(m.Trough.Decimal)), Unit: Millimetre, Movement: &m,
		Raw: Raw(strings.Repeat("+00.01\n", 20)), At: r.clock.wall, Mono: r.clock.mono,
	})
	require.NoError(r.t, err)
	return receipt
}

func TestAMovementIsBegunAndEndedByTake(t *testing.T) {
	r := newBendRig(t)
	view := func() InstrumentView {
		for _, in := range r.bench.Snapshot().Instruments {
			if in.Name == "dial-1" {
				return in
			}
		}
		return InstrumentView{}
	}
	got := r.do(Command{Do: Take})
	require.Equal(t, Receipt{Seq: got.Seq, Job: "1", Ask: "dial-1", Gather: GatherStart}, got)
	require.True(t, view().Gathering)
	got = r.do(Command{Do: Take})
	require.Equal(t, GatherStop, got.Gather)
	require.False(t, view().Gathering)
	require.Equal(t, Filed, r.window("0.00", "0.03", "0.04", "0.04", "-0.02", "-0.02", "0.01").Ruling)

	r.do(Command{Do: Take})
	require.True(t, view().Gathering)
	_, err := r.submit(PortChanged{Instrument: "dial-1", State: PortLost})
	require.NoError(t, err)
	require.False(t, view().Gathering, "the window went with the port")
	_, err = r.submit(PortChanged{Instrument: "dial-1", State: PortLive})
	require.NoError(t, err)
	require.Equal(t, GatherStart, r.do(Command{Do: Take}).Gather)
	_, err = r.submit(PortChanged{Instrument: "micrometer-1", State: PortLive})
	require.NoError(t, err)
	require.Equal(t, "no stream", r.refused(Command{Do: Take, Instrument: "micrometer-1"}))
}

func TestABendIsHalfTheMovement(t *testing.T) {
	r := newBendRig(t)
	first := r.window("0.00", "0.03", "0.04", "0.04", "-0.02", "-0.02", "0.01")
	require.Equal(t, Filed, first.Ruling)
	r.window("0.00", "0.03", "0.04", "0.04", "-0.02", "-0.02", "0.01")
	r.requireAt("float", 0)
	v := r.step("bend")
	bend, err := calc.ShaftBend(mm("0.06").Decimal)
	require.NoError(t, err)
	require.True(t, bend.Equal(v.Value.Decimal), "%s", v.Value)
	require.Equal(t, "0.03", v.Value.String())

	seen := r.reading(first.Seq)
	require.Equal(t, "0.06", seen.Value.String(), "the reading is the whole movement")
	require.Equal(t, &Movement{Peak: mm("0.04"), Trough: mm("-0.02"), Frames: 7}, seen.Movement)
	require.Len(t, seen.Raw, 64)
	require.Equal(t, 140, seen.RawBytes)
	require.NoError(t, r.log.replay(-1)(func(e Entry) error {
		if b, ok := e.Body.(ReadingTaken); ok && e.Seq == first.Seq {
			require.Len(t, b.Raw, 140, "the entry keeps the whole window")
			require.Equal(t, "0.005657", b.Repeatability.String(), "0.004·√2: a movement is the difference of two indications")
		}
		return nil
	}))
	require.Equal(t, ReduceMovement, r.bench.Snapshot().Step.Reduce)
	got := r.do(Command{Do: Take})
	require.Equal(t, 4*time.Second, got.Window)
}

func TestAStepGetsWhatItAsksFor(t *testing.T) {
	r := newBendRig(t)
	single := r.press("dial-2", "0.06")
	require.Equal(t, WrongInstrument, single.Ruling)
	require.Equal(t, "movement wanted", single.Why.Code)
	typed := r.do(Command{Do: Enter, Instrument: "dial-2", Value: "0.06"})
	require.Equal(t, Filed, typed.Ruling, "a movement that was read by eye")

	p := strings.Replace(bendPlan, `reduce = "movement"`, "", 1)
	plain := newRig(t, dials()...)
	plain.do(Command{Do: Begin, Plan: p, Operator: "mo"})
	require.Equal(t, "movement not wanted", plain.window("0.00", "0.03", "0.04").Why.Code)
	require.Equal(t, Filed, plain.press("dial-2", "0.06").Ruling)
}

func TestMovementOf(t *testing.T) {
	for _, c := range []struct {
		values       string
		peak, trough string
	}{
		{"1 1 1", "1", "1"},
		{"0.00 0.01 0.02 0.03", "0.02", "0.01"},
		{"0.10 9.99 0.10 0.10 -5.00 0.10", "0.10", "0.10"},
		{"0.1 0.12 0.123 0.1", "0.120", "0.120"},
	} {
		var all []Number
		for _, v := range strings.Fields(c.values) {
			all = append(all, mm(v))
		}
		m, err := MovementOf(all)
		require.NoError(t, err)
		assert.Equal(t, []string{c.peak, c.trough}, []string{m.Peak.String(), m.Trough.String()}, c.values)
	}
	_, err := MovementOf([]Number{mm("1"), mm("2")})
	require.ErrorContains(t, err, "at least 3 frames")
}

func TestPlansOfMovements(t *testing.T) {
	for _, c := range []struct{ from, to, wrong string }{
		{`window = "4s"`, `window = "500ms"`, "a window of 500ms is not sensible"},
		{`window = "4s"`, `window = "3m"`, "not sensible"},
		{"reduce = \"movement\"\nwindow", "window", "has a window and no reduce"},
		{`instrument = "caliper"`, "instrument = \"caliper\"\nreduce = \"movement\"", "only a dial indicator shows one"},
		{"reduce = \"movement\"\nwindow", "reduce = \"half the movement\"\nwindow", `step "float" cannot reduce to "half the movement"; write reduce = "movement", and half = true for half of it`},
		{"reduce = \"movement\"\nwindow", "reduce = \"peak\"\nwindow", `step "float" cannot reduce to "peak"`},
	} {
		_, err := ReadPlan("p.toml", []byte(strings.Replace(bendPlan, c.from, c.to, 1)))
		require.ErrorContains(t, err, c.wrong)
	}
}
