package drawing

import (
	"shimwright/session"
	"shimwright/session/wording"
)

// Scale draws the window of an advice with its aim and the end float of the best
// fit as SVG, with the guard bands inside the window and the interval of the float as
// far as they are known; empty without a fit. A float far outside is drawn at the edge, with
// an arrow that says so.
func Scale(l *wording.Language, a session.Advice) string {
	if a.Best == nil {
		return ""
	}
	const high, x0, x1, y = 190.0, 250.0, 750.0, 92.0
	v := &canvas{width: width, height: high}
	v.rect("paper", 0, 0, width, high)
	least, most := a.Least.InexactFloat64(), a.Most.InexactFloat64()
	at := func(n session.Number) float64 {
		if most <= least {
			return (x0 + x1) / 2
		}
		return x0 + (n.InexactFloat64()-least)/(most-least)*(x1-x0)
	}
	v.line("dim", 40, y, width-40, y)
	v.rect("window", x0, y-26, x1-x0, 52)
	if g := a.Best.Guard; g != nil && most > least {
		wide := min(g.InexactFloat64()/(most-least), 0.5) * (x1 - x0)
		v.rect("guard", x0, y-26, wide, 52)
		v.rect("guard", x1-wide, y-26, wide, 52)
	}
	for _, end := range []struct {
		x float64
		n session.Number
	}{{x0, a.Least}, {x1, a.Most}} {
		v.line("dim", end.x, y-34, end.x, y+34)
		text := l.Decimals(end.n)
		v.centred("bold", end.x, y+66, 30, textWidth(text, 30, true), text)
	}
	tight, loose := l.Sides(a)
	v.text("soft", "end", x0-70, y+66, 26, tight)
	v.text("soft", "start", x1+70, y+66, 26, loose)
	aim := max(x0, min(at(a.Aim), x1))
	v.path("thin", false, aim, y-26, aim, y+36)
	text := l.Say("aim %s", l.Decimals(a.Aim))
	v.centred("soft", max(x0+120, min(aim, x1-120)), y+66, 28, textWidth(text, 28, false), text)
	if u := a.Best.Expanded; u != nil {
		low, high := at(session.Num(a.Best.EndFloat.Sub(u.Decimal))), at(session.Num(a.Best.EndFloat.Add(u.Decimal)))
		low, high = max(30, min(low, width-30)), max(30, min(high, width-30))
		v.path("spread", false, low, y-14, low, y+14)
		v.path("spread", false, low, y, high, y)
		v.path("spread", false, high, y-14, high, y+14)
	}
	drawFloat(v, at(a.Best.EndFloat), y, l.FloatOnly(*a.Best))
	return v.svg(l.Say("Window %s, aim %s, %s %s.", l.Window(a), l.Length(a.Aim), l.Sum(a), l.FloatOnly(*a.Best)))
}

// drawFloat marks the end float on the scale.
func drawFloat(v *canvas, x, y float64, text string) {
	size, _ := fitSize(text, 44, 22, width-2*margin, true)
	switch {
	case x < 60:
		v.arrow("headnow", 24, y, -1, 0, 34)
		x = 60
	case x > width-60:
		v.arrow("headnow", width-24, y, 1, 0, 34)
		x = width - 60
	default:
		v.arrow("head", x, y, 0, 1, 36)
		v.line("dim", x, y, x, y+26)
	}
	v.centred("bold", x, y-44, size, textWidth(text, size, true), text)
}
