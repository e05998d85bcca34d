package wording

import "shimwright/session"

// Prospect says before the first press what the instruments can show of a chain.
func (l *Language) Prospect(p session.Prospect) string {
	window := l.span(p.Least, p.Most)
	what := l.say("float")
	if p.NoShims {
		what = l.say("sum")
	}
	text := l.say("%s: these instruments will know the %s to about +/- %s.", l.Text(p.Title), what, l.mm(p.Expanded)) + " "
	switch {
	case len(p.Barred) > 0:
		reasons := make([]string, len(p.Barred))
		for i, r := range p.Barred {
			reasons[i] = l.Reason(r)
		}
		return text + l.say("It can never be shown inside the window %s, because %s.", window, l.list(reasons))
	case p.Outcome == "shown inside":
		return text + l.say("A %s in the middle of the window %s can be shown inside.", what, window)
	}
	text += l.say("Even a %s in the middle of the window %s could not be shown inside; the risk that it is outside would be %s.", what, window, l.Odds(1-p.Inside))
	for _, n := range p.Next {
		if n.AtBest == "shown inside" {
			return text + " " + l.say("What would help: %s, for +/- %s.", l.Act(n), l.mm(n.Expanded))
		}
	}
	return text
}
