package main

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"shimwright/session"
	"shimwright/session/drawing"
	"shimwright/session/history"
	"shimwright/session/wording"
)

//go:embed history.html
var historyPage string

// A tale is a report in words and tables, for a page of text and one of HTML.
type tale struct {
	Title    string
	Sections []chapter
}

type chapter struct {
	Title  string
	Blocks []passage
}

// A passage is a paragraph, or rows of which the first is their heading, or lines to copy, or
// a picture.
type passage struct {
	Text    string
	Strong  bool
	Rows    [][]string
	Right   []int // columns of numbers
	Lines   []string
	Picture template.HTML
}

func said(format string, args ...any) passage { return passage{Text: fmt.Sprintf(format, args...)} }

// told puts a report into words, with so many points of each chart.
func (a *app) told(r history.Report, most int) tale {
	t := tale{Title: "What closed jobs teach"}
	if r.Bench != "" {
		t.Title += " on " + r.Bench
	}
	t.Sections = append(t.Sections, chapter{Blocks: a.scope(r)})
	if len(r.Jobs) == 0 {
		return t
	}
	t.Sections = append(t.Sections, repeatsTold(r), a.agreementTold(r, most), pressesTold(r))
	return t
}

// scope says which jobs the report is made from.
func (a *app) scope(r history.Report) []passage {
	of := ""
	switch {
	case r.Plan != "":
		of = " of the plan " + r.Plan
	case len(r.Plans) > 0:
		of = " of the plans " + strings.Join(r.Plans, ", ")
		if len(r.Plans) == 1 {
			of = " of the plan " + r.Plans[0]
		}
	}
	if r.Since != nil {
		of += " that ended on " + r.Since.In(a.zone).Format(time.DateOnly) + " or later"
	}
	var out []passage
	switch n := len(r.Jobs); n {
	case 0:
		out = append(out, said("There is no closed job%s yet. Jobs teach once they are ended: logctl end", of))
	case 1:
		out = append(out, said("From 1 closed job%s: job %s, ended %s.", of, r.Jobs[0], r.Last.In(a.zone).Format(time.DateOnly)))
	default:
		out = append(out, said("From %d closed jobs%s, ended %s to %s.", n, of, r.First.In(a.zone).Format(time.DateOnly), r.Last.In(a.zone).Format(time.DateOnly)))
	}
	if len(r.Open) > 0 {
		out = append(out, said("Left out because open: job %s.", strings.Join(r.Open, ", ")))
	}
	for _, was := range r.Methods {
		if text := otherMethod(was); text != "" {
			out = append(out, said("! %s", text))
		}
	}
	return out
}

// repeatsTold tells how well repeats agree.
func repeatsTold(r history.Report) chapter {
	c := chapter{Title: "How well repeats agree"}
	if len(r.Instruments) == 0 {
		c.Blocks = append(c.Blocks, said("No place of a closed job has readings of a length."))
		return c
	}
	c.Blocks = append(c.Blocks, said("Standard deviation in mm of the readings that count, pooled over places and jobs, with its degrees of freedom (d.f.) and where it lies with 95 %% probability; under \"all\" with what was left out in it."))
	for _, in := range r.Instruments {
		rows := [][]string{{"d.f.", "achieved", "lies within", "all", "stated", "at"}}
		its := repeatsOf(r, in)
		for _, row := range its {
			at := strings.Join(present(at(r, row.Plan, row.Step), string(row.Use)), ", ")
			rows = append(rows, append(scatterCells(row.Scatter, row.Stated), at+remarks(row.Scatter, row.Stated)))
		}
		if len(its) > 1 {
			rows = append(rows, append(scatterCells(in.Scatter, in.Stated), "all steps"+remarks(in.Scatter, in.Stated)))
		}
		c.Blocks = append(c.Blocks, passage{Text: fmt.Sprintf("%s, counts of %s mm", in.Name, in.Resolution), Strong: true},
			passage{Rows: rows, Right: []int{0, 1, 2, 3, 4}}, said("%s", wording.English.Offered(in)))
		if lines := wording.English.Stateable(in); lines != nil {
			c.Blocks = append(c.Blocks, passage{Lines: lines})
		}
		c.Blocks = append(c.Blocks, contradictions(its, in)...)
	}
	return c
}

