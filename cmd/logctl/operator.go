package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"shimwright/cmd/loggerd/operators"
	"shimwright/session"
)

func (a *app) operatorCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "operator", Short: "Make the PIN of an operator", Args: noSuchCommand,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(&cobra.Command{
		Use: "pin NAME", Short: "Ask for a PIN and print the lines for the daemon's configuration", Args: between(1, 1),
		Long: `Ask for a PIN and print the lines for the daemon's configuration.

The lines hold no PIN, only a hash of it. Put them into the file that loggerd
reads, say there what takes a PIN, and start it again:

  protect = ["begin", "strike out", "end"]

If the standard input is no terminal, its first line is the PIN.`,
		RunE: func(_ *cobra.Command, args []string) error {
			pin, err := a.newPIN()
			if err != nil {
				return err
			}
			hash, err := operators.HashPIN(pin)
			if err != nil {
				return fail(exitUsage, "%v; choose another", err)
			}
			a.page.plain("[[operator]]")
			a.page.plain(fmt.Sprintf("name = %q", args[0]))
			a.page.plain(fmt.Sprintf("pin  = %q", hash))
			return nil
		},
	})
	return cmd
}

// newPIN asks for a PIN twice.
func (a *app) newPIN() (string, error) {
	file, ok := a.console()
	if !ok {
		return a.lineOfInput()
	}
	pin, err := readPIN(file, "PIN: ")
	if err != nil {
		return "", err
	}
	again, err := readPIN(file, "The same again: ")
	if err == nil && again != pin {
		err = fail(exitUsage, "these were two PINs; try again")
	}
	return pin, err
}

// askPIN asks for the PIN that a command needs. Where nobody can be asked, it returns
// the refusal.
func (a *app) askPIN(prompt string, refused error) (string, error) {
	file, ok := a.console()
	if !ok {
		return "", refused
	}
	return readPIN(file, prompt)
}

// console is the terminal that a person types at.
func (a *app) console() (*os.File, bool) {
	file, ok := a.stdin.(*os.File)
	return file, ok && term.IsTerminal(int(file.Fd()))
}

// readPIN reads a line that is not shown.
func readPIN(file *os.File, prompt string) (string, error) {
	fmt.Fprint(os.Stderr, prompt)
	text, err := term.ReadPassword(int(file.Fd()))
	fmt.Fprintln(os.Stderr)
	if err != nil {
		return "", fail(exitFailed, "the PIN cannot be read (%v); try again", err)
	}
	return string(text), nil
}

// lineOfInput reads the first line of the standard input.
func (a *app) lineOfInput() (string, error) {
	line, err := bufio.NewReader(io.LimitReader(a.stdin, 1024)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fail(exitFailed, "the standard input cannot be read (%v); try again", err)
	}
	return strings.TrimRight(line, "\r\n"), nil
}

// pinNeeded says whether the bench wants a PIN that was not given.
func pinNeeded(err error) bool {
	var refusal *session.Refusal
	return errors.As(err, &refusal) && refusal.Code == "pin needed"
}
