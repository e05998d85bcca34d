package main

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/config"
	"shimwright/devices"
	"shimwright/session"
)

// A line says which instrument, what state, and how it has been.
func TestLinesOfPorts(t *testing.T) {
	p := devices.ExampleProfiles()[0]
	p.Port = "/dev/does-not-exist"
	b := startOn(t, outfit{}, p)
	b.end()
	var text bytes.Buffer
	d := &daemon{log: slog.New(slog.NewJSONHandler(&text, &slog.HandlerOptions{Level: slog.LevelDebug})), instruments: b.instruments}
	for state, level := range map[session.PortState]string{session.PortLost: "WARN", session.PortRefused: "WARN", session.PortLive: "INFO", session.PortAbsent: "INFO", session.PortSettling: "DEBUG"} {
		text.Reset()
		d.notePort(t.Context(), session.PortChanged{Instrument: "caliper-1", State: state, Port: p.Port, Detail: "why"})
		var line map[string]any
		require.NoError(t, json.Unmarshal(text.Bytes(), &line))
		assert.Equal(t, level, line["level"], state)
		assert.Equal(t, "caliper-1", line["instrument"])
		assert.Equal(t, "why", line["detail"])
		assert.EqualValues(t, 0, line["frames"])
	}
}

// BenchmarkUnderSixteenStreams measures from a press to its entry on disk while
// sixteen instruments stream at 50 frames a second, beside the same without them.
func BenchmarkUnderSixteenStreams(b *testing.B) {
	for _, streams := range []int{0, 16} {
		b.Run(map[int]string{0: "alone", 16: "with streams"}[streams], func(b *testing.B) {
			var s devices.Scenario
			pressed := devices.ExampleProfiles()[0]
			s.Instruments = append(s.Instruments, devices.ScenarioInstrument{Profile: pressed})
			for i := range streams {
				p := devices.ExampleProfiles()[0]
				p.Name, p.Trigger = "stream-"+string(rune('a'+i)), session.Streaming
				s.Instruments = append(s.Instruments, devices.ScenarioInstrument{Profile: p, Rate: 50})
			}
			r, err := devices.Rehearse(s, b.TempDir(), newRunClock())
			require.NoError(b, err)
			d := startOn(b, outfit{}, r.Profiles()...)
			d.allLive(b)
			flowing := make(chan error, 1)
			go func() { flowing <- r.Run(b.Context(), time.After, func(devices.ScenarioEvent) {}) }()
			box, giveUp := d.bench.Subscribe()
			defer giveUp()
			var took []time.Duration
			for b.Loop() {
				had := d.bench.Snapshot().Seq
				start := time.Now()
				require.NoError(b, r.Do(devices.ScenarioEvent{Instrument: pressed.Name, Do: "press"}))
				for seq := had; seq <= had; {
					seq = (<-box).Seq
				}
				took = append(took, time.Since(start))
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Microseconds()), "µs/median")
			b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "µs/p99")
			d.end()
			require.NoError(b, r.Close())
		})
	}
}

// BenchmarkIdle measures the processor time of a daemon with eight instruments
// connected that send nothing, as a share of one core.
func BenchmarkIdle(b *testing.B) {
	var profiles []session.Profile
	for i := range 8 {
		p := devices.ExampleProfiles()[i%2]
		p.Name, p.Port = "idle-"+string(rune('a'+i)), filepath.Join(b.TempDir(), "port")
		sim, err := devices.Simulate(p)
		require.NoError(b, err)
		defer func() { _ = sim.Close() }()
		profiles = append(profiles, sim.Profile())
	}
	d := startOn(b, outfit{}, profiles...)
	d.allLive(b)
	used := func() time.Duration {
		var u syscall.Rusage
		require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	before, start := used(), time.Now()
	for b.Loop() {
		time.Sleep(time.Second)
	}
	b.ReportMetric(100*float64(used()-before)/float64(time.Since(start)), "%core")
	d.end()
}

// What the lines of the instruments are like stands in the snapshot after a heartbeat.
func TestHealthInTheSnapshot(t *testing.T) {
	folder := t.TempDir()
	profile := devices.ExampleProfiles()[0]
	profile.Port = filepath.Join(folder, "port") // another program may get the number of an unplugged terminal
	sim, err := devices.Simulate(profile)
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()) }()
	c := config.Default(func(string) string { return "" }, filepath.Join(folder, "control.sock"))
	c.Data, c.Instruments, c.Bounce, c.MQTT.Heartbeat = folder, []session.Profile{sim.Profile()}, 0, 20*time.Millisecond
	quiet(&c)
	b := startConfigured(t, c, outfit{})
	b.allLive(t)
	box, giveUp := b.bench.Subscribe()
	defer giveUp()
	until := func(want func(session.HealthView) bool) {
		for {
			select {
			case s := <-box:
				if h := s.Instruments[0].Health; h != nil && want(*h) {
					return
				}
			case <-time.After(10 * time.Second):
				require.Fail(t, "no such health came", "%+v", b.instruments["caliper-1"].Health())
			}
		}
	}
	require.NoError(t, sim.Press(session.Num(decimal.New(1234, -2))))
	until(func(h session.HealthView) bool { return h.Frames == 1 && h.LastSeen != nil && h.Bad == 0 })
	require.NoError(t, sim.Send([]byte("garbage\r\n")))
	until(func(h session.HealthView) bool { return h.Bad == 1 && h.Dropped == 9 })
	require.NoError(t, sim.Unplug())
	require.NoError(t, sim.Plug())
	until(func(h session.HealthView) bool { return h.Reconnects == 1 })
}
