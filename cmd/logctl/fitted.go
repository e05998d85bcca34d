package main

import (
	"strings"

	"github.com/spf13/cobra"

	"shimwright/session"
)

func (a *app) fittedCommand() *cobra.Command {
	var chain string
	var correction bool
	cmd := &cobra.Command{
		Use: "fitted [SIDE=PIECES]...", Short: "Say which shims are in",
		Long: `fitted notes which shims are in the engine: as advised if no side is named, or the
pieces of each side that is. The advice is worked out anew from what is in. A float
or check gap that was measured with other shims falls out of the count, and its step
opens again; with --correction these shims were in already when it was measured.`,
		Example: `  logctl fitted
  logctl fitted "pump side=0.16" "flywheel side=0.20+0.08"
  logctl fitted "flywheel side=" --correction`,
		RunE: func(cmd *cobra.Command, args []string) error {
			c := session.Command{Do: session.Fitting, Chain: chain, Correction: correction}
			for _, arg := range args {
				side, pieces, ok := strings.Cut(arg, "=")
				if !ok {
					return fail(exitUsage, "%q names no pieces; write a side and its shims in mm, like \"pump side=0.16+0.08\"", arg)
				}
				said := session.SaidPack{Side: strings.TrimSpace(side), Pieces: []string{}}
				for piece := range strings.SplitSeq(pieces, "+") {
					if piece = strings.TrimSpace(piece); piece != "" {
						said.Pieces = append(said.Pieces, piece)
					}
				}
				c.Packs = append(c.Packs, said)
			}
			return a.do(cmd, c, a.moved)
		},
	}
	cmd.Flags().StringVar(&chain, "chain", "", "the `CHAIN`, where a plan has several")
	cmd.Flags().BoolVar(&correction, "correction", false, "these shims were in already when it was measured")
	return cmd
}
