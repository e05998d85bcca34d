package wording

import (
	"strings"

	"shimwright/session"
)

// pulling says which screw to pull, in which pass, to what.
func (l *Language) pulling(s session.StepView) string {
	done := 0
	for _, p := range s.Places {
		if p.Closed {
			done++
		}
	}
	at, _ := activePlace(s)
	switch {
	case s.Closed:
		return l.say("all pulled, %d screws", len(s.Screws.Screws))
	case at == nil || at.Pull == nil:
		if done == 0 {
			return l.say("not begun")
		}
		return l.say("%[2]d of %[1]d pulls done", len(s.Places), done)
	}
	p := at.Pull
	screw := p.Screw
	for _, known := range s.Screws.Screws {
		if known.Name == p.Screw && known.At != "" {
			screw += ", " + l.Text(known.At) + ","
		}
	}
	text := l.say("pull %s to %s (%s to %s)", screw, l.Amount(&p.Target, session.OfTorque), l.Plain(p.Least, session.OfTorque), l.Plain(p.Most, session.OfTorque))
	if n := len(s.Screws.Passes); n > 1 {
		text = l.say("pass %d of %d", p.Pass, n) + ", " + text
	}
	return text + "; " + l.say("%d of %d done", done, len(s.Places))
}

// Screw says what a screw is and what its torque makes of it: "M6 x 45, class 8.8, by
// the cylinder; about 6670 N with K = 0.2 assumed, 57.2 % of its proof load".
func (l *Language) Screw(v session.ScrewView, k *session.Number) string {
	text := v.Size
	if v.Length != nil {
		if text != "" {
			text += " x "
		}
		text += v.Length.String()
	}
	class := ""
	if v.Class != "" {
		class = l.say("class %s", v.Class)
	}
	for _, part := range []string{class, l.Text(v.At)} {
		if part != "" && text != "" {
			text += ", "
		}
		text += part
	}
	text = strings.TrimPrefix(text+l.left(v.Left), "; ")
	if v.Preload == 0 || k == nil {
		return text
	}
	text += l.say("; about %.0f N with K = %s assumed", v.Preload, l.number(k.String()))
	if v.Proof > 0 {
		text += l.say(", %s %% of its proof load", l.fixed(v.Proof, 1))
	}
	return text
}

// left says what a screw was left with, as far as its wrench is known.
func (l *Language) left(v *session.Left) string {
	if v == nil {
		return ""
	}
	torque, within := l.Plain(v.Torque, session.OfTorque), l.Amount(&v.Within, session.OfTorque)
	switch v.By {
	case "certificate":
		return l.say("; left with %s ± %s by the wrench's certificate", torque, within)
	case "usual error":
		return l.say("; left with %s ± %s, the usual error of a wrench", torque, within)
	}
	return l.say("; left with %s ± %s, the wrench's permissible error", torque, within)
}
