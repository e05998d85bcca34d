package wording

import (
	"math"
	"strings"

	"github.com/shopspring/decimal"

	"shimwright/session"
)

// Ruling says in one line what the bench made of a reading and how it counts
// now, with what to do where it does not count. It has no full stop.
func (l *Language) Ruling(r session.ReadingView) string {
	line := l.verdict(r) + ": " + l.Measured(r)
	if at := l.where(r); at != "" && placed(r) {
		line += " " + at
	}
	if note := l.Note(r); note != "" {
		line += "; " + note
	}
	for _, n := range r.Notes {
		line += "; " + l.Finding(n)
	}
	return line
}

// Verdict says in a word or two how a reading counts now: its standing if it is
// filed, else its ruling.
func (l *Language) Verdict(r session.ReadingView) string {
	if r.Standing != "" {
		return l.Text(string(r.Standing))
	}
	return l.verdict(r)
}

// Measured writes what a reading says, in the unit it came in and in that it is kept in.
func (l *Language) Measured(r session.ReadingView) string {
	value, q := r.Amount()
	text := l.say("no value")
	switch {
	case r.Fault != nil:
	case r.Feeler != nil:
		text = l.say("%s passes, %s does not", l.mm(r.Feeler.Passes), l.mm(r.Feeler.Stops))
	case value != nil && l.Converted(r):
		text = l.number(strings.TrimSpace(r.Text)) + " " + r.Unit.Word() + " = " + l.Amount(value, q)
	case value != nil:
		text = l.Amount(value, q)
	}
	if m := r.Movement; m != nil {
		text += " " + l.say("(peak %s, trough %s)", l.Plain(m.Peak, q), l.Plain(m.Trough, q))
	}
	if r.Typed {
		text += " " + l.say("(typed)")
	}
	return text
}

func (l *Language) verdict(r session.ReadingView) string {
	switch {
	case r.Standing == session.LeftOut, r.Standing == session.StruckOut:
		return l.Text(string(r.Standing))
	case r.Ruling == session.Held && r.Decided == "set aside":
		return l.say("held, then set aside")
	case r.Ruling == session.Held && r.Decided != "":
		return l.say("held, then filed")
	case r.Ruling == "":
		return l.say("not ruled")
	}
	return l.Text(string(r.Ruling))
}

// placed says whether the step of a reading is where it counts. Of one that was
// turned away it is only where the operator was, which the reason tells better.
func placed(r session.ReadingView) bool {
	return r.Standing != "" || r.Ruling == session.Filed
}

func (l *Language) where(r session.ReadingView) string {
	switch {
	case r.Step == "":
		return ""
	case r.Place == "":
		return l.say("for %s", l.Text(r.Step))
	}
	return l.say("for %s, %s", l.Text(r.Step), l.Place(r.Place))
}

// Note says why a reading counts as it does: the reason of its standing or of its
// ruling, with what to do. It is empty for a reading that simply counts.
func (l *Language) Note(r session.ReadingView) string {
	switch {
	case r.Standing == session.StruckOut && r.Struck != "":
		return r.Struck
	case r.Fell != nil:
		return l.Reason(*r.Fell)
	case r.Standing == session.LeftOut && r.Outlier != nil:
		return l.Outlier(*r.Outlier)
	case r.Standing == session.LeftOut:
		return l.say("too far from its other repeats")
	case r.Fault != nil:
		return l.Fault(*r.Fault)
	case r.Why != nil:
		return l.Reason(*r.Why)
	}
	return ""
}

// Outlier says how far a reading lies from the median of its place.
func (l *Language) Outlier(o session.OutlierView) string {
	by, q := o.Amount()
	off := session.Num(decimal.NewFromFloat(math.Abs(by)).RoundBank(mostDecimals))
	amount := l.Amount(&off, q)
	if by < 0 {
		return l.say("%s below the median of its place, more than the scatter explains", amount)
	}
	return l.say("%s above the median of its place, more than the scatter explains", amount)
}
