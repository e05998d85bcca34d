package wording

import (
	"strings"

	"shimwright/session"
)

// Changed says what an advice changes since the last one that was final, by how much
// and because of what; empty if it changes nothing.
func (l *Language) Changed(a session.Advice) string {
	c := a.Changed
	if c == nil || a.Gap == nil {
		return ""
	}
	what := "gap"
	if a.NoShims {
		what = "sum"
	}
	text := "Since the last advice that was final the " + what + " has "
	switch by := session.Num(c.By.Abs()); {
	case c.By.IsZero():
		text += "not changed"
	case c.By.IsPositive():
		text += "grown by " + l.mm(by) + ", from " + l.mm(c.Gap)
	default:
		text += "shrunk by " + l.mm(by) + ", from " + l.mm(c.Gap)
	}
	switch {
	case a.NoShims:
	case c.Refit && len(c.Packs) > 0:
		text += "; other shims are best now, where it was " + l.packs(c.Packs)
	case !c.Refit:
		text += "; the same shims are best"
	}
	if a.Best != nil && c.Outcome != a.Best.Outcome && c.Outcome != "" {
		text += "; it was " + c.Outcome
	}
	if len(c.Because) > 0 {
		said := make([]string, len(c.Because))
		for i, r := range c.Because {
			said[i] = l.Reason(r)
		}
		text += ". Because: " + strings.Join(said, "; ")
	}
	return text + "."
}
