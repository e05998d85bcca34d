package drawing

import (
	"strings"

	"shimwright/session"
)

// drawRows draws the dimensions of one kind outwards from y: upwards with way -1,
// downwards with 1, with lines from the section's edge. All lines come before all
// texts, so that no line crosses a text. It returns where the next thing goes.
func (c *section) drawRows(v *canvas, dims []dim, edge, y, way float64) float64 {
	at := make([]float64, len(dims))
	for i, d := range dims {
		high := d.high()
		at[i] = y - 4
		if way > 0 {
			at[i] = y + high - 10
		}
		y += way * high
		d.drawLines(v, at[i], edge)
	}
	v.then(func() {
		for i, d := range dims {
			d.drawText(v, at[i])
		}
	})
	if c.more > 0 && way > 0 {
		v.text("soft", "end", width-margin, edge+flange-shoulder, 22, c.l.Say("and %d more dimensions", c.more))
	}
	return y
}

// high is the height of the row of a dimension.
func (d dim) high() float64 {
	if !d.active {
		return rowHigh
	}
	high := 52 + nameSize*1.08*float64(len(d.name()))
	if d.value != "" {
		high += soFarSize
	}
	return min(high, rowHigh+extra)
}

// name is the title of the active dimension in lines.
func (d dim) name() []string { return balance(d.title, nameSize, width-2*margin, true) }

// drawLines draws the arrows of a dimension at height y, with lines to the edge
// of the section.
func (d dim) drawLines(v *canvas, y, edge float64) {
	line, thin, head, size := "dim", "thin", "head", 15.0
	if d.active {
		line, thin, head, size = "dimnow", "thinnow", "headnow", 30
	}
	past := -8.0
	if y > edge {
		past = 8
	}
	v.line(thin, d.x0, y+past, d.x0, edge)
	v.line(thin, d.x1, y+past, d.x1, edge)
	if d.x1-d.x0 > 3*size {
		v.line(line, d.x0+size/2, y, d.x1-size/2, y)
		v.arrow(head, d.x0, y, -1, 0, size)
		v.arrow(head, d.x1, y, 1, 0, size)
		return
	}
	v.line(line, d.x0-3*size, y, d.x0-size/2, y)
	v.line(line, d.x1+size/2, y, d.x1+3*size, y)
	v.arrow(head, d.x0, y, 1, 0, size)
	v.arrow(head, d.x1, y, -1, 0, size)
}

func (d dim) drawText(v *canvas, y float64) {
	if d.active {
		d.drawName(v, y)
		return
	}
	d.drawLabel(v, y)
}

// drawLabel writes name and value above the line of a dimension.
func (d dim) drawLabel(v *canvas, y float64) {
	room := width - 2*margin
	value := textWidth("  "+d.value, rowSize, true)
	if d.value == "" {
		name := shorten(d.title, rowSize, room, false)
		v.centred("soft", (d.x0+d.x1)/2, y-13, rowSize, textWidth(name, rowSize, false), name)
		return
	}
	name := shorten(d.title, rowSize, room-value, false)
	v.pair((d.x0+d.x1)/2, y-13, rowSize, textWidth(name, rowSize, false)+value, name, d.value)
}

// pair writes a name and its value in bold beside it.
func (v *canvas) pair(x, y, size, wide float64, name, value string) {
	half := wide / 2
	x = max(min(x, v.width-margin-half), margin+half)
	v.b.WriteString(`<text text-anchor="middle" x="` + num(x) + `" y="` + num(y) + `" font-size="` + num(size) + `">` +
		escape(name) + `  <tspan class="bold" dx="10">` + escape(value) + "</tspan></text>\n")
}

// drawName writes the name of the active dimension large, in one or two lines.
func (d dim) drawName(v *canvas, y float64) {
	x := (d.x0 + d.x1) / 2
	y -= 28
	if d.value != "" {
		text := d.soFar
		v.centred("bold", x, y, soFarSize, textWidth(text, soFarSize, true), text)
		y -= soFarSize + 6
	}
	lines := d.name()
	for i := len(lines) - 1; i >= 0; i-- {
		v.centred("now", x, y, nameSize, textWidth(lines[i], nameSize, true), lines[i])
		y -= nameSize * 1.08
	}
}

// A label is one text of the row of packs and gap.
type label struct {
	main, sub string
	short     string // for main, where that has no room
	class     string
	x         float64 // what it points to
	size      float64 // of main
}

// labels are those of the packs and of the gap, from left to right.
func (c *section) labels() []label {
	var left, right []label
	for _, p := range c.packs {
		l := label{
			main: c.pieces(p.Pack), sub: clean(c.l.Text(p.Side)), short: c.l.Say("%s in all", c.l.Exact(p.Total)), class: "shimtext", x: (p.x0 + p.x1) / 2,
		}
		if p.left {
			left = append(left, l)
		} else {
			right = append([]label{l}, right...)
		}
	}
	return append(append(left, c.gapLabel()), right...)
}

