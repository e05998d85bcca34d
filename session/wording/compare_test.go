package wording_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"shimwright/session"
	"shimwright/session/wording"
)

func choice(t *testing.T) session.ChoiceView {
	limits := func(outcome string) *session.LimitsView {
		return &session.LimitsView{Value: ptr(t, "10.021"), Expanded: ptr(t, "0.020"), Outcome: outcome}
	}
	feature := func(name, outcome string) session.FeatureView {
		return session.FeatureView{Name: name, Value: ptr(t, "10.02"), Limits: limits(outcome)}
	}
	return session.ChoiceView{Name: "crank", Title: "Crank to keep", Candidates: []session.CandidateView{
		{Name: "old", Features: []session.FeatureView{feature("width", "shown outside"), feature("bend", "not shown")}},
		{Name: "spare", Features: []session.FeatureView{feature("width", "shown inside"), {Name: "bend"}}},
		{Name: "new", Features: []session.FeatureView{{Name: "width", Value: ptr(t, "10.02")}, feature("bend", "")}},
	}}
}

func TestComparison(t *testing.T) {
	v := choice(t)
	v.Keep = "spare"
	assert.Equal(t, [][]string{
		{"", "old", "spare (keep)", "new"},
		{"width", "10.021 +/- 0.020 mm, OUTSIDE", "10.021 +/- 0.020 mm, inside", "10.02 mm"},
		{"bend", "10.021 +/- 0.020 mm, not shown", "-", "10.021 +/- 0.020 mm"},
	}, wording.English.Comparison(v))
	v.Chosen = "old"
	assert.Equal(t, []string{"", "old (kept)", "spare", "new"}, wording.English.Comparison(v)[0])
	assert.Equal(t, [][]string{{""}}, wording.English.Comparison(session.ChoiceView{}))
}

func TestWhichToKeepAndWhy(t *testing.T) {
	v := choice(t)
	assert.Equal(t, "choose one", wording.English.Choice(v))
	why := func(code string) *session.Reason {
		return &session.Reason{Code: code, Params: map[string]string{"candidate": "spare", "count": "1", "feature": "bend", "value": "0.01", "other": "old", "than": "0.03", "choice": "crank"}}
	}
	v.Why = why("no candidate keeps its limits")
	assert.Equal(t, "none keeps its limits; get another, or choose with a reason", wording.English.Choice(v))
	v.Keep = "spare"
	for code, want := range map[string]string{
		"all shown inside":     "keep spare: all its dimensions are shown inside their limits",
		"fewest not shown":     "keep spare: the fewest of its dimensions (1) are not shown inside their limits",
		"better by preference": "keep spare: else alike, it has 0.01 mm of bend and old 0.03 mm",
		"alike":                "keep spare: they are alike; the plan names it first",
	} {
		v.Why = why(code)
		assert.Equal(t, want, wording.English.Choice(v))
	}
	s := session.StepView{Kind: session.CompareStep, Compare: &v}
	assert.Equal(t, "not begun", wording.English.State(s))
	v.Chosen = "spare"
	s.Closed = true
	assert.Equal(t, "kept: spare", wording.English.State(s))
	v.Chosen, v.Reason = "old", "no other"
	assert.Equal(t, "kept: old (no other); spare was advised", wording.English.Progress(s))
	assert.Equal(t, "old is kept although it does not keep its limits (no other)",
		wording.English.Finding(session.Reason{Code: "kept although it failed", Params: map[string]string{"candidate": "old", "reason": "no other"}}))
	for code, want := range map[string]string{"to choose": "choose-crank waits for a choice", "not chosen": "old is not the one that is kept", "candidate not measured": "old is not measured yet"} {
		assert.Contains(t, wording.English.Reason(session.Reason{Code: code, Params: map[string]string{"step": "choose-crank", "candidate": "old"}}), want)
	}
}
