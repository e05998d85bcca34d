package card

import (
	"fmt"
	"slices"
	"strings"

	"shimwright/session"
	"shimwright/session/drawing"
)

// mostPages is how many a card in two parts is made to fit by writing smaller.
const mostPages = 6

// split is the card of a big job: what a person is handed, on two pages, then an annex
// with all that it rests on.
func (c *composer) split() ([]section, error) {
	seal, err := c.evidence()
	if err != nil {
		return nil, err
	}
	sections := []section{c.head(), c.verdicts(), c.choices(), c.limits(), c.doneInBrief(), c.findings(false), {Title: c.l.Say("Cautions"), Blocks: []block{listing(c.l.Texts(c.job.Cautions), c.l.Say("The plan states none."))}}, seal}
	annex := []section{{Title: c.l.Say("Annex: how the shims and sums come about"), NewPage: true, Blocks: []block{small(c.ruleInBrief(c.Snapshot.Advice))}}}
	for i := range c.Snapshot.Advice {
		s, err := c.chain(i)
		if err != nil {
			return nil, err
		}
		annex = append(annex, s)
	}
	sections = append(append(sections, annex...), c.readingsInBrief(), c.compared(), c.seats(), c.screws(), c.doneAtLength())
	said := c.uncountedReadings()
	if len(said.Blocks) > 0 {
		sections = append(sections, said)
	}
	return append(sections, pairs(c.corrections()), c.instruments(), pairs(c.stepCautions())), nil
}

// verdicts is a line for each chain: what is in, what float that leaves and how sure it is.
func (c *composer) verdicts() section {
	t := block{Head: []string{"", c.l.Say("shims"), c.l.Say("value"), c.l.Say("window"), c.l.Say("verdict")}, Share: []float64{0.23, 0.27, 0.15, 0.15, 0.2}}
	for _, a := range c.Snapshot.Advice {
		if a.Best == nil {
			t.Rows = append(t.Rows, []string{c.l.Text(a.Title), "", "", c.l.Window(a), c.l.Say("no advice: not all is measured")})
			continue
		}
		t.Rows = append(t.Rows, []string{c.l.Text(a.Title), c.packs(a), plusMinus(c.l.Float(*a.Best)), c.l.Window(a), c.verdict(a.Best)})
		if b := a.Built; b != nil {
			t.Rows = append(t.Rows, []string{c.l.Say("… and the built engine"), c.l.Fit(session.Fit{Packs: b.Packs}), plusMinus(c.l.Float(session.Fit{EndFloat: b.Float, Expanded: &b.Expanded})), "", c.l.Text(b.Outcome)})
		}
	}
	if len(t.Rows) == 0 {
		return section{}
	}
	return section{Title: c.l.Say("End floats and sums"), Blocks: []block{t, small(c.l.Say("Cold, with the interval that holds the value with the probability that the plan asks for; the verdict is by the decision rule. The annex has both in full.")),
		para(c.l.Say("Fitted as listed: [__] yes [__] no, but: ______________________________ date, name: ______________________"))}}
}

// packs is what is in for a chain, or what is advised.
func (c *composer) packs(a session.Advice) string {
	if a.NoShims {
		return c.l.Say("none belong here")
	}
	for _, f := range c.job.Fitted {
		if f.Chain == a.Chain {
			return c.l.Fitted(f)
		}
	}
	return c.l.Say("%s, advised", c.l.Fit(*a.Best))
}

func (c *composer) verdict(f *session.Fit) string {
	if f.Chance == nil {
		return c.l.Text(f.Outcome)
	}
	return c.l.Say("%s; outside: %s", c.l.Text(f.Outcome), c.percent(1-f.Chance.Inside))
}

