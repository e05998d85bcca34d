package main

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/devices"
	"shimwright/session"
	"shimwright/sqlite"
)

var (
	events     = flag.Int("events", 20, "events of the campaign of pulled cables")
	streamTime = flag.Duration("stream", 3*time.Second, "how long sixteen instruments stream")
)

// A bundle is cables that are pulled, put back, renamed and swapped in a tree like
// the kernel's.
type bundle struct {
	t    *testing.T
	root string
	sims []*devices.SimulatedInstrument
	name []string // of each cable's device now; empty while it is out
	free []string // names that no cable has
	was  []int64  // how often each port had been opened when its cable was last put in
	ends map[string]*devices.Instrument
	dice *rand.Rand
}

// pull takes a cable out.
func (b *bundle) pull(i int) {
	if b.name[i] == "" {
		return
	}
	class := filepath.Join(b.root, "sys/class/tty", b.name[i])
	node, err := os.Readlink(filepath.Join(class, "device"))
	require.NoError(b.t, err)
	require.NoError(b.t, b.sims[i].Unplug())
	for _, gone := range []string{class, filepath.Join(b.root, "dev", b.name[i]), filepath.Dir(filepath.Dir(node))} {
		require.NoError(b.t, os.RemoveAll(gone))
	}
	b.free = append(b.free, b.name[i])
	b.name[i] = ""
}

// put plugs a cable in, under a name that is free.
func (b *bundle) put(i int) {
	if b.name[i] != "" {
		return
	}
	b.was[i] = b.ends[fmt.Sprintf("caliper-%d", i)].Counters().Opened
	require.NoError(b.t, b.sims[i].Plug())
	at := b.dice.IntN(len(b.free))
	b.name[i] = b.free[at]
	b.free = slices.Delete(b.free, at, at+1)
	socketIn(b.t, b.root, b.name[i], fmt.Sprintf("%d", 1+b.dice.IntN(100)*8+i), fmt.Sprintf("N%d", i), b.sims[i].Profile().Port)
}

// Cables of alike instruments are pulled, put back, renamed and swapped at random,
// and pressed in between. What was pressed at a live port is in the log, in order, at
// the right instrument; nothing else is; nothing is left open or running.
func TestCablesPulledAtRandom(t *testing.T) {
	goroutines, files := runtime.NumGoroutine(), openFiles(t)
	b := &bundle{t: t, root: t.TempDir(), dice: rand.New(rand.NewPCG(2, 71))}
	var profiles []session.Profile
	for i := range 4 {
		p := devices.ExampleProfiles()[0]
		p.Name = fmt.Sprintf("caliper-%d", i)
		sim, err := devices.Simulate(p)
		require.NoError(t, err)
		b.sims, b.name, b.was, b.free = append(b.sims, sim), append(b.name, ""), append(b.was, 0), append(b.free, fmt.Sprintf("ttyUSB%d", i), fmt.Sprintf("ttyUSB%d", i+4))
		require.NoError(t, sim.Unplug())
		p.Port = fmt.Sprintf("serial:N%d", i)
		profiles = append(profiles, p)
	}
	socketIn(t, b.root, "ttyS9", "999", "other", "/dev/null") // the tree is there, whoever is in it
	d := startOn(t, outfit{system: devices.System{Root: b.root}}, profiles...)
	b.ends = d.instruments
	pressed, back := map[string][]string{}, []time.Duration{}
	for event := range *events {
		i := b.dice.IntN(len(b.sims))
		switch b.dice.IntN(4) {
		case 0:
			b.pull(i)
		case 1:
			b.put(i)
		case 2: // renamed: out and in again at once
			b.pull(i)
			b.put(i)
		case 3: // swapped with another
			j := (i + 1) % len(b.sims)
			b.pull(i)
			b.pull(j)
			b.put(j)
			b.put(i)
		}
		if b.name[i] == "" {
			continue
		}
		name := profiles[i].Name
		put, in := time.Now(), d.instruments[name]
		require.Eventually(t, func() bool {
			h := in.Health()
			return h.Opened > b.was[i] && h.Port.State == session.PortLive && h.Port.Detail == "as "+filepath.Join(b.root, "dev", b.name[i])
		}, 10*time.Second, 2*time.Millisecond, "%s at event %d: %+v", name, event, in.Health())
		back = append(back, time.Since(put))
		length := decimal.New(int64(event), -2)
		had := in.Counters().Frames
		require.NoError(t, b.sims[i].Press(session.Num(length)))
		require.Eventually(t, func() bool { return in.Counters().Frames == had+1 }, 5*time.Second, time.Millisecond)
		pressed[name] = append(pressed[name], length.StringFixed(2))
	}
	slices.Sort(back)
	t.Logf("%d events, back live after %s in the median, %s at most", *events, back[len(back)/2].Round(time.Millisecond), back[len(back)-1].Round(time.Millisecond))
	d.end()
	for _, sim := range b.sims {
		require.NoError(t, sim.Close())
	}
	got, faults := logged(t, d.logPath())
	assert.Equal(t, pressed, got)
	assert.Zero(t, faults)
	require.Eventually(t, func() bool { return runtime.NumGoroutine() <= goroutines+1 }, 5*time.Second, 10*time.Millisecond)
	assert.LessOrEqual(t, openFiles(t), files+1)
}

