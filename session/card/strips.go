package card

import (
	"fmt"
	"slices"
	"strings"

	"shimwright/session"
	"shimwright/session/drawing"
)

// repeats shows every repeat, and says of those that do not count why.
func (c *composer) repeats() section {
	s := section{Title: c.l.Say("Every repeat, as read")}
	figures := c.strips()
	for i, f := range figures {
		s.Blocks = append(s.Blocks, block{Picture: f, Width: 1, Tight: i < len(figures)-1})
	}
	if len(s.Blocks) > 0 {
		s.Blocks = append(s.Blocks, small(c.l.Say("A dot is a reading that counts, a cross one that a test left out, a ring with a bar one that a person struck out. The tick is the mean of those that count. Each strip has its own scale; its ends are labelled in %s.", c.l.LengthUnitName())))
	}
	s.Blocks = append(s.Blocks, c.uncountedReadings().Blocks...)
	if len(s.Blocks) == 0 {
		s.Blocks = []block{para(c.l.Say("Nothing was read."))}
	}
	return s
}

// uncountedReadings says of readings that do not count why; it has no block if all do.
func (c *composer) uncountedReadings() section {
	s := section{Title: c.l.Say("Readings that do not count")}
	var said []string
	turned := map[session.Ruling]int{}
	for _, r := range c.readings {
		switch {
		case r.Standing == session.Counted:
		case r.Standing != "":
			said = append(said, c.uncounted(r))
		case r.Ruling == session.Held:
			said = append(said, c.l.Say("Reading %d, %s.", int(r.Seq), strings.TrimRight(c.l.Ruling(r), ".")))
		default:
			turned[r.Ruling]++
		}
	}
	if len(said) > 0 {
		s.Blocks = append(s.Blocks, block{Items: said})
	}
	if len(turned) > 0 {
		s.Blocks = append(s.Blocks, para(c.l.Say("Turned away when they came, and in the log: %s.", c.tally(turned))))
	}
	return s
}

// uncounted says why a filed reading does not count, with its test.
func (c *composer) uncounted(r session.ReadingView) string {
	text := strings.TrimRight(c.l.Ruling(r), ".")
	if o := r.Outlier; o != nil && r.Standing == session.LeftOut {
		text += " " + c.l.Say("(%s: statistic %s, limit %s)", c.l.Text(o.Test), c.l.Fixed(o.Statistic, 2), c.l.Fixed(o.Limit, 2))
	}
	if r.Standing == session.StruckOut {
		text += c.struckBy(r.Seq)
	}
	return c.l.Say("Reading %d, %s.", int(r.Seq), text)
}

func (c *composer) struckBy(seq int64) string {
	if who := c.Struck[seq]; who != "" {
		return " (" + c.by(who) + ")"
	}
	return ""
}

func (c *composer) tally(turned map[session.Ruling]int) string {
	var parts []string
	for ruling, n := range turned {
		parts = append(parts, fmt.Sprintf("%d %s", n, c.l.Text(string(ruling))))
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
		for some := range slices.Chunk(drawing.Strips(c.l, s, c.readings), stripsTogether) {
			f := &figure{width: drawing.StripWide}
			for _, row := range some {
				row.Draw(pen{f, c.letters}, f.height)
				f.height += drawing.StripHigh
				f.title = strings.TrimSpace(f.title + " " + row.Said())
			}
			figures = append(figures, f)
		}
	}
	return figures
}

// A pen draws strips on a figure, in greys.
type pen struct {
	f *figure
	l *letters
}

func (p pen) Line(ink drawing.Ink, points ...float64) {
	looks := []look{
		drawing.Rule: {fill: none, stroke: 190, width: 0.8}, drawing.Axis: stroked(1), drawing.Mean: stroked(1.6),
		drawing.Dot: stroked(1), drawing.Cross: stroked(2), drawing.Ring: stroked(1.4),
	}
	p.f.line(looks[ink], points...)
}

func (p pen) Circle(ink drawing.Ink, x, y, r float64) {
	if ink == drawing.Dot {
		p.f.circle(filled(0), x, y, r)
		return
	}
	p.f.circle(look{fill: 255, stroke: 0, width: 1.4}, x, y, r)
}

func (p pen) Write(anchor string, x, y, size float64, bold bool, text string) {
	p.f.write(anchor, x, y, size, bold, text)
}

func (p pen) Width(text string, size float64, bold bool) float64 {
	return p.l.width(text, size, bold)
}

func (p pen) Shortened(text string, size, room float64, bold bool) string {
	return p.l.shortened(visible(text), size, room, bold)
}

func (p pen) Broken(text string, size, room float64, bold bool) []string {
	return p.l.broken(text, size, room, bold)
}
