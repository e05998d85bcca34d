package card

import (
	"fmt"

	"shimwright/session"
	"shimwright/session/wording"
)

// done lists the steps where something was done rather than measured; it has no block
// if the plan has no such step.
func (c *composer) done() section {
	t := block{Head: []string{"", "step", "what became of it", "by", "at"}, Share: []float64{0.04, 0.33, 0.28, 0.1, 0.25}, Right: []bool{true, false, false, false, false}}
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
		t.Rows = append(t.Rows, []string{fmt.Sprint(s.Number), s.Title, wording.English.State(s), by, at})
	}
	if len(t.Rows) == 0 {
		return section{}
	}
	return section{Title: "What was done", Blocks: []block{t}}
}

// limits lists the dimensions that have limits of their own, and how they stand.
func (c *composer) limits() section {
	t := block{Head: []string{"", "dimension", "limits in mm", "value and outcome"}, Share: []float64{0.04, 0.36, 0.2, 0.4}, Right: []bool{true, false, false, false}}
	for _, s := range c.job.Steps {
		if l := s.Limits; l != nil && s.Candidate == "" { // those of candidates stand side by side
			t.Rows = append(t.Rows, []string{fmt.Sprint(s.Number), s.Title, wording.English.Bounds(*l), plusMinus(wording.English.Limits(l))})
		}
	}
	if len(t.Rows) == 0 {
		return section{}
	}
	return section{Title: "Held against limits", Blocks: []block{t, small("By the decision rule of the plan, with the uncertainty of each value after known errors were taken off: shown inside, not shown, or shown outside.")}}
}

// seats lists the fits of rings in heated seats.
func (c *composer) seats() section {
	var said []string
	for _, f := range c.Snapshot.Fits {
		said = append(said, plusMinus(wording.English.Seat(f)))
	}
	if len(said) == 0 {
		return section{}
	}
	return section{Title: "Rings and their seats", Blocks: []block{listing(said, "")}}
}

// screws lists what each screw was pulled to, and what that makes of it.
func (c *composer) screws() section {
	var blocks []block
	for _, s := range c.job.Steps {
		if s.Screws == nil {
			continue
		}
		t := block{Head: []string{"", "screw", "pulled to, in N·m", "what it is, and what its torque makes of it"}, Share: []float64{0.04, 0.1, 0.14, 0.72}, Right: []bool{true, false, false, false}}
		for i, screw := range s.Screws.Screws {
			t.Rows = append(t.Rows, []string{fmt.Sprint(i + 1), screw.Name, pulls(screw), wording.English.Screw(screw, s.Screws.K)})
		}
		blocks = append(blocks, para(fmt.Sprintf("%s: in this order, to %s N·m ± %s.", s.Title, numbers(s.Screws.Passes), wording.English.Decimals(s.Screws.Tolerance))), t)
	}
	if len(blocks) == 0 {
		return section{}
	}
	return section{Title: "Screws", Blocks: blocks}
}

func pulls(s session.ScrewView) string {
	if len(s.Read) == 0 {
		return "no reading"
	}
	return numbers(s.Read)
}

// numbers joins numbers with commas.
func numbers(all []session.Number) string {
	text := ""
	for i, n := range all {
		if i > 0 {
			text += ", "
		}
		text += wording.English.Decimals(n)
	}
	return text
}

// whyKept says why the candidate that is kept was advised.
func whyKept(v session.ChoiceView) string {
	if v.Chosen == "" || v.Chosen != v.Keep || v.Why == nil || v.Reason != "" {
		return ""
	}
	return ", as advised: " + plusMinus(wording.English.Reason(*v.Why))
}

// compared lays the candidates of each choice side by side.
func (c *composer) compared() section {
	var blocks []block
	for _, s := range c.job.Steps {
		if s.Compare == nil {
			continue
		}
		rows := wording.English.Comparison(*s.Compare)
		for _, row := range rows {
			for k := range row {
				row[k] = plusMinus(row[k])
			}
		}
		share := make([]float64, len(rows[0]))
		for k := range share {
			share[k] = 1 / float64(len(share))
		}
		blocks = append(blocks, para(s.Compare.Title+": "+plusMinus(wording.English.Choice(*s.Compare))+whyKept(*s.Compare)+"."), block{Head: rows[0], Rows: rows[1:], Share: share})
	}
	if len(blocks) == 0 {
		return section{}
	}
	return section{Title: "Candidates compared", Blocks: blocks}
}
