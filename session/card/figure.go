package card

import (
	"encoding/xml"
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"
)

// A figure is a picture of lines and text in its own units, y downwards.
type figure struct {
	width, height float64
	title         string // the text alternative
	shapes        []shape
}

// A shape is a polygon, an open line, a circle or a text.
type shape struct {
	points []float64 // x, y, x, y …; one point for a circle and a text
	closed bool
	radius float64
	look   look

	text   string
	anchor string // "start", "middle" or "end"
	size   float64
	bold   bool
	halo   bool // white behind it
}

// A look is how a shape is inked. Greys run from 0, black, to 255.
type look struct {
	fill, stroke int // -1 for none
	width        float64
	hatch        int // 1 and -1: section lines, rising and falling
	dash         []float64
}

const none = -1

func stroked(width float64) look { return look{fill: none, stroke: 0, width: width} }
func filled(grey int) look       { return look{fill: grey, stroke: none} }

func (f *figure) line(l look, points ...float64) {
	f.shapes = append(f.shapes, shape{points: points, look: l})
}

func (f *figure) rect(l look, x, y, w, h float64) {
	f.shapes = append(f.shapes, shape{points: []float64{x, y, x + w, y, x + w, y + h, x, y + h}, closed: true, look: l})
}

func (f *figure) circle(l look, x, y, r float64) {
	f.shapes = append(f.shapes, shape{points: []float64{x, y}, radius: r, look: l})
}

func (f *figure) write(anchor string, x, y, size float64, bold bool, text string) {
	f.shapes = append(f.shapes, shape{points: []float64{x, y}, text: text, anchor: anchor, size: size, bold: bold, look: filled(0)})
}

// SVG is the figure for a page of HTML. It refers to nothing outside itself; number
// tells its patterns from those of other figures on the page.
func (f *figure) SVG(number int) template.HTML {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" role="img"><title>%s</title>`, coordinate(f.width), coordinate(f.height), escaped(f.title))
	for _, way := range []int{1, -1} {
		if f.hatched(way) {
			fmt.Fprintf(&b, `<defs><pattern id="%s" width="11" height="11" patternUnits="userSpaceOnUse" patternTransform="rotate(%d)"><rect width="11" height="11" fill="#fff"/><line x1="0" y1="0" x2="0" y2="11" stroke="#777" stroke-width="2"/></pattern></defs>`, patternName(number, way), way*45)
		}
	}
	b.WriteString("\n")
	for _, s := range f.shapes {
		s.svg(&b, number)
	}
	b.WriteString("</svg>")
	return template.HTML(b.String()) // every text in it went through escaped
}

func (f *figure) hatched(way int) bool {
	for _, s := range f.shapes {
		if s.look.hatch == way {
			return true
		}
	}
	return false
}

func patternName(number, way int) string { return fmt.Sprintf("hatch%d-%d", number, way+1) }

func (s shape) svg(b *strings.Builder, number int) {
	switch {
	case s.text != "":
		fmt.Fprintf(b, `<text x="%s" y="%s" font-size="%s" text-anchor="%s"`, coordinate(s.points[0]), coordinate(s.points[1]), coordinate(s.size), s.anchor)
		if s.bold {
			b.WriteString(` font-weight="700"`)
		}
		if s.halo {
			b.WriteString(` stroke="#fff" stroke-width="7" stroke-linejoin="round" paint-order="stroke"`)
		}
		b.WriteString(">" + escaped(s.text) + "</text>\n")
	case s.radius > 0:
		fmt.Fprintf(b, `<circle cx="%s" cy="%s" r="%s"%s/>`+"\n", coordinate(s.points[0]), coordinate(s.points[1]), coordinate(s.radius), s.look.attributes(number))
	default:
		b.WriteString(`<path d="`)
		for i := 0; i+1 < len(s.points); i += 2 {
			command := "L"
			if i == 0 {
				command = "M"
			}
			b.WriteString(command + coordinate(s.points[i]) + " " + coordinate(s.points[i+1]))
		}
		if s.closed {
			b.WriteString("Z")
		}
		b.WriteString(`"` + s.look.attributes(number) + "/>\n")
	}
}

// attributes writes a look for SVG.
func (l look) attributes(number int) string {
	fill := shade(l.fill)
	if l.hatch != 0 {
		fill = "url(#" + patternName(number, l.hatch) + ")"
	}
	text := fmt.Sprintf(` fill="%s"`, fill)
	if l.stroke != none {
		text += fmt.Sprintf(` stroke="%s" stroke-width="%s"`, shade(l.stroke), coordinate(l.width))
	}
	if len(l.dash) > 0 {
		parts := make([]string, len(l.dash))
		for i, d := range l.dash {
			parts[i] = coordinate(d)
		}
		text += ` stroke-dasharray="` + strings.Join(parts, " ") + `"`
	}
	return text
}

func shade(grey int) string {
	if grey == none {
		return "none"
	}
	return fmt.Sprintf("#%02x%02x%02x", grey, grey, grey)
}

// coordinate writes a number to a hundredth.
func coordinate(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100+0, 'f', -1, 64)
}

func escaped(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(visible(s))) // a strings.Builder does not fail
	return b.String()
}
