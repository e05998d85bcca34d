package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/devices"
	"shimwright/session"
)

const bendPlan = `plan = "bend"
title = "Shaft between centres"
[[step]]
name = "bend"
title = "Bend of the shaft"
instrument = "dial indicator"
range = ["0.00", "0.50"]
reduce = "movement"
half = true
closes_on_command = true
[[step]]
name = "width"
title = "Width"
instrument = "dial indicator"
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
[[chain.side]]
name = "drive side"
most = 2
[[stock]]
thickness = "0.10"
count = 8
`

// A shaft that turns under a streaming dial: one take begins the window, the pedal ends
// it, and the bend is half of what the dial moved.
func TestABendFromAStream(t *testing.T) {
	n := func(text string) session.Number {
		x, err := session.ParseNumber(text)
		require.NoError(t, err)
		return x
	}
	dial := session.Profile{
		Name: "dial-1", Kind: session.DialIndicator, Trigger: session.Streaming, Resolution: n("0.01"), Repeatability: n("0.004"),
		ASCII: &session.ASCIILine{Pattern: `(?P<sign>[+-])(?P<value>[0-9]{2}[.][0-9]{2})`},
	}
	s := devices.Scenario{Instruments: []devices.ScenarioInstrument{{Profile: dial, Rate: 100, Swing: n("0.05"), Period: 300 * time.Millisecond}}}
	r, err := devices.Rehearse(s, t.TempDir(), newRunClock())
	require.NoError(t, err)
	defer func() { assert.NoError(t, r.Close()) }()
	b := startOn(t, outfit{}, r.Profiles()...)
	b.allLive(t)
	go func() { _ = r.Run(t.Context(), time.After, func(devices.ScenarioEvent) {}) }()

	_, err = b.bench.Submit(t.Context(), session.Command{Do: session.Begin, Plan: bendPlan, Operator: "ada"})
	require.NoError(t, err)
	in := b.instruments["dial-1"]
	require.NoError(t, b.command(t.Context(), session.Command{Do: session.Take, Door: session.FromPage}))
	require.Eventually(t, func() bool { return in.Counters().Gathered >= 60 }, 10*time.Second, 5*time.Millisecond)
	b.pedal(t.Context(), "pedal-1")
	require.Eventually(t, func() bool { return len(b.bench.Snapshot().Readings) == 1 }, 5*time.Second, 5*time.Millisecond)
	got := b.bench.Snapshot().Readings[0]
	require.Equal(t, session.Filed, got.Ruling, "%+v", got.Why)
	require.GreaterOrEqual(t, got.Movement.Frames, 60)
	assert.InDelta(t, 0.10, got.Value.InexactFloat64(), 0.011, "±0.05 in counts of 0.01")
	assert.InDelta(t, 0.05, b.bench.Snapshot().Job.Steps[0].Value.InexactFloat64(), 0.006)
	n2 := in.Counters()
	assert.Equal(t, n2.Frames, n2.NotAsked+n2.Gathered+n2.Readings-1)
}
