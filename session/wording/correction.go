package wording

import (
	"fmt"

	"shimwright/session"
)

// Corrected says which known error was taken off a term, called by its title.
func (l *Language) Corrected(c session.Correction, title string) string {
	amount := session.Num(c.Amount.RoundBank(4)).String()
	if c.Amount.IsPositive() {
		amount = "+" + amount
	}
	return fmt.Sprintf("Corrected: %s by %s mm for %s.", title, amount, l.correctedFor(c.Code))
}

// correctedFor says what a correction is for.
func (l *Language) correctedFor(code string) string {
	switch code {
	case "crush":
		return "what the gasket gives way under the screws"
	case "bearing play":
		return "the play of the bearing"
	case "instrument error":
		return "the known error of the instrument"
	case "temperature":
		return "temperature, to 20 °C"
	}
	return code
}

// Warmth says how warm something was taken to be; of is what to call it.
func (l *Language) Warmth(t session.TemperatureTaken, of string) string {
	return fmt.Sprintf("Noted: %s at %s °C (standard uncertainty %s K).", of, t.Celsius, t.U)
}

// NotStated says what keeps a result from being shown inside.
func (l *Language) NotStated(r session.Reason) string {
	return "Not stated, so nothing can be shown inside: " + l.Reason(r) + "."
}

// Assumed says what was taken for granted.
func (l *Language) Assumed(r session.Reason) string { return "Assumed: " + l.Reason(r) + "." }
