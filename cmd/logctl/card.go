package main

import (
	"errors"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/session/card"
	"shimwright/session/wording"
	"shimwright/sqlite"
	"shimwright/testdata/plans"
)

func (a *app) cardCommand() *cobra.Command {
	var out, tag, unit, folder string
	cmd := &cobra.Command{
		Use: "card JOB -o FILE", Short: "Make the card of a job, to hand over with the engine", Args: between(1, 1),
		Long: `Make the card of a job, to hand over with the engine: what was measured with
what, what was left out, what was advised by which rule and how sure that is,
and the checkpoint that holds the log to its word, as text and as a code to scan.
It is made from the log alone, with the daemon on or off; the same log gives the
same file.

FILE ends in .html, for a browser, or in .pdf, for paper (A4). A file that is
there already is never written over.`,
		Example: `  logctl card 7 -o job-7.pdf
  logctl card 7 -o job-7.html
  logctl card 7 -o auftrag-7.pdf --language de`,
		RunE: func(_ *cobra.Command, args []string) error {
			write, err := cardForm(out)
			if err != nil {
				return err
			}
			l, err := languageOf(tag, unit, folder)
			if err != nil {
				return err
			}
			return a.reviewed(func(r *sqlite.Reader) error {
				job, err := jobOf(r, args[0])
				if err != nil {
					return err
				}
				c, err := a.cardOf(r, job)
				if err != nil {
					return err
				}
				c.Language = l
				return a.exportTo(out, func(w io.Writer) error { return write(w, c) })
			})
		},
	}
	cmd.Flags().StringVarP(&out, "out", "o", "", "write to a new `FILE`")
	cmd.Flags().StringVar(&tag, "language", "en", "write it in the language of a `TAG` such as de")
	cmd.Flags().StringVar(&unit, "unit", "mm", "write lengths in a `UNIT`: mm or in")
	cmd.Flags().StringVar(&folder, "languages", "", "take more languages, and the words of your plans, from a `FOLDER` of catalogues")
	return cmd
}

// languageOf is the language of a tag, with lengths in a unit.
func languageOf(tag, unit, folder string) (*wording.Language, error) {
	folders := []fs.FS{plans.Words()}
	if folder != "" {
		if _, err := os.ReadDir(folder); err != nil {
			return nil, fail(exitUsage, "cannot read the folder of languages: %v", err)
		}
		folders = append(folders, os.DirFS(folder))
	}
	all, err := wording.Load(folders...)
	if err != nil {
		return nil, fail(exitUsage, "%v", err)
	}
	l := all[tag]
	switch {
	case l == nil:
		return nil, fail(exitUsage, "there is no language %q; choose one of %s", tag, strings.Join(slices.Sorted(maps.Keys(all)), ", "))
	case unit != "mm" && unit != "in":
		return nil, fail(exitUsage, "lengths cannot be written in %q; choose mm or in", unit)
	}
	return l.Inches(unit == "in"), nil
}

// cardForms are the endings of the names of cards.
func cardForms() []string { return []string{".html", ".pdf"} }

// cardForm picks the form of a card by the name of its file.
func cardForm(out string) (func(io.Writer, card.Job) error, error) {
	switch filepath.Ext(out) {
	case ".html":
		return card.WriteHTML, nil
	case ".pdf":
		return card.WritePDF, nil
	case "":
		return nil, fail(exitUsage, "say where to write the card with -o FILE, whose name ends in .html or .pdf")
	}
	return nil, fail(exitUsage, "a card is written as HTML or PDF; give %s a name that ends in .html or .pdf", out)
}

// cardOf gathers from the log what a card is made from.
func (a *app) cardOf(r *sqlite.Reader, job sqlite.Job) (card.Job, error) {
	s, err := atItsEnd(r, job)
	if err != nil {
		return card.Job{}, err
	}
	c := card.Job{
		Snapshot: s, Ended: job.Ended, Note: job.Note, First: job.Seq, Last: s.Seq, Zone: a.zone, Struck: map[int64]string{},
	}
	err = r.Job(job.Number, func(e session.Entry) error {
		switch b := e.Body.(type) {
		case session.Began:
			plan, err := session.ReadPlan("plan", []byte(b.Plan))
			c.Parts = plan.Parts
			return err
		case session.TemperatureTaken:
			c.Warmth = append(c.Warmth, b)
		case session.InstrumentUsed:
			c.Profiles = append(c.Profiles, b.Profile)
		case session.Struck:
			c.Struck[b.Reading] = e.Operator
		case session.Reopened:
			c.EndedBy = ""
		case session.Ended:
			c.EndedBy = e.Operator
		}
		return nil
	})
	if err != nil {
		return card.Job{}, err
	}
	c.Checkpoint, c.PublicKey, err = a.pinned(r, c.Last)
	return c, err
}

// pinned is the checkpoint that covers an entry and the key that signed it; both are
// empty if there is none yet. A log that is not sound gets no card.
func (a *app) pinned(r *sqlite.Reader, seq int64) (checkpoint, key string, err error) {
	report, err := sqlite.Verify(a.logPath(), sqlite.VerifyOptions{Quick: true})
	if err != nil {
		return "", "", err
	}
	if !report.Sound() {
		return "", "", fail(exitUnverified, "the log fails verification, so no card was made of it; see with logctl verify what was changed")
	}
	proofs, err := r.Prove(seq)
	if errors.Is(err, sqlite.ErrNotCovered) {
		return "", "", nil
	}
	if err != nil {
		return "", "", err
	}
	for _, key := range report.Keys {
		if _, err := proofs[0].Check([]string{key}); err == nil {
			return proofs[0].Checkpoint, key, nil
		}
	}
	return proofs[0].Checkpoint, "", nil
}

// logPath is the log to review.
func (a *app) logPath() string {
	if a.log != "" {
		return a.log
	}
	return sqlite.PathOf(sqlite.DefaultFolder(a.env), defaultBench)
}
