package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/session/wording"
)

func (a *app) adviceCommand() *cobra.Command {
	var budget bool
	cmd := &cobra.Command{
		Use: "advice [CHAIN]", Short: "Which shims go where, what to expect, and why", Args: between(0, 1),
		Long: `advice says which shims go where, what float to expect, and why. With several
chains it is short; name one to see the sums behind it.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := a.latest(cmd)
			if err != nil {
				return err
			}
			if s.Job == nil {
				return fail(exitNotFound, "there is no advice, since no job has begun; begin one with logctl begin PLANFILE")
			}
			if s.Advice, err = chainsOf(s.Advice, args); err != nil {
				return err
			}
			if a.json {
				return a.emit(append([]session.Advice{}, s.Advice...))
			}
			a.page.advices(s, budget)
			return nil
		},
	}
	cmd.Flags().BoolVar(&budget, "budget", false, "show the uncertainty budget, biggest cause first")
	return cmd
}

// chainsOf is the advice for the chain that is named, or all.
func chainsOf(all []session.Advice, named []string) ([]session.Advice, error) {
	if len(named) == 0 {
		return all, nil
	}
	var names []string
	for _, adv := range all {
		if adv.Chain == named[0] {
			return []session.Advice{adv}, nil
		}
		names = append(names, adv.Chain)
	}
	return nil, fail(exitNotFound, "the plan has no chain %q; name one of %s", named[0], strings.Join(names, ", "))
}

// advices shows each advice: with its sums if there is one, or with its budget.
func (p *page) advices(s session.Snapshot, budget bool) {
	if len(s.Advice) == 0 {
		p.para("", "", "The plan has no chain, so there is nothing to advise.")
	}
	if len(s.Advice) == 1 || budget {
		for i, adv := range s.Advice {
			if i > 0 {
				p.gap()
			}
			p.advice(adv)
			if budget {
				p.budget(adv)
			}
		}
		return
	}
	var later []string
	for _, adv := range s.Advice {
		if adv.Best == nil {
			later = append(later, fmt.Sprintf("%s (still to measure: %d)", adv.Title, len(adv.Missing)))
			continue
		}
		p.shims(s, adv)
		p.fittedFor(s, adv.Chain)
		p.para("      ", "      ", "Why: logctl advice "+adv.Chain)
		p.gap()
	}
	if len(later) > 0 {
		p.para("LATER ", "      ", "No advice yet for: "+strings.Join(later, "; ")+".")
	}
}

// fittedFor says what is in for a chain, where somebody said it.
func (p *page) fittedFor(s session.Snapshot, chain string) {
	for _, f := range s.Job.Fitted {
		if f.Chain == chain {
			p.para("      ", "      ", "Fitted: "+wording.English.Fitted(f)+".")
		}
	}
}

// advice shows the advice for one chain: what to do, why, and the sums.
func (p *page) advice(a session.Advice) {
	if a.Best != nil && a.Best.Inside {
		p.fit("", a)
	} else {
		p.strong("", "", wording.English.Headline(a))
	}
	p.gap()
	if a.Best != nil && a.Best.Inside {
		p.para("", "", strings.TrimSpace(wording.English.Outcome(a)+" "+wording.English.Why(a)))
	} else {
		p.para("", "", wording.English.Why(a))
	}
	p.gap()
	p.terms(a)
	p.others(a)
}

// fit shows the best fit as a table, one line a side, behind a label.
func (p *page) fit(label string, a session.Advice) {
	title := a.Title
	if a.State != session.Final {
		title += ", so far"
	}
	indent := strings.Repeat(" ", max(len(label), 2))
	p.para(label, indent, title)
	f := *a.Best
	rows := wording.English.FitRows(f)
	leftAlign(rows, 0)
	p.loudly(func() { p.table(indent, rows[:len(f.Packs)]) })
	p.table(indent, rows[len(f.Packs):])
}

// terms shows how the gap comes about.
func (p *page) terms(a session.Advice) {
	if len(a.Terms) == 0 {
		return
	}
	rows := make([][]string, 0, len(a.Terms)+1)
	for _, t := range a.Terms {
		value := "?"
		if t.Value != nil {
			value = wording.English.Decimals(*t.Value)
		}
		rows = append(rows, []string{t.Sign, value, t.Name})
	}
	for _, c := range a.Corrections {
		if c.OnGap.RoundBank(3).IsZero() {
			continue // nothing that shows
		}
		rows = append(rows, []string{sign(c.OnGap), wording.English.Decimals(session.Num(c.OnGap.Abs())), wording.English.Correction(c)})
	}
	gap := "?"
	if a.Gap != nil {
		gap = wording.English.Decimals(*a.Gap)
	}
	if len(a.Evidence) > 0 {
		rows = append(rows, []string{"=", wording.English.Decimals(a.Evidence[0].Chain), "gap by the chain"})
		for _, e := range a.Evidence {
			rows = append(rows, []string{"", wording.English.Decimals(e.Gap), "gap by the " + e.Way})
		}
		rows = append(rows, []string{"", gap, "gap taken"})
	} else {
		rows = append(rows, []string{"=", gap, "gap"})
	}
	alignPoint(rows, 1)
	p.para("", "", "THE GAP, in mm")
	p.table("  ", rows)
}

func sign(n session.Number) string {
	if n.IsNegative() {
		return "-"
	}
	return "+"
}

// others lists the best fit and the next ones, for comparison.
func (p *page) others(a session.Advice) {
	if a.Best == nil {
		return
	}
	rows := make([][]string, 0, len(a.Others)+1)
	for _, f := range append([]session.Fit{*a.Best}, a.Others...) {
		where := ""
		if !f.Inside {
			where = ", outside"
		}
		rows = append(rows, []string{wording.English.Decimals(f.EndFloat), wording.English.Fit(f) + where})
	}
	alignPoint(rows, 0)
	p.gap()
	p.para("", "  ", fmt.Sprintf("END FLOAT, in mm, of the best and the next (window %s to %s, aim %s)", a.Least.String(), a.Most.String(), a.Aim.String()))
	p.table("  ", rows)
}

// alignPoint pads numbers so that their decimal points stand in a line.
func alignPoint(rows [][]string, column int) {
	before, after := 0, 0
	for _, row := range rows {
		b, f := aroundPoint(row[column])
		before, after = max(before, b), max(after, f)
	}
	for _, row := range rows {
		b, _ := aroundPoint(row[column])
		row[column] = pad(padLeft(row[column], runes(row[column])+before-b), before+after)
	}
}

// aroundPoint counts what stands before the decimal point and from it on.
func aroundPoint(number string) (before, after int) {
	for i, r := range number {
		if r == '.' {
			return i, len(number) - i
		}
	}
	return len(number), 0
}
