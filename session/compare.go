package session

import (
	"cmp"
	"slices"
	"strconv"

	"shimwright/calc"
)

// A ChoiceView lays the candidates of a choice side by side, and says which to keep.
type ChoiceView struct {
	Name       string          `json:"choice"`
	Title      string          `json:"title"`
	Candidates []CandidateView `json:"candidates"`       // in the plan's order
	Keep       string          `json:"keep,omitempty"`   // the one to keep; absent while that cannot be said
	Why        *Reason         `json:"why,omitempty"`    // why that one, or why none
	Chosen     string          `json:"chosen,omitempty"` // by a person
	Reason     string          `json:"reason,omitempty"` // given with it
}

// A CandidateView is one candidate.
type CandidateView struct {
	Name     string        `json:"candidate"`
	Features []FeatureView `json:"features"`
	Failed   []string      `json:"failed,omitempty"`    // features shown outside their limits
	NotShown []string      `json:"not_shown,omitempty"` // features not shown inside them
	Missing  []string      `json:"missing,omitempty"`   // features without a value
}

// A FeatureView is one dimension of a candidate.
type FeatureView struct {
	Name   string      `json:"feature"` // the step's name in the plan
	Title  string      `json:"title"`
	Step   string      `json:"step"`
	Value  *Number     `json:"value_mm,omitempty"`
	Limits *LimitsView `json:"limits,omitempty"` // its value with known errors off, ± U, and the outcome if it has limits
}

// choiceView lays choice i out.
func (j *job) choiceView(i int) *ChoiceView {
	ch := &j.plan.Choices[i]
	v := &ChoiceView{Name: ch.Name, Title: ch.Title}
	for _, name := range ch.Candidates {
		v.Candidates = append(v.Candidates, j.candidateView(ch.Name, name))
	}
	v.Keep, v.Why = ch.advise(v.Candidates)
	if kept := j.kept(ch.Name); kept != nil {
		v.Chosen, v.Reason = kept.Candidate, kept.Reason
	}
	return v
}

func (j *job) candidateView(choice, name string) CandidateView {
	v := CandidateView{Name: name, Features: []FeatureView{}}
	for i, s := range j.plan.Steps {
		if s.For != choice || s.Candidate != name || !s.Kind.measures() {
			continue
		}
		f := FeatureView{Name: s.Feature, Title: s.Title, Step: s.Name, Value: j.value(i), Limits: j.known(i)}
		switch {
		case f.Value == nil || !j.steps[i].closed:
			v.Missing = append(v.Missing, s.Feature)
		case f.Limits.Outcome == calc.ShownOutside.String():
			v.Failed = append(v.Failed, s.Feature)
		case f.Limits.Outcome == calc.NotShown.String():
			v.NotShown = append(v.NotShown, s.Feature)
		}
		v.Features = append(v.Features, f)
	}
	return v
}

// known is a step's value ± U, and what its limits make of it if it has any.
func (j *job) known(step int) *LimitsView {
	if v := j.limits(step); v != nil {
		return v
	}
	v := &LimitsView{}
	if j.value(step) == nil || j.judge(step, v) != nil {
		return v
	}
	return &LimitsView{Value: v.Value, Expanded: v.Expanded}
}

// advise says which candidate to keep: one with everything shown inside first, then one
// with the fewest not shown, then the best by the preferred feature, then the plan's
// first. Nothing is said while one is not measured, and none is kept that fails.
func (c *Choice) advise(all []CandidateView) (keep string, why *Reason) {
	say := func(code string, params ...string) *Reason {
		r := reason(code, append([]string{"choice", c.Name}, params...)...)
		return &r
	}
	for _, x := range all {
		if len(x.Missing) > 0 {
			return "", say("candidate not measured", "candidate", x.Name)
		}
	}
	order := slices.Clone(all)
	slices.SortStableFunc(order, func(a, b CandidateView) int {
		return cmp.Or(cmp.Compare(len(a.Failed), len(b.Failed)), cmp.Compare(len(a.NotShown), len(b.NotShown)), c.byPreferred(a, b))
	})
	best, next := order[0], order[1]
	rank := func(x CandidateView) [2]int { return [2]int{len(x.Failed), len(x.NotShown)} }
	switch {
	case len(best.Failed) > 0:
		return "", say("no candidate keeps its limits")
	case rank(best) != rank(next) && len(best.NotShown) == 0:
		return best.Name, say("all shown inside", "candidate", best.Name)
	case rank(best) != rank(next):
		return best.Name, say("fewest not shown", "candidate", best.Name, "count", strconv.Itoa(len(best.NotShown)))
	case c.byPreferred(best, next) < 0:
		a, b := best.feature(c.Prefer), next.feature(c.Prefer)
		return best.Name, say("better by preference", "candidate", best.Name, "feature", c.Prefer, "value", a.String(), "other", next.Name, "than", b.String())
	}
	return best.Name, say("alike", "candidate", best.Name)
}

// byPreferred compares two candidates by the preferred feature, the better one first.
func (c *Choice) byPreferred(a, b CandidateView) int {
	x, y := a.feature(c.Prefer), b.feature(c.Prefer)
	if x == nil || y == nil {
		return 0
	}
	if c.Best == "largest" {
		return y.Cmp(x.Decimal)
	}
	return x.Cmp(y.Decimal)
}

// feature is the value of a feature; nil if it has none.
func (v *CandidateView) feature(name string) *Number {
	for _, f := range v.Features {
		if f.Name == name {
			return f.Value
		}
	}
	return nil
}

// compareView lays out what a step compares; nil if it compares nothing.
func (j *job) compareView(step int) *ChoiceView {
	s := &j.plan.Steps[step]
	if s.Kind != CompareStep {
		return nil
	}
	return j.choiceView(j.plan.choice(s.For))
}

// choiceFindings say that a candidate was kept that does not keep its limits.
func (j *job) choiceFindings(step int) []Reason {
	v := j.compareView(step)
	if v == nil || v.Chosen == "" {
		return nil
	}
	for _, x := range v.Candidates {
		if x.Name == v.Chosen && len(x.Failed) > 0 {
			return []Reason{reason("kept although it failed", "choice", v.Name, "candidate", x.Name, "reason", v.Reason)}
		}
	}
	return nil
}
