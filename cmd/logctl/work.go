package main

import (
	"bytes"
	"fmt"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/session/wording"
)

func (a *app) workCommand() *cobra.Command {
	var budget bool
	var draws int
	var seed uint64
	cmd := &cobra.Command{
		Use: "work PLANFILE READINGS.csv", Short: "Work out a whole job from a file of readings, without a daemon", Args: between(2, 2),
		Long: `Work out a whole job from a file of readings, without a daemon, with the very
arithmetic that the bench uses. The file begins with the line

  step,place,value,unit,instrument

A place is a name or a number from 1, and may be empty for the first; a unit is
mm or in, and may be empty for mm; a feeler's value is passes/stops. The
permissible errors of the instruments are assumed: the file has no profiles.`,
		RunE: func(_ *cobra.Command, args []string) error {
			plan, err := a.readPlan(args[0])
			if err != nil {
				return err
			}
			readings, err := a.read(args[1])
			if err != nil {
				return err
			}
			if draws != 0 && (draws < 1000 || draws > 10_000_000) {
				return fail(exitUsage, "%d draws are not possible; give a number from 1000 to 10000000", draws)
			}
			s, err := session.WorkAndDraw(args[0], plan, args[1], bytes.NewReader(readings), draws, seed)
			if err != nil {
				return mistakes(err, "mend the file and try again")
			}
			if a.json {
				return a.emit(s)
			}
			a.page.work(s, budget || draws > 0)
			return nil
		},
	}
	cmd.Flags().BoolVar(&budget, "budget", false, "show the uncertainty budget, biggest cause first")
	cmd.Flags().IntVar(&draws, "monte-carlo", 0, "find the interval a second way too, by `DRAWS`")
	cmd.Flags().Uint64Var(&seed, "seed", 1, "`SEED` of the draws")
	return cmd
}

// work shows a job that was worked out: the advice, the steps, and the readings
// that do not count.
func (p *page) work(s session.Snapshot, budget bool) {
	for _, adv := range s.Advice {
		p.advice(adv)
		if budget {
			p.budget(adv)
		}
		p.gap()
	}
	if s.Job != nil {
		p.steps(*s.Job)
	}
	var rows [][]string
	for i, r := range s.Readings {
		if r.Standing != session.Counted {
			// The readings stand in the order of the file, below its header.
			rows = append(rows, []string{fmt.Sprint(r.Seq), fmt.Sprintf("row %d", i+2), wording.English.Ruling(r)})
		}
	}
	if len(rows) > 0 {
		p.gap()
		p.para("", "", "NOT COUNTED")
		p.table("  ", rows)
	}
}
