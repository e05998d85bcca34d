package main

import (
	"github.com/spf13/cobra"

	"shimwright/session"
)

func (a *app) checkCommand() *cobra.Command {
	c := session.Command{Do: session.CheckInstrument}
	cmd := &cobra.Command{
		Use: "check INSTRUMENT SHOWS --use USE", Short: "Note what an instrument shows of zero or of a gauge block", Args: between(2, 2),
		Long: `check notes what an instrument shows with its jaws closed or its foot on a flat, or
on a gauge block. What it shows too much is taken off its readings of that use, and
the advice knows them better. Read it once more if you doubt it: each check counts.`,
		Example: `  logctl check depth-gauge-1 0.01 --use depth
  logctl check caliper-1 50.01 --use outside --block 50.000 --u 0.0005`,
		RunE: func(cmd *cobra.Command, args []string) error {
			c.Instrument, c.Value = args[0], args[1]
			if c.Use == "" {
				return fail(exitUsage, "say in which use it was checked with --use: outside, inside, depth or step")
			}
			return a.do(cmd, c, a.moved)
		},
	}
	cmd.Flags().StringVar((*string)(&c.Use), "use", "", "the `USE`: outside, inside, depth or step")
	cmd.Flags().StringVar(&c.Block, "block", "", "length of the gauge block in `MM`; without it the zero was checked")
	cmd.Flags().StringVar(&c.U, "u", "", "standard uncertainty of the block in `MM`")
	return cmd
}
