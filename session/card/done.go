package card

import (
	"fmt"

	"shimwright/session"
)

// done lists the steps where something was done rather than measured; it has no block
// if the plan has no such step.
func (c *composer) done() section {
	t := block{Head: []string{"", c.l.Say("step"), c.l.Say("what became of it"), c.l.Say("by"), c.l.Say("at")}, Share: []float64{0.04, 0.33, 0.28, 0.1, 0.25}, Right: []bool{true, false, false, false, false}}
	for _, s := range c.job.Steps {
		if s.Kind == session.MeasureStep || s.Kind == "" {
			continue
		}
		by, at := "", ""
		if w := s.Wait; w != nil && w.Started != nil {
			at = c.clock(*w.Started)
		}
		if v := s.Confirmed; v != nil {
			by, at = v.Operator, c.clock(v.Time)
		}
		t.Rows = append(t.Rows, []string{fmt.Sprint(s.Number), c.l.Text(s.Title), c.l.State(s), by, at})
	}
	if len(t.Rows) == 0 {
		return section{}
	}
	return section{Title: c.l.Say("What was done"), Blocks: []block{t}}
}

// limits lists the dimensions that have limits of their own, and how they stand.
func (c *composer) limits() section {
	t := block{Head: []string{"", c.l.Say("dimension"), c.l.Say("limits"), c.l.Say("value and outcome")}, Share: []float64{0.04, 0.36, 0.2, 0.4}, Right: []bool{true, false, false, false}}
	for _, s := range c.job.Steps {
		if limits := s.Limits; limits != nil && s.Candidate == "" { // those of candidates stand side by side
			t.Rows = append(t.Rows, []string{fmt.Sprint(s.Number), c.l.Text(s.Title), c.l.Bounds(*limits), plusMinus(c.l.Limits(limits))})
		}
	}
	if len(t.Rows) == 0 {
		return section{}
	}
	return section{Title: c.l.Say("Held against limits"), Blocks: []block{t, small(c.l.Say("By the decision rule of the plan, with the uncertainty of each value after known errors were taken off: shown inside, not shown, or shown outside."))}}
}

// seats lists the fits of rings in heated seats.
func (c *composer) seats() section {
	var said []string
	for _, f := range c.Snapshot.Fits {
		said = append(said, plusMinus(c.l.Seat(f)))
	}
	if len(said) == 0 {
		return section{}
	}
	return section{Title: c.l.Say("Rings and their seats"), Blocks: []block{listing(said, "")}}
}

// screws lists what each screw was pulled to, and what that makes of it.
func (c *composer) screws() section {
	var blocks []block
	for _, s := range c.job.Steps {
		if s.Screws == nil {
			continue
		}
		t := block{Head: []string{"", c.l.Say("screw"), c.l.Say("pulled to, in N·m"), c.l.Say("what it is, and what its torque makes of it")}, Share: []float64{0.04, 0.1, 0.14, 0.72}, Right: []bool{true, false, false, false}}
		for i, screw := range s.Screws.Screws {
			t.Rows = append(t.Rows, []string{fmt.Sprint(i + 1), screw.Name, c.pulls(screw), c.l.Screw(screw, s.Screws.K)})
		}
		blocks = append(blocks, para(c.l.Say("%s: in this order, to %s N·m ± %s.", c.l.Text(s.Title), c.numbers(s.Screws.Passes), c.l.Number(s.Screws.Tolerance))), t)
	}
	if len(blocks) == 0 {
		return section{}
	}
	return section{Title: c.l.Say("Screws"), Blocks: blocks}
}

func (c *composer) pulls(s session.ScrewView) string {
	if len(s.Read) == 0 {
		return c.l.Say("no reading")
	}
	return c.numbers(s.Read)
}

// numbers joins numbers with commas.
func (c *composer) numbers(all []session.Number) string {
	text := ""
	for i, n := range all {
		if i > 0 {
			text += ", "
		}
		text += c.l.Number(n)
	}
	return text
}

// whyKept says why the candidate that is kept was advised.
func (c *composer) whyKept(v session.ChoiceView) string {
	if v.Chosen == "" || v.Chosen != v.Keep || v.Why == nil || v.Reason != "" {
		return ""
	}
	return c.l.Say(", as advised: %s", plusMinus(c.l.Reason(*v.Why)))
}

// compared lays the candidates of each choice side by side.
func (c *composer) compared() section {
	var blocks []block
	for _, s := range c.job.Steps {
		if s.Compare == nil {
			continue
		}
		rows := c.l.Comparison(*s.Compare)
		for _, row := range rows {
			for k := range row {
				row[k] = plusMinus(row[k])
			}
		}
		share := make([]float64, len(rows[0]))
		for k := range share {
			share[k] = 1 / float64(len(share))
		}
		blocks = append(blocks, para(c.l.Text(s.Compare.Title)+": "+plusMinus(c.l.Choice(*s.Compare))+c.whyKept(*s.Compare)+"."), block{Head: rows[0], Rows: rows[1:], Share: share})
	}
	if len(blocks) == 0 {
		return section{}
	}
	return section{Title: c.l.Say("Candidates compared"), Blocks: blocks}
}
