package wording

import "shimwright/session"

// State says in a few words how far a step is, for a list of steps: "closed", "now",
// "done", "not done: no oil left". It has no full stop.
func State(s session.StepView) string {
	if s.Kind == session.ConfirmStep && s.Confirmed != nil {
		return confirmation(s)
	}
	state := "not begun"
	switch {
	case s.Closed && s.Unsettled:
		state = "closed, not settled"
	case s.Closed:
		state = "closed"
	case s.Active:
		state = "now"
	case s.Value != nil:
		state = "open"
	}
	if s.WithAll != nil && s.Value != nil && !s.WithAll.Equal(s.Value.Decimal) {
		state += "; " + Decimals(*s.WithAll) + " with those left out"
	}
	return state
}

// confirmation says what was said of a step, or asks for it.
func confirmation(s session.StepView) string {
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
