package main

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/devices"
	"shimwright/session"
)

// pedalRest keeps two presses of the pedal apart, at any speed.
const pedalRest = 60 * time.Millisecond

// patience bounds how long the technician waits for the bench to rule a press.
const patience = 10 * time.Second

// A technician measures what the bench asks for, as a person would who reads the
// display: with pauses, with scatter, and with a few mishaps.
type technician struct {
	bench    *session.Bench
	sims     map[string]*devices.SimulatedInstrument
	speed    float64
	random   *rand.Rand
	presses  int
	mishaps  map[string]func(context.Context, session.StepView) error
	operator string
	plan     string // that it works by
	refitted int    // how often other shims went in than those it had begun with

	// gathered counts the frames of a window that have come; nil where nobody can tell.
	gathered func(instrument string) int64
}

func newTechnician(o demoOptions, bench *session.Bench, sims map[string]*devices.SimulatedInstrument) *technician {
	t := &technician{bench: bench, sims: sims, speed: o.speed, random: rand.New(rand.NewPCG(o.seed, 0)), operator: "demo", plan: o.plan}
	if t.plan == "" {
		t.plan = demoPlan
	}
	// A mishap happens once, when its step has been pressed that many times.
	t.mishaps = map[string]func(context.Context, session.StepView) error{
		"bar-thickness/0":  t.tooSoon,
		"pump-depth/1":     t.slip,
		"flywheel-depth/0": t.wrongInstrument,
		"case-screws/4":    t.slackScrew,
	}
	return t
}

// work begins the job and does what each step asks for until every step is closed.
func (t *technician) work(ctx context.Context) error {
	if err := t.untilLive(ctx); err != nil {
		return err
	}
	file, text, _, err := playablePlan(t.plan)
	if err != nil {
		return err
	}
	err = t.say(ctx, session.Command{Do: session.Begin, Plan: string(text), PlanFile: file, Reference: "pump 12, seized in the field"})
	if err != nil {
		return fmt.Errorf("cannot begin the demo's job: %w", err)
	}
	pressed := map[string]int{}
	for {
		s := t.bench.Snapshot()
		if s.Step == nil {
			if done, err := t.finish(ctx); done || err != nil {
				return err
			}
			continue
		}
		key := fmt.Sprintf("%s/%d", s.Step.Name, pressed[s.Step.Name])
		act := t.mishaps[key]
		if act == nil {
			act = t.step
			pressed[s.Step.Name]++
		}
		delete(t.mishaps, key)
		if err := act(ctx, *s.Step); err != nil {
			return fmt.Errorf("step %q: %w", s.Step.Name, err)
		}
	}
}

// untilLive waits until every cable is live.
func (t *technician) untilLive(ctx context.Context) error {
	return t.until(ctx, func(s session.Snapshot) bool {
		for _, in := range s.Instruments {
			if t.sims[in.Name] != nil && in.State != session.PortLive {
				return false
			}
		}
		return true
	})
}

// until waits for a snapshot that satisfies want.
func (t *technician) until(ctx context.Context, want func(session.Snapshot) bool) error {
	box, giveUp := t.bench.Subscribe()
	defer giveUp()
	limit := time.NewTimer(patience)
	defer limit.Stop()
	for {
		select {
		case s := <-box:
			if want(s) {
				return nil
			}
		case <-limit.C:
			return fmt.Errorf("the bench did not answer the technician within %s: %s", patience, stuck(t.bench.Snapshot()))
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// stuck says where the bench stands, for the error of a technician who waits in vain.
func stuck(s session.Snapshot) string {
	text := "it records: " + s.Recording.Problem
	if s.Step != nil {
		text = "step " + s.Step.Name + ", " + text
	}
	for _, in := range s.Instruments {
		text += fmt.Sprintf("; %s is %s %s", in.Name, in.State, in.Detail)
	}
	return text
}

// hesitate lets the time pass that a person needs to set an instrument down anew.
func (t *technician) hesitate(ctx context.Context) error {
	return t.pause(ctx, 790*time.Millisecond+time.Duration(t.random.Int64N(int64(290*time.Millisecond))))
}

func (t *technician) pause(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(time.Duration(float64(d) / t.speed)):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// after does one thing that sends a reading, and waits until the bench has it.
func (t *technician) after(ctx context.Context, send func() error) error {
	had := latestReading(t.bench.Snapshot())
	t.presses++
	if err := send(); err != nil {
		return err
	}
	return t.until(ctx, func(s session.Snapshot) bool { return latestReading(s) > had })
}

func latestReading(s session.Snapshot) int64 {
	if len(s.Readings) == 0 {
		return 0
	}
	return s.Readings[len(s.Readings)-1].Seq
}

// measure takes one reading of what the step asks for, with scatter.
func (t *technician) measure(ctx context.Context, step session.StepView) error {
	return t.measureOff(ctx, step, 0)
}

// slip takes a reading with the rod off its seat.
func (t *technician) slip(ctx context.Context, step session.StepView) error {
	return t.measureOff(ctx, step, 170)
}

func (t *technician) measureOff(ctx context.Context, step session.StepView, slipped int64) error {
	if err := t.hesitate(ctx); err != nil {
		return err
	}
	if step.Instrument == session.Feeler {
		return t.after(ctx, func() error { return t.feel(ctx, step) })
	}
	length, sim := t.length(step, slipped), t.simOf(step)
	if sim.Profile().Trigger == session.Streaming {
		return t.turn(ctx, step, sim)
	}
	return t.after(ctx, func() error {
		if sim.Profile().Trigger == session.OnPress {
			return sim.Press(length)
		}
		sim.Show(length)
		return t.pedal()
	})
}

// pedal presses the pedal. Two presses of it must not run together.
func (t *technician) pedal() error {
	time.Sleep(pedalRest)
	return t.sims["pedal-1"].Press(session.Number{})
}

// length is what an instrument shows at the active place: the truth, its error and scatter.
func (t *technician) length(step session.StepView, slipped int64) session.Number {
	at := 0
	for i, p := range step.Places {
		if p.Active {
			at = i
		}
	}
	p := t.simOf(step).Profile()
	sd := p.Spread().InexactFloat64() * 1000
	return micrometres(trueOf(step, at) + off[step.Instrument] + slipped + int64(t.random.NormFloat64()*sd))
}

func micrometres(n int64) session.Number { return session.Num(decimal.New(n, -3)) }

// simOf is the instrument that a step wants, in the use that it wants it for.
func (t *technician) simOf(step session.StepView) *devices.SimulatedInstrument {
	names := slices.Sorted(maps.Keys(t.sims))
	for _, name := range names {
		p := t.sims[name].Profile()
		_, serves := p.Permissible[step.Use]
		if p.Kind == step.Instrument && (serves || len(p.Permissible) == 0) {
			return t.sims[name]
		}
	}
	return nil
}

// tooSoon presses again before the instrument can have been set down anew.
func (t *technician) tooSoon(ctx context.Context, step session.StepView) error {
	if err := t.measureOff(ctx, step, 0); err != nil {
		return err
	}
	return t.after(ctx, func() error { return t.simOf(step).Press(t.length(step, 0)) })
}

// wrongInstrument reaches for the caliper where the step wants the depth gauge.
func (t *technician) wrongInstrument(ctx context.Context, step session.StepView) error {
	if err := t.hesitate(ctx); err != nil {
		return err
	}
	return t.after(ctx, func() error { return t.sims["caliper-1"].Press(t.length(step, 0)) })
}
