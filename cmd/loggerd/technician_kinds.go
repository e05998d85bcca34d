package main

import (
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/devices"
	"shimwright/session"
)

// step does what the active step asks for, whatever its kind.
func (t *technician) step(ctx context.Context, step session.StepView) error {
	if again, err := t.refit(ctx); again || err != nil {
		return err
	}
	switch step.Kind {
	case session.ConfirmStep:
		return t.putIn(ctx, step)
	case session.WaitStep:
		return t.wait(ctx, step)
	case session.TorqueStep:
		return t.pull(ctx, step, 0)
	case session.CompareStep:
		return t.choose(ctx, step)
	}
	if chain := t.wantsPacks(step); chain != "" {
		return t.fit(ctx, chain)
	}
	return t.measure(ctx, step)
}

// say gives a command at the terminal.
func (t *technician) say(ctx context.Context, c session.Command) error {
	c.Operator, c.Door = t.operator, session.FromTerminal
	_, err := t.bench.Submit(ctx, c)
	return err
}

// confirm does by hand what a step says, and says so.
func (t *technician) confirm(ctx context.Context, note string) error {
	if err := t.hesitate(ctx); err != nil {
		return err
	}
	return t.say(ctx, session.Command{Do: session.Confirm, Note: note})
}

// wait starts the time of a step. The demo does not wait it out: it lets the thermometer
// say that the part is hot enough, or cold, where the step is of a part, and else cuts
// the time short with a note that says so.
func (t *technician) wait(ctx context.Context, step session.StepView) error {
	if err := t.confirm(ctx, ""); err != nil {
		return err
	}
	if err := t.pause(ctx, 2*time.Second); err != nil {
		return err
	}
	note := "demo: nobody waits here"
	if probe := t.sims["thermometer-1"]; probe != nil && (step.Heat != nil || step.Wait.Sets != "") {
		celsius := 23.2
		if step.Heat != nil {
			if step.Heat.Celsius == nil {
				return errors.New("the bench does not say how hot")
			}
			celsius = step.Heat.Celsius.InexactFloat64() + 2.5
		}
		shown := session.Num(decimal.NewFromFloat(celsius).Round(1))
		if err := t.after(ctx, func() error { return probe.Press(shown) }); err != nil {
			return err
		}
		note = ""
	}
	return t.confirm(ctx, note)
}

// pull pulls the active screw to its torque, give or take, and off by what a mishap says.
func (t *technician) pull(ctx context.Context, step session.StepView, off float64) error {
	i := slices.IndexFunc(step.Places, func(p session.PlaceView) bool { return p.Active })
	if i < 0 || step.Places[i].Pull == nil {
		return errors.New("no screw is to be pulled")
	}
	if err := t.hesitate(ctx); err != nil {
		return err
	}
	aim := step.Places[i].Pull.Target.InexactFloat64() + off + 0.1*t.random.NormFloat64()
	shown := session.Num(decimal.NewFromFloat(aim).Round(2))
	return t.after(ctx, func() error { return t.sims["torque-wrench-1"].Press(shown) })
}

// slackScrew stops too early at a screw.
func (t *technician) slackScrew(ctx context.Context, step session.StepView) error {
	return t.pull(ctx, step, -2)
}

// choose keeps the candidate that the bench advises.
func (t *technician) choose(ctx context.Context, step session.StepView) error {
	if err := t.pause(ctx, 3*time.Second); err != nil {
		return err
	}
	if step.Compare.Keep == "" {
		return errors.New("the bench advises none of the candidates")
	}
	return t.say(ctx, session.Command{Do: session.Choose, Candidate: step.Compare.Keep})
}

