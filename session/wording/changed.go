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
	what := l.say("gap")
	if a.NoShims {
		what = l.say("sum")
	}
	var text string
	switch by := session.Num(c.By.Abs()); {
	case c.By.IsZero():
		text = l.say("Since the last advice that was final the %s has not changed", what)
	case c.By.IsPositive():
		text = l.say("Since the last advice that was final the %s has grown by %s, from %s", what, l.mm(by), l.mm(c.Gap))
	default:
		text = l.say("Since the last advice that was final the %s has shrunk by %s, from %s", what, l.mm(by), l.mm(c.Gap))
	}
	switch {
	case a.NoShims:
	case c.Refit && len(c.Packs) > 0:
		text += l.say("; other shims are best now, where it was %s", l.packs(c.Packs))
	case !c.Refit:
		text += l.say("; the same shims are best")
	}
	if a.Best != nil && c.Outcome != a.Best.Outcome && c.Outcome != "" {
		text += l.say("; it was %s", l.Text(c.Outcome))
	}
	if len(c.Because) > 0 {
		said := make([]string, len(c.Because))
		for i, r := range c.Because {
			said[i] = l.Reason(r)
		}
		text += ". " + l.say("Because: %s", strings.Join(said, "; "))
	}
	return text + "."
}
