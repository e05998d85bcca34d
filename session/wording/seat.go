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
		return v.Title + ": the interference is not known yet."
	}
	sum := l.Float(session.Fit{EndFloat: *v.Interference, Expanded: v.Expanded})
	said := []string{v.Title + ": interference " + sum + "."}
	if v.Provisional {
		said = append(said, "This is provisional.")
	}
	heated := strings.ToLower(cmp.Or(v.HeatedTitle, v.Heated))
	switch {
	case v.Above != nil && v.Above.IsZero():
		said = append(said, "The ring drops in cold: no heat is needed.")
	case v.Celsius != nil:
		said = append(said, "Heat the "+heated+" to "+v.Celsius.String()+" degrees, "+v.Above.String()+" above the ring; "+l.heatLimits(v)+".")
	case v.Above != nil:
		said = append(said, "It would have to be "+v.Above.String()+" degrees above the ring, which is not advised: "+l.heatLimits(v)+".")
	}
	for _, f := range v.Findings {
		said = append(said, l.sentence(l.Finding(f)))
	}
	for _, r := range v.Assumed {
		said = append(said, "Assumed: "+l.Reason(r)+".")
	}
	return strings.Join(said, " ")
}

// heatLimits says what must not get hotter.
func (l *Language) heatLimits(v session.SeatView) string {
	limits := make([]string, len(v.Limits))
	for i, limit := range v.Limits {
		limits[i] = limit.Celsius.String() + " degrees (" + limit.Name + ")"
	}
	return "not above " + l.list(limits)
}
