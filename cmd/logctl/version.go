package main

import (
	"runtime/debug"

	"github.com/spf13/cobra"

	"shimwright/session"
)

func (a *app) versionCommand() *cobra.Command {
	return &cobra.Command{
		Use: "version", Short: "Print the version of this program", Args: between(0, 0),
		RunE: func(*cobra.Command, []string) error {
			v := thisVersion()
			if a.json {
				return a.emit(v)
			}
			a.page.para("", "", "shimwright logctl "+v.Software)
			return nil
		},
	}
}

// A version is what this program is and speaks.
type version struct {
	Software string `json:"software"`
	Schema   int    `json:"schema"`
}

func thisVersion() version {
	v := version{Software: "(devel)", Schema: session.SchemaVersion}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		v.Software = info.Main.Version
	}
	return v
}