// choices is a line for each choice among candidates.
func (c *composer) choices() section {
	var said []string
	for _, s := range c.job.Steps {
		if s.Compare != nil {
			said = append(said, c.l.Text(s.Compare.Title)+": "+plusMinus(c.l.Choice(*s.Compare))+c.whyKept(*s.Compare)+".")
		}
	}
	if len(said) == 0 {
		return section{}
	}
	return section{Title: c.l.Say("Chosen"), Blocks: []block{{Items: said}}}
}

// doneInBrief is a line for each torque and each wait, and what was not done.
func (c *composer) doneInBrief() section {
	var said []string
	confirmed := 0
	for _, s := range c.job.Steps {
		switch {
		case s.Screws != nil:
			said = append(said, c.l.Say("%s: %s, to %s N·m ± %s%s.", c.l.Text(s.Title), c.l.State(s), c.numbers(s.Screws.Passes), c.l.Number(s.Screws.Tolerance), c.lastPulls(s.Screws)))
		case s.Wait != nil, s.Kind == session.ConfirmStep && (s.Confirmed == nil || s.Confirmed.Outcome != session.Done || s.Confirmed.Note != ""):
			said = append(said, c.l.Text(s.Title)+": "+c.l.State(s)+".")
		case s.Kind == session.ConfirmStep:
			confirmed++
		}
	}
	if confirmed > 0 {
		said = append(said, c.l.Say("Said to be done, and by whom and when in the annex: %d steps.", confirmed))
	}
	if len(said) == 0 {
		return section{}
	}
	return section{Title: c.l.Say("Torques, waits and work"), Blocks: []block{{Items: said}}}
}

// lastPulls are the lowest and the highest torque that screws were left with.
func (c *composer) lastPulls(v *session.TorqueView) string {
	var last []session.Number
	for _, screw := range v.Screws {
		if n := len(screw.Read); n > 0 {
			last = append(last, screw.Read[n-1])
		}
	}
	if len(last) == 0 {
		return ""
	}
	by := func(a, b session.Number) int { return a.Cmp(b.Decimal) }
	return c.l.Say("; left with %s to %s N·m", c.l.Number(slices.MinFunc(last, by)), c.l.Number(slices.MaxFunc(last, by)))
}

// ruleInBrief says once what holds for every chain.
func (c *composer) ruleInBrief(all []session.Advice) string {
	for _, a := range all {
		if b := a.Budget; b != nil {
			return c.l.Say("Decision rule: %s; shown inside needs at least %s probability inside and the guard band, listed for each, as distance from both ends of the window. ± is an interval that holds the value with %s probability.", b.Edition, c.percentOf(b.Level), c.percentOf(b.Coverage))
		}
	}
	return c.l.Say("Nothing was evaluated.")
}

// chain is what one line of the verdicts rests on.
func (c *composer) chain(i int) (section, error) {
	a := c.Snapshot.Advice[i]
	beside := []block{strong(c.l.Text(a.Title))}
	kept := []string{c.l.Say("window"), c.l.Say("gap"), c.l.Say("check gap"), c.l.Say("found"), c.l.Say("trial build")}
	rows := [][]string{}
	for _, row := range c.fitted(a, nil) {
		if a.NoShims || slices.Contains(kept, row[0]) {
			rows = append(rows, row)
		}
	}
	if b := a.Budget; b != nil && a.Best != nil && a.Best.Guard != nil {
		rows = append(rows, []string{c.l.Say("its u, k, guard"), c.u(b.U) + ", " + c.l.Fixed(b.K, 2) + ", " + c.u(*a.Best.Guard)})
		rows = append(rows, []string{c.l.Say("it comes from"), c.causes(*b)})
	}
	if len(rows) > 0 {
		beside = append(beside, block{Rows: rows, Share: []float64{0.2, 0.8}})
	}
	beside = append(beside, small(plusMinus(c.l.Why(a))))
	if a.NoShims {
		return section{Blocks: beside}, nil
	}
	picture, err := pictured(drawing.Section(c.l, c.Snapshot, i), 0.3)
	picture.Beside = beside
	return section{Blocks: []block{picture}}, err
}

