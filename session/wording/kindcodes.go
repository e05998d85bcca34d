package wording

// kindReason is the pattern of a reason that steps of a kind give, as reasonText.
func kindReason(code string) string {
	switch code {
	case "to confirm":
		return "{step} is confirmed, not measured; say that it is done, not done or not applicable, then measure"
	case "to wait":
		return "{step} is a wait, and nothing is measured meanwhile; go to another step with next or place, or wait"
	}
	return ""
}

// kindFinding is the pattern of a finding of such a step, as findingText.
func kindFinding(code string) string {
	switch code {
	case "not done":
		return "{step} is not done ({note}); do it before the engine is handed over"
	case "wait cut short":
		return "{step} was cut short with {left} left ({note}); see that what it waited for has come about"
	}
	return ""
}
