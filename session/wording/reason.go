package wording

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"shimwright/session"
)

// Reason says why a reading was ruled or decided as it was and, where something
// can be done, what to do; a clause without a full stop, never empty.
func (l *Language) Reason(r session.Reason) string {
	if text, ok := l.fill(l.Text(reasonText(r.Code)), r.Params); ok {
		return text
	}
	if r.Code == "unreadable" {
		return l.Fault(session.Fault{Code: r.Params["code"], Detail: r.Params["detail"]})
	}
	return spelled(r.Code, r.Params)
}

// Finding says what a person must look at; a clause without a full stop, never
// empty.
func (l *Language) Finding(r session.Reason) string {
	if text, ok := l.fill(l.Text(findingText(r.Code)), l.withBounds(r.Params)); ok {
		return text
	}
	return spelled(r.Code, r.Params)
}

// reasonText is the pattern of a reason. A name in braces is a parameter, after
// a colon the way it is written: s a span, mm a length with its unit and bare without,
// a with its article, use what an instrument measures, each what stands between commas;
// at is a place and of a step, both left away if they have no name.
func reasonText(code string) string {
	switch code {
	case "bounce":
		return "pressed again within {least:s}; set {instrument} down anew and press once more"
	case "no job":
		return "no job is open; begin one, then measure again"
	case "no step":
		return "no step is active; go to one with next or place, or end the job"
	case "wanted instrument":
		return "this step wants {wanted:a}, and this came from {got:a}; measure with the right one"
	case "outside range":
		return "{step} lies between {least:mm} and {most:mm}; check zero, unit and seat, then measure again"
	case "may belong to step before":
		return "it may be an extra press for {before}, the step before; press again and it is decided"
	case "extra press":
		return "an extra press; it went back to {step}"
	case "set aside":
		return "counted neither for {step} nor for {before}; restore it if it belongs to {step}"
	case "part warm":
		return "{part} is at {celsius} degrees and the shop at {shop}; wait about {wait_minutes} minutes, note its temperature anew, then measure"
	case "calibration overdue":
		return "the calibration of {instrument} was due on {due}, and this bench refuses what is overdue; use another instrument, or have it calibrated"
	case "movement wanted":
		return "{step} wants the movement over a window; begin it with take or the pedal, move the shaft, and end it with another"
	case "movement not wanted":
		return "{step} wants a single reading, and this is a movement; read the instrument anew"
	case "unit disagrees":
		return "{instrument} shows {shown} {unit_shown} now and has shown {step} in another unit, far from that; look which unit its display is in, then measure again"
	case "noted as temperature":
		return "noted: {part} is at {celsius} degrees, still too warm to measure"
	case "noted, cool enough":
		return "noted: {part} is at {celsius} degrees, cool enough; measure on"
	case "crush not stated":
		return "the plan does not say by how much {term} gives way under the screws"
	case "play not stated":
		return "the plan does not state the axial play of {bearing}"
	case "limit not stated":
		return "the profile of {instrument} states no permissible error for its use {use:use}"
	case "uncertainty not stated":
		return "the plan gives {term} without its uncertainty"
	case "pack changed":
		return "it was made with other shims in"
	case "trial build instead":
		return "other shims are in than when this was measured; the trial build measures the float with them"
	case "shown without a trial build":
		return "the float is shown inside without it"
	case "packs as advised":
		return "what was advised is taken to be in at the {way}, for nobody said what is"
	case "rod not compared with jaws":
		return "the profile of {instrument} does not say how well its rod and its jaws agree, and it was zeroed on a bar"
	case "check limit not stated":
		return "the profile of {instrument}, which measured it directly, states no permissible error for its use {use:use}"
	case "instrument not known":
		return "nobody knows with what {step} was measured"
	case "step unsettled":
		return "the repeats of {step} do not agree"
	case "shop temperature assumed":
		return "the shop is taken to be within {within} K of 20 degrees"
	case "expansion assumed":
		return "the material of {part} is not stated; any metal is allowed for"
	case "profile assumed":
		return "the permissible errors of {instrument} are assumed, as such instruments usually keep them"
	case "before the step":
		return "it came before {step} was opened; measure again"
	}
	return kindReason(code)
}

