package drawing

import (
	"strings"

	"shimwright/session"
	"shimwright/session/wording"
)

// Sizes of the section, across the axis, and of what is around it.
const (
	width     = 1000.0
	margin    = 14.0
	rowHigh   = 54.0  // one dimension
	extra     = 126.0 // what the name of the active one needs beside its row
	packRow   = 106.0 // names of packs and gap
	shellOut  = 148.0 // radii
	shellIn   = 126.0
	flange    = 168.0
	boreOut   = 94.0
	journal   = 36.0
	shoulder  = 66.0
	body      = 104.0
	wall      = 64.0 // thickness of the walls that hold the bearings
	nameSize  = 48.0
	rowSize   = 27.0
	soFarSize = 34.0
	subSize   = 24.0
)

// Section draws chain i of s as SVG; empty if there is no such chain, or if it takes no
// shims.
func Section(l *wording.Language, s session.Snapshot, i int) string {
	if i < 0 || i >= len(s.Advice) || s.Advice[i].NoShims {
		return ""
	}
	sec := newSection(l, s, i)
	high := 2*margin + rowHigh*float64(len(sec.plus)+len(sec.minus)) + extra + 2*flange + packRow
	c := &canvas{width: width, height: high}
	c.rect("paper", 0, 0, width, high)

	top := margin + rowHigh*float64(len(sec.plus))
	if sec.activePlus() {
		top += extra
	}
	axis := top + flange
	sec.drawParts(c, axis)
	sec.drawRows(c, sec.plus, top, top-10, -1)
	below := axis + flange
	sec.drawPackNames(c, axis, below)
	below = sec.drawRows(c, sec.minus, axis+shoulder, below+packRow, 1)
	c.flush()
	if !sec.activePlus() {
		sec.drawFoot(c, below)
	}
	return c.svg(sec.title())
}

// Title says in words what Section shows.
func Title(l *wording.Language, s session.Snapshot, i int) string {
	if i < 0 || i >= len(s.Advice) {
		return ""
	}
	return newSection(l, s, i).title()
}

func (c *section) title() string {
	name := clean(c.l.Text(c.advice.Title))
	if name == "" {
		name = clean(c.advice.Chain)
	}
	said := []string{c.l.Say("Section along the shaft: %s.", name)}
	if c.step != nil {
		said = append(said, c.l.Say("To measure now: %s.", clean(c.stepTitle())))
	}
	for _, d := range append(append([]dim{}, c.plus...), c.minus...) {
		if d.value != "" {
			said = append(said, d.title+" "+d.value+".")
		}
	}
	for _, p := range c.packs {
		said = append(said, clean(c.l.Text(p.Side))+": "+c.pieces(p.Pack)+".")
	}
	if c.advice.Best != nil && !c.checking {
		said = append(said, c.l.Say("End float %s", c.l.FloatOnly(*c.advice.Best))+".")
	}
	return strings.Join(said, " ")
}

func (c *section) stepTitle() string {
	if c.step.Title != "" {
		return c.l.Text(c.step.Title)
	}
	return c.step.Name
}

func (c *section) activePlus() bool {
	for _, d := range c.plus {
		if d.active {
			return true
		}
	}
	return false
}

// drawParts draws the section itself, from the outside in.
func (c *section) drawParts(v *canvas, axis float64) {
	if c.room1 > c.room0 {
		v.rect("room", c.room0, axis-body, c.room1-c.room0, 2*body)
	}
	c.drawCase(v, axis)
	v.rect("shaft", 34, axis-journal, width-68, 2*journal)
	c.drawBodies(v, axis)
	drawBearing(v, seatLeft-wall+4, seatLeft, axis)
	drawBearing(v, seatRight, seatRight+wall-4, axis)
	for _, p := range c.packs {
		p.draw(v, axis)
	}
	v.line("axis", 8, axis, width-8, axis)
	if c.checking {
		c.drawGapArrows(v, axis)
	}
}

// drawCase draws what makes the room. The active part comes last, so that its
// outline lies on top.
func (c *section) drawCase(v *canvas, axis float64) {
	parts := c.plus
	if len(parts) == 0 {
		parts = []dim{{thick: true, x0: seatLeft, x1: seatRight}}
	}
	for _, active := range []bool{false, true} {
		for i, d := range parts {
			if d.active != active {
				continue
			}
			class := []string{"case", "caseb"}[i%2]
			if !d.thick {
				class = "plate"
			}
			if d.active {
				class = "casenow"
			}
			first, last := i == 0, i == len(parts)-1
			drawShell(v, class, d, axis, -1, first, last)
			drawShell(v, class, d, axis, 1, first, last)
		}
	}
}

