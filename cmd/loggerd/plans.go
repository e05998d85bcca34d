package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"

	"shimwright/cmd/loggerd/display"
	"shimwright/session"
	"shimwright/testdata/plans"
)

// What a folder of plans may hold.
const (
	maxPlans    = 500
	maxPlanFile = 1 << 20 // bytes
)

// plansToBegin lists the plans of the shop's folder, then those that come with the
// program and are not shadowed by one of that name. They are read each time, so that
// a plan that was mended is there at once.
func plansToBegin(folder string) ([]display.Plan, error) {
	var all []display.Plan
	if folder != "" {
		own, err := readPlans(os.DirFS(folder))
		if err != nil {
			return nil, fmt.Errorf("the folder of plans %q cannot be read: %w", folder, err)
		}
		all = own
	}
	examples, err := readPlans(plans.Files)
	if err != nil {
		return nil, fmt.Errorf("the plans of the program cannot be read: %w", err)
	}
	for _, p := range examples {
		if !slices.ContainsFunc(all, func(own display.Plan) bool { return own.File == p.File }) {
			all = append(all, p)
		}
	}
	return all, nil
}

// readPlans reads the plans in a folder, in order of their titles.
func readPlans(folder fs.FS) ([]display.Plan, error) {
	names, err := fs.Glob(folder, "*.toml")
	if err != nil {
		return nil, err
	}
	if _, err := fs.Stat(folder, "."); err != nil {
		return nil, err
	}
	if len(names) > maxPlans {
		return nil, fmt.Errorf("it holds more than %d plans; keep those that are used", maxPlans)
	}
	var all []display.Plan
	for _, name := range names {
		all = append(all, readPlan(folder, name))
	}
	slices.SortStableFunc(all, func(a, b display.Plan) int {
		return strings.Compare(strings.ToLower(a.Title), strings.ToLower(b.Title))
	})
	return all, nil
}

// readPlan reads one plan; one with mistakes says so.
func readPlan(folder fs.FS, name string) display.Plan {
	p := display.Plan{File: name, Title: name}
	text, err := readAtMost(folder, name, maxPlanFile)
	if err != nil {
		p.Problem = "It cannot be read: " + err.Error() + "."
		return p
	}
	text, err = session.ResolvePlan(name, text, func(other string) ([]byte, error) { return readAtMost(folder, other, maxPlanFile) })
	if err != nil {
		first, _, _ := strings.Cut(err.Error(), "\n")
		p.Problem = "It has a mistake: " + first + "."
		return p
	}
	plan, err := session.ReadPlan(name, text)
	if err != nil {
		first, _, more := strings.Cut(err.Error(), "\n")
		p.Problem = "It has a mistake: " + first + "."
		if more {
			p.Problem = "It has mistakes, first: " + first + "."
		}
		return p
	}
	p.Title, p.Steps, p.Text, p.Asks = plan.Title, len(plan.Steps), string(text), session.Questions(text)
	if len(p.Asks) > 0 { // its own title may be an example
		p.Title = strings.ReplaceAll(strings.TrimSuffix(name, ".toml"), "-", " ")
	}
	return p
}

func readAtMost(folder fs.FS, name string, most int64) ([]byte, error) {
	info, err := fs.Stat(folder, name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() || info.Size() > most {
		return nil, errors.New("it is no file of at most 1 MiB")
	}
	return fs.ReadFile(folder, name)
}
