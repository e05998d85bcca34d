package session

import (
	"context"
	"encoding/json"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// fakeClock stands still until it is moved.
type fakeClock struct {
	mu   sync.Mutex // of what moves while a bench may look
	wall time.Time
	mono time.Duration
}

func (c *fakeClock) Now() (time.Time, time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.wall, c.mono
}

func (c *fakeClock) move(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wall, c.mono = c.wall.Add(d), c.mono+d
}

// memoryLog keeps the encoded entries, as a disk would.
type memoryLog struct {
	mu     sync.Mutex // of what changes while a bench may write
	texts  [][]byte
	broken error   // what Append fails with
	mends  int     // after how many failures it works again; 0: never
	keeps  bool    // a failing Append keeps its entries all the same
	kept   []Entry // those, until the next Append tells
}

type keptError struct{ entries []Entry }

func (e keptError) Error() string { return "an earlier batch was kept" }
func (e keptError) Kept() []Entry { return e.entries }

// mend lets it work again, and count tells how many entries it has.
func (l *memoryLog) mend() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.broken = nil
}

func (l *memoryLog) count() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.texts)
}

func (l *memoryLog) Append(entries []Entry) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.kept != nil && l.broken == nil {
		kept := l.kept
		l.kept = nil
		return keptError{kept}
	}
	if l.broken != nil {
		if l.keeps && l.kept == nil {
			l.kept = entries
			l.store(entries)
		}
		err := l.broken
		if l.mends--; l.mends == 0 {
			l.broken = nil
		}
		return err
	}
	return l.store(entries)
}

func (l *memoryLog) store(entries []Entry) error {
	for _, e := range entries {
		text, err := e.Encode()
		if err != nil {
			return err
		}
		l.texts = append(l.texts, text)
	}
	return nil
}

// replay decodes the first n entries, or all with n < 0.
func (l *memoryLog) replay(n int) func(func(Entry) error) error {
	if n < 0 {
		n = len(l.texts)
	}
	return func(yield func(Entry) error) error {
		for _, text := range l.texts[:n] {
			e, err := DecodeEntry(text)
			if err != nil {
				return err
			}
			if err := yield(e); err != nil {
				return err
			}
		}
		return nil
	}
}

// rig is a bench with a fake clock and log. After every item it checks that the
// log alone gives the snapshot that was shown: replay equals live.
type rig struct {
	t     *testing.T
	clock *fakeClock
	log   *memoryLog
	bench *Bench
	more  []Profile // beside testProfiles

	settings Settings // its bounce is always 700 ms
	probe    chan time.Time
}

func (r *rig) profiles() []Profile { return append(testProfiles(), r.more...) }

func mm(text string) Number {
	n, err := ParseNumber(text)
	if err != nil {
		panic(err)
	}
	return n
}

func testProfiles() []Profile {
	return []Profile{
		{
			Name: "caliper-1", Kind: Caliper, Trigger: OnPress, Resolution: mm("0.01"), Repeatability: mm("0.008"),
			Permissible: map[Use]Number{Outside: mm("0.02"), Depth: mm("0.03")}, Local: map[Use]Number{Outside: mm("0.01"), Depth: mm("0.01")},
		},
		{
			Name: "depth-1", Kind: DepthGauge, Trigger: OnPress, Resolution: mm("0.01"), Repeatability: mm("0.010"),
			Permissible: map[Use]Number{Depth: mm("0.03")}, Local: map[Use]Number{Depth: mm("0.01")},
		},
		{
			Name: "micrometer-1", Kind: Micrometer, Trigger: OnRequest, Resolution: mm("0.001"), Repeatability: mm("0.0015"),
			Permissible: map[Use]Number{Outside: mm("0.004")},
		},
		{Name: "feelers", Kind: Feeler, Resolution: mm("0.05"), Repeatability: mm("0.02")},
	}
}

func newRig(t *testing.T, more ...Profile) *rig {
	t.Helper()
	r := &rig{t: t, clock: &fakeClock{wall: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}, log: &memoryLog{}, more: more}
	r.start()
	return r
}

// newRigWith is newRig with settings.
func newRigWith(t *testing.T, settings Settings, more ...Profile) *rig {
	t.Helper()
	r := &rig{t: t, clock: &fakeClock{wall: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}, log: &memoryLog{}, more: more, settings: settings}
	r.start()
	return r
}

