package session

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestHealthIsShownWhenItWasLookedAt(t *testing.T) {
	r := newRig(t)
	box, giveUp := r.bench.Subscribe()
	defer giveUp()
	first := <-box
	require.Nil(t, first.Instruments[0].Health)

	seen := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	r.bench.Observe(map[string]HealthView{"caliper-1": {Frames: 7, Bad: 1, Dropped: 12, Reconnects: 2, LastSeen: &seen}})
	s := <-box
	require.Equal(t, &HealthView{Frames: 7, Bad: 1, Dropped: 12, Reconnects: 2, LastSeen: &seen}, s.Instruments[0].Health)
	require.Nil(t, s.Instruments[1].Health)
	require.Equal(t, first.Seq, s.Seq, "nothing went into the log")
	require.Nil(t, first.Instruments[0].Health, "what was handed out stays as it was")

	same := seen.In(time.FixedZone("", 3600))
	r.bench.Observe(map[string]HealthView{"caliper-1": {Frames: 7, Bad: 1, Dropped: 12, Reconnects: 2, LastSeen: &same}})
	require.Empty(t, box, "nothing changed")
	r.bench.Observe(map[string]HealthView{"caliper-1": {Frames: 8, Bad: 1, Dropped: 12, Reconnects: 2, LastSeen: &same}})
	require.EqualValues(t, 8, (<-box).Instruments[0].Health.Frames)

	r.clock.move(time.Second)
	_, err := r.bench.Submit(t.Context(), PortChanged{Instrument: "caliper-1", State: PortLive})
	require.NoError(t, err)
	require.EqualValues(t, 8, (<-box).Instruments[0].Health.Frames, "a snapshot of another occasion has it too")
}

// A profile that is set while the bench runs is in force for the next reading, and a job
// carries both.
func TestAProfileCanBeSetWhileTheBenchRuns(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	require.Equal(t, Filed, r.press("caliper-1", "52.54").Ruling)
	better := testProfiles()[0]
	better.Resolution, better.Repeatability = mm("0.001"), mm("0.002")
	added := better
	added.Name = "caliper-7"
	for _, p := range []Profile{better, added} {
		_, err := r.submit(ProfileSet{p})
		require.NoError(t, err)
	}
	views := r.bench.Snapshot().Instruments
	require.Len(t, views, len(testProfiles())+1)
	require.Equal(t, "0.001", views[0].Resolution.String())
	require.Equal(t, "caliper-7", views[len(views)-1].Name)
	require.EqualValues(t, 1, views[0].Readings, "what it has read stays")
	got := r.press("caliper-1", "52.541")
	require.Equal(t, Filed, got.Ruling)
	used := 0
	require.NoError(t, r.log.replay(-1)(func(e Entry) error {
		if _, ok := e.Body.(InstrumentUsed); ok {
			used++
		}
		return nil
	}))
	require.Equal(t, 2, used)
}
