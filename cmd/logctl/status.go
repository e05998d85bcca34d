package main

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/session/wording"
)

func (a *app) statusCommand() *cobra.Command {
	var every bool
	cmd := &cobra.Command{
		Use: "status", Short: "What to do now, the last reading, the advice, how far the job is", Args: between(0, 0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := a.latest(cmd)
			if err != nil {
				return err
			}
			if a.json {
				return a.emit(s)
			}
			a.page.status(s, every)
			return nil
		},
	}
	cmd.Flags().BoolVar(&every, "every", false, "show every step, advice and instrument, also of a long job")
	return cmd
}

// latest gets the latest snapshot from the daemon.
func (a *app) latest(cmd *cobra.Command) (session.Snapshot, error) {
	c, err := a.client()
	if err != nil {
		return session.Snapshot{}, err
	}
	return c.snapshot(cmd.Context())
}

// status shows a snapshot, what matters first; of a long job in short, unless everything
// is asked for.
func (p *page) status(s session.Snapshot, every bool) {
	p.recording(s.Recording)
	if s.Job == nil {
		p.strong("", "", "No job is open.")
		p.para("", "", "Begin one with: logctl begin PLANFILE")
		p.waiting(s)
		if n := len(s.Readings); n > 0 {
			p.para("LAST  ", "      ", last(s))
		}
		p.gap()
		p.instruments(s)
		return
	}
	p.para("", "  ", jobLine(*s.Job))
	p.waiting(s)
	p.gap()
	p.now(s)
	if len(s.Readings) > 0 {
		p.gap()
		p.para("LAST  ", "      ", last(s))
	}
	if len(s.Job.Steps) > fewSteps && !every {
		p.brief(s)
		return
	}
	for _, adv := range s.Advice {
		p.gap()
		p.shims(s, adv)
		p.fittedFor(s, adv.Chain)
	}
	for _, fit := range s.Fits {
		p.gap()
		p.para("HEAT  ", "      ", wording.English.Seat(fit))
	}
	p.comparisons(*s.Job)
	p.gap()
	p.steps(*s.Job)
	p.gap()
	p.instruments(s)
}

// waiting lists the jobs that were put aside.
func (p *page) waiting(s session.Snapshot) {
	for _, w := range s.Waiting {
		line := "Job " + w.Number + prefixed(" on ", w.Reference) + " waits" + prefixed(": ", w.Note) + prefixed("; it goes on with ", w.Step)
		p.para("ASIDE ", "      ", line+". Go on with: logctl resume "+w.Number)
	}
}

func (p *page) recording(r session.Recording) {
	if r.OK {
		return
	}
	p.strong("", "  ", "NOT RECORDING: "+r.Problem)
	p.para("", "  ", "Nothing counts until this is mended.")
	p.gap()
}

func jobLine(j session.JobView) string {
	line := "Job " + j.Number
	if j.Reference != "" {
		line += " on " + j.Reference
	}
	line += ": " + j.Title
	if j.Operator != "" {
		line += " (" + j.Operator + ")"
	}
	if j.Ended {
		line += "; ended"
	}
	return line
}

// now says what to do.
func (p *page) now(s session.Snapshot) {
	switch {
	case s.Job == nil:
		p.strong("NOW   ", "      ", "No job is open. Begin one with: logctl begin PLANFILE")
		p.waiting(s)
	case s.Job.Ended:
		p.strong("NOW   ", "      ", "The job has ended. Begin the next one with: logctl begin PLANFILE")
	case s.Step == nil:
		p.strong("NOW   ", "      ", "Every step is closed. Follow the advice, then end the job with: logctl end")
	default:
		p.strong("NOW   ", "      ", wording.English.StepName(*s.Step))
		p.para("      ", "      ", wording.English.StepDo(*s.Step))
		p.needed(s)
	}
}

