package card

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// readDrawing reads what package drawing drew and gives it the looks of paper. It
// knows the few elements that package uses, and an error names any other.
func readDrawing(svg string) (*figure, error) {
	f := &figure{}
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			f.crop()
			return f, nil
		}
		if err != nil {
			return nil, fmt.Errorf("cannot read a drawing: %w", err)
		}
		if start, ok := token.(xml.StartElement); ok {
			if err := f.element(d, start); err != nil {
				return nil, fmt.Errorf("cannot read a drawing: %w", err)
			}
		}
	}
}

// crop takes away what is empty above and below, where a display leaves room for the
// step at hand.
func (f *figure) crop() {
	const margin = 8
	high, low := f.height, 0.0
	for _, s := range f.shapes {
		above, below := s.radius, s.radius
		if s.text != "" {
			above, below = s.size*0.8, s.size*0.3
		}
		for i := 1; i < len(s.points); i += 2 {
			high, low = min(high, s.points[i]-above), max(low, s.points[i]+below)
		}
	}
	high, low = max(high-margin, 0), min(low+margin, f.height)
	if high >= low {
		return
	}
	for _, s := range f.shapes {
		for i := 1; i < len(s.points); i += 2 {
			s.points[i] -= high
		}
	}
	f.height = low - high
}

// element takes one element of a drawing.
func (f *figure) element(d *xml.Decoder, e xml.StartElement) error {
	a := attributesOf(e)
	l := inked(a.text["class"])
	switch e.Name.Local {
	case "svg":
		view := strings.Fields(a.text["viewBox"])
		if len(view) != 4 {
			return fmt.Errorf("its viewBox is %q", a.text["viewBox"])
		}
		f.width, f.height = a.number(view[2]), a.number(view[3])
	case "style", "defs":
		return d.Skip()
	case "title":
		return d.DecodeElement(&f.title, &e)
	case "rect":
		if a.text["class"] != "paper" && a.text["class"] != "room" {
			f.rect(l, a.of("x"), a.of("y"), a.of("width"), a.of("height"))
		}
	case "circle":
		f.circle(l, a.of("cx"), a.of("cy"), a.of("r"))
	case "line":
		f.line(l, a.of("x1"), a.of("y1"), a.of("x2"), a.of("y2"))
	case "path":
		f.shapes = append(f.shapes, shape{points: a.points(), closed: strings.HasSuffix(a.text["d"], "Z"), look: l})
	case "text":
		s := shape{points: []float64{a.of("x"), a.of("y")}, anchor: a.text["text-anchor"], size: a.of("font-size"), look: filled(0), halo: true}
		switch a.text["class"] {
		case "bold", "now", "shimtext":
			s.bold = true
		}
		if err := d.DecodeElement(&s.text, &e); err != nil {
			return err
		}
		f.shapes = append(f.shapes, s)
	default:
		return fmt.Errorf("it has an element %q", e.Name.Local)
	}
	return a.err
}

// attributes are those of one element; err is the first that was no number.
type attributes struct {
	text map[string]string
	err  error
}

func attributesOf(e xml.StartElement) *attributes {
	a := &attributes{text: map[string]string{}}
	for _, at := range e.Attr {
		a.text[at.Name.Local] = at.Value
	}
	return a
}

func (a *attributes) number(text string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil && a.err == nil {
		a.err = err
	}
	return v
}

func (a *attributes) of(name string) float64 { return a.number(a.text[name]) }

// points reads a path of straight lines.
func (a *attributes) points() []float64 {
	var points []float64
	for _, part := range strings.FieldsFunc(a.text["d"], func(r rune) bool { return strings.ContainsRune("MLZ ", r) }) {
		points = append(points, a.number(part))
	}
	return points
}

// inked is the look on paper of a class of package drawing; one that is not known is
// drawn as a thin line.
func inked(class string) look {
	edged := func(grey int, width float64) look { return look{fill: grey, stroke: 0, width: width} }
	switch class {
	case "case":
		return look{fill: 255, stroke: 0, width: 2.5, hatch: 1}
	case "caseb":
		return look{fill: 255, stroke: 0, width: 2.5, hatch: -1}
	case "casenow":
		return edged(200, 6)
	case "ring":
		return edged(235, 2.5)
	case "ball":
		return edged(255, 2.5)
	case "shaft":
		return edged(222, 2.5)
	case "plate":
		return edged(120, 2)
	case "shim", "head", "headnow":
		return filled(0)
	case "headsoft":
		return filled(70)
	case "window":
		return edged(255, 3)
	case "guard":
		return filled(210)
	case "spread":
		return stroked(5)
	case "dim", "thinshim":
		return stroked(2)
	case "dimnow":
		return stroked(6)
	case "thinnow":
		return stroked(3)
	case "axis":
		return look{fill: none, stroke: 70, width: 1.5, dash: []float64{26, 6, 5, 6}}
	}
	return look{fill: none, stroke: 70, width: 1.6}
}