// start opens a run on the log as it is and keeps the bench running until the
// test ends.
func (r *rig) start() {
	r.t.Helper()
	r.probe = make(chan time.Time)
	settings := r.settings
	settings.Bounce = 700 * time.Millisecond
	bench, err := NewBench(Config{
		Name: "bench-1", Software: "test", Settings: settings,
		Profiles: r.profiles(), Method: theMethod, Clock: r.clock, Log: r.log, Probe: r.probe,
	}, r.log.replay(-1))
	require.NoError(r.t, err)
	r.bench = bench
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- bench.Run(ctx) }()
	r.t.Cleanup(func() {
		stop()
		assert.NoError(r.t, <-ended)
	})
}

// submit gives one item to the bench and checks replay against live.
func (r *rig) submit(item any) (Receipt, error) {
	r.t.Helper()
	receipt, err := r.bench.Submit(context.Background(), item)
	r.checkReplay()
	return receipt, err
}

func (r *rig) checkReplay() {
	r.t.Helper()
	s := NewState(theMethod)
	require.NoError(r.t, r.log.replay(-1)(s.Apply))
	live := r.bench.Snapshot()
	live.Recording = Recording{OK: true}
	require.Equal(r.t, asJSON(r.t, live), asJSON(r.t, s.Snapshot()), "replay must equal live")
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	text, err := json.MarshalIndent(v, "", " ")
	require.NoError(t, err)
	return string(text)
}

// press sends a reading of the named instrument a second after the last item.
func (r *rig) press(instrument, value string) Receipt {
	r.t.Helper()
	r.clock.move(time.Second)
	return r.pressNow(instrument, value)
}

// pressNow sends a reading without waiting.
func (r *rig) pressNow(instrument, value string) Receipt {
	r.t.Helper()
	kind := Kind("unknown")
	for _, p := range r.profiles() {
		if p.Name == instrument {
			kind = p.Kind
		}
	}
	receipt, err := r.submit(Reading{
		Instrument: instrument, Kind: kind, Value: mm(value), Text: value, Unit: kind.Quantity().Unit(),
		Raw: Raw(value + "\r\n"), At: r.clock.wall, Mono: r.clock.mono,
	})
	require.NoError(r.t, err)
	return receipt
}

// do carries out a command that must succeed.
func (r *rig) do(c Command) Receipt {
	r.t.Helper()
	r.clock.move(time.Second)
	c.Door = FromTerminal
	receipt, err := r.submit(c)
	require.NoError(r.t, err)
	return receipt
}

// refused carries out a command that must be refused, and returns the code.
func (r *rig) refused(c Command) string {
	r.t.Helper()
	before := len(r.log.texts)
	_, err := r.submit(c)
	var no *Refusal
	require.True(r.t, errors.As(err, &no), "wanted a refusal, got %v", err)
	require.NotEmpty(r.t, no.Message)
	require.NotEmpty(r.t, no.Instead)
	require.Len(r.t, r.log.texts, before, "a refusal leaves no entry")
	return no.Code
}

// begin opens a job on a plan of the project.
func (r *rig) begin(plan string) {
	r.t.Helper()
	r.do(Command{Do: Begin, Plan: readPlanFile(r.t, plan), Operator: "mo", Reference: "pump 7"})
}

// at tells the active step and place, as "step/place index".
func (r *rig) at() (string, int) {
	v := r.bench.Snapshot().Step
	if v == nil {
		return "", 0
	}
	for i, p := range v.Places {
		if p.Active {
			return v.Name, i
		}
	}
	return v.Name, -1
}

func (r *rig) requireAt(step string, place int) {
	r.t.Helper()
	s, p := r.at()
	require.Equal(r.t, step, s)
	require.Equal(r.t, place, p)
}

func (r *rig) step(name string) StepView {
	r.t.Helper()
	for _, s := range r.bench.Snapshot().Job.Steps {
		if s.Name == name {
			return s
		}
	}
	r.t.Fatalf("no step %q", name)
	return StepView{}
}

func (r *rig) reading(seq int64) ReadingView {
	r.t.Helper()
	for _, v := range r.bench.Snapshot().Readings {
		if v.Seq == seq {
			return v
		}
	}
	r.t.Fatalf("no reading %d", seq)
	return ReadingView{}
}