// needed shows instruments that the step needs and whose port is not live.
func (p *page) needed(s session.Snapshot) {
	for _, in := range s.Instruments {
		if in.Kind == s.Step.Instrument && in.Port != "" && in.State != session.PortLive {
			p.strong("    ! ", "      ", in.Name+": "+wording.English.Port(in))
		}
	}
}

// shims shows the advice for one chain in short: the fit, and what a person must
// know before using it.
func (p *page) shims(s session.Snapshot, a session.Advice) {
	const indent = "      "
	label := "SHIMS "
	if a.NoShims {
		label = "SUM   "
	}
	if a.Best == nil || !a.Best.Inside {
		p.strong(label, indent, headline(s, a))
		if a.Gap != nil {
			p.para(indent, indent, wording.English.Why(a))
		}
		return
	}
	p.fit(label, a)
	for _, f := range a.Findings {
		p.strong("    ! ", indent, wording.English.Finding(f))
	}
	if a.State != session.Final {
		p.para(indent, indent, wording.English.Unfinished(a))
	}
	p.para(indent, indent, cmp.Or(wording.English.Outcome(a), wording.English.Uncertainty(a)))
}

// headline is the main sentence of an advice, with its title where there are
// several.
func headline(s session.Snapshot, a session.Advice) string {
	text := wording.English.Headline(a)
	if len(s.Advice) > 1 && !strings.HasPrefix(text, a.Title) {
		text = a.Title + ": " + text
	}
	return text
}

// last is the newest reading in a line.
func last(s session.Snapshot) string {
	r := newest(s.Readings)
	return fmt.Sprintf("%d %s", r.Seq, wording.English.Ruling(r))
}

// newest is the reading with the highest sequence: those without a job come last
// in a snapshot, whenever they were.
func newest(readings []session.ReadingView) session.ReadingView {
	latest := readings[0]
	for _, r := range readings {
		if r.Seq > latest.Seq {
			latest = r
		}
	}
	return latest
}

func (p *page) steps(j session.JobView) {
	rows := make([][]string, 0, len(j.Steps))
	for _, s := range j.Steps {
		mark, value := " ", "-"
		if s.Active {
			mark = ">"
		}
		amount, q := s.Amount()
		if amount != nil {
			value = wording.English.Amount(amount, q)
		}
		rows = append(rows, []string{fmt.Sprintf("%s %d", mark, s.Number), s.Name, value, wording.English.State(s)})
	}
	rightAlign(rows, 2)
	p.para("", "", "STEPS")
	p.table("  ", rows)
	for _, s := range j.Steps {
		for _, f := range s.Findings {
			p.para("  ! ", "    ", wording.English.Finding(f))
		}
	}
}

func (p *page) instruments(s session.Snapshot) {
	p.para("", "", "INSTRUMENTS")
	if len(s.Instruments) == 0 {
		p.para("  ", "  ", "none")
		return
	}
	rows := make([][]string, 0, len(s.Instruments))
	for _, i := range s.Instruments {
		rows = append(rows, []string{i.Name, string(i.Kind), wording.English.Port(i)})
	}
	p.table("  ", rows)
	for _, i := range s.Instruments {
		if i.Health != nil && i.Health.Frames+i.Health.Bad+i.Health.Reconnects > 0 {
			p.para("  "+i.Name+": ", "    ", wording.English.Health(i, cmp.Or(p.zone, time.UTC)))
		}
		if i.Due != "" {
			p.para("  "+i.Name+": ", "    ", "its calibration holds until "+i.Due)
		}
	}
}

// rightAlign pads a column so that its right edge is straight.
func rightAlign(rows [][]string, column int) { align(rows, column, padLeft) }

// leftAlign pads a column so that what follows it stands in a line.
func leftAlign(rows [][]string, column int) { align(rows, column, pad) }

func align(rows [][]string, column int, pad func(string, int) string) {
	width := 0
	for _, row := range rows {
		width = max(width, runes(row[column]))
	}
	for _, row := range rows {
		row[column] = pad(row[column], width)
	}
}
