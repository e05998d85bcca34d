package card

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"shimwright/session"
	"shimwright/session/wording"
)

// The columns of the strips, and what a row takes.
const (
	stripWide  = 1000.0
	stripLeft  = 330.0 // of the axis
	stripRight = 770.0
	stripNote  = 800.0
	stripHigh  = 42.0
	stripText  = 15.0
	stripSmall = 12.5
	dot        = 4.5
	leastSpan  = 0.04 // mm: less would show counts as if they were far apart
)

// repeats shows every repeat, and says of those that do not count why.
func (c *composer) repeats() section {
	s := section{Title: "Every repeat, as read"}
	figures := c.strips()
	for i, f := range figures {
		s.Blocks = append(s.Blocks, block{Picture: f, Width: 1, Tight: i < len(figures)-1})
	}
	if len(s.Blocks) > 0 {
		s.Blocks = append(s.Blocks, small("A dot is a reading that counts, a cross one that a test left out, a ring with a bar one that a person struck out. The tick is the mean of those that count. Each strip has its own scale; its ends are labelled in mm."))
	}
	var said []string
	turned := map[session.Ruling]int{}
	for _, r := range c.readings {
		switch {
		case r.Standing == session.Counted:
		case r.Standing != "":
			said = append(said, c.uncounted(r))
		case r.Ruling == session.Held:
			said = append(said, fmt.Sprintf("Reading %d, %s.", r.Seq, strings.TrimRight(wording.Ruling(r), ".")))
		default:
			turned[r.Ruling]++
		}
	}
	if len(said) > 0 {
		s.Blocks = append(s.Blocks, block{Items: said})
	}
	if len(turned) > 0 {
		s.Blocks = append(s.Blocks, para("Turned away when they came, and in the log: "+tally(turned)+"."))
	}
	if len(s.Blocks) == 0 {
		s.Blocks = []block{para("Nothing was read.")}
	}
	return s
}

// uncounted says why a filed reading does not count, with its test.
func (c *composer) uncounted(r session.ReadingView) string {
	text := fmt.Sprintf("Reading %d, %s", r.Seq, strings.TrimRight(wording.Ruling(r), "."))
	if o := r.Outlier; o != nil && r.Standing == session.LeftOut {
		text += fmt.Sprintf(" (%s: statistic %.2f, limit %.2f)", o.Test, o.Statistic, o.Limit)
	}
	if r.Standing == session.StruckOut {
		text += c.struckBy(r.Seq)
	}
	return text + "."
}

func (c *composer) struckBy(seq int64) string {
	if s, ok := c.Struck[seq]; ok {
		return prefixed(" (by ", s) + ")"
	}
	return ""
}

func tally(turned map[session.Ruling]int) string {
	var parts []string
	for ruling, n := range turned {
		parts = append(parts, fmt.Sprintf("%d %s", n, ruling))
	}
	slices.Sort(parts)
	return strings.Join(parts, ", ")
}

// stripsTogether is how many places of a step stay together on a page.
const stripsTogether = 10

// strips draws the repeats of each step, in one figure or, with many places, several.
func (c *composer) strips() []*figure {
	var figures []*figure
	for _, s := range c.job.Steps {
		its := c.of(s.Name)
		if len(its) == 0 {
			continue
		}
		var rows []strip
		for i, p := range s.Places {
			row := strip{step: s, place: p, first: i == 0, axis: axisOf(its)}
			for _, r := range its {
				if r.Place == p.Name {
					row.readings = append(row.readings, r)
				}
			}
			rows = append(rows, row)
		}
		for some := range slices.Chunk(rows, stripsTogether) {
			f := &figure{width: stripWide}
			for _, row := range some {
				row.draw(f, c.letters)
				f.title = strings.TrimSpace(f.title + " " + row.said())
			}
			figures = append(figures, f)
		}
	}
	return figures
}

// of are the readings with a value that were filed under a step.
func (c *composer) of(step string) []session.ReadingView {
	var its []session.ReadingView
	for _, r := range c.readings {
		if r.Step == step && r.Standing != "" && r.Value != nil { // of lengths
			its = append(its, r)
		}
	}
	return its
}

// An axis is a span of lengths across the strip.
type axis struct{ low, high float64 }

func axisOf(readings []session.ReadingView) axis {
	a := axis{math.Inf(1), math.Inf(-1)}
	for _, r := range readings {
		v := r.Value.InexactFloat64()
		a.low, a.high = min(a.low, v), max(a.high, v)
	}
	pad := max((a.high-a.low)*0.08, (leastSpan-(a.high-a.low))/2)
	a.low, a.high = a.low-pad, a.high+pad
	return a
}