// at names a step, with its plan if the report has several.
func at(r history.Report, plan, step string) string {
	if len(r.Plans) > 1 {
		return step + " of " + plan
	}
	return step
}

// repeatsOf are the steps of an instrument.
func repeatsOf(r history.Report, in *history.Instrument) []*history.Repeats {
	var its []*history.Repeats
	for _, row := range r.Repeats {
		if row.Instrument == in.Name && row.Resolution.Equal(in.Resolution.Decimal) {
			its = append(its, row)
		}
	}
	return its
}

// contradictions say where an instrument's profile is contradicted, once for all its steps
// or for the steps one by one.
func contradictions(its []*history.Repeats, in *history.Instrument) []passage {
	var out []passage
	all := wording.English.Contradicted(in.Name, "", in.Scatter, in.Stated)
	if all != "" {
		out = append(out, passage{Text: "! " + all})
	}
	for _, row := range its {
		if all != "" && row.Stated != nil && row.Stated.Achieved == in.Stated.Achieved {
			continue
		}
		if text := wording.English.Contradicted(in.Name, row.Step, row.Scatter, row.Stated); text != "" {
			out = append(out, passage{Text: "! " + text})
		}
	}
	return out
}

// scatterCells are the columns of a scatter.
func scatterCells(s history.Scatter, stated *history.Stated) []string {
	cells := []string{fmt.Sprint(s.Freedom), "-", "-", "", "-"}
	if s.Achieved != nil {
		cells[1] = s.Achieved.String()
	}
	if s.Low != nil {
		cells[2] = fmt.Sprintf("%s to %s", s.Low, s.High)
	}
	if s.With != nil {
		cells[3] = s.With.String()
	}
	if stated != nil {
		cells[4] = stated.Repeatability.String()
	}
	return cells
}

// remarks are what to know of a scatter, in brackets.
func remarks(s history.Scatter, stated *history.Stated) string {
	var notes []string
	if stated != nil && stated.Achieved != "" {
		notes = append(notes, stated.Achieved+" than stated")
	}
	if stated != nil && stated.Assumed {
		notes = append(notes, "the profile is assumed")
	}
	if s.AtFloor && s.Achieved != nil {
		notes = append(notes, "no more than rounding to counts gives by itself")
	}
	if len(notes) == 0 {
		return ""
	}
	return " (" + strings.Join(notes, "; ") + ")"
}

// agreementTold tells how what was found agreed with what was expected.
func (a *app) agreementTold(r history.Report, most int) chapter {
	c := chapter{Title: "Found and expected"}
	if len(r.Agreements) == 0 {
		c.Blocks = append(c.Blocks, said("No closed job measured a gap or an end float directly. A plan can ask for it: built, trial or check of a chain."))
		return c
	}
	if picture := drawing.ControlCharts(r.Agreements); picture != "" {
		c.Blocks = append(c.Blocks, passage{Picture: template.HTML(picture)}, said("%s", wording.English.LimitsRule()))
	}
	for _, g := range r.Agreements {
		c.Blocks = append(c.Blocks, passage{Text: fmt.Sprintf("%s (%s): %s", g.Title, g.Plan, wording.English.Way(g)), Strong: true}, said("%s", wording.English.Agreed(g)))
		if len(g.Points) > 0 {
			c.Blocks = append(c.Blocks, said("%s", wording.English.ChartLimits(g)), passage{Rows: a.points(g, most), Right: []int{2, 3, 4}})
		}
		for _, s := range g.Signals {
			c.Blocks = append(c.Blocks, passage{Text: "! " + wording.English.Signal(s)})
		}
		if text := wording.English.Leaning(g); text != "" {
			c.Blocks = append(c.Blocks, passage{Text: "! " + text})
		}
	}
	return c
}

