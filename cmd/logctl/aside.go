package main

import (
	"github.com/spf13/cobra"

	"shimwright/session"
)

func (a *app) asideCommand() *cobra.Command {
	var note string
	cmd := &cobra.Command{
		Use: "aside", Short: "Put the open job aside and free the bench", Args: between(0, 0),
		Long: `aside leaves the open job waiting, for a part perhaps, so that another can be begun
or resumed. Nothing of it is lost, and no reading goes to it while it waits.`,
		Example: `  logctl aside --note "waits for a crank"`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, session.Command{Do: session.Aside, Note: note}, a.moved)
		},
	}
	cmd.Flags().StringVar(&note, "note", "", "what it waits for")
	return cmd
}

func (a *app) resumeCommand() *cobra.Command {
	return &cobra.Command{
		Use: "resume [JOB]", Short: "Go on with a job that was put aside", Args: between(0, 1),
		Long: `resume goes on with a job where it was put aside. Without a number it is the only
one that waits; status lists them.`,
		Example: `  logctl resume 12`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, session.Command{Do: session.Resume, Job: argument(args)}, func(r session.Receipt, s session.Snapshot) {
				if s.Job != nil { // so that nobody goes on with the wrong engine
					a.page.strong("", "  ", jobLine(*s.Job))
				}
				a.moved(r, s)
			})
		},
	}
}
