package drawing

import (
	"fmt"
	"math"
	"strings"

	"shimwright/calc"
	"shimwright/session/history"
	"shimwright/session/wording"
)

// The measures of a control chart.
const (
	chartLeft    = 86.0
	chartRight   = 830.0
	chartHead    = 86.0  // from the top of a chart to its first panel
	chartHigh    = 250.0 // of the panel of E_n
	chartChanges = 110.0 // of the panel of moving ranges
	chartApart   = 46.0  // between the panels
	chartFoot    = 96.0  // below them: numbers of jobs and the key
	chartText    = 20.0
	mostLabels   = 16
	chartMargin  = 24.0
)

// ControlCharts draws how what was found agreed with what was expected, as control charts
// for individuals of E_n with their moving ranges, one below the other, as SVG; empty if
// no agreement has a chart. Points that do not agree, and those outside the limits, differ
// in shape.
func ControlCharts(all []*history.Agreement) string {
	v := &canvas{width: width, style: chartStyle}
	var said []string
	for _, a := range all {
		if a.Chart == nil {
			continue
		}
		c := chart{canvas: v, a: a, top: v.height}
		v.height += chartHead + chartHigh + chartApart + chartChanges + chartFoot
		c.draw()
		said = append(said, c.said())
	}
	if len(said) == 0 {
		return ""
	}
	drawn := v.b.String()
	v.b.Reset()
	v.rect("paper", 0, 0, v.width, v.height)
	v.b.WriteString(drawn)
	return v.svg(strings.Join(said, " "))
}

// chart is one control chart, whose top is at the height top.
type chart struct {
	*canvas
	a   *history.Agreement
	top float64
}

// said is the chart in words.
func (c chart) said() string {
	text := fmt.Sprintf("Control chart of E_n: %s, %s. %s %s", clean(c.a.Title), clean(wording.English.Way(c.a)), wording.English.Agreed(c.a), wording.English.ChartLimits(c.a))
	for _, s := range c.a.Signals {
		text += " " + clean(wording.English.Signal(s))
	}
	return text
}

func (c chart) draw() {
	c.text("bold", "start", chartMargin, c.top+34, 24, shorten(clean(c.a.Title), 24, width-2*chartMargin, true))
	text := fmt.Sprintf("%s: %d of %d jobs agreed", wording.English.Way(c.a), c.a.Agreed, len(c.a.Points))
	if c.a.Chart.Provisional {
		text += "; limits provisional"
	}
	text = clean(text + "; plan " + c.a.Plan)
	c.text("soft", "start", chartMargin, c.top+64, chartText, shorten(text, chartText, width-2*chartMargin, false))
	c.individuals()
	c.ranges()
	c.jobs()
	c.key()
}

// x is where job i stands.
func (c chart) x(i int) float64 {
	return chartLeft + (float64(i)+0.5)/float64(len(c.a.Points))*(chartRight-chartLeft)
}

// dot is the size of a point: smaller where there are many.
func (c chart) dot() float64 {
	return max(2.5, min(7, (chartRight-chartLeft)/float64(len(c.a.Points))*0.3))
}

// A panel is a rectangle with a scale upwards.
type panel struct{ top, high, least, most float64 }

// panelOf spans all values.
func panelOf(top, high float64, values ...float64) panel {
	p := panel{top, high, values[0], values[0]}
	for _, v := range values {
		p.least, p.most = min(p.least, v), max(p.most, v)
	}
	pad := max((p.most-p.least)*0.08, 1e-3)
	p.least, p.most = p.least-pad, p.most+pad
	return p
}

func (p panel) y(v float64) float64 { return p.top + (p.most-v)/(p.most-p.least)*p.high }

// individuals draws the panel of E_n.
func (c chart) individuals() {
	limits := c.a.Chart
	values := []float64{-1, 1, limits.Lower, limits.Upper}
	for _, p := range c.a.Points {
		values = append(values, p.En)
	}
	p := panelOf(c.top+chartHead, chartHigh, values...)
	c.rect("frame", chartLeft, p.top, chartRight-chartLeft, p.high)
	c.text("soft", "start", chartMargin, p.top+18, chartText, "E")
	c.text("soft", "start", chartMargin+14, p.top+24, 15, "n")
	for _, v := range []float64{-1, 1} {
		c.line("agreeing", chartLeft, p.y(v), chartRight, p.y(v))
		c.text("soft", "end", chartLeft-8, p.y(v)+7, chartText, fmt.Sprintf("%+g", v))
	}
	c.rule(p, "centre", limits.Centre)
	c.rule(p, "limit", limits.Upper)
	c.rule(p, "limit", limits.Lower)
	c.spread(p, limits.Upper, limits.Centre, limits.Lower)
	var line []float64
	for i, point := range c.a.Points {
		line = append(line, c.x(i), p.y(point.En))
	}
	c.path("joined", false, line...)
	for i, point := range c.a.Points {
		c.point(c.x(i), p.y(point.En), point.Agrees, point.Outside)
	}
	c.rows(p)
}

// rule draws a line of the chart.
func (c chart) rule(p panel, class string, at float64) {
	c.line(class, chartLeft, p.y(at), chartRight, p.y(at))
}

// spread writes the values of the rules beside them, moved apart where they are close.
func (c chart) spread(p panel, upper, centre, lower float64) {
	ys := []float64{p.y(upper), p.y(centre), p.y(lower)}
	const apart = chartText + 2
	ys[0], ys[2] = min(ys[0], ys[1]-apart), max(ys[2], ys[1]+apart)
	for i, text := range []string{"limit " + brief(upper), "mean " + brief(centre), "limit " + brief(lower)} {
		c.text("soft", "start", chartRight+10, ys[i]+7, chartText, text)
	}
}