// readingsInBrief lists each step with its value and every repeat as it was read.
func (c *composer) readingsInBrief() section {
	t := block{
		Head:  []string{"", c.l.Say("dimension"), c.l.Say("with"), c.l.Say("value in %s", c.l.LengthUnitName()), c.l.Say("u of the mean"), c.l.Say("every repeat, as read")},
		Share: []float64{0.04, 0.26, 0.16, 0.09, 0.07, 0.38},
		Right: []bool{true, false, false, true, true, false},
	}
	spread := c.spreads()
	for _, s := range c.job.Steps {
		if s.Kind != session.MeasureStep && s.Kind != "" {
			continue
		}
		value, _ := c.value(s)
		t.Rows = append(t.Rows, []string{fmt.Sprint(s.Number), c.l.Text(s.Title), c.with(s), value, spread[s.Name], c.asRead(s)})
	}
	return section{Title: c.l.Say("What was measured"), Blocks: []block{t, small(c.l.Say("Values are means of the counted repeats with the bar taken off, before known errors are corrected. A bar | stands between places; (in brackets) a reading that a test left out, [in square ones] one that was struck out or fell out: why stands below. * not closed, ** not settled. u is the standard uncertainty that the repeats and the resolution alone leave."))}}
}

// asRead lists the repeats of a step, place by place.
func (c *composer) asRead(s session.StepView) string {
	var places []string
	for _, p := range s.Places {
		var read []string
		for _, r := range c.readings {
			if r.Step != s.Name || r.Place != p.Name || r.Standing == "" {
				continue
			}
			read = append(read, c.marked(r))
		}
		places = append(places, strings.Join(read, ", "))
	}
	return strings.Join(places, " | ")
}

// marked is what a reading shows, in the brackets of its standing.
func (c *composer) marked(r session.ReadingView) string {
	n, _ := r.Amount()
	text := c.length(n)
	if r.Feeler != nil {
		text = c.l.Decimals(r.Feeler.Passes) + " < " + c.l.Decimals(r.Feeler.Stops)
	}
	switch r.Standing {
	case session.LeftOut:
		return "(" + text + ")"
	case session.StruckOut:
		return "[" + text + "]"
	}
	return text
}

// doneAtLength lists who said of what that it is done, and when.
func (c *composer) doneAtLength() section {
	var said []string
	for _, s := range c.job.Steps {
		if v := s.Confirmed; v != nil {
			said = append(said, fmt.Sprintf("%d %s: %s, %s", s.Number, c.l.Text(s.Title), c.l.Text(string(v.Outcome)), joined(v.Operator, c.clock(v.Time))))
		}
	}
	return pairs(section{Title: c.l.Say("Said to be done"), Blocks: []block{listing(said, c.l.Say("Nothing."))}})
}

// stepCautions are the cautions of steps, each once, with where they hold.
func (c *composer) stepCautions() section {
	var order []string
	where := map[string][]string{}
	for _, s := range c.job.Steps {
		for _, caution := range s.Cautions {
			if where[caution] == nil {
				order = append(order, caution)
			}
			where[caution] = append(where[caution], fmt.Sprint(s.Number))
		}
	}
	for i, caution := range order {
		order[i] = c.l.Say("%s (step %s)", c.l.Text(caution), strings.Join(where[caution], ", "))
	}
	return section{Title: c.l.Say("Cautions of steps"), Blocks: []block{listing(order, c.l.Say("None."))}}
}

// pairs sets the lists of a section in two columns.
func pairs(s section) section {
	for i, b := range s.Blocks {
		half := (len(b.Items) + 1) / 2
		if half < 2 {
			continue
		}
		rows := make([][]string, half)
		for k := range rows {
			rows[k] = []string{b.Items[k], ""}
			if half+k < len(b.Items) {
				rows[k][1] = b.Items[half+k]
			}
		}
		s.Blocks[i] = block{Rows: rows, Share: []float64{0.5, 0.5}, Small: true}
	}
	return s
}
