package wording

import (
	"shimwright/session"
)

// Corrected says which known error was taken off a term, called by its title.
func (l *Language) Corrected(c session.Correction, title string) string {
	amount := l.exactly(session.Num(c.Amount.RoundBank(4)))
	if c.Amount.IsPositive() {
		amount = "+" + amount
	}
	return l.say("Corrected: %s by %s for %s.", l.Text(title), amount, l.correctedFor(c.Code))
}

// correctedFor says what a correction is for.
func (l *Language) correctedFor(code string) string {
	switch code {
	case "crush":
		return l.say("what the gasket gives way under the screws")
	case "bearing play":
		return l.say("the play of the bearing")
	case "instrument error":
		return l.say("the known error of the instrument")
	case "temperature":
		return l.say("temperature, to 20 °C")
	}
	return code
}

// Warmth says how warm something was taken to be; of is what to call it.
func (l *Language) Warmth(t session.TemperatureTaken, of string) string {
	return l.say("Noted: %s at %s °C (standard uncertainty %s K).", l.Text(of), l.number(t.Celsius.String()), l.number(t.U.String()))
}

// NotStated says what keeps a result from being shown inside.
func (l *Language) NotStated(r session.Reason) string {
	return l.say("Not stated, so nothing can be shown inside: %s.", l.Reason(r))
}

// Assumed says what was taken for granted.
func (l *Language) Assumed(r session.Reason) string { return l.say("Assumed: %s.", l.Reason(r)) }
