package drawing

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// A canvas collects the elements of a picture.
type canvas struct {
	b             strings.Builder
	width, height float64
	later         []func()
	words         strings.Builder // texts, over everything: no line strikes them
	style         string          // classes that only this picture has
}

// then keeps what is to be drawn on top of everything else.
func (c *canvas) then(draw func()) { c.later = append(c.later, draw) }

// flush draws what was kept.
func (c *canvas) flush() {
	for _, draw := range c.later {
		draw()
	}
	c.later = nil
}

// num writes a coordinate to a tenth.
func num(v float64) string {
	return strconv.FormatFloat(math.Round(v*10)/10+0, 'f', -1, 64)
}

func (c *canvas) rect(class string, x, y, w, h float64) {
	fmt.Fprintf(&c.b, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`+"\n", class, num(x), num(y), num(w), num(h))
}

func (c *canvas) circle(class string, x, y, r float64) {
	fmt.Fprintf(&c.b, `<circle class="%s" cx="%s" cy="%s" r="%s"/>`+"\n", class, num(x), num(y), num(r))
}

func (c *canvas) line(class string, x0, y0, x1, y1 float64) {
	fmt.Fprintf(&c.b, `<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`+"\n", class, num(x0), num(y0), num(x1), num(y1))
}

// path draws straight lines through the points x, y, x, y …; closed by a class
// with a fill.
func (c *canvas) path(class string, closed bool, points ...float64) {
	fmt.Fprintf(&c.b, `<path class="%s" d="`, class)
	for i := 0; i+1 < len(points); i += 2 {
		command := "L"
		if i == 0 {
			command = "M"
		}
		c.b.WriteString(command + num(points[i]) + " " + num(points[i+1]))
	}
	if closed {
		c.b.WriteString("Z")
	}
	c.b.WriteString(`"/>` + "\n")
}

// text writes one line; anchor is start, middle or end.
func (c *canvas) text(class, anchor string, x, y, size float64, s string) {
	fmt.Fprintf(&c.words, `<text class="%s" text-anchor="%s" x="%s" y="%s" font-size="%s">%s</text>`+"\n", class, anchor, num(x), num(y), num(size), escape(s))
}

// centred writes one line about x, moved so far that it stays in the picture.
func (c *canvas) centred(class string, x, y, size, width float64, s string) {
	half := width / 2
	x = max(min(x, c.width-margin-half), margin+half)
	c.text(class, "middle", x, y, size, s)
}

// arrow draws the head of an arrow whose tip is at x, y. dx, dy is where it
// points to: one of them is 1 or -1.
func (c *canvas) arrow(class string, x, y, dx, dy, size float64) {
	bx, by := x-dx*size, y-dy*size
	w := size * 0.36
	c.path(class, true, x, y, bx+dy*w, by+dx*w, bx-dy*w, by-dx*w)
}

// svg ends the picture. Title is its text alternative.
func (c *canvas) svg(title string) string {
	return fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" width="%s" height="%s" role="img">`+"\n"+
		"<title>%s</title>\n<style>%s</style>\n%s%s</svg>\n",
		num(c.width), num(c.height), num(c.width), num(c.height), escape(title), style+c.style, hatches, c.b.String()+c.words.String())
}

// style holds the colours. Blue and orange are told apart by colour-blind eyes;
// what matters is also thicker, larger or has arrows.
const style = `
svg{--paper:#ffffff;--ink:#1d2329;--soft:#454d55;--fill:#eceff1;--hatch:#98a2ab;--shaft:#d9dee3;--plate:#5b6570;--shim:#005a9c;--room:#dceefa;--active:#8f3d00;--tint:#ffd9b3;--on:#ffffff}
@media(prefers-color-scheme:dark){svg{--paper:#12171c;--ink:#eef2f5;--soft:#bcc5cd;--fill:#232b33;--hatch:#5d6974;--shaft:#36414b;--plate:#93a0ab;--shim:#7cc0ff;--room:#16334a;--active:#ffb35c;--tint:#5e3a12;--on:#12171c}}
text{font-family:"Liberation Sans",Arial,system-ui,sans-serif;fill:var(--ink);stroke:var(--paper);stroke-width:7;stroke-linejoin:round;paint-order:stroke}
.paper{fill:var(--paper)}
.soft{fill:var(--soft)}
.bold{font-weight:700}
.now{fill:var(--active);font-weight:700}
.shimtext{fill:var(--shim);font-weight:700}
.case{fill:url(#a);stroke:var(--ink);stroke-width:2.5}
.caseb{fill:url(#b);stroke:var(--ink);stroke-width:2.5}
.casenow{fill:var(--tint);stroke:var(--active);stroke-width:6}
.ring{fill:var(--fill);stroke:var(--ink);stroke-width:2.5}
.ball{fill:var(--paper);stroke:var(--ink);stroke-width:2.5}
.shaft{fill:var(--shaft);stroke:var(--ink);stroke-width:2.5}
.plate{fill:var(--plate);stroke:var(--ink);stroke-width:2}
.shim{fill:var(--shim)}
.room{fill:var(--room);stroke:none}
.axis{stroke:var(--soft);stroke-width:1.5;stroke-dasharray:26 6 5 6}
.thin{stroke:var(--soft);stroke-width:1.6;fill:none}
.dim{stroke:var(--ink);stroke-width:2}
.dimnow{stroke:var(--active);stroke-width:6}
.thinnow{stroke:var(--active);stroke-width:3;fill:none}
.thinshim{stroke:var(--shim);stroke-width:2;fill:none}
.head{fill:var(--ink)}
.headnow{fill:var(--active)}
.headsoft{fill:var(--soft)}
.window{fill:var(--room);stroke:var(--shim);stroke-width:3}
.guard{fill:var(--paper);opacity:.6}
.spread{fill:none;stroke:var(--ink);stroke-width:5}
`

// hatches are the section lines; adjacent parts get opposite ones, and shafts
// none, as is usual in drawings of sections.
const hatches = `<defs>
<pattern id="a" width="11" height="11" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="11" height="11" fill="var(--fill)"/><line x1="0" y1="0" x2="0" y2="11" stroke="var(--hatch)" stroke-width="3"/></pattern>
<pattern id="b" width="11" height="11" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)"><rect width="11" height="11" fill="var(--fill)"/><line x1="0" y1="0" x2="0" y2="11" stroke="var(--hatch)" stroke-width="3"/></pattern>
</defs>
`
