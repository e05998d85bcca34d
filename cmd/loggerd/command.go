package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"

	"github.com/spf13/cobra"

	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/control"
)

// version is the version of the software; it goes into the log with every run.
const version = "0.1.0"

// Exit codes.
const (
	exitOK     = 0
	exitFailed = 1
	exitUsage  = 2
)

// errUsage marks a mistake in how the command was called.
var errUsage = errors.New("")

// run is the whole command; main only adds the process around it.
func run(ctx context.Context, args []string, stdout, stderr io.Writer, getenv func(string) string) int {
	root := rootCommand(stdout, stderr, getenv)
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	switch {
	case err == nil:
		return exitOK
	case errors.Is(err, errUsage):
		fmt.Fprintf(stderr, "loggerd: %v\n", err)
		return exitUsage
	}
	fmt.Fprintf(stderr, "loggerd: %v\n", err)
	return exitFailed
}

func rootCommand(stdout, stderr io.Writer, getenv func(string) string) *cobra.Command {
	var file, record, newKey string
	root := &cobra.Command{
		Use:   "loggerd",
		Short: "Reads the instruments of a bench, keeps its log, advises shims",
		Long: `loggerd reads the instruments of a bench, files each reading under the step
that is being measured, keeps every one in its log, and tells any display which
shims to fit. Drive it with logctl.

Without a file it runs with defaults: loopback only, the log in the user's state
directory, a usual instrument of each kind to type values of. Stop it with Ctrl-C.`,
		Args:          noArguments,
		SilenceUsage:  true,
		SilenceErrors: true,
		Version:       version,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := readConfig(file, getenv)
			if err != nil {
				return err
			}
			return serve(cmd.Context(), c, slog.New(slog.NewTextHandler(stderr, nil)), outfit{record: record, config: file, newKey: newKey})
		},
	}
	root.Flags().StringVar(&file, "config", "", "TOML `file` that sets up the bench")
	root.Flags().StringVar(&record, "record", "", "keep what the instruments send, byte for byte, in `DIR`")
	root.Flags().StringVar(&newKey, "new-key", "", "sign the log with a new key from here on, and say why as `REASON` in the log")
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usage("%v; see loggerd --help", err) })
	root.CompletionOptions.HiddenDefaultCmd = true
	root.AddCommand(demoCommand(stdout, stderr, getenv), simulateCommand(stdout, stderr, getenv))
	return root
}

func usage(format string, args ...any) error {
	return fmt.Errorf(format+"%w", append(args, errUsage)...)
}

func noArguments(_ *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usage("there is no command %q; see loggerd --help", args[0])
	}
	return nil
}

// readConfig reads the file over the defaults, or gives the defaults.
func readConfig(file string, getenv func(string) string) (config.Config, error) {
	c := config.Default(getenv, control.DefaultSocket(getenv))
	if file == "" {
		return c, nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return config.Config{}, fmt.Errorf("cannot read the configuration: %w", err)
	}
	return config.Read(file, text, c)
}
