package wording

import (
	"fmt"

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
		return "all pulled, " + l.count(len(s.Screws.Screws), "screw")
	case at == nil || at.Pull == nil:
		if done == 0 {
			return "not begun"
		}
		return fmt.Sprintf("%d of %s done", done, l.count(len(s.Places), "pull"))
	}
	p := at.Pull
	text := "pull " + p.Screw
	for _, screw := range s.Screws.Screws {
		if screw.Name == p.Screw && screw.At != "" {
			text += ", " + screw.At + ","
		}
	}
	text += fmt.Sprintf(" to %s (%s to %s)", l.Amount(&p.Target, session.OfTorque), l.Decimals(p.Least), l.Decimals(p.Most))
	if n := len(s.Screws.Passes); n > 1 {
		text = fmt.Sprintf("pass %d of %d, ", p.Pass, n) + text
	}
	return text + fmt.Sprintf("; %d of %d done", done, len(s.Places))
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
	for _, part := range []string{prefixed("class ", v.Class), v.At} {
		if part != "" && text != "" {
			text += ", "
		}
		text += part
	}
	if v.Preload == 0 || k == nil {
		return text
	}
	text += fmt.Sprintf("; about %.0f N with K = %s assumed", v.Preload, k)
	if v.Proof > 0 {
		text += fmt.Sprintf(", %.1f %% of its proof load", v.Proof)
	}
	return text
}

func prefixed(prefix, text string) string {
	if text == "" {
		return ""
	}
	return prefix + text
}
