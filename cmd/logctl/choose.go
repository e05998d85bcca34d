package main

import (
	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/session/wording"
)

func (a *app) chooseCommand() *cobra.Command {
	c := session.Command{Do: session.Choose}
	cmd := &cobra.Command{
		Use: "choose CANDIDATE", Short: "Keep one of the candidates that were compared", Args: between(1, 1),
		Long: `choose keeps one of the candidates of a choice, such as one of two cranks. One that
does not keep its limits, or that was not measured, is kept only with a reason.`,
		Example: `  logctl choose spare
  logctl choose old --reason "no other to be had"`,
		RunE: func(cmd *cobra.Command, args []string) error {
			c.Candidate = args[0]
			return a.do(cmd, c, a.moved)
		},
	}
	cmd.Flags().StringVar(&c.Reason, "reason", "", "why this one, as `TEXT`; needed for one that fails")
	return cmd
}

// comparisons shows each choice of which something is measured, as a table.
func (p *page) comparisons(j session.JobView) {
	for _, s := range j.Steps {
		if v := s.Compare; v != nil && measuredSome(*v) {
			p.gap()
			p.para("", "  ", v.Title+": "+wording.English.Choice(*v)+".")
			p.table("  ", wording.English.Comparison(*v))
		}
	}
}

func measuredSome(v session.ChoiceView) bool {
	for _, c := range v.Candidates {
		for _, f := range c.Features {
			if f.Value != nil {
				return true
			}
		}
	}
	return false
}
