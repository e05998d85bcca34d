package session

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestTwoEnginesOnOneBench(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.press("caliper-1", "52.54")
	r.press("caliper-1", "52.54")
	require.Equal(t, "job open", r.refused(Command{Do: Begin, Plan: readPlanFile(t, "pump-gearbox-shaft.toml")}))
	r.do(Command{Do: Aside, Note: "waits for a crank"})
	v := r.bench.Snapshot()
	require.Nil(t, v.Job)
	require.Nil(t, v.Step)
	require.Len(t, v.Waiting, 1)
	require.Equal(t, "1", v.Waiting[0].Number)
	require.Equal(t, "waits for a crank", v.Waiting[0].Note)
	require.Equal(t, "Crank over the shim seats", v.Waiting[0].Step)
	require.Equal(t, NoStep, r.press("caliper-1", "52.54").Ruling, "it belongs to no job")
	require.Equal(t, "no job", r.refused(Command{Do: Next}))

	r.do(Command{Do: Begin, Plan: readPlanFile(t, "pump-gearbox-shaft.toml"), Operator: "ada"})
	require.Equal(t, "2", r.bench.Snapshot().Job.Number)
	require.Equal(t, "job open", r.refused(Command{Do: Resume, Job: "1"}))
	r.do(Command{Do: Aside})
	require.Equal(t, "which job", r.refused(Command{Do: Resume}))
	require.Equal(t, "no such job", r.refused(Command{Do: Resume, Job: "3"}))
	r.do(Command{Do: Resume, Job: "1"})
	v = r.bench.Snapshot()
	require.Equal(t, "1", v.Job.Number)
	require.Len(t, v.Waiting, 1)
	require.Equal(t, "2", v.Waiting[0].Number)
	r.requireAt("crank-width", 1)
	require.Equal(t, 2, len(v.Readings)-1, "its own two, and the loose one")
	r.press("caliper-1", "52.54")
	r.press("caliper-1", "52.54")
	r.requireAt("bar-thickness", 0)
	r.do(Command{Do: End, Note: "no time"})
	r.do(Command{Do: Resume})
	require.Equal(t, "2", r.bench.Snapshot().Job.Number)
	require.Empty(t, r.bench.Snapshot().Waiting)
	require.Equal(t, "job open", r.refused(Command{Do: Resume}))
	r.do(Command{Do: End, Note: "no time"})
	require.Equal(t, "none waits", r.refused(Command{Do: Resume}))
}

func TestAPressFromBeforeTheJobWentOnIsTooSoon(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.do(Command{Do: Aside})
	pressed := r.clock.mono
	r.do(Command{Do: Resume})
	receipt, err := r.submit(Reading{Instrument: "caliper-1", Kind: Caliper, Value: mm("52.54"), Text: "52.54", Unit: Millimetre, At: r.clock.wall, Mono: pressed})
	require.NoError(t, err)
	require.Equal(t, TooSoon, receipt.Ruling)
}

func TestAHeldReadingIsSetAsideWithTheJob(t *testing.T) {
	r := newRig(t)
	measureUpToGasket(r)
	r.do(Command{Do: Back})
	for range 4 {
		r.press("depth-1", "25.30")
	}
	r.do(Command{Do: Aside})
	r.do(Command{Do: Resume})
	for _, v := range r.bench.Snapshot().Readings {
		require.False(t, v.Ruling == Held && v.Decided == "", "nothing waits for a decision")
	}
}

func TestAWaitingJobOutlivesARestart(t *testing.T) {
	r := newRig(t)
	measureUpToGasket(r)
	r.do(Command{Do: Aside})
	r.start()
	require.Len(t, r.bench.Snapshot().Waiting, 1)
	r.do(Command{Do: Resume})
	r.requireAt("gasket", 0)
	measureGasket(r)
	require.Equal(t, "0.4828", r.advice().Gap.String())
}
