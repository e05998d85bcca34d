package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"shimwright/session"
)

func (a *app) replaceCommand() *cobra.Command {
	c := session.Command{Do: session.Replace}
	cmd := &cobra.Command{
		Use: "replace PART --note TEXT", Short: "Say that a part was exchanged; what was measured on it falls out", Args: between(1, 1),
		Long: `replace says that a part of the engine was exchanged for another. What was measured on
the old one falls out of the count and its steps open again; the others stay.`,
		Example: `  logctl replace crank --note "pin was scored, the spare goes in"`,
		RunE: func(cmd *cobra.Command, args []string) error {
			c.Part = args[0]
			if c.Note == "" {
				return fail(exitUsage, "say why, or what the new one is, with --note TEXT")
			}
			return a.do(cmd, c, a.moved)
		},
	}
	cmd.Flags().StringVar(&c.Note, "note", "", "why, or what the new one is, as `TEXT`")
	return cmd
}

func (a *app) reopenCommand() *cobra.Command {
	c := session.Command{Do: session.Reopen}
	cmd := &cobra.Command{
		Use: "reopen JOB --note TEXT", Short: "Open a job again that was ended", Args: between(1, 1),
		Long: `reopen opens one of the last six jobs that were ended again, while no other is open.
Its readings count as they did; the log keeps that it was ended before.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			c.Job = args[0]
			if c.Note == "" {
				return fail(exitUsage, "say why with --note TEXT; the log keeps it")
			}
			return a.do(cmd, c, func(r session.Receipt, s session.Snapshot) {
				a.page.strong("", "  ", fmt.Sprintf("Job %s is open again.", r.Job))
				a.moved(r, s)
			})
		},
	}
	cmd.Flags().StringVar(&c.Note, "note", "", "why, as `TEXT`")
	return cmd
}
