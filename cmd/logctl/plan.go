package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/session/tomlfile"
	"shimwright/session/wording"
)

func (a *app) planCommand() *cobra.Command {
	plan := &cobra.Command{
		Use: "plan", Short: "Check plan files, or make one", Args: noSuchCommand,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	plan.AddCommand(&cobra.Command{
		Use: "check FILE...", Short: "Check plan files and list every mistake", Args: between(1, -1),
		RunE: func(_ *cobra.Command, args []string) error { return a.check(args) },
	})
	plan.AddCommand(a.newPlanCommand())
	return plan
}

// A checked is what was found in one plan file.
type checked struct {
	File     string        `json:"file"`
	Sound    bool          `json:"sound"`
	Plan     *session.Plan `json:"plan,omitempty"`
	Problems []problem     `json:"problems,omitempty"`
	// Prospects say what instruments of the kinds it names can usually show.
	Prospects []session.Prospect `json:"prospects,omitempty"`
}

// A problem is a mistake with its place, both counted from 1, in the file or in one that
// it includes.
type problem struct {
	File   string `json:"file,omitempty"`
	Line   int    `json:"line"`
	Column int    `json:"column"`
	Wrong  string `json:"wrong"`
	Right  string `json:"right"`
}

// check checks every file. A file that is not there weighs less than a mistake.
func (a *app) check(files []string) error {
	var results []checked
	var failed []error
	for _, file := range files {
		text, err := a.readPlan(file)
		if err != nil {
			failed = append(failed, err)
			if found := new(tomlfile.Problems); errors.As(err, found) { // of what it includes
				results = append(results, checked{File: file, Problems: problems(err)})
			}
			continue
		}
		plan, err := session.ReadPlan(file, text)
		result := checked{File: file, Sound: err == nil}
		if err == nil {
			result.Plan = &plan
			if result.Prospects, err = session.Foresee(calc.NewMethod(), plan, nil); err != nil {
				failed = append(failed, fmt.Errorf("cannot judge %s: %w", file, err))
			}
		} else {
			result.Problems = problems(err)
			failed = append([]error{mistakes(err, "mend them and check again")}, failed...)
		}
		results = append(results, result)
	}
	if a.json {
		failed = append(failed, a.emit(append([]checked{}, results...)))
	} else {
		a.page.checked(results)
	}
	return worst(failed)
}

func (p *page) checked(results []checked) {
	for _, r := range results {
		if r.Sound {
			p.para("", "  ", fmt.Sprintf("%s: sound; %q has %s, %s, %s", r.File, r.Plan.Name,
				several(len(r.Plan.Steps), "step"), several(len(r.Plan.Chains), "chain"), several(len(r.Plan.Stock), "shim size")))
			for _, pr := range r.Prospects {
				p.para("  ", "    ", "With usual instruments: "+wording.English.Prospect(pr))
			}
		}
	}
}

func problems(err error) []problem {
	var found tomlfile.Problems
	if !errors.As(err, &found) {
		return []problem{{Line: 1, Column: 1, Wrong: err.Error()}}
	}
	list := make([]problem, len(found))
	for i, p := range found {
		list[i] = problem{p.File, p.Line, p.Column, p.Wrong, p.Right}
	}
	return list
}

// worst joins failures into one that has the first one's exit code, every line,
// and a sentence for all.
func worst(errs []error) error {
	all := &failure{}
	for _, err := range errs {
		var f *failure
		switch {
		case err == nil:
			continue
		case !errors.As(err, &f):
			return err
		case all.cause == nil:
			*all = *f
			all.cause = err
			continue
		}
		all.lines = append(all.lines, f.lines...)
		if f.exit != all.exit {
			all.sentence += "; " + f.sentence
		}
	}
	switch n := len(all.lines); {
	case all.cause == nil:
		return nil
	case n > 1 && len(errs) > 1:
		all.sentence = fmt.Sprintf("there are %d mistakes; mend them and check again", n)
	}
	return all
}

func several(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
