package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/session/wording"
	"shimwright/sqlite"
)

func (a *app) jobCommand() *cobra.Command {
	return &cobra.Command{
		Use: "job [JOB]", Short: "The jobs in the log, or the story of one", Args: between(0, 1),
		Long: `The jobs in the log, or the story of one, with the daemon on or off.

The story tells in order what was measured with what, how each reading was ruled
and counts, who did what and where, which advice stood when, and how it ended.
Advice is told again only when what to fit, or what it says of it, has changed.
The numbers in front are those of the log's entries; see with logctl replay what
displays showed at one of them.`,
		RunE: func(_ *cobra.Command, args []string) error {
			return a.reviewed(func(r *sqlite.Reader) error {
				if len(args) == 0 {
					return a.jobs(r)
				}
				return a.job(r, args[0])
			})
		},
	}
}

// A jobRow is one job in the list.
type jobRow struct {
	Number    string     `json:"job"`
	Seq       int64      `json:"seq"` // of its begin
	Began     time.Time  `json:"began"`
	Ended     *time.Time `json:"ended,omitempty"` // absent while it is open
	Plan      string     `json:"plan"`
	Title     string     `json:"title"`
	Reference string     `json:"reference,omitempty"`
	Operator  string     `json:"operator,omitempty"`
	Note      string     `json:"note,omitempty"` // given at its end
	Outcome   []string   `json:"outcome"`        // one sentence a chain
}

// jobs lists the jobs of the log.
func (a *app) jobs(r *sqlite.Reader) error {
	jobs, err := r.Jobs()
	if err != nil {
		return err
	}
	rows, plans := make([]jobRow, len(jobs)), map[string]session.Plan{}
	for i, j := range jobs {
		if rows[i], err = rowOf(r, j, plans); err != nil {
			return err
		}
	}
	if a.json {
		return a.emit(rows)
	}
	a.page.jobs(rows, a.zone)
	return nil
}

