package devices

import (
	"context"
	"errors"
	"flag"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// fakeTime is a clock and its timers; time passes only by pass.
type fakeTime struct {
	mu     sync.Mutex
	now    time.Duration
	timers []fakeTimer
}

type fakeTimer struct {
	at time.Duration
	c  chan time.Time
}

func (f *fakeTime) Now() (time.Time, time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return noon.Add(f.now), f.now
}

func (f *fakeTime) After(d time.Duration) <-chan time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	c := make(chan time.Time, 1)
	f.timers = append(f.timers, fakeTimer{f.now + d, c})
	return c
}

// waiting returns how long from now each timer has to wait.
func (f *fakeTime) waiting() []time.Duration {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []time.Duration
	for _, t := range f.timers {
		out = append(out, t.at-f.now)
	}
	return out
}

func (f *fakeTime) pass(d time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now += d
	f.timers = slices.DeleteFunc(f.timers, func(t fakeTimer) bool {
		if t.at <= f.now {
			t.c <- noon.Add(f.now)
		}
		return t.at <= f.now
	})
}

// cable is a port whose bytes the test sends.
type cable struct {
	in     chan []byte
	fail   chan error
	closed chan bool
	once   sync.Once
	mu     sync.Mutex
	wrote  string
	stuck  error
}

func newCable() *cable {
	return &cable{in: make(chan []byte), fail: make(chan error), closed: make(chan bool)}
}

func (c *cable) Read(b []byte) (int, error) {
	select {
	case got := <-c.in:
		return copy(b, got), nil
	case err := <-c.fail:
		return 0, err
	case <-c.closed:
		return 0, os.ErrClosed
	}
}

func (c *cable) Write(b []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wrote += string(b)
	return len(b), c.stuck
}

func (c *cable) Close() error {
	c.once.Do(func() { close(c.closed) })
	return nil
}

func (c *cable) send(b string) { c.in <- []byte(b) }

// rig is an instrument on cables, with passing time in the test's hand.
type rig struct {
	*fakeTime
	*heard
	*Instrument
	t      *testing.T
	mu     sync.Mutex
	plug   func() (Port, error)
	opened int
}

func (r *rig) open(session.Profile) (Port, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.opened++
	return r.plug()
}

// insert sets what the next openings give.
func (r *rig) insert(plug func() (Port, error)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.plug = plug
}

func give(c *cable) func() (Port, error)    { return func() (Port, error) { return c, nil } }
func refuse(err error) func() (Port, error) { return func() (Port, error) { return nil, err } }
func (r *rig) waits(d time.Duration) {
	eventually(r.t, func() bool { return slices.Contains(r.waiting(), d) })
}
func (r *rig) becomes(state session.PortState) {
	eventually(r.t, func() bool { return r.state() == string(state) })
}

func newRig(t *testing.T, p session.Profile, plug func() (Port, error)) *rig {
	r := &rig{fakeTime: &fakeTime{now: time.Minute}, heard: &heard{}, t: t, plug: plug}
	var err error
	r.Instrument, err = New(Config{Profile: p, Clock: r.fakeTime, Sink: r.sink(), Open: r.open, After: r.After})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		assert.NoError(t, <-ended)
	})
	return r
}

// goLive passes the settling time.
func (r *rig) goLive() {
	r.waits(settleTime)
	r.pass(settleTime)
	r.becomes(session.PortLive)
}

// lives passes time until the port is live.
func (r *rig) lives() {
	eventually(r.t, func() bool {
		if r.state() == string(session.PortLive) {
			return true
		}
		r.pass(firstRetry)
		return false
	})
}

func TestSettlingBytesAreNotRead(t *testing.T) {
	c := newCable()
	r := newRig(t, exampleCaliper(), give(c))
	r.waits(settleTime)
	c.send(good + "V+0")
	eventually(t, func() bool { return r.Counters().Bytes == 16 })
	r.goLive()
	c.send("00.11 mm\r\n" + next)
	eventually(t, func() bool { return len(r.values()) == 1 })
	assert.Equal(t, []string{"56.78"}, r.values())
	assert.Equal(t, Counters{Bytes: 39, SoundBytes: 13, Dropped: 26, Frames: 1, Readings: 1, Opened: 1}, r.Counters())
	assert.Equal(t, "opening settling live", r.life())
}

