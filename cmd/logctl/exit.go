package main

import (
	"fmt"
	"strings"
)

// An exit is what the command tells the shell.
type exit int

// The exit codes. exits() describes them; they are a promise to scripts.
const (
	exitOK          exit = 0
	exitFailed      exit = 1
	exitUsage       exit = 2
	exitUnreachable exit = 3
	exitRefused     exit = 4
	exitNotFound    exit = 5
	exitUnverified  exit = 6
)

// exits lists every exit code with its meaning, for people.
func exits() []string {
	return []string{
		exitOK:          "done; a reading may still be ruled out of range and the like",
		exitFailed:      "failed, or a file has mistakes",
		exitUsage:       "wrong usage",
		exitUnreachable: "the daemon cannot be reached",
		exitRefused:     "the bench refuses the command; nothing was changed",
		exitNotFound:    "a file, job, entry, step, place or instrument is not there",
		exitUnverified:  "a log fails verification",
	}
}

func exitTable() string {
	var b strings.Builder
	for code, means := range exits() {
		fmt.Fprintf(&b, "  %d  %s\n", code, means)
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// A failure ends the command: one sentence that says what to do, and the exit
// code. Lines are shown as they are, one a mistake in a file.
type failure struct {
	exit     exit
	sentence string
	lines    []string
	cause    error
}

func (f *failure) Error() string { return f.sentence }

func (f *failure) Unwrap() error { return f.cause }

func fail(code exit, format string, args ...any) *failure {
	return &failure{exit: code, sentence: fmt.Sprintf(format, args...)}
}