// rowOf reads what became of a job: the advice that its chains were given last. plans
// are those read before, by their text.
func rowOf(r *sqlite.Reader, j sqlite.Job, plans map[string]session.Plan) (jobRow, error) {
	row := jobRow{
		Number: j.Number, Seq: j.Seq, Began: j.Began, Reference: j.Reference, Operator: j.Operator, Note: j.Note,
		Outcome: []string{},
	}
	if !j.Ended.IsZero() {
		row.Ended = &j.Ended
	}
	var plan session.Plan
	err := entries(r, j.Seq, j.Seq, func(e session.Entry) (err error) {
		b, _ := e.Body.(session.Began)
		known := false
		if plan, known = plans[b.Plan]; !known {
			plan, err = session.ReadPlan("plan", []byte(b.Plan))
			plans[b.Plan] = plan
		}
		return err
	})
	if err != nil {
		return row, err
	}
	row.Plan, row.Title = plan.Name, plan.Title
	latest := map[string]session.Advice{}
	err = r.Backwards(j.Number, session.Entry{Body: session.Advised{}}.Kind(), func(e session.Entry) error {
		b, _ := e.Body.(session.Advised)
		if _, known := latest[b.Advice.Chain]; !known {
			latest[b.Advice.Chain] = b.Advice
		}
		if len(latest) == len(plan.Chains) {
			return errEnough
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return row, err
	}
	for _, chain := range plan.Chains {
		outcome := "No advice was given."
		if advice, ok := latest[chain.Name]; ok {
			outcome = wording.English.Headline(advice)
		}
		row.Outcome = append(row.Outcome, outcome)
	}
	return row, nil
}

// jobs shows a list of jobs, a few lines each.
func (p *page) jobs(rows []jobRow, zone *time.Location) {
	if len(rows) == 0 {
		p.para("", "", "The log has no job yet. Begin one with: logctl begin PLANFILE")
		return
	}
	width := 0
	for _, row := range rows {
		width = max(width, runes(row.Number))
	}
	for i, row := range rows {
		if i > 0 {
			p.gap()
		}
		state := "open"
		if row.Ended != nil {
			state = "ended " + row.Ended.In(zone).Format("15:04")
			if !sameDay(row.Began, *row.Ended, zone) {
				state = "ended " + row.Ended.In(zone).Format("2006-01-02 15:04")
			}
		}
		indent := strings.Repeat(" ", width+2)
		p.strong(padLeft(row.Number, width)+"  ", indent, fmt.Sprintf("%s, %s: %s", row.Began.In(zone).Format("2006-01-02 15:04"), state, row.Title))
		p.para(indent, indent, strings.Join(present(row.Reference, prefixed("by ", row.Operator), row.Plan), ", "))
		for _, outcome := range row.Outcome {
			p.para(indent, indent, outcome)
		}
		if row.Note != "" {
			p.para(indent, indent, "Note at the end: "+row.Note)
		}
	}
}

// present leaves out what is empty.
func present(texts ...string) []string {
	var there []string
	for _, text := range texts {
		if text != "" {
			there = append(there, text)
		}
	}
	return there
}

func prefixed(prefix, text string) string {
	if text == "" {
		return ""
	}
	return prefix + text
}

func sameDay(a, b time.Time, zone *time.Location) bool {
	return a.In(zone).Format(time.DateOnly) == b.In(zone).Format(time.DateOnly)
}

// job tells the story of a job.
func (a *app) job(r *sqlite.Reader, number string) error {
	job, err := jobOf(r, number)
	if err != nil {
		return err
	}
	s, err := tell(r, job)
	if err != nil {
		return err
	}
	if a.json {
		return a.emit(s)
	}
	a.page.story(s, a.zone)
	return nil
}

// story shows the story of a job: what it is, what came of it, what happened, and
// every reading with its test.
func (p *page) story(s story, zone *time.Location) {
	p.strong("", "  ", "Job "+s.Job.Number+": "+s.Job.Title)
	p.table("  ", s.head(zone))
	p.otherMethod(s.Method)
	p.gap()
	p.para("", "", "WHAT CAME OF IT")
	for _, adv := range s.Advice {
		p.para("  ", "  ", headline(session.Snapshot{Advice: s.Advice}, adv))
		p.para("  ", "  ", wording.English.Why(adv))
	}
	p.gap()
	p.steps(s.Job)
	p.gap()
	p.para("", "", "WHAT HAPPENED")
	p.events(s, zone)
	p.gap()
	p.tests(s.Readings)
}

// head lists what a job is and under what it was measured.
func (s story) head(zone *time.Location) [][]string {
	ended := "not yet"
	if s.Ended != nil {
		ended = strings.Join(present(clockTime(*s.Ended, zone), prefixed("by ", s.EndedBy), s.Note), ", ")
	}
	rows := [][]string{
		{"for", s.Job.Reference}, {"plan", s.Job.Plan}, {"begun", strings.Join(present(clockTime(s.Job.Began, zone), prefixed("by ", s.Job.Operator)), ", ")},
		{"ended", ended}, {"bench", s.Bench + ", " + s.Software + ", method " + s.Method},
		{"log", fmt.Sprintf("entries %d to %d", s.First, s.Last)},
	}
	if s.Job.Reference == "" {
		rows = rows[1:]
	}
	return rows
}

// events shows what happened, in order, with its time and the number of its entry.
func (p *page) events(s story, zone *time.Location) {
	readings := columns(s.Events)
	width := max(len(fmt.Sprint(s.Last)), 3)
	day := ""
	for i, e := range s.Events {
		if d := e.Time.In(zone).Format(time.DateOnly); d != day {
			if day = d; i > 0 {
				p.gap()
				p.para("  ", "", day)
			}
		}
		first := fmt.Sprintf("  %s  %s  ", e.Time.In(zone).Format(time.TimeOnly), padLeft(fmt.Sprint(e.Seq), width))
		indent := strings.Repeat(" ", runes(first))
		switch e.What {
		case "step":
			p.gap()
			p.strong(first, indent, e.Text)
		case "advice":
			p.strong(first, indent, e.Text)
		case "reading":
			p.para(first+"  "+readings[i]+"  ", indent+"    ", e.counts)
		default:
			p.para(first, indent, e.Text)
		}
	}
}

// columns are value and instrument of each reading among events, aligned.
func columns(events []event) map[int]string {
	var places []int
	var rows [][]string
	for i, e := range events {
		if e.What == "reading" && e.Reading != nil {
			places, rows = append(places, i), append(rows, []string{clean(measured(*e.Reading)), clean(e.Reading.Instrument)})
		}
	}
	rightAlign(rows, 0)
	leftAlign(rows, 1)
	aligned := make(map[int]string, len(rows))
	for k, i := range places {
		aligned[i] = strings.Join(rows[k], "  ")
	}
	return aligned
}

// tests lists every reading with how it counts in the end and the test it was put to.
func (p *page) tests(readings []session.ReadingView) {
	p.para("", "  ", "EVERY READING, how it counts in the end, and its outlier test (left out if the statistic is above the limit and the deviation matters)")
	rows := make([][]string, len(readings))
	for i, r := range readings {
		rows[i] = []string{fmt.Sprint(r.Seq), measured(r), wording.English.Verdict(r), tested(r)}
	}
	if len(rows) == 0 {
		p.para("  ", "  ", "none")
		return
	}
	rightAlign(rows, 0)
	rightAlign(rows, 1)
	leftAlign(rows, 2)
	for i, r := range readings {
		if i == 0 || heading(r) != heading(readings[i-1]) {
			p.para("  ", "    ", heading(r))
		}
		p.table("    ", rows[i:i+1])
	}
}

// tested writes the outlier test of a reading.
func tested(r session.ReadingView) string {
	if r.Outlier == nil {
		return ""
	}
	return fmt.Sprintf("%s %.2f, limit %.2f", r.Outlier.Test, r.Outlier.Statistic, r.Outlier.Limit)
}