// Silence is by the clock that is given, and nothing wakes an idle instrument.
func TestSilenceWakes(t *testing.T) {
	c := newCable()
	r := newRig(t, exampleCaliper(), give(c))
	r.goLive()
	assert.Empty(t, r.waiting())
	c.send("V+01")
	r.waits(lineSilence)
	r.pass(lineSilence)
	eventually(t, func() bool { return len(r.values()) == 1 })
	assert.Equal(t, []string{"broken frame"}, r.values())
	assert.Empty(t, r.waiting())
}

// A sink that waits for the disk does not change arrival times, nor lose a byte.
func TestStampsUnderASlowSink(t *testing.T) {
	c := newCable()
	clock := &fakeTime{now: time.Minute}
	h := &heard{}
	goOn := make(chan bool)
	sink := h.sink()
	note := sink.Reading
	sink.Reading = func(ctx context.Context, r session.Reading) { <-goOn; note(ctx, r) }
	i, err := New(Config{Profile: exampleCaliper(), Clock: clock, Sink: sink, Open: func(session.Profile) (Port, error) { return c, nil }, After: clock.After})
	require.NoError(t, err)
	r := &rig{fakeTime: clock, heard: h, t: t}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- i.Run(ctx) }()
	r.goLive()
	start := time.Minute + settleTime
	for range 5 {
		c.send(good[:6])
		c.send(good[6:])
		c.send("") // taken only once the reader has stamped what was before
		r.pass(time.Second)
	}
	close(goOn)
	eventually(t, func() bool { return len(h.values()) == 5 })
	for n, got := range h.readings {
		assert.Equal(t, start+time.Duration(n)*time.Second, got.Mono)
		assert.Equal(t, noon.Add(got.Mono), got.At)
	}
	stop()
	require.NoError(t, <-ended)
}

func TestTakes(t *testing.T) {
	ctx := context.Background()
	c := newCable()
	r := newRig(t, exampleMicrometer(), give(c))
	r.waits(settleTime)
	require.ErrorIs(t, r.Take(ctx), ErrNotLive)
	r.goLive()
	require.NoError(t, r.Take(ctx))
	assert.Equal(t, "?\r", c.wrote)
	require.ErrorIs(t, r.Take(ctx), ErrAsked)
	c.send("01  24.998 ok\r\n")
	eventually(t, func() bool { return len(r.values()) == 1 })
	require.NoError(t, r.Take(ctx))
	r.waits(answerTime)
	r.pass(answerTime)
	eventually(t, func() bool { return len(r.values()) == 2 })
	assert.Equal(t, []string{"24.998", "no answer"}, r.values())
	over, cancel := context.WithCancel(ctx)
	cancel()
	i, err := New(Config{Profile: exampleMicrometer(), Clock: r.fakeTime, Sink: r.sink(), Open: r.open})
	require.NoError(t, err)
	assert.ErrorIs(t, i.Take(over), context.Canceled)
}

func TestTakeFromAStreamingInstrument(t *testing.T) {
	c := newCable()
	r := newRig(t, streaming(), give(c))
	r.goLive()
	c.send(good)
	eventually(t, func() bool { return r.Counters().NotAsked == 1 })
	r.pass(time.Millisecond)
	require.NoError(t, r.Take(context.Background()))
	assert.Empty(t, c.wrote)
	c.send(next + good)
	eventually(t, func() bool { return r.Counters().NotAsked == 2 })
	assert.Equal(t, []string{"56.78"}, r.values())
}

// A device that does not take the request is given up and opened again.
func TestRequestThatCannotBeSent(t *testing.T) {
	c := newCable()
	c.stuck = errWriteStuck
	r := newRig(t, exampleMicrometer(), give(c))
	r.goLive()
	r.insert(refuse(fs.ErrNotExist))
	require.ErrorIs(t, r.Take(context.Background()), errWriteStuck)
	r.becomes(session.PortLost)
	assert.Equal(t, []string{"no answer"}, r.values())
	require.ErrorIs(t, r.Take(context.Background()), ErrNotLive)
}

