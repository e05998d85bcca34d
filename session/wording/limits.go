package wording

import (
	"maps"

	"shimwright/session"
)

// Limits says how a step's value stands to its limits, or what they are while it has
// none: "12.10 +/- 0.04 mm, shown inside (12.00 to 12.20 mm)". It is empty for nil.
func Limits(v *session.LimitsView) string {
	if v == nil {
		return ""
	}
	limits := Bounds(*v)
	switch {
	case v.Value == nil || v.Expanded == nil:
		return "limits " + limits
	}
	outcome := v.Outcome
	if outcome == "not shown" {
		outcome += " inside"
	}
	return Float(session.Fit{EndFloat: *v.Value, Expanded: v.Expanded}) + ", " + outcome + " (" + limits + ")"
}

// Bounds writes the limits of a step: "12.00 to 12.20 mm", "at most 0.04 mm".
func Bounds(v session.LimitsView) string { return bounds(numberText(v.Least), numberText(v.Most)) }

func numberText(n *session.Number) string {
	if n == nil {
		return ""
	}
	return n.String()
}

// bounds writes limits of which one may be missing.
func bounds(least, most string) string {
	switch {
	case least == "":
		return "at most " + length(most, "mm")
	case most == "":
		return "at least " + length(least, "mm")
	}
	return least + " to " + length(most, "mm")
}

// withBounds adds the limits in words to the parameters of a finding that has them.
func withBounds(params map[string]string) map[string]string {
	if params["least"]+params["most"] == "" {
		return params
	}
	params = maps.Clone(params)
	params["bounds"] = bounds(params["least"], params["most"])
	return params
}
