package session

import (
	"fmt"
	"slices"
	"strings"
)

// A Choice is between candidates, such as two cranks: the steps that are for it are
// measured on each, a step of the kind compare lays them side by side, and one is kept.
type Choice struct {
	Name       string   `toml:"name" strict:"required,unique" example:"crank" json:"name"`
	Title      string   `toml:"title" strict:"required" example:"Crank to keep" json:"title"`
	Candidates []string `toml:"candidates" strict:"required" example:"[\"old\", \"spare\"]" json:"candidates"`
	Prefer     string   `toml:"prefer" json:"prefer,omitempty"`                             // the step that decides among equals
	Best       string   `toml:"best" strict:"oneof=smallest|largest" json:"best,omitempty"` // of its values; smallest if not given
}

// candidateStep is the name of a step for one candidate.
func candidateStep(step, candidate string) string { return step + "-" + candidate }

// choice finds a choice by name; -1 if there is none.
func (p *Plan) choice(name string) int {
	return slices.IndexFunc(p.Choices, func(c Choice) bool { return c.Name == name })
}

// comparing is the step that compares the candidates of a choice; -1 if there is none.
func (p *Plan) comparing(choice string) int {
	return slices.IndexFunc(p.Steps, func(s Step) bool { return s.Kind == CompareStep && s.For == choice })
}

// choices checks the choices of a plan and what names their steps.
func (c *planCheck) choices() {
	p := c.plan
	for i, ch := range p.Choices {
		at := func(key string) []any { return []any{"choice", i, key} }
		if n := len(ch.Candidates); n < 2 || n > mostCandidates {
			c.wrong(fmt.Sprintf("choice %q has %d candidates", ch.Name, n), fmt.Sprintf("name 2 to %d", mostCandidates), at("candidates")...)
		}
		for k, name := range ch.Candidates {
			switch {
			case name == "" || !plainName(name):
				c.wrong(fmt.Sprintf("%q cannot be typed as a name", name), "use small letters, digits and hyphens, like old", at("candidates")...)
			case slices.Index(ch.Candidates, name) < k:
				c.wrong(fmt.Sprintf("candidate %q stands twice", name), "give each a name of its own", at("candidates")...)
			}
		}
		if p.comparing(ch.Name) < 0 {
			c.wrong(fmt.Sprintf("no step compares the candidates of choice %q", ch.Name), fmt.Sprintf(`add a [[step]] with kind = "compare" and for = %q`, ch.Name), "choice", i)
		}
		if k := p.step(ch.Prefer); ch.Prefer != "" && (k < 0 || p.Steps[k].For != ch.Name || !p.Steps[k].Kind.measures()) {
			c.wrong(fmt.Sprintf("choice %q prefers by %q, and no such step is measured for it", ch.Name, ch.Prefer), "name one of its steps", at("prefer")...)
		}
	}
	for i, s := range p.Steps {
		c.stepFor(i, s)
	}
	if len(p.Choices) > 0 {
		c.namedBesides()
	}
}

// mostCandidates bounds the candidates of a choice.
const mostCandidates = 12

// stepFor checks what step i says of a choice.
func (c *planCheck) stepFor(i int, s Step) {
	k := c.plan.choice(s.For)
	switch {
	case s.For == "":
		return
	case k < 0:
		c.wrong(fmt.Sprintf("there is no choice %q", s.For), "add a [[choice]] with that name or correct it", "step", i, "for")
	case s.Kind == CompareStep && c.plan.comparing(s.For) != i:
		c.wrong(fmt.Sprintf("choice %q is compared twice", s.For), "compare it in one step", "step", i, "for")
	case s.Kind == MeasureStep && s.Instrument.Quantity() != OfLength:
		c.wrong(fmt.Sprintf("step %q measures a %s, and candidates are compared by lengths", s.Name, s.Instrument.Quantity()), "leave for out", "step", i, "for")
	case s.Kind != CompareStep:
		for _, name := range c.plan.Choices[k].Candidates {
			if c.plan.step(candidateStep(s.Name, name)) >= 0 {
				c.wrong(fmt.Sprintf("step %q for candidate %q would be called like another step", s.Name, name), "call one of them something else", "step", i, "name")
			}
		}
	}
}

