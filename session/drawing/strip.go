package drawing

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"shimwright/session"
	"shimwright/session/wording"
)

// The measures of a strip on paper, in the unit of its picture.
const (
	StripWide = 1000.0
	StripHigh = 42.0

	stripLeft  = 330.0 // of the axis
	stripRight = 770.0
	stripNote  = 800.0
	stripText  = 15.0
	stripSmall = 12.5
)

// leastSpan is the least that an axis shows, in mm: less would show counts as if they
// were far apart.
const leastSpan = 0.04

// An axis is where the scale of a strip lies in its picture, and how large its marks
// and numbers are.
type axis struct {
	left, right, wide float64
	dot, size         float64
	above, below      float64 // of the tick
	under             float64 // to the foot of the numbers
}

func onPaper() axis {
	return axis{left: stripLeft, right: stripRight, wide: StripWide, dot: 4.5, size: stripSmall, above: 12, below: 5, under: 17}
}

func onScreen() axis {
	return axis{left: 24, right: 336, wide: 360, dot: 7, size: 17, above: 14, below: 15, under: 32}
}

// An Ink is what a line or circle of a strip is.
type Ink int

// The inks.
const (
	Rule  Ink = iota // between steps
	Axis             // of a strip
	Mean             // the tick at the mean of what counts
	Dot              // a reading that counts
	Cross            // one that was left out
	Ring             // one that was struck out, and the bar through it
)

// A Pen draws strips on paper or on a screen, and knows the widths of its letters.
type Pen interface {
	Line(ink Ink, points ...float64) // x, y, x, y …
	Circle(ink Ink, x, y, r float64)
	Write(anchor string, x, y, size float64, bold bool, text string) // anchor is start, middle or end
	Width(text string, size float64, bold bool) float64
	Shortened(text string, size, room float64, bold bool) string
	Broken(text string, size, room float64, bold bool) []string
}

// A Strip shows the readings that were filed at one place of a step on a scale of
// lengths, each with the mark of its standing. Equal ones are piled up.
type Strip struct {
	l         *wording.Language
	step      session.StepView
	place     session.PlaceView
	first     bool // of its step
	low, high float64
	readings  []session.ReadingView
}

// Strips gives one strip for each place of a step, all to one scale; none if nothing
// with a value was filed under the step.
func Strips(l *wording.Language, step session.StepView, readings []session.ReadingView) []Strip {
	var its []session.ReadingView
	for _, r := range readings {
		if r.Step == step.Name && r.Standing != "" && r.Value != nil {
			its = append(its, r)
		}
	}
	if len(its) == 0 {
		return nil
	}
	low, high := span(its)
	strips := make([]Strip, len(step.Places))
	for i, p := range step.Places {
		strips[i] = Strip{l: l, step: step, place: p, first: i == 0, low: low, high: high}
		for _, r := range its {
			if r.Place == p.Name {
				strips[i].readings = append(strips[i].readings, r)
			}
		}
	}
	return strips
}

// span is the part of the scale to show.
func span(readings []session.ReadingView) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, r := range readings {
		v := r.Value.InexactFloat64()
		low, high = min(low, v), max(high, v)
	}
	pad := max((high-low)*0.08, (leastSpan-(high-low))/2)
	return low - pad, high + pad
}

func (s Strip) at(a axis, v float64) float64 {
	return a.left + (v-s.low)/(s.high-s.low)*(a.right-a.left)
}

// Draw draws the strip below top, StripHigh high and StripWide wide.
func (s Strip) Draw(p Pen, top float64) {
	y := top + StripHigh*0.56
	if s.first {
		p.Line(Rule, 0, top+0.5, StripWide, top+0.5)
		title := fmt.Sprintf("%d  %s", s.step.Number, s.l.Text(s.step.Title))
		p.Write("start", 0, top+stripText+4, stripText, true, p.Shortened(title, stripText, stripLeft-30, true))
	}
	if s.place.Name != "" {
		at := y + stripSmall*0.3
		if s.first {
			at = top + stripText + stripSmall + 9
		}
		p.Write("start", 14, at, stripSmall, false, p.Shortened(s.l.Place(s.place.Name), stripSmall, stripLeft-44, false))
	}
	s.plot(p, onPaper(), y)
	note := s.l.Say("%d counted", s.place.Counted)
	if n := len(s.readings) - s.place.Counted; n > 0 {
		note += s.l.Say(", %d not: %s", n, s.numbers())
	}
	for i, line := range p.Broken(note, stripSmall, StripWide-stripNote, false) {
		if i < 2 {
			p.Write("start", stripNote, top+stripText+4+float64(i)*(stripSmall+3), stripSmall, false, line)
		}
	}
}

// numbers are the sequences of the readings that do not count.
func (s Strip) numbers() string {
	var parts []string
	for _, r := range s.readings {
		if r.Standing != session.Counted {
			parts = append(parts, fmt.Sprint(r.Seq))
		}
	}
	return strings.Join(parts, ", ")
}

