package main

import (
	"fmt"

	"shimwright/session"
	"shimwright/session/wording"
)

// stepNow is a step as it stands now; nil if there is none of that name.
func (t *teller) stepNow(name string) *session.StepView {
	for i := range t.now.Job.Steps {
		if t.now.Job.Steps[i].Name == name {
			return &t.now.Job.Steps[i]
		}
	}
	return nil
}

// confirmed tells what a person said of a step.
func (t *teller) confirmed(b session.Confirmed) string {
	step := b.Step
	if v := t.stepNow(b.Step); v != nil {
		step = fmt.Sprintf("step %d of %d, %s,", v.Number, v.Of, v.Name)
		if len(v.Places) > 1 && b.Place < len(v.Places) {
			step += " " + v.Places[b.Place].Name + ","
		}
	}
	return fmt.Sprintf("%s confirmed %s as %s%s.", t.who(), step, b.Outcome, prefixed(": ", b.Note))
}

// waited tells how a wait ended.
func (t *teller) waited(b session.Waited) string {
	if b.CutShort {
		return fmt.Sprintf("%s cut %s short with %s left: %s.", t.who(), b.Step, wording.English.Span(b.Left), b.Note)
	}
	if b.Shown != nil && b.Left > 0 {
		return fmt.Sprintf("%s ended %s with %s left, for the thermometer showed %s degrees.", t.who(), b.Step, wording.English.Span(b.Left), b.Shown)
	}
	return fmt.Sprintf("The time of %s has passed.", b.Step)
}

// waitStarted tells that a time runs, and how hot something is made meanwhile.
func (t *teller) waitStarted(b session.WaitStarted) string {
	text := fmt.Sprintf("%s started the time of %s; it is due at %s UTC", t.who(), b.Step, b.Due.UTC().Format("15:04:05"))
	if v := t.stepNow(b.Step); b.Celsius != nil && v != nil && v.Heat != nil {
		text += "; " + wording.English.Heat(v.Heat)
	}
	return text + "."
}

// closedWithout tells that a step closed at which nothing is measured.
func (t *teller) closedWithout(step string) string {
	v := t.stepNow(step)
	if v == nil {
		return "Step closed."
	}
	return fmt.Sprintf("Step %d of %d, %s, closed: %s.", v.Number, v.Of, v.Name, wording.English.State(*v))
}