// namedBesides refuses a step of a choice where one value is needed before anything is
// chosen: only a term waits for the choice.
func (c *planCheck) namedBesides() {
	no := func(name string, path ...any) {
		if k := c.plan.step(name); k >= 0 && c.plan.Steps[k].For != "" {
			c.wrong(fmt.Sprintf("step %q is measured on several candidates", name), "only a term of a chain can name it; it means the one that is chosen", path...)
		}
	}
	for i, b := range c.plan.Bars {
		no(b.Step, "bar", i, "step")
	}
	for i, b := range c.plan.Bearings {
		no(b.Step, "bearing", i, "step")
	}
	for i, ch := range c.plan.Chains {
		no(ch.Check, "chain", i, "check")
		no(ch.Trial, "chain", i, "trial")
		no(ch.Built, "chain", i, "built")
		if ch.Centre != nil {
			no(ch.Centre.Rod, "chain", i, "centre")
			no(ch.Centre.Axis, "chain", i, "centre")
		}
	}
}

// expand makes a step for each candidate out of each step for a choice. Steps for a
// choice that follow one another are done candidate by candidate. Terms that name such
// a step wait for the step that compares.
func (p *Plan) expand() {
	if len(p.Choices) == 0 {
		return
	}
	for i := range p.Chains {
		for k := range p.Chains[i].Terms {
			t := &p.Chains[i].Terms[k]
			if at := p.step(t.Step); t.Step != "" && p.Steps[at].For != "" {
				t.feature, t.choice = t.Step, p.Steps[at].For
			}
		}
	}
	var steps []Step
	for i := 0; i < len(p.Steps); {
		name := p.Steps[i].For
		end := i + 1
		for name != "" && p.Steps[i].Kind != CompareStep && end < len(p.Steps) && p.Steps[end].For == name && p.Steps[end].Kind != CompareStep {
			end++
		}
		steps = append(steps, p.forCandidates(p.Steps[i:end])...)
		i = end
	}
	p.Steps = steps
	*p = p.withChosen(nil)
}

// forCandidates repeats steps for each candidate of their choice.
func (p *Plan) forCandidates(steps []Step) []Step {
	if steps[0].For == "" || steps[0].Kind == CompareStep {
		return steps
	}
	var all []Step
	for _, name := range p.Choices[p.choice(steps[0].For)].Candidates {
		for _, s := range steps {
			s.Feature, s.Candidate = s.Name, name
			s.Name, s.Title = candidateStep(s.Name, name), s.Title+", "+name
			all = append(all, s)
		}
	}
	return all
}

// withChosen is the plan whose terms name the steps of the candidates that are chosen,
// and where none is the step that compares. The plan itself stays as it is.
func (p *Plan) withChosen(chosen map[string]string) Plan {
	q := *p
	q.Chains = slices.Clone(p.Chains)
	for i := range q.Chains {
		q.Chains[i].Terms = slices.Clone(q.Chains[i].Terms)
		for k := range q.Chains[i].Terms {
			t := &q.Chains[i].Terms[k]
			if t.choice == "" {
				continue
			}
			t.Step = p.Steps[p.comparing(t.choice)].Name
			if candidate := chosen[t.choice]; candidate != "" {
				t.Step = candidateStep(t.feature, candidate)
			}
		}
	}
	return q
}

// firstChosen is the plan as if the first candidate of each choice were chosen.
func (p *Plan) firstChosen() Plan {
	chosen := map[string]string{}
	for _, c := range p.Choices {
		chosen[c.Name] = c.Candidates[0]
	}
	return p.withChosen(chosen)
}

// Chose says which candidate is kept, and why if it is not a matter of course.
type Chose struct {
	Choice    string `json:"choice"`
	Candidate string `json:"candidate"`
	Reason    string `json:"reason,omitempty"`
}

func (Chose) kind() string { return "choose" }

