package main

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/devices"
	"shimwright/session"
)

const quantities = `scenario = "A thermometer and a torque wrench"
[[instrument]]
noise_Cel = "0.0"
[instrument.profile]
name = "probe"
kind = "thermometer"
resolution_Cel = "0.1"
repeatability_Cel = "0.1"
permissible_error_Cel = "1.0"
ascii = { pattern = 'T(?P<sign>[+-])(?P<value>[0-9]{3}[.][0-9]) (?P<unit>C|F)' }
[[instrument]]
[instrument.profile]
name = "wrench"
kind = "torque wrench"
resolution_Nm = "0.1"
repeatability_Nm = "0.1"
permissible_error_percent = "4"
binary = { bits = 32, order = "first bit highest", value = [8, 16], scale_Nm = "0.1", fixed = "1010 0101 .... .... .... .... 0000 0000" }
[[event]]
at = "50ms"
instrument = "probe"
do = "press"
value_Cel = "41.3"
[[event]]
at = "100ms"
instrument = "wrench"
do = "press"
value_Nm = "9.8"
`

// A thermometer and a torque wrench send real bytes through pseudo-terminals, and their
// readings leave in the units of their quantities.
func TestOtherQuantitiesThroughTheDaemon(t *testing.T) {
	s, err := devices.ReadScenario("quantities.toml", []byte(quantities))
	require.NoError(t, err)
	r, err := devices.Rehearse(s, t.TempDir(), newRunClock())
	require.NoError(t, err)
	defer func() { assert.NoError(t, r.Close()) }()
	b := startOn(t, outfit{}, r.Profiles()...)
	b.allLive(t)
	ctx, stop := context.WithCancel(t.Context())
	flowing := make(chan error, 1)
	go func() { flowing <- r.Run(ctx, time.After, func(devices.ScenarioEvent) {}) }()
	require.Eventually(t, func() bool { return len(b.bench.Snapshot().Readings) == 2 }, 10*time.Second, 5*time.Millisecond)
	stop()
	require.NoError(t, <-flowing)
	got := b.bench.Snapshot().Readings
	assert.Equal(t, "41.3", got[0].Celsius.String())
	assert.Equal(t, session.Celsius, got[0].Unit)
	assert.Equal(t, "9.8", got[1].Torque.String())
	assert.Nil(t, got[0].Value)
	assert.Nil(t, got[1].Value)
	m, err := session.ReadingMessage(b.bench.Snapshot(), got[1], 0)
	require.NoError(t, err)
	assert.Contains(t, string(m.Payload), `"value_Nm":"9.8"`)
	assert.NotContains(t, string(m.Payload), "value_mm")
}
