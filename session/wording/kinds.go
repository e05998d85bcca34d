package wording

import (
	"fmt"
	"strings"

	"shimwright/session"
)

// State says in a few words how far a step is, for a list of steps: "closed", "now",
// "done", "not done: no oil left". It has no full stop.
func (l *Language) State(s session.StepView) string {
	if s.Confirmed != nil || s.Wait != nil && s.Wait.Started != nil || s.Screws != nil || s.Compare != nil {
		return l.ofKind(s)
	}
	value, q := s.Amount()
	state := l.say("not begun")
	switch {
	case s.Skipped != nil:
		state = l.say("not needed: %s", l.Reason(*s.Skipped))
	case s.Closed && s.Unsettled:
		state = l.say("closed") + ", " + l.say("not settled")
	case s.Closed:
		state = l.say("closed")
	case s.Active:
		state = l.say("now")
	case value != nil:
		state = l.say("open")
	}
	if s.Limits != nil && s.Limits.Outcome != "" {
		state += "; " + l.Text(s.Limits.Outcome)
	}
	if all := s.AmountWithAll(); all != nil && value != nil && !all.Equal(value.Decimal) {
		state += "; " + l.say("%s with those left out", l.Plain(*all, q))
	}
	return state
}

// ofKind says how far a step is that is not measured; empty for one that is.
func (l *Language) ofKind(s session.StepView) string {
	switch {
	case s.Kind == session.ConfirmStep || s.Confirmed != nil:
		return l.confirmation(s)
	case s.Wait != nil:
		return l.waiting(s)
	case s.Screws != nil:
		return l.pulling(s)
	case s.Compare != nil && (s.Active || s.Closed):
		return l.Choice(*s.Compare)
	case s.Compare != nil:
		return l.say("not begun")
	}
	return ""
}

// waiting says how a wait stands. The time that is left is the display's to count.
func (l *Language) waiting(s session.StepView) string {
	w := s.Wait
	switch {
	case w.CutShort && w.Shown != nil:
		return l.say("ended at %s degrees with %s left: %s", l.number(w.Shown.String()), l.Span(w.Left), w.Note)
	case w.CutShort:
		return l.say("cut short with %s left: %s", l.Span(w.Left), w.Note)
	case s.Closed && w.Shown != nil:
		return l.say("ended at %s degrees, by the thermometer", l.number(w.Shown.String()))
	case s.Closed:
		return l.say("waited %s", l.Span(w.Seconds))
	case w.Started != nil && w.Due != nil:
		return l.say("waits %s, until %s UTC; then go on with next", l.Span(w.Seconds), w.Due.UTC().Format("15:04:05"))
	case s.Active:
		return l.say("wait %s; start the time with next", l.Span(w.Seconds))
	}
	return l.say("not begun")
}

// Span writes a number of seconds as people say it: "50 s", "20 min", "1 min 30 s".
func (l *Language) Span(seconds int64) string {
	switch m, s := seconds/60, seconds%60; {
	case m == 0:
		return fmt.Sprintf("%d s", s)
	case s == 0:
		return fmt.Sprintf("%d min", m)
	default:
		return fmt.Sprintf("%d min %d s", m, s)
	}
}

// Heat says how hot to make something and what must not be exceeded: "heat the pump
// half to 96 degrees; not above 120 (seal)". It is empty for nil.
func (l *Language) Heat(h *session.HeatView) string {
	if h == nil || h.Celsius == nil && h.Most == nil {
		return ""
	}
	var said []string
	switch {
	case h.Celsius != nil && h.Part != "":
		said = append(said, l.say("heat the %s to %s degrees", l.noun(l.Text(h.Part)), l.number(h.Celsius.String())))
	case h.Celsius != nil:
		said = append(said, l.say("to %s degrees", l.number(h.Celsius.String())))
	case h.Fit != "":
		said = append(said, l.say("how hot is not known, or not advised; see the fit"))
	}
	if h.Most != nil {
		said = append(said, l.notAbove(*h.Most, h.MostOf))
	}
	return strings.Join(said, "; ")
}

// notAbove says what a temperature must not exceed, and for whose sake.
func (l *Language) notAbove(most session.Number, of string) string {
	text := l.say("not above %s degrees", l.number(most.String()))
	if of != "" {
		text += " (" + l.Text(of) + ")"
	}
	return text
}

// confirmation says what was said of a step, or asks for it.
func (l *Language) confirmation(s session.StepView) string {
	c := s.Confirmed
	switch {
	case c == nil && !s.Active:
		return l.say("not begun")
	case c == nil:
		return l.say("say when it is done, or that it is not done or not applicable and why")
	}
	text := l.Text(string(c.Outcome))
	if c.Note != "" {
		text += ": " + c.Note
	}
	return text
}
