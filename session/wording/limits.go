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
		return l.say("limits %s", limits)
	}
	outcome := l.Text(v.Outcome)
	if v.Outcome == "not shown" {
		outcome = l.say("not shown inside")
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
		return l.say("at most %s", l.length(most, "mm"))
	case most == "":
		return l.say("at least %s", l.length(least, "mm"))
	}
	low, err := session.ParseNumber(least)
	if err != nil {
		return l.say("%s to %s", least, l.length(most, "mm"))
	}
	return l.say("%s to %s", l.Exact(low), l.length(most, "mm"))
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
