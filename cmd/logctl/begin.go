package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/session/wording"
)

// maxFile is how much of a file is read: a plan is shorter, and so is a job.
const maxFile = 16 << 20

func (a *app) beginCommand() *cobra.Command {
	var reference string
	var given []string
	cmd := &cobra.Command{
		Use: "begin PLANFILE", Short: "Begin a job with a plan", Args: between(1, 1),
		Long: `begin opens a job. Where the plan has questions it asks them, or takes their answers
from --answer NAME=ANSWER.`,
		Example: `  logctl begin testdata/plans/pump-bottom-end.toml --reference "pump 12"
  logctl begin testdata/plans/any-end-float.toml --answer least=0.08 --answer most=0.20`,
		RunE: func(cmd *cobra.Command, args []string) error {
			text, err := a.readPlan(args[0])
			if err != nil {
				return err
			}
			if _, err := session.ReadPlan(args[0], text); err != nil {
				return mistakes(err, "mend the plan and begin again")
			}
			answers, err := a.answers(text, given)
			if err != nil {
				return err
			}
			c := session.Command{Do: session.Begin, Plan: string(text), PlanFile: args[0], Reference: reference, Answers: answers}
			return a.do(cmd, c, a.begun)
		},
	}
	cmd.Flags().StringArrayVar(&given, "answer", nil, "answer to a question of the plan, as `NAME=ANSWER`; may be repeated")
	cmd.Flags().StringVar(&reference, "reference", "", "your own `TEXT` for the engine, as on the job card")
	return cmd
}

func (a *app) begun(r session.Receipt, s session.Snapshot) {
	a.page.strong("", "  ", fmt.Sprintf("Job %s has begun.", r.Job))
	if s.Job != nil {
		a.page.para("", "  ", s.Job.Title)
		for _, caution := range s.Job.Cautions {
			a.page.para("  Caution: ", "    ", caution)
		}
	}
	for _, p := range r.Prospects {
		a.page.para("  ", "    ", wording.English.Prospect(p))
	}
	a.page.gap()
	a.moved(r, s)
}

// read reads a whole file; "-" is the standard input.
func (a *app) read(name string) ([]byte, error) {
	if name == "-" {
		return readAll("the standard input", a.stdin)
	}
	f, err := os.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fail(exitNotFound, "there is no file %q; check its name", name)
	}
	if err != nil {
		return nil, fail(exitFailed, "%q cannot be read (%v); check what it is and who may read it", name, reason(err))
	}
	defer f.Close()
	return readAll(fmt.Sprintf("%q", name), f)
}

// readPlan reads a plan file with all that it includes.
func (a *app) readPlan(name string) ([]byte, error) {
	text, err := a.read(name)
	if err != nil {
		return nil, err
	}
	text, err = session.ResolvePlan(name, text, func(other string) ([]byte, error) {
		body, err := os.ReadFile(filepath.Join(filepath.Dir(name), filepath.FromSlash(other)))
		return body, reason(err)
	})
	if err != nil {
		return nil, mistakes(err, "mend the plan and try again")
	}
	return text, nil
}

func readAll(name string, r io.Reader) ([]byte, error) {
	text, err := io.ReadAll(io.LimitReader(r, maxFile+1))
	if err != nil {
		return nil, fail(exitFailed, "%s cannot be read (%v); check what it is and who may read it", name, reason(err))
	}
	if len(text) > maxFile {
		return nil, fail(exitFailed, "%s is longer than %d MiB; check that it is the right file", name, maxFile>>20)
	}
	return text, nil
}

// reason is an error without the operation and the file that it names.
func reason(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// mistakes is the failure of a file with mistakes, one a line as given.
func mistakes(err error, then string) *failure {
	lines := strings.Split(err.Error(), "\n")
	what := "there is 1 mistake"
	if len(lines) > 1 {
		what = fmt.Sprintf("there are %d mistakes", len(lines))
	}
	return &failure{exit: exitFailed, lines: lines, sentence: what + "; " + then, cause: err}
}
