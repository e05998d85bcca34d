package devices

import (
	"context"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// realClock is the clock of tests that use a real pseudo-terminal.
type realClock struct{ start time.Time }

func (c realClock) Now() (time.Time, time.Duration) {
	now := time.Now()
	return now, now.Sub(c.start)
}

// heard keeps what a sink was given.
type heard struct {
	mu       sync.Mutex
	readings []session.Reading
	presses  []string
	states   []string
	last     session.PortChanged
}

func (h *heard) sink() Sink {
	return Sink{
		Reading: func(_ context.Context, r session.Reading) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.readings = append(h.readings, r)
		},
		Pedal: func(_ context.Context, name string) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.presses = append(h.presses, name)
		},
		Port: func(_ context.Context, c session.PortChanged) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.states = append(h.states, string(c.State))
			h.last = c
		},
	}
}

// values writes the readings as short texts: a value, or a fault's code.
func (h *heard) values() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return brief(h.readings)
}

func brief(readings []session.Reading) []string {
	out := []string{}
	for _, r := range readings {
		switch {
		case r.Fault != nil:
			out = append(out, r.Fault.Code)
		case r.Kind == session.Pedal:
			out = append(out, "press")
		default:
			out = append(out, r.Value.String())
		}
	}
	return out
}

func (h *heard) life() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return strings.Join(h.states, " ")
}

// heardLast returns the last change of the port.
func (h *heard) heardLast() session.PortChanged {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.last
}

func (h *heard) state() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.states) == 0 {
		return ""
	}
	return h.states[len(h.states)-1]
}

// bench runs an instrument on a simulated one until the test ends, and then
// checks that nothing is left running.
func bench(t *testing.T, p session.Profile) (*SimulatedInstrument, *Instrument, *heard) {
	t.Helper()
	before := runtime.NumGoroutine()
	sim, err := Simulate(p)
	require.NoError(t, err)
	h := &heard{}
	i, err := New(Config{Profile: sim.Profile(), Clock: realClock{time.Now()}, Sink: h.sink(), Settle: 20 * time.Millisecond})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- i.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		assert.NoError(t, <-ended)
		assert.NoError(t, sim.Close())
		eventually(t, func() bool { return runtime.NumGoroutine() <= before+1 }) // the one that asks
	})
	eventually(t, func() bool { return h.state() == "live" })
	return sim, i, h
}

func eventually(t *testing.T, what func() bool) {
	t.Helper()
	require.Eventually(t, what, 5*time.Second, time.Millisecond)
}

// linked gives a profile a port with a lasting name.
func linked(t *testing.T, p session.Profile) session.Profile {
	p.Port = filepath.Join(t.TempDir(), p.Name)
	return p
}

func TestPressOnARealPort(t *testing.T) {
	for _, p := range []session.Profile{exampleCaliper(), exampleDepthGauge()} {
		t.Run(p.Name, func(t *testing.T) {
			sim, i, h := bench(t, p)
			require.NoError(t, sim.Press(decimals(12341, 3)))
			eventually(t, func() bool { return len(h.values()) == 1 })
			assert.Equal(t, []string{"12.34"}, h.values())
			assert.ErrorIs(t, i.Take(context.Background()), ErrOnPress)
			n := i.Counters()
			assert.Equal(t, n.Bytes, n.SoundBytes)
			assert.EqualValues(t, 1, n.Opened)
		})
	}
}

func TestPedalOnARealPort(t *testing.T) {
	sim, _, h := bench(t, ExampleProfiles()[3])
	require.NoError(t, sim.Press(session.Number{}))
	eventually(t, func() bool { h.mu.Lock(); defer h.mu.Unlock(); return len(h.presses) == 1 })
	assert.Equal(t, []string{"pedal-1"}, h.presses)
	assert.Empty(t, h.values())
}

func TestRequestOnARealPort(t *testing.T) {
	sim, i, h := bench(t, exampleMicrometer())
	sim.Show(decimals(24998, 3))
	require.NoError(t, i.Take(context.Background()))
	eventually(t, func() bool { return len(h.values()) == 1 })
	assert.Equal(t, []string{"24.998"}, h.values())
}

// Nothing is lost but the reading in flight, and that is said.
func TestUnplugAndReplug(t *testing.T) {
	sim, i, h := bench(t, linked(t, exampleCaliper()))
	require.NoError(t, sim.Press(decimals(1234, 2)))
	require.NoError(t, sim.Send([]byte("V+01")))
	eventually(t, func() bool { return i.Counters().Bytes == 13+4 })
	require.NoError(t, sim.Unplug())
	eventually(t, func() bool { return strings.Contains(h.life(), "lost") })
	assert.Error(t, sim.Press(decimals(1, 2)))
	eventually(t, func() bool { return h.state() == "absent" })
	require.NoError(t, sim.Plug())
	eventually(t, func() bool { return h.state() == "live" })
	require.NoError(t, sim.Press(decimals(56, 2)))
	eventually(t, func() bool { return len(h.values()) == 3 })
	assert.Equal(t, []string{"12.34", "broken frame", "0.56"}, h.values())
	assert.Equal(t, "opening settling live lost absent opening settling live", h.life())
	assert.EqualValues(t, 2, i.Counters().Opened)
}

// What was sent before the port was open is not read.
func TestOldBytesAreNotRead(t *testing.T) {
	sim, err := Simulate(exampleCaliper())
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()) }()
	require.NoError(t, sim.Press(decimals(1, 2)))
	port, err := openSerial(sim.Profile().Port, session.Line{})
	require.NoError(t, err)
	require.NoError(t, sim.Press(decimals(2, 2)))
	b := make([]byte, 64)
	n, err := port.Read(b)
	require.NoError(t, err)
	assert.Equal(t, "V+000.02 mm\r\n", string(b[:n]))
	require.NoError(t, port.Close())
}

func TestNoDescriptorIsLeft(t *testing.T) {
	open := func() int {
		files, err := os.ReadDir("/proc/self/fd")
		require.NoError(t, err)
		return len(files)
	}
	before := open()
	sim, err := Simulate(linked(t, exampleCaliper()))
	require.NoError(t, err)
	for range 20 {
		port, err := openSerial(sim.Profile().Port, session.Line{})
		require.NoError(t, err)
		require.NoError(t, port.Close())
		require.NoError(t, sim.Unplug())
		require.NoError(t, sim.Plug())
	}
	require.NoError(t, sim.Close())
	assert.LessOrEqual(t, open(), before)
}
