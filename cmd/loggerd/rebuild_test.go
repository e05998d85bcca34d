package main

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/config"
	"shimwright/session"
)

// played plays a plan of the demo from start to end on a whole daemon, without pauses.
func played(t *testing.T, name string) session.Snapshot {
	t.Helper()
	_, _, plan, err := playablePlan(name)
	require.NoError(t, err)
	b := startBenchOf(t, benchFor(plan), func(c *config.Config) { c.MQTT.Broker = config.Off })
	tech := newTechnician(demoOptions{speed: 1e6, seed: 1, plan: name}, b.bench, b.sims)
	tech.gathered = b.gathered
	delete(tech.mishaps, "bar-thickness/0") // without a bounce nothing comes too soon
	require.NoError(t, tech.work(t.Context()))
	s := b.bench.Snapshot()
	require.True(t, s.Job.Ended)
	for _, step := range s.Job.Steps {
		assert.True(t, step.Closed, step.Name)
	}
	return s
}

func TestX(t *testing.T) {
	for _, n := range playables() {
		t.Run(n, func(t *testing.T) {
			if n == demoPlan {
				return
			}
			s := played(t, n)
			for _, a := range s.Advice {
				t.Log(a.Chain, a.State, a.Gap, a.Best.Packs, a.Best.EndFloat, a.Best.Expanded, a.Best.Outcome, a.Barred, a.Assumed)
				for _, e := range a.Evidence {
					t.Logf("%+v", e)
				}
				if a.Built != nil {
					t.Logf("%+v", *a.Built)
				}
			}
			for _, f := range s.Fits {
				t.Log(f.Name, f.Celsius, f.Above, f.Assumed, f.Findings)
			}
			for _, st := range s.Job.Steps {
				if st.Limits != nil {
					t.Log(st.Name, st.Limits.Value, st.Limits.Expanded, st.Limits.Outcome, st.Limits.Barred)
				}
				if st.Compare != nil {
					t.Logf("%+v %+v", st.Compare, st.Compare.Why)
				}
				if st.Skipped != nil || len(st.Findings) > 0 {
					t.Log(st.Name, st.Skipped, st.Findings)
				}
			}
		})
	}
}
var _ = bytes.NewReader
var _ = slog.New
var _ = strings.ToUpper
