package wording

import (
	"fmt"

	"shimwright/session"
)

// Corrected says which known error was taken off a term, called by its title.
func Corrected(c session.Correction, title string) string {
	amount := session.Num(c.Amount.RoundBank(4)).String()
	if c.Amount.IsPositive() {
		amount = "+" + amount
	}
	return fmt.Sprintf("Corrected: %s by %s mm for %s.", title, amount, correctedFor(c.Code))
}

// correctedFor says what a correction is for.
func correctedFor(code string) string {
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
func Warmth(t session.TemperatureTaken, of string) string {
	return fmt.Sprintf("Noted: %s at %s °C (standard uncertainty %s K).", of, t.Celsius, t.U)
}

// NotStated says what keeps a result from being shown inside.
func NotStated(r session.Reason) string {
	return "Not stated, so nothing can be shown inside: " + Reason(r) + "."
}

// Assumed says what was taken for granted.
func Assumed(r session.Reason) string { return "Assumed: " + Reason(r) + "." }