// plot draws the scale at height y with its readings and the mean of those that count.
func (s Strip) plot(p Pen, a axis, y float64) {
	p.Line(Axis, a.left, y, a.right, y)
	if s.place.Value != nil {
		x := s.at(a, s.place.Value.InexactFloat64())
		p.Line(Mean, x, y-a.above, x, y+a.below)
	}
	s.marks(p, a, y)
	s.ends(p, a, y+a.under)
}

// marks draws the readings.
func (s Strip) marks(p Pen, a axis, y float64) {
	pile := map[string]int{}
	dot := a.dot
	for _, r := range s.readings {
		key := r.Value.Decimal.String()
		x, at := s.at(a, r.Value.InexactFloat64()), y-float64(pile[key])*dot*1.9
		pile[key]++
		switch r.Standing {
		case session.LeftOut:
			p.Line(Cross, x-dot, at-dot, x+dot, at+dot)
			p.Line(Cross, x-dot, at+dot, x+dot, at-dot)
		case session.StruckOut:
			p.Circle(Ring, x, at, dot)
			p.Line(Ring, x-dot*1.8, at, x+dot*1.8, at)
		default:
			p.Circle(Dot, x, at, dot)
		}
	}
}

// ends writes the smallest and the largest reading under their marks.
func (s Strip) ends(p Pen, a axis, y float64) {
	if len(s.readings) == 0 {
		return
	}
	by := func(a, b session.ReadingView) int { return a.Value.Cmp(b.Value.Decimal) }
	low, high := slices.MinFunc(s.readings, by), slices.MaxFunc(s.readings, by)
	x0, x1 := s.at(a, low.Value.InexactFloat64()), s.at(a, high.Value.InexactFloat64())
	first, last := s.l.Decimals(*low.Value), s.l.Decimals(*high.Value)
	middle := func(x float64, text string) {
		half := p.Width(text, a.size, false) / 2
		p.Write("middle", max(half, min(x, a.wide-half)), y, a.size, false, text)
	}
	switch room := p.Width(first, a.size, false); {
	case low.Value.Equal(high.Value.Decimal):
		middle(x0, first)
	case x1-x0 < room*1.4:
		p.Write("end", (x0+x1)/2-4, y, a.size, false, first)
		p.Write("start", (x0+x1)/2+4, y, a.size, false, last)
	default:
		middle(x0, first)
		middle(x1, last)
	}
}

// pile is how many equal readings lie on one another at most.
func (s Strip) pile() int {
	most, counts := 0, map[string]int{}
	for _, r := range s.readings {
		key := r.Value.Decimal.String()
		counts[key]++
		most = max(most, counts[key])
	}
	return most
}

// Said is the strip in words.
func (s Strip) Said() string {
	var parts []string
	for _, r := range s.readings {
		text := s.l.Measured(r)
		if r.Standing != session.Counted {
			text += " " + s.l.Text(string(r.Standing))
		}
		parts = append(parts, text)
	}
	if len(parts) == 0 {
		parts = []string{s.l.Say("no reading")}
	}
	name := s.l.Text(s.step.Title)
	if s.place.Name != "" {
		name += ", " + s.l.Place(s.place.Name)
	}
	return name + ": " + strings.Join(parts, ", ") + "."
}

// SVG draws the scale of the strip alone, for a screen; its names stand beside it there.
func (s Strip) SVG() string {
	a := onScreen()
	y := max(a.size*1.1, float64(s.pile())*a.dot*1.9)
	v := &canvas{width: a.wide, height: y + a.under + a.size*0.3, style: stripStyle}
	s.plot(pen{v}, a, y)
	return v.svg(clean(s.Said()))
}

// Place is the place of the strip.
func (s Strip) Place() session.PlaceView { return s.place }

// stripStyle holds the marks of the standings, which differ in shape first.
const stripStyle = `.striptick{fill:none;stroke:var(--ink);stroke-width:2}
.stripdot{fill:var(--shim)}
.stripcross{fill:none;stroke:var(--active);stroke-width:2.5}
.stripring{fill:var(--paper);stroke:var(--active);stroke-width:1.8}
`

// A pen draws on a canvas.
type pen struct{ v *canvas }

func (p pen) Line(ink Ink, points ...float64) {
	p.v.path([]string{"thin", "thin", "striptick", "stripdot", "stripcross", "stripring"}[ink], false, points...)
}

func (p pen) Circle(ink Ink, x, y, r float64) {
	class := "stripring"
	if ink == Dot {
		class = "stripdot"
	}
	p.v.circle(class, x, y, r)
}

func (p pen) Write(anchor string, x, y, size float64, bold bool, text string) {
	class := "soft"
	if bold {
		class = "bold"
	}
	p.v.text(class, anchor, x, y, size, clean(text))
}

func (p pen) Width(text string, size float64, bold bool) float64 {
	return textWidth(clean(text), size, bold)
}

func (p pen) Shortened(text string, size, room float64, bold bool) string {
	return shorten(clean(text), size, room, bold)
}

func (p pen) Broken(text string, size, room float64, bold bool) []string {
	return wrap(clean(text), size, room, 2, bold)
}