// points lists the latest jobs of an agreement.
func (a *app) points(g *history.Agreement, most int) [][]string {
	rows := [][]string{{"job", "ended", "found mm", "expected mm", "E_n", ""}}
	from := max(0, len(g.Points)-most)
	if from > 0 {
		rows[0][5] = fmt.Sprintf("(the latest %d of %d)", most, len(g.Points))
	}
	for _, p := range g.Points[from:] {
		var notes []string
		if !p.Agrees {
			notes = append(notes, "does not agree")
		}
		if p.Outside {
			notes = append(notes, "outside the limits")
		}
		rows = append(rows, []string{
			p.Job, p.Ended.In(a.zone).Format(time.DateOnly), thousandths(p.Found), thousandths(p.Expected), wording.English.En(p.En), strings.Join(notes, ", "),
		})
	}
	return rows
}

// thousandths writes a length with three decimals.
func thousandths(n session.Number) string { return n.RoundBank(3).StringFixed(3) }

// pressesTold tells who needs more presses where.
func pressesTold(r history.Report) chapter {
	c := chapter{Title: "Presses"}
	if len(r.Presses) == 0 {
		c.Blocks = append(c.Blocks, said("Too little to say anything: that takes 20 presses of one operator at one step in 3 jobs."))
		return c
	}
	rows := [][]string{{"step", "by", "jobs", "presses", "per counted", "did not count"}}
	for _, p := range r.Presses {
		rows = append(rows, []string{at(r, p.Plan, p.Step), named(p.Operator), fmt.Sprint(p.Jobs), fmt.Sprint(p.Presses), fmt.Sprintf("%.2f", p.PerCounted()), wording.English.Whither(p)})
	}
	c.Blocks = append(c.Blocks, passage{Rows: rows, Right: []int{2, 3, 4}})
	if r.TooFew > 0 {
		c.Blocks = append(c.Blocks, said("Operators at steps with too few presses to say anything: %d.", r.TooFew))
	}
	for _, s := range r.Standouts {
		c.Blocks = append(c.Blocks, passage{Text: "! " + wording.English.StandsOut(s)})
	}
	if len(r.Standouts) == 0 {
		c.Blocks = append(c.Blocks, said("No step and nobody needs more presses than elsewhere, as far as chance lets anybody say."))
	}
	return c
}

// named is an operator, if anybody said who it was.
func named(operator string) string {
	if operator == "" {
		return "nobody named"
	}
	return operator
}

// history shows a tale as text; pictures are left out.
func (p *page) history(t tale) {
	p.strong("", "", t.Title)
	for _, c := range t.Sections {
		indent := ""
		if c.Title != "" {
			indent = "  "
			p.gap()
			p.para("", "", strings.ToUpper(c.Title))
		}
		for _, b := range c.Blocks {
			switch {
			case b.Picture != "":
			case b.Rows != nil:
				for _, column := range b.Right {
					rightAlign(b.Rows, column)
				}
				p.table(indent+"  ", b.Rows)
			case b.Lines != nil:
				for _, line := range b.Lines {
					p.plain(indent + "    " + line)
				}
			case b.Strong:
				p.gap()
				p.strong(indent, indent+"  ", b.Text)
			default:
				p.para(indent, indent+hanging(b.Text), b.Text)
			}
		}
	}
}

// hanging is the indent of the further lines of a text that begins with a mark.
func hanging(text string) string {
	if strings.HasPrefix(text, "! ") {
		return "  "
	}
	return ""
}

// writeHistory writes a tale as one page of HTML that refers to nothing outside itself.
func writeHistory(w io.Writer, t tale) error {
	page, err := template.New("history").Funcs(template.FuncMap{
		"visible": clean,
		"right":   func(b passage, i int) bool { return slices.Contains(b.Right, i) },
	}).Parse(historyPage)
	if err == nil {
		err = page.Execute(w, t)
	}
	if err != nil {
		return fmt.Errorf("cannot write the history: %w", err)
	}
	return nil
}
