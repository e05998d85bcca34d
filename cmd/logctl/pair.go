package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"

	"github.com/spf13/cobra"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

func (a *app) pairCommand() *cobra.Command {
	var list bool
	var revoke string
	cmd := &cobra.Command{
		Use: "pair [NAME]", Short: "Make a one-time code that lets a page of the display give commands", Args: between(0, 1),
		Long: `pair prints a code to type into the display page, under its Menu. The page can then
do to a job whatever logctl can. The code pairs one page, lives five minutes, and is void
after five wrong tries; a new code takes the place of the one before. What pages are
paired, and since when, is in the log, and lives over restarts until it is revoked.`,
		Example: `  logctl pair tablet
  logctl pair --list
  logctl pair --revoke tablet`,
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case revoke != "" && (list || len(args) > 0), list && len(args) > 0:
				return fail(exitUsage, "give either NAME, or --list, or --revoke NAME; see logctl pair --help")
			case revoke != "":
				return a.do(cmd, session.Command{Do: session.Unpair, Page: revoke}, func(session.Receipt, session.Snapshot) {
					a.page.para("", "  ", fmt.Sprintf("The page %q may only look from now on.", revoke))
				})
			case list:
				return a.listPages(cmd.Context())
			}
			return a.invite(cmd.Context(), argument(args))
		},
	}
	cmd.Flags().BoolVar(&list, "list", false, "list the pages that are paired")
	cmd.Flags().StringVar(&revoke, "revoke", "", "let the page `NAME` only look")
	return cmd
}

// invite shows a one-time code.
func (a *app) invite(ctx context.Context, page string) error {
	daemon, err := a.client()
	if err != nil {
		return err
	}
	body, err := json.Marshal(map[string]string{"page": page})
	if err != nil {
		return fmt.Errorf("cannot write the request: %w", err)
	}
	var v control.Invitation
	if err := daemon.ask(ctx, http.MethodPost, "/v1/pair", bytes.NewReader(body), &v); err != nil {
		return a.refused(err)
	}
	if a.json {
		return a.emit(v)
	}
	a.page.strong("CODE  ", "      ", v.Code)
	a.page.para("      ", "      ", fmt.Sprintf("Type it within %.0f minutes at http://%s/ under Menu, Pair this page. It will be called %q.", v.Seconds/60, v.Address, v.Page))
	return nil
}

// listPages shows the pages that are paired.
func (a *app) listPages(ctx context.Context) error {
	daemon, err := a.client()
	if err != nil {
		return err
	}
	var pages []control.PairedPage
	if err := daemon.ask(ctx, http.MethodGet, "/v1/pages", nil, &pages); err != nil {
		return err
	}
	if a.json {
		return a.emit(pages)
	}
	if len(pages) == 0 {
		a.page.para("", "  ", "No page is paired; logctl pair makes a code for one.")
	}
	for _, p := range pages {
		a.page.para("", "  ", fmt.Sprintf("%s, since %s", p.Page, p.Since.In(a.zone).Format("2006-01-02 15:04")))
	}
	return nil
}