func (a axis) at(v float64) float64 {
	return stripLeft + (v-a.low)/(a.high-a.low)*(stripRight-stripLeft)
}

// A strip is one place of a step.
type strip struct {
	step     session.StepView
	place    session.PlaceView
	first    bool // of its step
	axis     axis
	readings []session.ReadingView
}

// draw adds the strip below what the figure has.
func (s strip) draw(f *figure, l *letters) {
	top := f.height
	f.height += stripHigh
	y := top + stripHigh*0.56
	if s.first {
		f.line(look{fill: none, stroke: 190, width: 0.8}, 0, top+0.5, stripWide, top+0.5)
		title := fmt.Sprintf("%d  %s", s.step.Number, visible(s.step.Title))
		f.write("start", 0, top+stripText+4, stripText, true, l.shortened(title, stripText, stripLeft-30, true))
	}
	if s.place.Name != "" {
		at := y + stripSmall*0.3
		if s.first {
			at = top + stripText + stripSmall + 9
		}
		f.write("start", 14, at, stripSmall, false, l.shortened(visible(s.place.Name), stripSmall, stripLeft-44, false))
	}
	f.line(stroked(1), stripLeft, y, stripRight, y)
	if s.place.Value != nil {
		x := s.axis.at(s.place.Value.InexactFloat64())
		f.line(stroked(1.6), x, y-12, x, y+5)
	}
	s.marks(f, y)
	s.ends(f, l, y+17)
	note := fmt.Sprintf("%d counted", s.place.Counted)
	if n := len(s.readings) - s.place.Counted; n > 0 {
		note += fmt.Sprintf(", %d not: %s", n, s.numbers())
	}
	for i, line := range l.broken(note, stripSmall, stripWide-stripNote, false) {
		if i < 2 {
			f.write("start", stripNote, top+stripText+4+float64(i)*(stripSmall+3), stripSmall, false, line)
		}
	}
}

// numbers are the sequences of the readings that do not count.
func (s strip) numbers() string {
	var parts []string
	for _, r := range s.readings {
		if r.Standing != session.Counted {
			parts = append(parts, fmt.Sprint(r.Seq))
		}
	}
	return strings.Join(parts, ", ")
}

// marks draws the readings; equal ones are piled up.
func (s strip) marks(f *figure, y float64) {
	pile := map[string]int{}
	for _, r := range s.readings {
		key := r.Value.Decimal.String()
		x, at := s.axis.at(r.Value.InexactFloat64()), y-float64(pile[key])*dot*1.9
		pile[key]++
		switch r.Standing {
		case session.LeftOut:
			f.line(stroked(2), x-dot, at-dot, x+dot, at+dot)
			f.line(stroked(2), x-dot, at+dot, x+dot, at-dot)
		case session.StruckOut:
			f.circle(look{fill: 255, stroke: 0, width: 1.4}, x, at, dot)
			f.line(stroked(1.4), x-dot*1.8, at, x+dot*1.8, at)
		default:
			f.circle(filled(0), x, at, dot)
		}
	}
}

// ends writes the smallest and the largest reading under their marks.
func (s strip) ends(f *figure, l *letters, y float64) {
	if len(s.readings) == 0 {
		return
	}
	by := func(a, b session.ReadingView) int { return a.Value.Cmp(b.Value.Decimal) }
	low, high := slices.MinFunc(s.readings, by), slices.MaxFunc(s.readings, by)
	a, b := s.axis.at(low.Value.InexactFloat64()), s.axis.at(high.Value.InexactFloat64())
	first, last := wording.Decimals(*low.Value), wording.Decimals(*high.Value)
	switch room := l.width(first, stripSmall, false); {
	case low.Value.Equal(high.Value.Decimal):
		f.write("middle", a, y, stripSmall, false, first)
	case b-a < room*1.4:
		f.write("end", (a+b)/2-4, y, stripSmall, false, first)
		f.write("start", (a+b)/2+4, y, stripSmall, false, last)
	default:
		f.write("middle", a, y, stripSmall, false, first)
		f.write("middle", b, y, stripSmall, false, last)
	}
}

// said is the strip in words.
func (s strip) said() string {
	var parts []string
	for _, r := range s.readings {
		text := wording.Measured(r)
		if r.Standing != session.Counted {
			text += " " + string(r.Standing)
		}
		parts = append(parts, text)
	}
	if len(parts) == 0 {
		parts = []string{"no reading"}
	}
	return joined(s.step.Title, s.place.Name) + ": " + strings.Join(parts, ", ") + "."
}