// turn turns or pushes the shaft under a dial: the pedal begins the window and ends it.
func (t *technician) turn(ctx context.Context, step session.StepView, dial *devices.SimulatedInstrument) error {
	const frames, swings = 48, 2
	half := t.length(step, 0).InexactFloat64() / 2
	name := dial.Profile().Name
	if err := t.pedal(); err != nil {
		return err
	}
	if err := t.until(ctx, func(s session.Snapshot) bool { return gathering(s, name) }); err != nil {
		return err
	}
	had := t.frames(name)
	for i := range frames {
		way := 1.5 * math.Sin(2*math.Pi*swings*float64(i)/frames) // it is held at both ends
		shown := decimal.NewFromFloat(half * min(1, max(-1, way))).Round(3)
		if err := dial.Press(session.Num(shown)); err != nil {
			return err
		}
		if err := t.pause(ctx, 45*time.Millisecond); err != nil {
			return err
		}
	}
	limit := time.Now().Add(patience)
	for t.gathered != nil && t.frames(name) < had+frames && time.Now().Before(limit) {
		if err := t.pause(ctx, 5*time.Millisecond); err != nil {
			return err
		}
	}
	return t.after(ctx, t.pedal)
}

func (t *technician) frames(instrument string) int64 {
	if t.gathered == nil {
		return 0
	}
	return t.gathered(instrument)
}

func gathering(s session.Snapshot, instrument string) bool {
	return slices.ContainsFunc(s.Instruments, func(in session.InstrumentView) bool { return in.Name == instrument && in.Gathering })
}

// feel finds a gap with the blades: the thickest that passes, in steps of 0.05 mm.
func (t *technician) feel(ctx context.Context, step session.StepView) error {
	if _, ok := direct(step.Name); ok && len(step.Packs) == 0 {
		return errors.New("there is no advice to fit the first side by")
	}
	passes := trueOf(step, 0) / 50 * 50
	return t.say(ctx, session.Command{Do: session.Enter, Instrument: "feelers", Passes: micrometres(passes).String(), Stops: micrometres(passes + 50).String()})
}

// putIn puts in the shims that go in at a step, says so, and that the step is done.
func (t *technician) putIn(ctx context.Context, step session.StepView) error {
	for _, chain := range step.Fitted {
		in := slices.ContainsFunc(t.bench.Snapshot().Job.Fitted, func(f session.FittedView) bool { return f.Chain == chain && f.Advised })
		if in {
			continue
		}
		if err := t.fit(ctx, chain); err != nil {
			return err
		}
	}
	return t.confirm(ctx, "")
}

// wantsPacks is the chain whose shims have to go in before a step and of which nobody
// said yet that they are; empty if there is none.
func (t *technician) wantsPacks(step session.StepView) string {
	s := t.bench.Snapshot()
	for _, a := range s.Advice {
		said := slices.ContainsFunc(s.Job.Fitted, func(f session.FittedView) bool { return f.Chain == a.Chain })
		if !said && len(step.Packs) > 1 && a.Best != nil && len(a.Best.Packs) == len(step.Packs) && a.Best.Packs[0].Side == step.Packs[0].Side {
			return a.Chain
		}
	}
	return ""
}

// mostRefits bounds how often the technician changes shims.
const mostRefits = 3

// refit changes the shims where the bench advises others by now than are in.
func (t *technician) refit(ctx context.Context) (bool, error) {
	for _, f := range t.bench.Snapshot().Job.Fitted {
		if !f.Advised && t.refitted < mostRefits {
			t.refitted++
			return true, t.fit(ctx, f.Chain)
		}
	}
	return false, nil
}

// fit puts in what is advised for a chain, and says so.
func (t *technician) fit(ctx context.Context, chain string) error {
	if err := t.hesitate(ctx); err != nil {
		return err
	}
	return t.say(ctx, session.Command{Do: session.Fitting, Chain: chain})
}

// finish says which shims are in where nobody did, and ends the job; it tells whether
// that is all. The usual demo leaves its job open, to look around in.
func (t *technician) finish(ctx context.Context) (done bool, err error) {
	if t.plan == demoPlan {
		return true, nil
	}
	if again, err := t.refit(ctx); again || err != nil {
		return false, err
	}
	s := t.bench.Snapshot()
	for _, a := range s.Advice {
		said := slices.ContainsFunc(s.Job.Fitted, func(f session.FittedView) bool { return f.Chain == a.Chain })
		if a.NoShims || said {
			continue
		}
		if err := t.fit(ctx, a.Chain); err != nil {
			return false, err
		}
	}
	return true, t.say(ctx, session.Command{Do: session.End})
}
