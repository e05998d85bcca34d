package devices

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"shimwright/session"
)

// A Rehearsal is a scenario at work: its instruments on pseudo-terminals. Its
// methods may be called from any goroutine.
type Rehearsal struct {
	clock  session.Clock
	events []ScenarioEvent
	all    []*actor
}

// An actor is one simulated instrument with its behaviour.
type actor struct {
	ScenarioInstrument
	sim   *SimulatedInstrument
	write encoder

	mu    sync.Mutex
	dice  *rand.Rand
	unit  session.Unit
	weak  bool
	clock session.Clock
	from  time.Duration // when the rehearsal began
}

// Rehearse plugs in the instruments of a scenario. Their ports are links in dir.
func Rehearse(s Scenario, dir string, clock session.Clock) (*Rehearsal, error) {
	r := &Rehearsal{clock: clock, events: s.Events}
	_, from := clock.Now()
	for i, in := range s.Instruments {
		in.Profile.Port = filepath.Join(dir, in.Profile.Name)
		a := &actor{ScenarioInstrument: in, dice: rand.New(rand.NewPCG(uint64(s.Seed), uint64(i))), unit: in.Profile.Kind.Quantity().Unit(), clock: clock, from: from}
		for _, w := range wires {
			if w.of(in.Profile) {
				a.write = w.encode(in.Profile)
			}
		}
		sim, err := simulate(in.Profile, a.frame)
		if err != nil {
			return nil, errors.Join(err, r.Close())
		}
		a.sim = sim
		r.all = append(r.all, a)
	}
	return r, nil
}

// Profiles are those that the daemon is to know, with their ports.
func (r *Rehearsal) Profiles() []session.Profile {
	var out []session.Profile
	for _, a := range r.all {
		if !a.Unknown {
			out = append(out, a.sim.Profile())
		}
	}
	return out
}

// Strangers are the profiles that are kept from the daemon.
func (r *Rehearsal) Strangers() []session.Profile {
	var out []session.Profile
	for _, a := range r.all {
		if a.Unknown {
			out = append(out, a.sim.Profile())
		}
	}
	return out
}

// Close unplugs everything.
func (r *Rehearsal) Close() error {
	var errs []error
	for _, a := range r.all {
		errs = append(errs, a.sim.Close())
	}
	return errors.Join(errs...)
}

// Run plays the events at their times, and lets streams stream, until ctx ends. told
// is called with each event when it happens. It returns nil when the events are over
// and ctx has ended, or the error of an event that could not happen.
func (r *Rehearsal) Run(ctx context.Context, after func(time.Duration) <-chan time.Time, told func(ScenarioEvent)) error {
	var streams sync.WaitGroup
	defer streams.Wait()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	for _, a := range r.all {
		if a.Profile.Trigger == session.Streaming {
			streams.Go(func() { a.stream(ctx, after) })
		}
	}
	_, start := r.clock.Now()
	for _, e := range r.events {
		_, now := r.clock.Now()
		select {
		case <-ctx.Done():
			return nil
		case <-after(max(0, start+e.At-now)):
		}
		told(e)
		if err := r.Do(e); err != nil && !errors.Is(err, errUnplugged) {
			return err
		}
	}
	<-ctx.Done()
	return nil
}

// stream sends what is shown at the rate of the instrument.
func (a *actor) stream(ctx context.Context, after func(time.Duration) <-chan time.Time) {
	pause := time.Second / 10
	if a.Rate > 0 {
		pause = time.Second / time.Duration(a.Rate)
	}
	for {
		select {
		case <-ctx.Done():
			return
		case <-after(pause):
		}
		_ = a.sim.sendShown() // unplugged: the stream goes on when it is plugged in
	}
}

// sendShown sends a frame of what is shown.
func (s *SimulatedInstrument) sendShown() error {
	s.mu.Lock()
	shown := s.shown
	s.mu.Unlock()
	b, err := s.encode(shown)
	if err != nil {
		return err
	}
	return s.Send(b)
}

