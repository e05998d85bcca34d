package wording

import "strings"

// Cause names a cause of uncertainty as a budget lists it.
func (l *Language) Cause(name string) string {
	for _, c := range []struct {
		begin string
		said  func(string) string
	}{
		{"repeats of ", func(of string) string { return l.say("repeats of %s", of) }},
		{"given value of ", func(of string) string { return l.say("given value of %s", of) }},
		{"crush of ", func(of string) string { return l.say("crush of %s", of) }},
		{"play of ", func(of string) string { return l.say("play of %s", of) }},
		{"limit of ", func(of string) string { return l.say("limit of %s", of) }},
		{"temperature of ", func(of string) string { return l.say("temperature of %s", of) }},
		{"zero of ", func(of string) string { return l.say("zero of %s", of) }},
	} {
		if of, found := strings.CutPrefix(name, c.begin); found {
			instrument, rest, more := strings.Cut(of, ", ")
			if more {
				return c.said(l.Text(instrument)) + ", " + l.number(l.Text(rest))
			}
			return c.said(l.Text(of))
		}
	}
	if of, found := strings.CutPrefix(name, "between the blades of "); found {
		instrument, step, _ := strings.Cut(of, " at ")
		return l.say("between the blades of %s at %s", l.Text(instrument), l.Text(step))
	}
	if of, found := strings.CutPrefix(name, "where the ring of "); found {
		ring, step, _ := strings.Cut(of, " lay")
		step = strings.TrimPrefix(step, " at ")
		if step == "" {
			return l.say("where the ring of %s lay", l.Text(ring))
		}
		return l.say("where the ring of %s lay at %s", l.Text(ring), l.Text(step))
	}
	return l.Text(name)
}
