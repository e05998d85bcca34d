package wording

import (
	"cmp"
	"strings"

	"shimwright/session"
)

// Step says in one paragraph what to do now at a step, and how far it is.
func (l *Language) Step(s session.StepView) string { return l.StepName(s) + " " + l.StepDo(s) }

// StepName is the first sentence of Step: its number and title.
func (l *Language) StepName(s session.StepView) string {
	return l.say("Step %d of %d: %s.", s.Number, s.Of, l.Text(cmp.Or(s.Title, s.Name)))
}

// Now says in a line where the measuring stands: StepName and Progress.
func (l *Language) Now(s session.StepView) string {
	return l.StepName(s) + " " + l.sentence(l.Progress(s))
}

// StepDo is the rest of Step: how far it is, what to measure, with what, where,
// and the caution.
func (l *Language) StepDo(s session.StepView) string {
	said := []string{l.sentence(l.Progress(s))}
	for _, text := range []string{l.inNow(s), l.Text(s.Measure), l.Text(s.Do), l.Heat(s.Heat), l.with(s), l.Text(s.Where), l.movement(s), l.Limits(s.Limits)} {
		if text != "" {
			said = append(said, l.sentence(text))
		}
	}
	for _, caution := range s.Cautions {
		said = append(said, l.say("Caution: %s", l.sentence(l.Text(caution))))
	}
	return strings.Join(said, " ")
}

// Beside says what a step rests on beyond its own text: how hot to make a part, which
// shims have to be in, how a movement is taken, its limits. It is empty where there is
// nothing of it.
func (l *Language) Beside(s session.StepView) string {
	var said []string
	for _, text := range []string{l.Heat(s.Heat), l.inNow(s), l.movement(s), l.Limits(s.Limits)} {
		if text != "" {
			said = append(said, l.sentence(text))
		}
	}
	return strings.Join(said, " ")
}

// inNow says which shims have to be in while a float or gap is measured directly.
func (l *Language) inNow(s session.StepView) string {
	if len(s.Packs) == 0 {
		return ""
	}
	if s.Kind == session.ConfirmStep {
		return l.say("put in %s, and say so (fitted)", l.packs(s.Packs))
	}
	return l.say("this counts as measured with %s; if other shims are in, say so first (fitted)", l.packs(s.Packs))
}

// Fitted says what is in the engine, and whether that is what is advised.
func (l *Language) Fitted(f session.FittedView) string {
	if f.Advised {
		return l.say("%s, as advised", l.packs(f.Packs))
	}
	return l.say("%s, not what is advised now", l.packs(f.Packs))
}

// with says what to use, and on which side.
func (l *Language) with(s session.StepView) string {
	if s.Instrument == "" {
		return l.Text(s.Side)
	}
	text := l.say("with %s", l.named(string(s.Instrument)))
	if s.Side != "" {
		text += ", " + l.Text(s.Side)
	}
	return text
}

// movement says how a movement is taken; empty for any other step.
func (l *Language) movement(s session.StepView) string {
	if s.Reduce == "" {
		return ""
	}
	if s.Window > 0 {
		return l.say("Take watches it for %s: move the shaft meanwhile.", l.number(s.Window.String()))
	}
	return l.say("Take begins to watch it, and take ends it: move the shaft in between.")
}

// Progress says how far a step is: the place to measure now and how many of its
// repeats are counted, or that it is closed and its value. It has no full stop.
func (l *Language) Progress(s session.StepView) string {
	if text := l.ofKind(s); text != "" {
		return text
	}
	if s.Closed {
		return l.closed(s)
	}
	at, i := activePlace(s)
	if at == nil {
		if s.OnCommand && len(s.Places) > 0 {
			return l.say("all places are measured; close the step with next")
		}
		return l.say("not begun")
	}
	text := l.say("%[2]d of %[1]d repeats counted", at.Needed, at.Counted)
	if at.Name != "" {
		text = l.Place(at.Name) + ": " + text
	}
	if len(s.Places) > 1 {
		text = l.say("place %d of %d", i+1, len(s.Places)) + ", " + text
	}
	if at.LeftOut > 0 {
		text += ", " + l.say("%d left out", at.LeftOut)
	}
	return text
}

func (l *Language) closed(s session.StepView) string {
	text := l.say("closed")
	value, q := s.Amount()
	if value != nil {
		text = l.say("closed at %s", l.Amount(value, q))
	}
	if all := s.AmountWithAll(); all != nil && (value == nil || !all.Equal(value.Decimal)) {
		text += " " + l.say("(%s with those left out)", l.Amount(all, q))
	}
	if s.Unsettled {
		text += ", " + l.say("not settled")
	}
	if s.Limits != nil && s.Limits.Outcome != "" {
		text += ", " + l.Limits(s.Limits)
	}
	return text
}

func activePlace(s session.StepView) (*session.PlaceView, int) {
	for i := range s.Places {
		if s.Places[i].Active {
			return &s.Places[i], i
		}
	}
	return nil, 0
}