// Do lets one thing happen now. The error says why it cannot.
func (r *Rehearsal) Do(e ScenarioEvent) error {
	i := slices.IndexFunc(r.all, func(a *actor) bool { return a.Profile.Name == e.Instrument })
	if i < 0 {
		return fmt.Errorf("cannot %s: there is no instrument %q", e.Do, e.Instrument)
	}
	a := r.all[i]
	switch e.Do {
	case "press":
		if a.Profile.Trigger != session.OnPress && a.Profile.Trigger != "" {
			a.sim.Show(e.Value) // what it sends is asked for, or flows
			return nil
		}
		return a.sim.Press(e.Value)
	case "show":
		a.sim.Show(e.Value)
	case "send":
		return a.sim.Send([]byte(e.Bytes))
	case "garbage":
		return a.sim.Send(a.garbage(e.Count))
	case "unplug":
		return a.sim.Unplug()
	case "plug":
		return a.sim.Plug()
	case "battery low", "battery good":
		a.set(func() { a.weak = e.Do == "battery low" })
	case "inch":
		a.set(func() { a.unit = session.Inch })
	case "mm":
		a.set(func() { a.unit = session.Millimetre })
	default:
		return fmt.Errorf("cannot %q: no such event", e.Do)
	}
	return nil
}

func (a *actor) set(change func()) {
	a.mu.Lock()
	defer a.mu.Unlock()
	change()
}

func (a *actor) garbage(n int) []byte {
	a.mu.Lock()
	defer a.mu.Unlock()
	if n == 0 {
		n = 40
	}
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(a.dice.UintN(256))
	}
	return b
}

// frame writes what the instrument sends when the part measures truth.
func (a *actor) frame(truth session.Number) ([]byte, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.Profile.Kind == session.Pedal {
		return a.write(session.Number{}, a.unit)
	}
	if a.weak && a.Battery != "" {
		return []byte(a.Battery + "\r\n"), nil
	}
	_, now := a.clock.Now()
	b, err := a.write(a.count(a.shows(truth, now-a.from)), a.unit)
	if err == nil && a.weak {
		b = a.weaken(b)
	}
	return b, err
}

// shows is what a display of endless resolution would show of a part, a time after
// the beginning.
func (a *actor) shows(truth session.Number, at time.Duration) float64 {
	mm := truth.InexactFloat64()
	mm += a.Drift.InexactFloat64() * at.Hours()
	warm := a.Warm.InexactFloat64()
	if a.HalfLife > 0 {
		warm *= math.Exp2(-at.Seconds() / a.HalfLife.Seconds())
	}
	mm += warm
	if a.Period > 0 {
		mm += a.Swing.InexactFloat64() * math.Sin(2*math.Pi*at.Seconds()/a.Period.Seconds())
	}
	if a.Slips > a.dice.IntN(100) {
		mm += a.Slip.InexactFloat64()
	}
	return mm + a.dice.NormFloat64()*a.Noise.InexactFloat64()
}

// count rounds to whole counts of the display in its unit.
func (a *actor) count(mm float64) session.Number {
	step := a.Profile.Count()
	if a.unit == session.Inch {
		step = decimals(5, 4)
		if b := a.Profile.Binary; b != nil && otherUnit(*b) != nil {
			step = otherUnit(*b).Scale
		}
		mm /= 25.4
	}
	counts := decimals(int64(math.RoundToEven(mm/step.InexactFloat64())), 0)
	return session.Num(counts.Mul(step.Decimal))
}

// weaken is a frame as it is sent with a low battery.
func (a *actor) weaken(b []byte) []byte {
	for _, bit := range a.Bits {
		b[bit/8] ^= bitMask(a.Profile.Binary.Order, bit)
	}
	if form := a.Profile.ASCII; form != nil && a.Status != "" && len(form.GoodStatus) > 0 {
		return []byte(strings.Replace(string(b), form.GoodStatus[0], a.Status, 1))
	}
	return b
}