// drawShell draws one part of the case above (up -1) or below (1) the axis: the
// shell, with a flange where it meets the next and a wall at an end.
func drawShell(v *canvas, class string, d dim, axis, up float64, first, last bool) {
	y := func(r float64) float64 { return axis + up*r }
	if !d.thick && !first && !last {
		v.rect(class, d.x0, min(y(shellIn), y(flange)), d.x1-d.x0, flange-shellIn)
		return
	}
	rim := min(24, (d.x1-d.x0)/3)
	points := []float64{}
	add := func(x, r float64) { points = append(points, x, y(r)) }
	if first {
		add(d.x0-wall, boreOut)
		add(d.x0-wall, shellOut)
	} else {
		add(d.x0, shellIn)
		add(d.x0, flange)
		add(d.x0+rim, flange)
		add(d.x0+rim, shellOut)
	}
	if last {
		add(d.x1+wall, shellOut)
		add(d.x1+wall, boreOut)
		add(d.x1-6, boreOut)
		add(d.x1-6, shellIn)
	} else {
		add(d.x1-rim, shellOut)
		add(d.x1-rim, flange)
		add(d.x1, flange)
		add(d.x1, shellIn)
	}
	if first {
		add(d.x0+6, shellIn)
		add(d.x0+6, boreOut)
	}
	v.path(class, true, points...)
}

// drawBodies draws what fills the room: the thickest part of the shaft between
// its shoulders, and rings.
func (c *section) drawBodies(v *canvas, axis float64) {
	parts := c.minus
	if len(parts) == 0 {
		parts = []dim{{thick: true, x0: c.bodyLeft, x1: c.bodyRight}}
	}
	for _, d := range parts {
		class := "shaft"
		if !d.thick {
			class = "plate"
		}
		if d.active {
			class = "casenow"
		}
		if !d.thick {
			v.rect(class, d.x0, axis-shoulder-14, d.x1-d.x0, shoulder+14-journal)
			v.rect(class, d.x0, axis+journal, d.x1-d.x0, shoulder+14-journal)
			continue
		}
		collar := min(44, (d.x1-d.x0)/4)
		a, b, x0, x1 := d.x0+collar, d.x1-collar, d.x0, d.x1
		v.path(class, true, x0, axis-shoulder, a, axis-shoulder, a, axis-body, b, axis-body, b, axis-shoulder, x1, axis-shoulder,
			x1, axis+shoulder, b, axis+shoulder, b, axis+body, a, axis+body, a, axis+shoulder, x0, axis+shoulder)
	}
}

// drawBearing draws a ball bearing from x0 to x1, above and below the axis.
func drawBearing(v *canvas, x0, x1, axis float64) {
	high := boreOut - journal
	for _, y := range []float64{axis - boreOut, axis + journal} {
		v.rect("ring", x0, y, x1-x0, high*0.27)
		v.rect("ring", x0, y+high*0.73, x1-x0, high*0.27)
		v.circle("ball", (x0+x1)/2, y+high/2, high*0.25)
	}
}

// draw draws each shim in proportion to its thickness.
func (p pack) draw(v *canvas, axis float64) {
	x := p.x0
	for _, piece := range p.Pieces {
		w := piece.InexactFloat64() * p.k
		v.rect("shim", x+1, axis-boreOut+10, max(w-2, 1), boreOut-journal-11)
		v.rect("shim", x+1, axis+journal+1, max(w-2, 1), boreOut-journal-11)
		x += w
	}
}

func (c *section) drawGapArrows(v *canvas, axis float64) {
	y := axis - body - 4
	v.line("thinnow", c.room0, axis-journal, c.room0, y-14)
	v.line("thinnow", c.room1, axis-journal, c.room1, y-14)
	v.line("dimnow", c.room0-64, y, c.room0-20, y)
	v.line("dimnow", c.room1+20, y, c.room1+64, y)
	v.arrow("headnow", c.room0, y, 1, 0, 26)
	v.arrow("headnow", c.room1, y, -1, 0, 26)
}
