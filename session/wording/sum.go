package wording

import (
	"strings"

	"shimwright/session"
)

// sumHeadline says what a sum that takes no shims comes to, and how that stands to its
// window.
func (l *Language) sumHeadline(a session.Advice) string {
	begin := l.title(a)
	if a.State != session.Final {
		begin = l.say("%s, so far", begin)
	}
	return strings.TrimSpace(begin + ": " + l.Float(*a.Best) + ". " + l.Outcome(a))
}

// sumOutcome is Outcome of a sum that takes no shims.
func (l *Language) sumOutcome(a session.Advice) string {
	f := a.Best
	switch f.Outcome {
	case "shown inside":
		return l.say("It is shown inside %s: the risk that it is outside is %s.", l.Window(a), l.Odds(1-f.Chance.Inside))
	case "shown outside":
		return l.say("It is shown outside %s: the chance that it is inside all the same is %s.", l.Window(a), l.Odds(f.Chance.Inside))
	}
	way := l.say("too small or too large alike")
	switch {
	case f.Chance.TooTight > 2*f.Chance.TooLoose:
		way = l.say("most likely too small")
	case f.Chance.TooLoose > 2*f.Chance.TooTight:
		way = l.say("most likely too large")
	}
	return l.say("It is not shown inside %s: the risk that it is outside is %s, %s.", l.Window(a), l.Odds(1-f.Chance.Inside), way)
}

// sumWhy is the middle of Why of a sum that takes no shims.
func (l *Language) sumWhy(a session.Advice) []string {
	text := l.warm(a)
	if a.WarmFloat != nil {
		text = l.say("At running temperature it is about %s.", l.Float(session.Fit{EndFloat: *a.WarmFloat, Expanded: a.WarmExpanded}))
	}
	return []string{l.barred(a), l.next(a), text}
}

// Sum names what the end float of a fit is: the sum itself where there are no shims.
func (l *Language) Sum(a session.Advice) string {
	if a.NoShims {
		return l.say("sum")
	}
	return l.say("end float")
}

// Sides names the two sides of the window that a value can miss it on.
func (l *Language) Sides(a session.Advice) (below, above string) {
	if a.NoShims {
		return l.say("too small"), l.say("too large")
	}
	return l.say("too tight"), l.say("too loose")
}