// gapLabel names the gap that is left, as far as it is known.
func (c *section) gapLabel() label {
	l := label{main: c.l.Say("gap"), sub: c.l.Say("not known yet"), class: "soft", x: (c.room0 + c.room1) / 2}
	fit := c.advice.Best
	switch {
	case c.checking && fit != nil:
		l.main, l.sub, l.class = c.l.Length(fit.CheckGap), c.l.Say("check gap, to be found"), "now"
	case c.checking:
		l.main, l.sub, l.class = c.l.Say("check gap"), "", "now"
	case fit != nil:
		l.main, l.sub, l.class = c.l.FloatOnly(*fit), c.l.Say("end float"), "bold"
		switch {
		case !fit.EndFloat.IsPositive():
			l.sub = c.l.Say("no float: too tight")
		case c.advice.State != session.Final:
			l.sub = c.l.Say("end float, so far")
		}
	case c.advice.Gap != nil:
		l.main, l.sub, l.class = c.l.Length(*c.advice.Gap), c.l.Say("gap"), "bold"
	}
	return l
}

// drawPackNames writes under the section which shims go where and what is left,
// each as near to its place as the others let it.
func (c *section) drawPackNames(v *canvas, axis, y float64) {
	all := c.labels()
	column := (width - 2*margin) / float64(len(all))
	if len(all) <= 3 {
		column = max(column, 420/float64(len(all)))
	}
	wides := make([]float64, len(all))
	for i := range all {
		all[i].fit(column - 44)
		wides[i] = max(textWidth(all[i].main, all[i].size, true), textWidth(all[i].sub, subSize, false)) + 44
	}
	xs := place(all, wides)
	for i, l := range all {
		v.path("thin", false, l.x, axis+boreOut-10, l.x, y+4, xs[i], y+18)
	}
	v.then(func() {
		for i, l := range all {
			v.centred(l.class, xs[i], y+54, l.size, textWidth(l.main, l.size, true), l.main)
			v.centred("soft", xs[i], y+86, subSize, textWidth(l.sub, subSize, false), l.sub)
		}
	})
}

// fit shortens a label to a width.
func (l *label) fit(room float64) {
	size, ok := fitSize(l.main, 40, 26, room, true)
	if !ok && l.short != "" {
		l.main = l.short
		size, ok = fitSize(l.main, 40, 22, room, true)
	}
	if !ok {
		l.main = shorten(l.main, size, room, true)
	}
	l.size, l.sub = size, shorten(l.sub, subSize, room, false)
}

// place finds where labels of the given widths go, side by side.
func place(all []label, wides []float64) []float64 {
	xs := make([]float64, len(all))
	left := margin
	for i, l := range all {
		xs[i] = max(l.x, left+wides[i]/2)
		left = xs[i] + wides[i]/2
	}
	right := width - margin
	for i := len(all) - 1; i >= 0; i-- {
		xs[i] = min(xs[i], right-wides[i]/2)
		right = xs[i] - wides[i]/2
	}
	return xs
}

// pieces writes the shims of a side.
func (c *section) pieces(p session.Pack) string {
	if len(p.Pieces) == 0 {
		return c.l.Say("nothing")
	}
	list := make([]string, len(p.Pieces))
	for i, piece := range p.Pieces {
		list[i] = c.l.Exact(piece)
	}
	return strings.Join(list, " + ")
}

// drawFoot uses the room that no active dimension needs: for a step outside the
// chain a part of its own, for the check gap and for what is not measured its name, and
// at the end the result.
func (c *section) drawFoot(v *canvas, y float64) {
	switch {
	case c.step == nil && c.advice.Best != nil:
		c.drawResult(v, y)
	case c.step != nil && !c.inChain && (c.checking || !measured(*c.step)):
		lines := balance(clean(c.stepTitle()), nameSize, width-2*margin, true)
		for i, text := range lines {
			v.centred("now", width/2, y+62+float64(i)*nameSize*1.1, nameSize, textWidth(text, nameSize, true), text)
		}
	case c.step != nil && !c.inChain:
		v.rect("casenow", 70, y+52, 170, 62)
		v.line("thinnow", 70, y+60, 70, y+14)
		v.line("thinnow", 240, y+60, 240, y+14)
		v.line("dimnow", 86, y+26, 224, y+26)
		v.arrow("headnow", 70, y+26, -1, 0, 28)
		v.arrow("headnow", 240, y+26, 1, 0, 28)
		c.drawCaption(v, 280, y)
	}
}

// measured tells whether a step measures a part by itself.
func measured(s session.StepView) bool {
	return (s.Kind == "" || s.Kind == session.MeasureStep) && len(s.Packs) == 0
}

func (c *section) drawCaption(v *canvas, x, y float64) {
	lines := balance(clean(c.stepTitle()), nameSize, width-margin-x, true)
	y += 66
	if len(lines) > 1 {
		y = y - 14
	}
	for i, text := range lines {
		v.text("now", "start", x, y+float64(i)*nameSize*1.1, nameSize, text)
	}
}

func (c *section) drawResult(v *canvas, y float64) {
	text := c.l.Say("End float %s", c.l.FloatOnly(*c.advice.Best))
	if c.advice.State != session.Final {
		text = c.l.Say("So far: end float %s", c.l.FloatOnly(*c.advice.Best))
	}
	size, _ := fitSize(text, 64, 22, width-2*margin, true)
	v.centred("bold", width/2, y+80, size, textWidth(text, size, true), text)
}
