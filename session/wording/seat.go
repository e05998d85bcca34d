package wording

import (
	"cmp"
	"strings"

	"shimwright/session"
)

// Seat says in a paragraph how a ring goes into its seat: what the interference is, how
// hot to make the part and what must not be exceeded.
func Seat(v session.SeatView) string {
	if v.Interference == nil {
		return v.Title + ": the interference is not known yet."
	}
	sum := Float(session.Fit{EndFloat: *v.Interference, Expanded: v.Expanded})
	said := []string{v.Title + ": interference " + sum + "."}
	if v.Provisional {
		said = append(said, "This is provisional.")
	}
	heated := strings.ToLower(cmp.Or(v.HeatedTitle, v.Heated))
	switch {
	case v.Above != nil && v.Above.IsZero():
		said = append(said, "The ring drops in cold: no heat is needed.")
	case v.Celsius != nil:
		said = append(said, "Heat the "+heated+" to "+v.Celsius.String()+" degrees, "+v.Above.String()+" above the ring; "+heatLimits(v)+".")
	case v.Above != nil:
		said = append(said, "It would have to be "+v.Above.String()+" degrees above the ring, which is not advised: "+heatLimits(v)+".")
	}
	for _, f := range v.Findings {
		said = append(said, sentence(Finding(f)))
	}
	for _, r := range v.Assumed {
		said = append(said, "Assumed: "+Reason(r)+".")
	}
	return strings.Join(said, " ")
}

// heatLimits says what must not get hotter.
func heatLimits(v session.SeatView) string {
	limits := make([]string, len(v.Limits))
	for i, l := range v.Limits {
		limits[i] = l.Celsius.String() + " degrees (" + l.Name + ")"
	}
	return "not above " + list(limits)
}