// findingText is the pattern of a finding, as reasonText.
func findingText(code string) string {
	switch code {
	case "other shims than in the trial":
		return "after {step} other shims come out best than were in; change them, say so (fitted), and measure it again before going on"
	case "places differ":
		return "{step:of}the places differ by {by:mm}, and {allowed:mm} is allowed; look for a burr, taper or a crooked seat"
	case "place unsettled":
		return "{step:of}the repeats{place:at} do not agree; clean it and measure it again"
	case "repeats not independent":
		return "{step:of}the repeats{place:at} follow one another instead of scattering; set the instrument down anew for each"
	case "spread larger than stated":
		return "{step:of}the {repeats} repeats scatter by {spread:mm}, more than the {limit:mm} that the stated repeatability of {stated:mm} explains; look for dirt, a burr or a loose jaw, or state what the instrument really repeats to"
	case "chain and direct measurement disagree":
		return "the chain gives a gap of {chain:mm} and the {way} {direct:mm}, further apart than their uncertainties allow (E_n {en}); look for a ring not seated, dirt under the gauge, a wrong gasket or shim"
	case "cannot be worked out":
		return "no advice can be worked out ({why}); look at the plan, the stock and the profiles"
	case "check not relied on":
		return "the check {step} of {instrument} is open or does not settle, and is not relied on; measure it again"
	case "draws disagree":
		return "drawing at random finds a probability inside of {drawn}, below the {level} that the rule asks for; it is not shown"
	case "known points disagree":
		return "{instrument} ({use:use}) has checks that contradict each other ({points:each}: {errors:each}); its permissible error counts instead"
	case "calibration overdue":
		return "the calibration of {instrument} was due on {due}; have it calibrated"
	case "unit switched":
		return "{instrument} was switched from {from} to {to}; the value is converted exactly"
	case "zero drifted":
		return "{instrument} ({use:use}) showed {was:mm} off before and {is:mm} now, more than its repeats explain; measure again what was read in between: {readings:each}"
	case "error beyond limit":
		return "{instrument} ({use:use}) was found off by {error:mm} at {point}, beyond its permissible error of {limit:mm}; it is corrected, but have it looked at"
	case "ring does not slide":
		return "the ring of {bearing} does not slide on its journal, so that the {way} shows its play and not the gap; it is not counted"
	case "shim meant for another chain":
		return "a shim of {size:mm} would do better here and is meant for: {chain}; this is the best of what is left, so get one more of it"
	case "not centred":
		return "{rod} and {axis} are not measured yet, so the packs are as even as can be, not centred"
	case "built engine and expectation disagree":
		return "the built engine has {found:mm} and {expected:mm} was to be expected (E_n {en}); look for a wrong shim, a ring not seated, dirt on a face"
	}
	return kindFinding(code)
}

// fill puts the parameters into a pattern. It fails if there is no pattern or a
// parameter is missing: half a sentence would be worse than the code.
func (l *Language) fill(pattern string, params map[string]string) (string, bool) {
	var b strings.Builder
	for pattern != "" {
		before, rest, found := strings.Cut(pattern, "{")
		b.WriteString(before)
		if !found {
			break
		}
		slot, after, _ := strings.Cut(rest, "}")
		name, form, _ := strings.Cut(slot, ":")
		value := params[name]
		if value == "" && !slices.Contains([]string{"at", "of", "typed"}, form) {
			return "", false
		}
		b.WriteString(l.formed(value, form, params["unit"]))
		pattern = after
	}
	return b.String(), b.Len() > 0
}

func (l *Language) formed(value, form, unit string) string {
	switch form {
	case "typed":
		return value
	case "span":
		if n, err := strconv.ParseInt(value, 10, 64); err == nil {
			return l.Span(n)
		}
	case "s":
		return l.seconds(value)
	case "mm":
		return l.length(value, unit)
	case "bare":
		if n, err := session.ParseNumber(value); err == nil && session.Unit(unit).Quantity() == session.OfLength {
			return l.Exact(n)
		}
	case "a":
		return l.named(value)
	case "use":
		return l.use(value)
	case "each":
		return l.each(value)
	case "at":
		return l.at(value)
	case "of":
		if value != "" {
			return l.Text(value) + ": "
		}
	}
	return l.word(value)
}

// word writes a parameter as it is, a number with the decimal mark.
func (l *Language) word(value string) string {
	if _, err := session.ParseNumber(value); err == nil {
		return l.number(value)
	}
	return l.Text(value)
}

// each writes the parts of a parameter that has several.
func (l *Language) each(values string) string {
	parts := strings.Split(values, ", ")
	for i, part := range parts {
		parts[i] = l.word(part)
	}
	if l.words.DecimalMark == "," {
		return strings.Join(parts, "; ")
	}
	return strings.Join(parts, ", ")
}

// use names what an instrument was used for. The catalogues have it with a heading of its
// own, since "step" and "inside" have another sense elsewhere.
func (l *Language) use(name string) string {
	const heading = "use: "
	return strings.TrimPrefix(l.Text(heading+name), heading)
}

// at names a place in brackets.
func (l *Language) at(place string) string {
	if place == "" {
		return ""
	}
	return " (" + l.Place(place) + ")"
}

// Place is what a place is called. One that is only counted is counted from 1; one of a
// screw says in which pass it is pulled.
func (l *Language) Place(name string) string {
	if i, err := strconv.Atoi(name); err == nil {
		return l.say("place %d", i+1)
	}
	pass, screw := 0, ""
	if before, after, found := strings.Cut(name, ", "); found {
		if n, err := fmt.Sscanf(before, "pass %d", &pass); n == 1 && err == nil {
			screw = after
		}
	}
	if screw != "" {
		return l.say("pass %d, %s", pass, l.Text(screw))
	}
	return l.Text(name)
}
