package main

import (
	"github.com/spf13/cobra"

	"shimwright/session"
)

func (a *app) confirmCommand() *cobra.Command {
	c := session.Command{Do: session.Confirm}
	var notDone, notApplicable bool
	cmd := &cobra.Command{
		Use: "confirm [--not-done | --not-applicable] [--note TEXT]", Short: "Say that the step is done, not done or not applicable", Args: between(0, 0),
		Long: `confirm takes your word that a step is done. What is not done stays open and is a
finding. At a wait it starts the time, and ends it once it has passed.`,
		Example: `  logctl confirm
  logctl confirm --not-applicable --note "this engine has no oil feed"`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case notDone && notApplicable:
				return fail(exitUsage, "say either --not-done or --not-applicable, not both; see logctl confirm --help")
			case notDone:
				c.Outcome = session.NotDone
			case notApplicable:
				c.Outcome = session.NotApplicable
			}
			return a.do(cmd, c, a.moved)
		},
	}
	flags := cmd.Flags()
	flags.SortFlags = false
	flags.BoolVar(&notDone, "not-done", false, "it is not done; it stays open and is a finding")
	flags.BoolVar(&notApplicable, "not-applicable", false, "there is nothing of the kind on this engine")
	flags.StringVar(&c.Note, "note", "", "why, as `TEXT`; needed unless it is done, and to cut a wait short")
	return cmd
}
