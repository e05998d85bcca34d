package wording

import (
	"maps"

	"shimwright/session"
)

// Limits says how a step's value stands to its limits, or what they are while it has
// none: "12.10 +/- 0.04 mm, shown inside (12.00 to 12.20 mm)". It is empty for nil.
func (l *Language) Limits(v *session.LimitsView) string {
	if v == nil {
		return ""
	}
	limits := l.Bounds(*v)
	switch {
	case v.Value == nil || v.Expanded == nil:
		return "limits " + limits
	}
	outcome := v.Outcome
	if outcome == "not shown" {
		outcome += " inside"
	}
	return l.Float(session.Fit{EndFloat: *v.Value, Expanded: v.Expanded}) + ", " + outcome + " (" + limits + ")"
}

// Bounds writes the limits of a step: "12.00 to 12.20 mm", "at most 0.04 mm".
func (l *Language) Bounds(v session.LimitsView) string {
	return l.bounds(l.numberText(v.Least), l.numberText(v.Most))
}

func (l *Language) numberText(n *session.Number) string {
	if n == nil {
		return ""
	}
	return n.String()
}

// bounds writes limits of which one may be missing.
func (l *Language) bounds(least, most string) string {
	switch {
	case least == "":
		return "at most " + l.length(most, "mm")
	case most == "":
		return "at least " + l.length(least, "mm")
	}
	return least + " to " + l.length(most, "mm")
}

// withBounds adds the limits in words to the parameters of a finding that has them.
func (l *Language) withBounds(params map[string]string) map[string]string {
	if params["least"]+params["most"] == "" {
		return params
	}
	params = maps.Clone(params)
	params["bounds"] = l.bounds(params["least"], params["most"])
	return params
}
