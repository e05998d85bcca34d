package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"os/user"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

// An app is one call of the command: its streams, its environment and the flags
// that every subcommand has.
type app struct {
	stdin    io.Reader
	stdout   io.Writer
	page     *page
	env      func(string) string
	zone     *time.Location
	socket   string
	log      string
	operator string
	json     bool
}

// run carries out the command line and returns its exit code.
func run(args []string, stdin io.Reader, stdout, stderr io.Writer, env func(string) string) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	a := &app{stdin: stdin, stdout: stdout, page: newPage(stdout, env), env: env, zone: zone(env)}
	a.page.zone = a.zone
	root := a.root()
	root.SetArgs(negatives(args))
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	if err == nil {
		err = a.page.err
	}
	if err == nil {
		return int(exitOK)
	}
	return int(report(newPage(stderr, env), err))
}

// report says what went wrong, in one sentence or one line a mistake.
func report(p *page, err error) exit {
	var f *failure
	if !errors.As(err, &f) {
		f = fail(exitFailed, "%v; mend that and try again", err)
	}
	for _, line := range f.lines {
		p.plain(line)
	}
	if f.sentence != "" {
		p.para("logctl: ", "  ", f.sentence)
	}
	return f.exit
}

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "logctl",
		Short: "Talk to the daemon of a bench, and work out jobs without one",
		Long: `Talk to the daemon of a bench, and work out jobs without one.

A bench measures one engine at a time: begin a job with a plan, measure step
by step, read the advice, end the job. What is typed here goes into the log
like a press on an instrument, with the operator's name.

Exit codes:
` + exitTable() + `

The operator is --operator, else $SHIMWRIGHT_OPERATOR, else the login name; a
PIN, where one is needed, is asked for, or taken from $SHIMWRIGHT_PIN.
The socket is --socket, else shimwright/control.sock in $XDG_RUNTIME_DIR, else
in the user's state directory. The log to review is --log, else
shimwright/bench-1.log.db in the user's state directory; it is read from the
file, with the daemon on or off. NO_COLOR switches emphasis off.`,
		SilenceErrors:     true,
		SilenceUsage:      true,
		DisableAutoGenTag: true,
		Args:              noSuchCommand,
		RunE:              func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return fail(exitUsage, "%v; see %s --help", err, cmd.CommandPath())
	})
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetHelpCommand(&cobra.Command{Hidden: true})
	flags := root.PersistentFlags()
	flags.SortFlags = false
	flags.StringVar(&a.socket, "socket", "", "the daemon's socket, at `PATH`")
	flags.StringVar(&a.log, "log", "", "the log to review, in `FILE`")
	flags.BoolVar(&a.json, "json", false, "print JSON")
	flags.StringVar(&a.operator, "operator", "", "who does it, by `NAME`")
	cobra.EnableCommandSorting = false
	root.AddCommand(
		a.statusCommand(), a.adviceCommand(), a.watchCommand(), a.readingsCommand(),
		a.beginCommand(), a.asideCommand(), a.resumeCommand(), a.takeCommand(), a.enterCommand(), a.nextCommand(), a.backCommand(), a.placeCommand(),
		a.strikeCommand(), a.restoreCommand(), a.temperatureCommand(), a.checkCommand(), a.fittedCommand(), a.stockCommand(), a.confirmCommand(), a.chooseCommand(), a.replaceCommand(), a.reopenCommand(), a.endCommand(),
		a.portsCommand(), a.instrumentCommand(), a.operatorCommand(), a.pairCommand(),
		a.planCommand(), a.workCommand(),
		a.jobCommand(), a.cardCommand(), a.historyCommand(), a.replayCommand(), a.exportCommand(), a.backupCommand(),
		a.verifyCommand(), a.proveCommand(),
		a.versionCommand(),
	)
	return root
}

// client is the way to the daemon.
func (a *app) client() (*client, error) {
	path := a.socket
	if path == "" {
		path = control.DefaultSocket(a.env)
	}
	if path == "" {
		return nil, fail(exitUnreachable, "there is no home directory to look for the daemon's socket in; name it with --socket PATH")
	}
	return newClient(path), nil
}

// who is the operator of a command.
func (a *app) who() string {
	if a.operator != "" {
		return a.operator
	}
	if name := a.env("SHIMWRIGHT_OPERATOR"); name != "" {
		return name
	}
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return a.env("LOGNAME")
}

// emit writes v as JSON over several lines.
func (a *app) emit(v any) error {
	enc := json.NewEncoder(a.stdout)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return fmt.Errorf("cannot write JSON: %w", err)
	}
	return nil
}

// zone is where the clock on the wall is read: $TZ if it names one.
func zone(env func(string) string) *time.Location {
	if name := env("TZ"); name != "" {
		if z, err := time.LoadLocation(name); err == nil {
			return z
		}
	}
	return time.Local
}

// noSuchCommand refuses what is no subcommand.
func noSuchCommand(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return fail(exitUsage, "there is no command %q; see %s --help", args[0], cmd.CommandPath())
	}
	return nil
}

// between asks for least to most arguments, or any number if most is negative.
func between(least, most int) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) < least || (most >= 0 && len(args) > most) {
			return fail(exitUsage, "write it as %s; see %s --help", cmd.UseLine(), cmd.CommandPath())
		}
		return nil
	}
}

// negatives moves negative numbers behind "--", so that they are not taken for
// flags.
func negatives(args []string) []string {
	var plain, numbers []string
	for i, arg := range args {
		if arg == "--" {
			return args
		}
		_, err := session.ParseNumber(arg)
		ofFlag := i > 0 && strings.HasPrefix(args[i-1], "--") && !strings.Contains(args[i-1], "=") && args[i-1] != "--json"
		if err == nil && strings.HasPrefix(arg, "-") && !ofFlag {
			numbers = append(numbers, arg)
		} else {
			plain = append(plain, arg)
		}
	}
	if len(numbers) == 0 {
		return args
	}
	return append(append(plain, "--"), numbers...)
}
