package wording

import (
	"cmp"
	"strings"

	"shimwright/session"
)

// Choice says which candidate to keep and why, or what was chosen.
func (l *Language) Choice(v session.ChoiceView) string {
	switch {
	case v.Chosen != "" && v.Reason != "":
		return l.say("kept: %s", l.Text(v.Chosen)) + " (" + v.Reason + ")" + l.otherwise(v)
	case v.Chosen != "":
		return l.say("kept: %s", l.Text(v.Chosen)) + l.otherwise(v)
	case v.Why == nil:
		return l.say("choose one")
	case v.Keep == "":
		return l.Reason(*v.Why)
	}
	return l.say("keep %s: %s", l.Text(v.Keep), l.Reason(*v.Why))
}

// otherwise says that another one was advised than was chosen.
func (l *Language) otherwise(v session.ChoiceView) string {
	if v.Keep == "" || v.Keep == v.Chosen {
		return ""
	}
	return l.say("; %s was advised", l.Text(v.Keep))
}

// Comparison is a choice as a table: a line of candidates, then one for each feature.
func (l *Language) Comparison(v session.ChoiceView) [][]string {
	head := []string{""}
	for _, c := range v.Candidates {
		name := l.Text(c.Name)
		switch {
		case c.Name == v.Chosen:
			name += " " + l.say("(kept)")
		case v.Chosen == "" && c.Name == v.Keep:
			name += " " + l.say("(keep)")
		}
		head = append(head, name)
	}
	rows := [][]string{head}
	if len(v.Candidates) == 0 {
		return rows
	}
	for i, f := range v.Candidates[0].Features {
		row := []string{l.Text(cmp.Or(strings.TrimSuffix(f.Title, ", "+v.Candidates[0].Name), f.Name))}
		for _, c := range v.Candidates {
			row = append(row, l.featureCell(c.Features[i]))
		}
		rows = append(rows, row)
	}
	return rows
}

// featureCell is a value, its uncertainty and its outcome.
func (l *Language) featureCell(f session.FeatureView) string {
	switch {
	case f.Value == nil:
		return "-"
	case f.Limits == nil || f.Limits.Value == nil || f.Limits.Expanded == nil:
		return l.mm(*f.Value)
	}
	text := l.Float(session.Fit{EndFloat: *f.Limits.Value, Expanded: f.Limits.Expanded})
	switch f.Limits.Outcome {
	case "shown inside":
		text += ", " + l.say("inside")
	case "shown outside":
		text += ", " + l.say("OUTSIDE")
	case "not shown":
		text += ", " + l.say("not shown")
	}
	return text
}