// Nothing is told while nothing changes, and the waits grow to their cap.
func TestRetries(t *testing.T) {
	r := newRig(t, exampleCaliper(), refuse(fs.ErrNotExist))
	for _, wait := range []time.Duration{100, 200, 400, 800, 1000, 1000} {
		r.waits(wait * time.Millisecond)
		require.ErrorIs(t, r.Take(context.Background()), ErrOnPress)
		r.pass(wait * time.Millisecond)
	}
	r.waits(time.Second)
	assert.Equal(t, "opening absent", r.life())
	r.insert(refuse(errors.New("it burns")))
	r.pass(time.Second)
	r.becomes(session.PortRefused)
	c := newCable()
	r.insert(give(c))
	r.waits(time.Second)
	r.pass(time.Second)
	r.goLive()
	assert.Equal(t, "opening absent refused opening settling live", r.life())
	r.insert(refuse(fs.ErrNotExist))
	c.fail <- io.ErrUnexpectedEOF
	r.becomes(session.PortLost)
	<-c.closed
	assert.Equal(t, io.ErrUnexpectedEOF.Error(), r.heardLast().Detail)
	r.waits(time.Second) // it was live for too short a time to begin afresh
}

// After a steady time the waits begin afresh.
func TestRetriesAfterASteadyTime(t *testing.T) {
	c := newCable()
	r := newRig(t, exampleCaliper(), give(c))
	r.goLive()
	r.pass(steadyTime)
	r.insert(refuse(fs.ErrNotExist))
	c.fail <- io.EOF
	r.becomes(session.PortLost)
	r.waits(firstRetry)
}

// A device that fails each time it is opened is told of once, until it lives.
func TestDeviceThatFailsAtOnce(t *testing.T) {
	r := newRig(t, exampleCaliper(), func() (Port, error) {
		c := newCable()
		go func() { c.fail <- io.EOF }()
		return c, nil
	})
	for _, wait := range []time.Duration{100, 200, 400, 800, 1000} {
		r.waits(wait * time.Millisecond)
		r.pass(wait * time.Millisecond)
	}
	r.waits(time.Second)
	assert.Equal(t, "opening settling refused", r.life())
	assert.Equal(t, "it fails as soon as it is opened: EOF", r.heardLast().Detail)
	c := newCable()
	r.insert(give(c))
	r.pass(time.Second)
	r.goLive()
	c.send(good)
	eventually(t, func() bool { return len(r.values()) == 1 })
	assert.Equal(t, "opening settling refused live", r.life())
}

var unpluggings = flag.Int("unpluggings", 60, "how often cables are pulled, in virtual time")

// Through many unpluggings at any moment every whole frame of a live port is read,
// every frame in part is said to be broken, and no goroutine is left.
func TestManyUnpluggings(t *testing.T) {
	before := runtime.NumGoroutine()
	dice := rand.New(rand.NewPCG(5, 7))
	c := newCable()
	r := newRig(t, exampleCaliper(), give(c))
	var want []string
	for range *unpluggings {
		r.lives()
		for range dice.IntN(3) {
			c.send(good)
			want = append(want, "12.34")
		}
		if cut := dice.IntN(len(good) - 2); cut > 0 {
			c.send(good[:cut])
			want = append(want, "broken frame")
		}
		last := c
		c = newCable()
		r.insert(give(c))
		last.fail <- io.EOF
		<-last.closed
		r.becomes(session.PortLost)
	}
	assert.Equal(t, want, r.values())
	assert.GreaterOrEqual(t, r.Counters().Opened, int64(*unpluggings))
	assert.LessOrEqual(t, runtime.NumGoroutine(), before+6)
}

// What arrived before the port was lost is still read.
func TestLastBytesAreRead(t *testing.T) {
	c := newCable()
	r := newRig(t, exampleCaliper(), give(c))
	r.goLive()
	c.send(good)
	c.send(next)
	r.insert(refuse(fs.ErrNotExist))
	c.fail <- io.EOF
	r.becomes(session.PortLost)
	assert.Equal(t, []string{"12.34", "56.78"}, r.values())
}

func TestNewRefuses(t *testing.T) {
	h := &heard{}
	clock := &fakeTime{}
	broken := exampleCaliper()
	broken.ASCII.Pattern = "("
	for _, c := range []struct {
		config Config
		want   string
	}{
		{Config{Profile: broken, Clock: clock, Sink: h.sink()}, "ascii.pattern"},
		{Config{Profile: exampleCaliper(), Clock: clock, Sink: h.sink()}, "names no port"},
		{Config{Profile: exampleCaliper(), Sink: h.sink()}, "needs a clock"},
		{Config{Profile: exampleCaliper(), Clock: clock}, "every function of its sink"},
	} {
		_, err := New(c.config)
		assert.ErrorContains(t, err, c.want)
	}
}
