package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/sqlite"
	"shimwright/testdata/plans"
)

// anyPlan is the plan with questions that plan new begins with.
const anyPlan = "any-end-float.toml"

func (a *app) newPlanCommand() *cobra.Command {
	var out, from string
	var given []string
	cmd := &cobra.Command{
		Use: "new [PLANFILE]", Short: "Make a plan by questions, or from a job", Args: between(0, 1),
		Long: `new asks what a plan asks and writes the plan that comes of it, to be used for every
engine of that make. Without PLANFILE it asks what any shaft with shims needs. With
--from it takes the plan of a job that is in the log.`,
		Example: `  logctl plan new -o old-mill-pump.toml
  logctl plan new --from 12 -o old-mill-pump.toml`,
		RunE: func(_ *cobra.Command, args []string) error {
			text, err := a.newPlan(argument(args), from, given)
			if err != nil {
				return err
			}
			if out == "" {
				return fail(exitUsage, "say where to write the plan: -o FILE")
			}
			if err := writeNew(out, string(text)); err != nil {
				return err
			}
			a.page.para("", "  ", fmt.Sprintf("%s is written. Read it through, then check it with: logctl plan check %s", out, out))
			return nil
		},
	}
	flags := cmd.Flags()
	flags.StringVarP(&out, "output", "o", "", "write the plan to `FILE`, which must not be there yet")
	flags.StringVar(&from, "from", "", "take the plan of `JOB`")
	flags.StringArrayVar(&given, "answer", nil, "answer to a question, as `NAME=ANSWER`; may be repeated")
	return cmd
}

// newPlan is the text of a plan without open questions.
func (a *app) newPlan(file, job string, given []string) ([]byte, error) {
	if job != "" {
		return a.planOf(job)
	}
	text, err := plans.Files.ReadFile(anyPlan)
	if file != "" {
		text, err = a.readPlan(file)
	} else {
		file = anyPlan
	}
	if err != nil {
		return nil, err
	}
	if _, err := session.ReadPlan(file, text); err != nil {
		return nil, mistakes(err, "mend the plan and try again")
	}
	answers, err := a.answers(text, given)
	if err != nil {
		return nil, err
	}
	answered, no := session.Answer(text, answers)
	if no != nil {
		return nil, fail(exitUsage, "%v", no)
	}
	if _, err := session.ReadPlan(file, answered); err != nil {
		return nil, mistakes(err, "give other answers")
	}
	return answered, nil
}

// planOf is the plan of a job in the log.
func (a *app) planOf(job string) ([]byte, error) {
	var text []byte
	err := a.reviewed(func(r *sqlite.Reader) error {
		found, err := jobOf(r, job)
		if err != nil {
			return err
		}
		return entries(r, found.Seq, found.Seq, func(e session.Entry) error {
			b, _ := e.Body.(session.Began)
			text = []byte(b.Plan)
			return nil
		})
	})
	return text, err
}
