package card

import (
	"math"

	"codeberg.org/go-pdf/fpdf"
)

// draw draws a figure with its left upper corner at x, y, so many mm wide.
func (s *sheets) draw(f *figure, x, y, wide float64) {
	k := wide / f.width
	at := func(points []float64) []fpdf.PointType {
		to := make([]fpdf.PointType, len(points)/2)
		for i := range to {
			to[i] = fpdf.PointType{X: x + points[2*i]*k, Y: y + points[2*i+1]*k}
		}
		return to
	}
	for _, shape := range f.shapes {
		s.shape(shape, at(shape.points), k)
	}
	s.f.SetDashPattern(nil, 0)
	s.f.SetTextColor(0, 0, 0)
}

// shape draws one shape whose points are in mm; k is mm for a unit of the figure.
func (s *sheets) shape(shape shape, points []fpdf.PointType, k float64) {
	if len(points) == 0 {
		return
	}
	if shape.text != "" {
		s.label(shape, points[0], k)
		return
	}
	style := s.ink(shape.look, k)
	switch {
	case shape.radius > 0:
		s.f.Circle(points[0].X, points[0].Y, shape.radius*k, style)
	case shape.closed:
		if shape.look.hatch != 0 {
			s.hatch(points, shape.look.hatch, k)
		}
		s.f.Polygon(points, style)
	default:
		for i := 1; i < len(points); i++ {
			s.f.Line(points[i-1].X, points[i-1].Y, points[i].X, points[i].Y)
		}
	}
}

// ink sets colours and line for a look, and says whether to draw, to fill or both.
func (s *sheets) ink(l look, k float64) string {
	style := ""
	if l.fill != none && l.hatch == 0 {
		s.f.SetFillColor(l.fill, l.fill, l.fill)
		style = "F"
	}
	if l.stroke != none {
		s.f.SetDrawColor(l.stroke, l.stroke, l.stroke)
		s.f.SetLineWidth(max(l.width*k, 0.1))
		dash := make([]float64, len(l.dash))
		for i, d := range l.dash {
			dash[i] = d * k
		}
		s.f.SetDashPattern(dash, 0)
		style += "D"
	}
	return style
}

// hatch draws section lines inside a polygon, on white.
func (s *sheets) hatch(points []fpdf.PointType, way int, k float64) {
	left, right, high, low := points[0].X, points[0].X, points[0].Y, points[0].Y
	for _, p := range points {
		left, right, high, low = min(left, p.X), max(right, p.X), min(high, p.Y), max(low, p.Y)
	}
	s.f.SetFillColor(255, 255, 255)
	s.f.Polygon(points, "F")
	s.f.ClipPolygon(points, false)
	s.f.SetDrawColor(119, 119, 119)
	s.f.SetLineWidth(2 * k)
	s.f.SetDashPattern(nil, 0)
	step, tall := 11*k*math.Sqrt2, low-high
	for x := left - tall; x < right+tall; x += step {
		if way > 0 {
			s.f.Line(x, low, x+tall, high)
		} else {
			s.f.Line(x, high, x+tall, low)
		}
	}
	s.f.ClipEnd()
	s.f.SetDrawColor(0, 0, 0)
	s.f.SetLineWidth(2.5 * k)
}

// label writes a text of a figure, on white where lines may run behind it.
func (s *sheets) label(shape shape, at fpdf.PointType, k float64) {
	style := ""
	if shape.bold {
		style = "B"
	}
	s.f.SetFont("go", style, shape.size*k/point)
	text := s.text(shape.text)
	wide := s.f.GetStringWidth(text)
	x := at.X
	switch shape.anchor {
	case "middle":
		x -= wide / 2
	case "end":
		x -= wide
	}
	if shape.halo {
		high := shape.size * k
		s.f.SetFillColor(255, 255, 255)
		s.f.Rect(x-2*k, at.Y-high*0.74, wide+4*k, high*0.78, "F")
	}
	grey := max(shape.look.fill, 0)
	s.f.SetTextColor(grey, grey, grey)
	s.f.Text(x, at.Y, text)
}
