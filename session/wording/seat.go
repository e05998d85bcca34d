package wording

import (
	"cmp"
	"strings"

	"shimwright/session"
)

// Seat says in a paragraph how a ring goes into its seat: what the interference is, how
// hot to make the part and what must not be exceeded.
func (l *Language) Seat(v session.SeatView) string {
	if v.Interference == nil {
		return l.say("%s: the interference is not known yet.", l.Text(v.Title))
	}
	sum := l.Float(session.Fit{EndFloat: *v.Interference, Expanded: v.Expanded})
	said := []string{l.say("%s: interference %s.", l.Text(v.Title), sum)}
	if v.Provisional {
		said = append(said, l.say("This is provisional."))
	}
	heated := l.noun(l.Text(cmp.Or(v.HeatedTitle, v.Heated)))
	switch {
	case v.Above != nil && v.Above.IsZero():
		said = append(said, l.say("The ring drops in cold: no heat is needed."))
	case v.Celsius != nil:
		said = append(said, l.say("Heat the %s to %s degrees, %s above the ring; %s.", heated, l.number(v.Celsius.String()), l.number(v.Above.String()), l.heatLimits(v)))
	case v.Above != nil:
		said = append(said, l.say("It would have to be %s degrees above the ring, which is not advised: %s.", l.number(v.Above.String()), l.heatLimits(v)))
	}
	for _, f := range v.Findings {
		said = append(said, l.sentence(l.Finding(f)))
	}
	for _, r := range v.Assumed {
		said = append(said, l.Assumed(r))
	}
	return strings.Join(said, " ")
}

// heatLimits says what must not get hotter.
func (l *Language) heatLimits(v session.SeatView) string {
	limits := make([]string, len(v.Limits))
	for i, limit := range v.Limits {
		limits[i] = l.say("%s degrees (%s)", l.number(limit.Celsius.String()), l.Text(limit.Name))
	}
	return l.say("not above %s", l.list(limits))
}