// choose keeps a candidate. One that failed a limit, or that was not measured, is kept
// only with a reason.
func (t *turn) choose(j *job, c Command) *Refusal {
	i, no := j.choiceFor(c.Candidate)
	if no != nil {
		return no
	}
	ch := j.plan.Choices[i]
	c.Reason = strings.TrimSpace(c.Reason)
	v := j.choiceView(i)
	k := slices.IndexFunc(v.Candidates, func(x CandidateView) bool { return x.Name == c.Candidate })
	switch x := v.Candidates[k]; {
	case c.Reason != "":
	case len(x.Failed) > 0:
		return refuse("failed its limit", fmt.Sprintf("%s %q does not keep its limits: %s", ch.Name, x.Name, strings.Join(x.Failed, ", ")), "choose another, or say with a reason why it is kept",
			"choice", ch.Name, "title", ch.Title, "candidate", x.Name, "names", strings.Join(x.Failed, ", "))
	case len(x.Missing) > 0:
		return refuse("not measured", fmt.Sprintf("%s %q has not been measured: %s", ch.Name, x.Name, strings.Join(x.Missing, ", ")), "measure it, or say with a reason why it is kept",
			"choice", ch.Name, "title", ch.Title, "candidate", x.Name, "names", strings.Join(x.Missing, ", "))
	}
	t.keep(j, ch, c.Candidate, c.Reason)
	t.by("", FromBench)
	step := j.plan.comparing(ch.Name)
	wasActive := j.step == step || j.step < 0 || j.steps[j.step].closed
	if !j.steps[step].closed {
		t.add(j.stepClosed(step, true))
	}
	if wasActive {
		t.openNext()
	}
	return nil
}

// keep notes the choice, and that the steps of the others need not be done.
func (t *turn) keep(j *job, ch Choice, candidate, why string) {
	t.add(Chose{ch.Name, candidate, why})
	for i, s := range j.plan.Steps {
		if s.For == ch.Name && s.Candidate != "" && s.Candidate != candidate && !j.steps[i].closed {
			t.add(Skipped{s.Name, reason("not chosen", "choice", ch.Name, "candidate", s.Candidate)})
		}
	}
}

// choiceFor is the choice that a candidate belongs to: that of the active step, or the
// only one that has it.
func (j *job) choiceFor(candidate string) (int, *Refusal) {
	var found []int
	var names []string
	for i, ch := range j.plan.Choices {
		if j.step >= 0 && j.plan.Steps[j.step].For == ch.Name && slices.Contains(ch.Candidates, candidate) {
			return i, nil
		}
		if slices.Contains(ch.Candidates, candidate) {
			found = append(found, i)
		}
		names = append(names, strings.Join(ch.Candidates, ", "))
	}
	switch {
	case len(j.plan.Choices) == 0:
		return 0, refuse("no choice", "this plan has nothing to choose between", "go on with the steps")
	case len(found) == 0:
		return 0, refuse("no such candidate", fmt.Sprintf("there is no candidate %q", candidate), "choose one of "+strings.Join(names, "; "), "candidate", candidate, "names", strings.Join(names, "; "))
	case len(found) > 1:
		return 0, refuse("which choice", fmt.Sprintf("%q is a candidate of several choices", candidate), "go to the step that compares them first", "candidate", candidate)
	}
	return found[0], nil
}

// chose folds a choice. A candidate whose steps were passed over has them open again.
func (j *job) chose(b Chose) error {
	i := j.plan.choice(b.Choice)
	if i < 0 || !slices.Contains(j.plan.Choices[i].Candidates, b.Candidate) {
		return fmt.Errorf("there is no candidate %q of a choice %q", b.Candidate, b.Choice)
	}
	chosen := map[string]string{b.Choice: b.Candidate}
	kept := []Chose{b}
	for _, c := range j.chosen {
		if c.Choice != b.Choice {
			chosen[c.Choice] = c.Candidate
			kept = append(kept, c)
		}
	}
	j.chosen, j.plan, j.stale = kept, j.plan.withChosen(chosen), true
	for k, s := range j.plan.Steps {
		if s.For == b.Choice && s.Candidate == b.Candidate && j.steps[k].skipped != nil {
			j.steps[k].closed, j.steps[k].skipped = false, nil
		}
	}
	return nil
}

// kept is what was chosen of a choice; nil while nothing is.
func (j *job) kept(choice string) *Chose {
	for i := range j.chosen {
		if j.chosen[i].Choice == choice {
			return &j.chosen[i]
		}
	}
	return nil
}

// keepBest chooses of each choice what is advised, where no person does.
func (t *turn) keepBest() {
	j := t.state.job
	for i, ch := range j.plan.Choices {
		if v := j.choiceView(i); v.Keep != "" {
			t.keep(j, ch, v.Keep, "")
		}
	}
}
