package main

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shimwright/calc"
	"shimwright/session/drawing"
	"shimwright/session/history"
	"shimwright/sqlite"
)

// mostShown is how many jobs of a chart a page of text lists: the latest.
const mostShown = 12

func (a *app) historyCommand() *cobra.Command {
	var plan, since, out string
	cmd := &cobra.Command{
		Use: "history", Short: "What closed jobs teach: repeatability, predictions, presses", Args: between(0, 0),
		Long: `What the closed jobs of a log teach, with the daemon on or off:

  how well repeats agree  the standard deviation that each instrument achieved
                          at each step, beside what its profile states, and the
                          value to put there
  found and expected      how often a built engine, a trial build or a check
                          gap agreed with what was expected (E_n), as a control
                          chart for individuals
  presses                 steps, and operators at steps, that took more presses
                          for each that counts

Only lengths are looked at. Jobs that are open are left out, and named. With -o
FILE the charts are drawn, as a picture if its name ends in .svg, with all that
is told if it ends in .html. A file that is there already is never written over.`,
		Example: `  logctl history
  logctl history --plan pump-bottom-end --since 2026-01-01
  logctl history -o history.html`,
		RunE: func(*cobra.Command, []string) error {
			from, err := a.day(since)
			if err != nil {
				return err
			}
			write, err := a.historyForm(out)
			if err != nil {
				return err
			}
			return a.reviewed(func(r *sqlite.Reader) error {
				report, err := learnt(r, history.Filter{Plan: plan, Since: from})
				if err != nil {
					return err
				}
				if out != "" {
					if err := a.exportTo(out, func(w io.Writer) error { return write(w, report) }); err != nil {
						return err
					}
				}
				if a.json {
					return a.emit(report)
				}
				a.page.history(a.told(report, mostShown))
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&plan, "plan", "", "only jobs of the plan `NAME`")
	cmd.Flags().StringVar(&since, "since", "", "only jobs that ended on `DAY` or later, as 2026-03-31")
	cmd.Flags().StringVarP(&out, "out", "o", "", "draw the charts into a new `FILE`, .svg or .html")
	return cmd
}

// day reads a day as the calendar on the wall has it; no time for none.
func (a *app) day(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	day, err := time.ParseInLocation(time.DateOnly, text, a.zone)
	if err != nil {
		return time.Time{}, fail(exitUsage, "--since %s is no day; write it as 2026-03-31", text)
	}
	return day, nil
}

// historyForm picks what to write by the name of the file.
func (a *app) historyForm(out string) (func(io.Writer, history.Report) error, error) {
	switch filepath.Ext(out) {
	case ".svg":
		return func(w io.Writer, r history.Report) error {
			picture := drawing.ControlCharts(r.Agreements)
			if picture == "" {
				return fail(exitNotFound, "no two closed jobs compared what was found with what was expected, so there is no chart to draw; see logctl history without -o")
			}
			_, err := io.WriteString(w, picture)
			return err
		}, nil
	case ".html":
		return func(w io.Writer, r history.Report) error { return writeHistory(w, a.told(r, len(r.Jobs))) }, nil
	}
	if out == "" {
		return nil, nil
	}
	return nil, fail(exitUsage, "charts are drawn as SVG or HTML; give %s a name that ends in .svg or .html", out)
}

// learnt folds the whole log.
func learnt(r *sqlite.Reader, f history.Filter) (history.Report, error) {
	fold := history.New(calc.NewMethod(), f)
	if err := entries(r, 1, 1<<62, fold.Apply); err != nil {
		return history.Report{}, fmt.Errorf("cannot fold the log: %w", err)
	}
	report, err := fold.Report()
	if err != nil {
		return history.Report{}, err
	}
	if plans := fold.Plans(); f.Plan != "" && len(plans) > 0 && len(report.Jobs) == 0 && !slices.Contains(plans, f.Plan) {
		return history.Report{}, fail(exitNotFound, "the log has no closed job of a plan %q; its closed jobs are of %s", f.Plan, strings.Join(plans, ", "))
	}
	return report, nil
}
