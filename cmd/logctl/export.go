package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/session/export"
	"shimwright/sqlite"
)

func (a *app) exportCommand() *cobra.Command {
	var as, out string
	cmd := &cobra.Command{
		Use: "export JOB --as entries|readings|results", Short: "Write a job for other programs: its entries, readings or results", Args: between(1, 1),
		Long: `Write a job for other programs, with the daemon on or off, as

  entries   JSON Lines: the job's entries and those of the bench meanwhile, from
            the start of the daemon that it was begun under, byte for byte as
            they are in the log
  readings  CSV: every reading of the job, how it was ruled and how it counts;
            a text that a spreadsheet would take for a formula begins with an
            apostrophe
  results   JSON: what was measured, with the field names of the D-SI data model
            and UCUM units

Each form has a JSON Schema in testdata/schema of the sources. A file that is
there already is never written over.`,
		RunE: func(_ *cobra.Command, args []string) error {
			return a.reviewed(func(r *sqlite.Reader) error { return a.export(r, args[0], as, out) })
		},
	}
	cmd.Flags().StringVar(&as, "as", "", "`FORM`: entries, readings or results")
	cmd.Flags().StringVarP(&out, "out", "o", "-", "write to a new `FILE`; - is standard output")
	return cmd
}

// export writes a job to a new file or to standard output.
func (a *app) export(r *sqlite.Reader, number, as, out string) error {
	var write func(io.Writer, *sqlite.Reader, sqlite.Job) error
	switch as {
	case "entries":
		write = exportEntries
	case "readings":
		write = exportReadings
	case "results":
		write = exportResults
	default:
		return fail(exitUsage, "no such form of export was named; write --as entries, --as readings or --as results")
	}
	job, err := jobOf(r, number)
	if err != nil {
		return err
	}
	if out == "-" {
		b := bufio.NewWriter(a.stdout)
		return errors.Join(write(b, r, job), b.Flush())
	}
	return a.exportTo(out, func(w io.Writer) error { return write(w, r, job) })
}

// exportTo makes a new file and lets write fill it. A file that is not whole is
// taken away again.
func (a *app) exportTo(name string, write func(io.Writer) error) error {
	file, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	switch {
	case errors.Is(err, fs.ErrExist):
		return fail(exitFailed, "%s is there already and was left as it is; give the export a new name", name)
	case errors.Is(err, fs.ErrNotExist):
		return fail(exitNotFound, "there is no folder for %s; make it first or name another", name)
	case err != nil:
		return fail(exitFailed, "cannot write the export: %v; name another file", err)
	}
	b := bufio.NewWriter(file)
	err = errors.Join(write(b), b.Flush(), file.Sync(), file.Close())
	if err != nil {
		return errors.Join(err, os.Remove(name))
	}
	return nil
}

// exportEntries writes the stored bytes of the job's entries and of those without a
// job, from the start of its run on.
func exportEntries(w io.Writer, r *sqlite.Reader, job sqlite.Job) error {
	first, err := r.FoldFrom(job.Seq)
	if err != nil {
		return err
	}
	last, err := lastOf(r, job)
	if err != nil {
		return err
	}
	return export.Entries(w, func(yield func(int64, []byte) error) error {
		return r.Stored(job.Number, first, last, func(seq int64, body []byte) error {
			if e, err := session.DecodeEntry(body); err == nil && e.Run < job.Run {
				return nil // of the bench before; a run says anew what is in force
			}
			return yield(seq, body)
		})
	})
}

func exportReadings(w io.Writer, r *sqlite.Reader, job sqlite.Job) error {
	s, err := atItsEnd(r, job)
	if err != nil {
		return err
	}
	return export.Readings(w, s.Readings)
}

func exportResults(w io.Writer, r *sqlite.Reader, job sqlite.Job) error {
	s, err := atItsEnd(r, job)
	if err != nil {
		return err
	}
	return export.Results(w, s, job.Ended)
}

// lastOf is the last entry of a job.
func lastOf(r *sqlite.Reader, job sqlite.Job) (int64, error) {
	last := job.Seq
	err := r.Job(job.Number, func(e session.Entry) error { last = e.Seq; return nil })
	return last, err
}

// lastActive is the last entry of a job after which it is active: that it was put aside
// comes after it.
func lastActive(r *sqlite.Reader, job sqlite.Job) (int64, error) {
	last := job.Seq
	err := r.Job(job.Number, func(e session.Entry) error {
		if _, aside := e.Body.(session.PutAside); !aside {
			last = e.Seq
		}
		return nil
	})
	return last, err
}

// atItsEnd is the snapshot after a job's last entry, with the readings of the job only.
func atItsEnd(r *sqlite.Reader, job sqlite.Job) (session.Snapshot, error) {
	last, err := lastActive(r, job)
	if err != nil {
		return session.Snapshot{}, err
	}
	state, err := fold(r, calc.NewMethod(), last)
	if err != nil {
		return session.Snapshot{}, fmt.Errorf("cannot fold the log up to the end of job %s: %w", job.Number, err)
	}
	s := state.Snapshot()
	var its []session.ReadingView
	for _, v := range s.Readings {
		if v.Job == job.Number {
			its = append(its, v)
		}
	}
	s.Readings = its
	return s, nil
}
