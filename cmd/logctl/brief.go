package main

import (
	"fmt"
	"slices"
	"strings"

	"shimwright/session"
	"shimwright/session/wording"
)

// fewSteps is how many steps a job may have whose status shows each of them: more do not
// fit a terminal of 24 lines.
const fewSteps = 15

// brief shows the rest of the status of a long job: a line for each chain and each
// section, and in full what the active step is about.
func (p *page) brief(s session.Snapshot) {
	p.chainsInBrief(s)
	for _, step := range s.Job.Steps {
		if v := step.Compare; v != nil && step.Active && measuredSome(*v) {
			p.gap()
			p.table("  ", wording.English.Comparison(*v))
		}
	}
	p.gap()
	p.sections(*s.Job)
	p.gap()
	p.notReady(s)
	p.para("", "", "More: logctl status --every, logctl advice")
}

// chainsInBrief shows in full the advice that is wanted now or that a person must look
// at, each other in a line, and those that there are none for in one.
func (p *page) chainsInBrief(s session.Snapshot) {
	var rows [][]string
	var later []string
	for _, a := range s.Advice {
		switch {
		case a.Best == nil:
			later = append(later, a.Title)
		case wantedNow(s, a):
			p.gap()
			p.shims(s, a)
		default:
			rows = append(rows, []string{a.Title, inALine(s, a)})
		}
	}
	if len(rows)+len(later) > 0 {
		p.gap()
	}
	for _, row := range rows {
		p.para("      ", "        ", row[0]+": "+row[1])
	}
	if len(later) > 0 {
		p.para("LATER ", "      ", "No advice yet for: "+strings.Join(later, "; ")+".")
	}
}

// inALine is a chain's float and what is fitted or to fit.
func inALine(s session.Snapshot, a session.Advice) string {
	text := wording.English.Float(*a.Best)
	if a.Best.Outcome != "" {
		text += ", " + a.Best.Outcome
	}
	if a.NoShims {
		return text
	}
	for _, f := range s.Job.Fitted {
		if f.Chain == a.Chain {
			return text + "; fitted: " + wording.English.Fitted(f)
		}
	}
	return text + "; fit " + wording.English.Fit(*a.Best)
}

// wantedNow tells whether a chain's advice is what the active step is about, or says
// something that must not be missed.
func wantedNow(s session.Snapshot, a session.Advice) bool {
	other := slices.ContainsFunc(s.Job.Fitted, func(f session.FittedView) bool { return f.Chain == a.Chain && !f.Advised })
	if other || !a.Best.Inside || len(a.Findings) > 0 {
		return true
	}
	step := s.Step
	return step != nil && (slices.ContainsFunc(a.Terms, func(t session.TermView) bool { return t.Name == step.Name }) ||
		len(step.Packs) > 0 && len(a.Best.Packs) > 0 && step.Packs[0].Side == a.Best.Packs[0].Side)
}

// sections shows how far each part of the job is: the steps of one included plan, or of
// the job's own, that follow one another.
func (p *page) sections(j session.JobView) {
	p.para("", "", "STEPS")
	var rows [][]string
	for from := 0; from < len(j.Steps); {
		to := from + 1
		for to < len(j.Steps) && j.Steps[to].Section == j.Steps[from].Section {
			to++
		}
		rows = append(rows, section(j, j.Steps[from:to]))
		from = to
	}
	rightAlign(rows, 1)
	p.table("  ", rows)
	for _, step := range j.Steps {
		if !step.Active {
			continue
		}
		for _, f := range step.Findings {
			p.para("  ! ", "    ", wording.English.Finding(f))
		}
	}
}

// section is the row of some steps.
func section(j session.JobView, steps []session.StepView) []string {
	mark, closed, findings := " ", 0, 0
	for _, s := range steps {
		if s.Active {
			mark = ">"
		}
		if s.Closed {
			closed++
		}
		if len(s.Findings) > 0 {
			findings++
		}
	}
	title := steps[0].Section
	if title == "" {
		title = j.Title
	}
	if at := strings.Index(title, ", "); at > 0 && strings.HasPrefix(j.Title, title[:at]) {
		title = title[at+2:] // what every section begins with
	}
	state := fmt.Sprintf("%d of %d done", closed, len(steps))
	switch closed {
	case 0:
		state = "not begun"
	case len(steps):
		state = "done"
	}
	if findings > 0 {
		state += fmt.Sprintf(", to look at: %d", findings)
	}
	return []string{mark, fmt.Sprintf("%d to %d", steps[0].Number, steps[len(steps)-1].Number), title, state}
}

// notReady lists the instruments that cannot be used, and counts the others.
func (p *page) notReady(s session.Snapshot) {
	ready := 0
	for _, in := range s.Instruments {
		if in.State == session.PortLive || in.Port == "" { // or its values are typed
			ready++
			continue
		}
		p.para("  ! ", "    ", in.Name+": "+wording.English.Port(in))
	}
	p.para("", "", fmt.Sprintf("INSTRUMENTS  ready: %d of %d", ready, len(s.Instruments)))
}