// brief writes a value of the chart with two decimals, if there is room for them.
func brief(v float64) string {
	if math.Abs(v) >= 1000 {
		return fmt.Sprintf("%.1e", v)
	}
	return fmt.Sprintf("%.2f", v)
}

// point draws a point: a dot where found and expected agree, a triangle where they do not,
// with a ring round it outside the limits.
func (c chart) point(x, y float64, agrees, outside bool) {
	r := c.dot()
	if outside {
		c.circle("outside", x, y, r*2.2)
	}
	if agrees {
		c.circle("agrees", x, y, r)
		return
	}
	c.path("differs", true, x, y-r*1.35, x+r*1.25, y+r*0.9, x-r*1.25, y+r*0.9)
}

// rows marks jobs in a row on one side with a bar at the edge of the panel.
func (c chart) rows(p panel) {
	at := map[string]int{}
	for i, point := range c.a.Points {
		at[point.Job] = i
	}
	for _, s := range c.a.Signals {
		if s.Code != calc.RowOnOneSide {
			continue
		}
		x0, x1, y := c.x(at[s.From]), c.x(at[s.To]), p.top+p.high-8
		if s.Side == "above" {
			y = p.top + 8
		}
		c.line("row", x0, y, x1, y)
		c.line("row", x0, y-6, x0, y+6)
		c.line("row", x1, y-6, x1, y+6)
	}
}

// ranges draws the panel of moving ranges.
func (c chart) ranges() {
	limits, points := c.a.Chart, c.a.Points
	values := []float64{0, limits.RangeLimit}
	changes := make([]float64, len(points)-1)
	for i := range changes {
		changes[i] = math.Abs(points[i+1].En - points[i].En)
	}
	p := panelOf(c.top+chartHead+chartHigh+chartApart, chartChanges, append(values, changes...)...)
	c.rect("frame", chartLeft, p.top, chartRight-chartLeft, p.high)
	c.text("soft", "start", chartLeft, p.top-10, chartText, "change from job to job")
	c.rule(p, "centre", limits.MeanRange)
	c.rule(p, "limit", limits.RangeLimit)
	y := min(p.y(limits.RangeLimit), p.y(limits.MeanRange)-chartText-2)
	c.text("soft", "start", chartRight+10, y+7, chartText, "limit "+brief(limits.RangeLimit))
	c.text("soft", "start", chartRight+10, p.y(limits.MeanRange)+7, chartText, "mean "+brief(limits.MeanRange))
	var line []float64
	for i, s := range changes {
		line = append(line, c.x(i+1), p.y(s))
	}
	c.path("joined", false, line...)
	above := c.aboveLimit()
	for i, s := range changes {
		if above[points[i+1].Job] {
			c.circle("outside", c.x(i+1), p.y(s), c.dot()*2.2)
		}
		c.circle("change", c.x(i+1), p.y(s), c.dot()*0.75)
	}
}

// aboveLimit names the jobs to which the change was larger than its limit.
func (c chart) aboveLimit() map[string]bool {
	above := map[string]bool{}
	for _, s := range c.a.Signals {
		above[s.To] = above[s.To] || s.Code == calc.RangeAboveLimit
	}
	return above
}

// jobs writes the numbers of the jobs below the panels, of some where there are many.
func (c chart) jobs() {
	y := c.top + chartHead + chartHigh + chartApart + chartChanges + chartText + 8
	c.text("soft", "start", chartMargin, y, chartText, "job")
	each := (len(c.a.Points) + mostLabels - 1) / mostLabels
	room := (chartRight - chartLeft) / float64(min(len(c.a.Points), mostLabels))
	for i := 0; i < len(c.a.Points); i += each {
		c.text("soft", "middle", c.x(i), y, chartText, shorten(clean(c.a.Points[i].Job), chartText, room, false))
	}
}

// key says what the points and lines mean.
func (c chart) key() {
	y := c.top + chartHead + chartHigh + chartApart + chartChanges + 66
	x := chartLeft
	for _, k := range []struct {
		draw func(x float64)
		text string
	}{
		{func(x float64) { c.circle("agrees", x, y-6, 7) }, "agrees"},
		{func(x float64) { c.path("differs", true, x, y-15.5, x+8.8, y+0.3, x-8.8, y+0.3) }, "does not"},
		{func(x float64) { c.circle("outside", x, y-6, 11) }, "outside the limits"},
		{func(x float64) {
			c.line("row", x-12, y-6, x+12, y-6)
			c.line("row", x-12, y-12, x-12, y)
			c.line("row", x+12, y-12, x+12, y)
		}, "8 or more on one side"},
	} {
		k.draw(x + 14)
		c.text("soft", "start", x+36, y, chartText, k.text)
		x += 36 + textWidth(k.text, chartText, false) + 24
	}
}

// chartStyle holds what only charts have.
const chartStyle = `.frame{fill:none;stroke:var(--soft);stroke-width:1.2}
.centre{stroke:var(--ink);stroke-width:2}
.limit{stroke:var(--ink);stroke-width:2;stroke-dasharray:12 7}
.agreeing{stroke:var(--soft);stroke-width:1.2;stroke-dasharray:2 5}
.joined{fill:none;stroke:var(--soft);stroke-width:1.6}
.agrees{fill:var(--shim)}
.change{fill:var(--ink)}
.differs{fill:var(--active)}
.outside{fill:none;stroke:var(--active);stroke-width:3}
.row{stroke:var(--active);stroke-width:4}
`
