package main

import (
	"errors"
	"fmt"
	"io/fs"

	"github.com/spf13/cobra"

	"shimwright/sqlite"
)

func (a *app) backupCommand() *cobra.Command {
	return &cobra.Command{
		Use: "backup FILE", Short: "Copy the log to a new file, also while the daemon writes", Args: between(1, 1),
		Long: `Copy the log to a new file: one moment of it, whole. The daemon may go on
writing; it does not wait, and what it adds meanwhile is not in the copy. The
copy is one file, so that it can be put on a stick and read there with --log
FILE. A file that is there already is never written over.

A copy that is kept elsewhere is also evidence: held against it, a log that was
changed on the bench is found out.`,
		RunE: func(_ *cobra.Command, args []string) error {
			return a.reviewed(func(r *sqlite.Reader) error { return a.backup(r, args[0]) })
		},
	}
}

func (a *app) backup(r *sqlite.Reader, file string) error {
	last, err := r.Backup(file)
	switch {
	case errors.Is(err, fs.ErrExist):
		return fail(exitFailed, "%s is there already and was left as it is; give the copy a new name", file)
	case errors.Is(err, fs.ErrNotExist):
		return fail(exitNotFound, "there is no folder for %s; make it first or name another", file)
	case err != nil:
		return fmt.Errorf("%w; nothing was left at %s", err, file)
	}
	if a.json {
		return a.emit(backup{file, last})
	}
	a.page.para("", "  ", fmt.Sprintf("Entries 1 to %d are in %s.", last, file))
	return nil
}

// A backup is what was copied where.
type backup struct {
	File string `json:"file"`
	Last int64  `json:"last_seq"` // of the last entry in it
}