// logged gives the values in a log by instrument, and how many readings have none.
func logged(t testing.TB, path string) (values map[string][]string, faults int) {
	store, err := sqlite.Open(path)
	require.NoError(t, err)
	defer func() { assert.NoError(t, store.Close()) }()
	values = map[string][]string{}
	require.NoError(t, store.Replay(func(e session.Entry) error {
		r, ok := e.Body.(session.ReadingTaken)
		switch {
		case ok && r.Fault != nil:
			faults++
		case ok:
			values[r.Instrument] = append(values[r.Instrument], r.Value.String())
		}
		return nil
	}))
	return values, faults
}

func openFiles(t testing.TB) int {
	files, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	return len(files)
}

// An instrument that floods its line takes nothing from another's press: every press
// is read, and no more than a bounded number of entries comes of the flood.
func TestAFloodDelaysNobody(t *testing.T) {
	var profiles []session.Profile
	var sims []*devices.SimulatedInstrument
	for _, name := range []string{"flood", "quiet"} {
		p := devices.ExampleProfiles()[0]
		p.Name, p.Port = name, filepath.Join(t.TempDir(), name)
		sim, err := devices.Simulate(p)
		require.NoError(t, err)
		sims, profiles = append(sims, sim), append(profiles, sim.Profile())
	}
	b := startOn(t, outfit{}, profiles...)
	b.allLive(t)
	stop := make(chan struct{})
	var flood sync.WaitGroup
	flood.Go(func() {
		junk := make([]byte, 256)
		for {
			select {
			case <-stop:
				return
			default:
				_ = sims[0].Send(junk) // it waits while the line is full
			}
		}
	})
	in := b.instruments["quiet"]
	var want []string
	for i := range 50 {
		length := decimal.New(int64(1000+i), -2)
		require.NoError(t, sims[1].Press(session.Num(length)))
		require.Eventually(t, func() bool { return in.Counters().Readings == int64(i+1) }, 2*time.Second, time.Millisecond)
		want = append(want, length.StringFixed(2))
	}
	close(stop)
	flood.Wait()
	n := b.instruments["flood"].Counters()
	t.Logf("%d bytes of the flood, %d readings of it", n.Bytes, n.Readings)
	b.end()
	for _, sim := range sims {
		require.NoError(t, sim.Close())
	}
	got, faults := logged(t, b.logPath())
	assert.Equal(t, want, got["quiet"])
	assert.Less(t, faults, 100, "the flood is summed")
}

// Sixteen instruments stream at 50 frames a second, and each is asked again and
// again: every take is answered by one reading that is in the log, no frame is lost,
// no byte is dropped, and memory stays flat.
func TestSixteenStreams(t *testing.T) {
	const many, rate = 16, 50
	var s devices.Scenario
	for i := range many {
		p := devices.ExampleProfiles()[0]
		p.Name, p.Trigger = fmt.Sprintf("stream-%d", i), session.Streaming
		s.Instruments = append(s.Instruments, devices.ScenarioInstrument{Profile: p, Rate: rate})
	}
	r, err := devices.Rehearse(s, t.TempDir(), newRunClock())
	require.NoError(t, err)
	b := startOn(t, outfit{}, r.Profiles()...)
	b.allLive(t)
	flowing := make(chan error, 1)
	ctx, stop := context.WithCancel(context.Background())
	go func() { flowing <- r.Run(ctx, time.After, func(devices.ScenarioEvent) {}) }()

	before := heap()
	deadline := time.Now().Add(*streamTime)
	takes := make([]int, many)
	var asking sync.WaitGroup
	for i := range many {
		in := b.instruments[fmt.Sprintf("stream-%d", i)]
		asking.Go(func() {
			for time.Now().Before(deadline) {
				if !assert.NoError(t, in.Take(ctx)) {
					return
				}
				takes[i]++
				if !assert.Eventually(t, func() bool { return in.Counters().Readings == int64(takes[i]) }, 5*time.Second, 5*time.Millisecond) {
					return
				}
			}
		})
	}
	asking.Wait()
	stop()
	require.NoError(t, <-flowing)
	total := int64(0)
	for name, in := range b.instruments {
		require.Eventually(t, func() bool { n := in.Counters(); return n.Bytes == n.SoundBytes }, 5*time.Second, time.Millisecond, name)
		n := in.Counters()
		assert.Zero(t, n.Bad+n.Dropped, name)
		assert.Equal(t, n.Frames, n.NotAsked+n.Readings, name)
		total += n.Frames
	}
	after := heap()
	t.Logf("%d frames in %s, %d takes; heap %d kB before, %d kB after", total, *streamTime, sum(takes), before>>10, after>>10)
	assert.Less(t, after, before+16<<20)
	b.end()
	require.NoError(t, r.Close())
	got, faults := logged(t, b.logPath())
	assert.Zero(t, faults)
	for i, n := range takes {
		assert.Len(t, got[fmt.Sprintf("stream-%d", i)], n)
	}
}

func sum(all []int) (n int) {
	for _, x := range all {
		n += x
	}
	return n
}

func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
