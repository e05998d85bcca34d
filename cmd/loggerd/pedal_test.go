package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// A long press takes back the last reading that counts, then the one before it; with
// none left it does nothing.
func TestALongPressTakesBack(t *testing.T) {
	b := startBench(t, quiet)
	b.allLive(t)
	b.takeBack(t.Context(), "pedal-1") // no job
	plan := `plan = "one"
title = "One collar"
step = [
  { name = "collar", title = "Collar", instrument = "caliper", range = ["10.00", "12.00"], closes_on_command = true },
]
[[chain]]
name = "c"
title = "C"
least = "10"
most = "12"
term = [{ step = "collar", sign = "+" }]
side = [{ name = "s", most = 0 }]
`
	_, err := b.bench.Submit(t.Context(), session.Command{Do: session.Begin, Plan: plan, PlanFile: "one.toml", Operator: "ada", Door: session.FromTerminal})
	require.NoError(t, err)
	b.takeBack(t.Context(), "pedal-1")                          // no reading
	for _, value := range []string{"11.00", "11.01", "99.00"} { // the last is out of range
		_, err := b.bench.Submit(t.Context(), session.Command{Do: session.Enter, Value: value, Instrument: "caliper-1", Operator: "ada", Door: session.FromTerminal})
		require.NoError(t, err)
	}
	struck := func() (out []string) {
		for _, r := range b.bench.Snapshot().Readings {
			if r.Standing == session.StruckOut {
				assert.Equal(t, "taken back with the pedal", r.Struck)
				out = append(out, r.Value.String())
			}
		}
		return out
	}
	b.takeBack(t.Context(), "pedal-1")
	assert.Equal(t, []string{"11.01"}, struck())
	b.takeBack(t.Context(), "pedal-1")
	assert.Equal(t, []string{"11.00", "11.01"}, struck())
	b.takeBack(t.Context(), "pedal-1")
	assert.Len(t, struck(), 2)
}
