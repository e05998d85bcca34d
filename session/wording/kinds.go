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
	value, _ := s.Amount()
	state := "not begun"
	switch {
	case s.Skipped != nil:
		state = "not needed: " + l.Reason(*s.Skipped)
	case s.Closed && s.Unsettled:
		state = "closed, not settled"
	case s.Closed:
		state = "closed"
	case s.Active:
		state = "now"
	case value != nil:
		state = "open"
	}
	if s.Limits != nil && s.Limits.Outcome != "" {
		state += "; " + s.Limits.Outcome
	}
	if all := s.AmountWithAll(); all != nil && value != nil && !all.Equal(value.Decimal) {
		state += "; " + l.Decimals(*all) + " with those left out"
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
		return "not begun"
	}
	return ""
}

// waiting says how a wait stands. The time that is left is the display's to count.
func (l *Language) waiting(s session.StepView) string {
	w := s.Wait
	switch {
	case w.CutShort:
		return "cut short with " + l.Span(w.Left) + " left: " + w.Note
	case s.Closed:
		return "waited " + l.Span(w.Seconds)
	case w.Started != nil && w.Due != nil:
		return fmt.Sprintf("waits %s, until %s UTC; then go on with next", l.Span(w.Seconds), w.Due.UTC().Format("15:04:05"))
	case s.Active:
		return "wait " + l.Span(w.Seconds) + "; start the time with next"
	}
	return "not begun"
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
	text := "to "
	if h.Part != "" {
		text = "heat the " + strings.ToLower(h.Part[:1]) + h.Part[1:] + " to "
	}
	if h.Celsius != nil {
		text += h.Celsius.String() + " degrees; "
	} else {
		text = ""
		if h.Fit != "" {
			text = "how hot is not known, or not advised; see the fit; "
		}
	}
	if h.Most == nil {
		return strings.TrimSuffix(text, "; ")
	}
	text += "not above " + h.Most.String() + " degrees"
	if h.MostOf != "" {
		text += " (" + h.MostOf + ")"
	}
	return text
}

// confirmation says what was said of a step, or asks for it.
func (l *Language) confirmation(s session.StepView) string {
	c := s.Confirmed
	switch {
	case c == nil && !s.Active:
		return "not begun"
	case c == nil:
		return "say when it is done, or that it is not done or not applicable and why"
	}
	text := string(c.Outcome)
	if c.Note != "" {
		text += ": " + c.Note
	}
	return text
}
