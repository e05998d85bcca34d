package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/devices"
	"shimwright/session"
	"shimwright/testdata/plans"
)

// truth is what the parts of the demo's engine really measure, in micrometres, at
// each place of each step, and off what each kind of instrument shows too much. The
// engine is invented.
var (
	truth = map[string][]int64{
		"caliper-zero":   {0},
		"depth-zero":     {0},
		"crank-width":    {52_540, 52_544},
		"bar-thickness":  {10_005},
		"pump-depth":     {37_414, 37_408},
		"flywheel-depth": {25_301, 25_309},
		"gasket":         {362, 358},
	}
	off = map[session.Kind]int64{session.Caliper: -3, session.DepthGauge: 12}
)

// freeGap is the true gap with the rings in the middle of their play and the gasket
// squeezed, in micrometres.
func freeGap() int64 {
	squeezed, play := int64(8), int64(40)
	return mean("pump-depth") - mean("bar-thickness") + mean("flywheel-depth") + mean("gasket") - mean("crank-width") - squeezed - play
}

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
}

func newTechnician(o demoOptions, bench *session.Bench, sims map[string]*devices.SimulatedInstrument) *technician {
	t := &technician{bench: bench, sims: sims, speed: o.speed, random: rand.New(rand.NewPCG(o.seed, 0)), operator: "demo"}
	// A mishap happens once, when its step has been pressed that many times.
	t.mishaps = map[string]func(context.Context, session.StepView) error{
		"bar-thickness/0":  t.tooSoon,
		"pump-depth/1":     t.slip,
		"flywheel-depth/0": t.wrongInstrument,
	}
	return t
}

// work begins the job and measures until every step is closed.
func (t *technician) work(ctx context.Context) error {
	if err := t.untilLive(ctx); err != nil {
		return err
	}
	plan, err := plans.Files.ReadFile(demoPlan)
	if err != nil {
		return err
	}
	_, err = t.bench.Submit(ctx, session.Command{
		Do: session.Begin, Plan: string(plan), PlanFile: demoPlan, Reference: "pump 12, seized in the field",
		Operator: t.operator, Door: session.FromTerminal,
	})
	if err != nil {
		return fmt.Errorf("cannot begin the demo's job: %w", err)
	}
	pressed := map[string]int{}
	for {
		s := t.bench.Snapshot()
		if s.Step == nil {
			return nil
		}
		key := fmt.Sprintf("%s/%d", s.Step.Name, pressed[s.Step.Name])
		act := t.mishaps[key]
		if act == nil {
			act = t.measure
			pressed[s.Step.Name]++
		}
		delete(t.mishaps, key)
		if err := act(ctx, *s.Step); err != nil {
			return err
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
		return t.after(ctx, func() error { return t.feel(ctx) })
	}
	length, sim := t.length(step, slipped), t.simOf(step.Instrument)
	return t.after(ctx, func() error {
		if sim.Profile().Trigger == session.OnPress {
			return sim.Press(length)
		}
		sim.Show(length)
		return t.sims["pedal-1"].Press(session.Number{})
	})
}

// length is what an instrument shows at the active place: the truth, its error and scatter.
func (t *technician) length(step session.StepView, slipped int64) session.Number {
	at := 0
	for i, p := range step.Places {
		if p.Active {
			at = i
		}
	}
	sd := t.simOf(step.Instrument).Profile().Repeatability.InexactFloat64() * 1000
	return micrometres(truth[step.Name][at] + off[step.Instrument] + slipped + int64(t.random.NormFloat64()*sd))
}

func micrometres(n int64) session.Number { return session.Num(decimal.New(n, -3)) }

func (t *technician) simOf(kind session.Kind) *devices.SimulatedInstrument {
	for _, s := range t.sims {
		if s.Profile().Kind == kind {
			return s
		}
	}
	return nil
}

// tooSoon presses again before the instrument can have been set down anew.
func (t *technician) tooSoon(ctx context.Context, step session.StepView) error {
	if err := t.measureOff(ctx, step, 0); err != nil {
		return err
	}
	return t.after(ctx, func() error { return t.simOf(step.Instrument).Press(t.length(step, 0)) })
}

// wrongInstrument reaches for the caliper where the step wants the depth gauge.
func (t *technician) wrongInstrument(ctx context.Context, step session.StepView) error {
	if err := t.hesitate(ctx); err != nil {
		return err
	}
	return t.after(ctx, func() error { return t.simOf(session.Caliper).Press(t.length(step, 0)) })
}

// feel finds the check gap with the first side's pack fitted: the thickest blade
// that passes, in steps of 0.05 mm.
func (t *technician) feel(ctx context.Context) error {
	best := t.bench.Snapshot().Advice[0].Best
	if best == nil {
		return errors.New("there is no advice to fit the first side by")
	}
	gap := freeGap() - best.Packs[0].Total.Mul(decimal.NewFromInt(1000)).IntPart()
	passes := gap / 50 * 50
	_, err := t.bench.Submit(ctx, session.Command{
		Do: session.Enter, Instrument: "feelers", Passes: micrometres(passes).String(), Stops: micrometres(passes + 50).String(),
		Operator: t.operator, Door: session.FromTerminal,
	})
	return err
}

// mean is the true value of a step: the mean of its places.
func mean(step string) int64 {
	var sum int64
	for _, v := range truth[step] {
		sum += v
	}
	return sum / int64(len(truth[step]))
}
