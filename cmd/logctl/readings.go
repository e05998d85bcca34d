package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/session/wording"
)

func (a *app) readingsCommand() *cobra.Command {
	var step string
	cmd := &cobra.Command{
		Use: "readings", Short: "Every reading of the job and how it counts", Args: between(0, 0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := a.latest(cmd)
			if err != nil {
				return err
			}
			readings, err := ofStep(s, step)
			if err != nil {
				return err
			}
			if a.json {
				return a.emit(readings)
			}
			a.page.readings(readings, a.zone)
			return nil
		},
	}
	cmd.Flags().StringVar(&step, "step", "", "only those of `STEP`")
	return cmd
}

// ofStep picks the readings of a step; without one, all of them.
func ofStep(s session.Snapshot, step string) ([]session.ReadingView, error) {
	picked := []session.ReadingView{}
	for _, r := range s.Readings {
		if step == "" || r.Step == step {
			picked = append(picked, r)
		}
	}
	slices.SortStableFunc(picked, func(a, b session.ReadingView) int { return cmp.Compare(a.Seq, b.Seq) })
	if step == "" || len(picked) > 0 {
		return picked, nil
	}
	if s.Job == nil {
		return nil, fail(exitNotFound, "there is no step %q, since no job has begun; begin one with logctl begin PLANFILE", step)
	}
	names := make([]string, len(s.Job.Steps))
	for i, known := range s.Job.Steps {
		if known.Name == step {
			return picked, nil
		}
		names[i] = known.Name
	}
	return nil, fail(exitNotFound, "the job has no step %q; name one of %s", step, strings.Join(names, ", "))
}

// readings lists readings in order, under a line for each place they come to.
func (p *page) readings(readings []session.ReadingView, zone *time.Location) {
	if len(readings) == 0 {
		p.para("", "", "No readings yet.")
		return
	}
	rows := make([][]string, len(readings))
	for i, r := range readings {
		rows[i] = []string{fmt.Sprint(r.Seq), r.Time.In(zone).Format(time.TimeOnly), r.Instrument, measured(r), counts(r)}
	}
	rightAlign(rows, 0)
	rightAlign(rows, 3)
	leftAlign(rows, 2)
	for i, r := range readings {
		if i == 0 || heading(r) != heading(readings[i-1]) {
			if i > 0 {
				p.gap()
			}
			p.para("", "  ", heading(r))
		}
		p.table("  ", rows[i:i+1])
		// What to do about it was said when it came.
		if note, _, _ := strings.Cut(wording.English.Note(r), "; "); note != "" {
			p.para("        ", "        ", note)
		}
	}
}

// heading is where a run of readings belongs.
func heading(r session.ReadingView) string {
	switch {
	case r.Step == "":
		return "no step"
	case r.Place == "":
		return r.Step
	}
	return r.Step + ", " + r.Place
}

// measured is the value for a narrow column: what the instrument said.
func measured(r session.ReadingView) string {
	value, q := r.Amount()
	switch {
	case r.Fault != nil || value == nil:
		return "-"
	case r.Feeler != nil:
		return r.Feeler.Passes.String() + " to " + r.Feeler.Stops.String() + " mm"
	case wording.English.Converted(r):
		return strings.TrimSpace(r.Text) + " " + r.Unit.Word()
	}
	return wording.English.Amount(value, q)
}

// counts says how a reading counts now and what is special about it.
func counts(r session.ReadingView) string {
	text := wording.English.Verdict(r)
	if value, q := r.Amount(); value != nil && wording.English.Converted(r) {
		text += ", " + wording.English.Amount(value, q)
	}
	if r.Typed {
		text += ", typed"
	}
	return text
}
