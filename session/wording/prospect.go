package wording

import (
	"fmt"

	"shimwright/session"
)

// Prospect says before the first press what the instruments can show of a chain.
func (l *Language) Prospect(p session.Prospect) string {
	window := p.Least.String() + " to " + l.mm(p.Most)
	what := "float"
	if p.NoShims {
		what = "sum"
	}
	text := fmt.Sprintf("%s: these instruments will know the %s to about +/- %s. ", p.Title, what, l.mm(p.Expanded))
	switch {
	case len(p.Barred) > 0:
		reasons := make([]string, len(p.Barred))
		for i, r := range p.Barred {
			reasons[i] = l.Reason(r)
		}
		return text + "It can never be shown inside the window " + window + ", because " + l.list(reasons) + "."
	case p.Outcome == "shown inside":
		return text + "A " + what + " in the middle of the window " + window + " can be shown inside."
	}
	text += "Even a " + what + " in the middle of the window " + window + " could not be shown inside; the risk that it is outside would be " + l.Odds(1-p.Inside) + "."
	for _, n := range p.Next {
		if n.AtBest == "shown inside" {
			return text + " What would help: " + l.Act(n) + ", for +/- " + l.mm(n.Expanded) + "."
		}
	}
	return text
}
