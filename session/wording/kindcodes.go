package wording

// kindReason is the pattern of a reason that steps of a kind give, as reasonText.
func kindReason(code string) string {
	switch code {
	case "cannot be judged":
		return "{step} cannot be held against its limits ({why})"
	case "ring assumed cold":
		return "the ring is at {celsius} degrees, since neither its temperature nor the shop's was noted"
	case "under torque":
		return "screw {screw} wants {target:mm}; pull it on and read again"
	case "over torque":
		return "screw {screw} stands at most {most:mm}; slacken it, look at screw and thread, then pull it anew, or confirm with a note why it is right"
	case "new part":
		return "{part} was replaced ({note})"
	case "part replaced":
		return "it was of the {part} that was replaced ({note})"
	case "reading struck out":
		return "reading {reading} was struck out ({reason})"
	case "reading restored":
		return "reading {reading} counts again"
	case "candidate chosen":
		return "{candidate} was chosen as the {choice}"
	case "temperature noted":
		return "the temperature of {of} was noted, {celsius} degrees"
	case "instrument checked":
		return "{instrument} was checked"
	case "packs said":
		return "it was said what is fitted for {chain}"
	case "step measured":
		return "{step} was measured"
	case "to choose":
		return "{step} waits for a choice; choose a candidate, then measure"
	case "not chosen":
		return "{candidate} is not the one that is kept"
	case "candidate not measured":
		return "{candidate} is not measured yet; measure it, or choose with a reason"
	case "no candidate keeps its limits":
		return "none keeps its limits; get another, or choose with a reason"
	case "all shown inside":
		return "all its dimensions are shown inside their limits"
	case "fewest not shown":
		return "the fewest of its dimensions ({count}) are not shown inside their limits"
	case "better by preference":
		return "else alike, it has {value:mm} of {feature} and {other} {than:mm}"
	case "alike":
		return "they are alike; the plan names it first"
	case "noted meanwhile":
		return "noted: {part} is at {celsius} degrees"
	case "noted, hot enough":
		return "noted: {part} is at {celsius} degrees, hot enough; next ends the wait"
	case "noted, cooled":
		return "noted: {part} is at {celsius} degrees, cool enough; next ends the wait"
	case "noted, not hot enough":
		return "noted: {part} is at {celsius} degrees; heat it to {heat}"
	case "noted, too hot":
		return "noted: {part} is at {celsius} degrees, above its limit of {limit}: take it off the heat, and look at what it may have harmed"
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
	case "ring loose in its seat":
		return "the interference of {fit} is {interference:mm}, and at least {least:mm} is wanted: the ring would be loose; look at ring and seat, and do not heat it in"
	case "ring too large for its seat":
		return "the interference of {fit} is {interference:mm}, and at most {most:mm} is wanted: the ring would lose its play; look at ring and seat, and do not heat it in"
	case "was too hot":
		return "{step:of}it was at {celsius} degrees, above the limit of {limit}; look at what that may have harmed"
	case "too hot for":
		return "{fit} would need {needed} degrees, above the {limit} that {name} stands; cool the ring, or look at the parts"
	case "cannot be heated":
		return "no temperature can be worked out for {fit} ({why}); look at the plan"
	case "over torque":
		return "screw {screw} of {step} was pulled to {value:mm}, over {most:mm}; decide about it"
	case "over torque, pulled anew":
		return "screw {screw} of {step} was pulled to {value:mm}, over {most:mm}, before it was pulled to {then:mm}; know that it has been stretched"
	case "over torque, accepted":
		return "screw {screw} of {step} was pulled to {value:mm}, over {most:mm}, and accepted ({note})"
	case "kept although it failed":
		return "{candidate} is kept although it does not keep its limits ({reason})"
	case "limits not kept":
		return "{step} is {value:mm} +/- {expanded:bare}, which is shown outside its limits ({bounds}); it does not keep its limits"
	case "limits not shown":
		return "{step} is {value:mm} +/- {expanded:bare}, which is not shown inside its limits ({bounds}); measure it better, or decide"
	case "not done":
		return "{step} is not done ({note}); do it before the engine is handed over"
	case "wait cut short":
		return "{step} was cut short with {left} left ({note}); see that what it waited for has come about"
	}
	return ""
}
