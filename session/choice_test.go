package session

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// twoCranks is a plan that compares two cranks, and a chain that takes the one kept.
const twoCranks = `plan = "two-cranks"
title = "Cranks compared"
[[choice]]
name = "crank"
title = "Crank to keep"
candidates = ["old", "spare"]
prefer = "bend"
[[step]]
name = "width"
title = "Width over the seats"
for = "crank"
instrument = "caliper"
range = ["9.50", "10.50"]
least = "9.90"
most = "10.10"
[[step]]
name = "bend"
title = "Bend"
for = "crank"
instrument = "micrometer"
range = ["0.000", "1.000"]
half = true
most = "0.040"
[[step]]
name = "grooves"
kind = "confirm"
title = "Grooves clean"
for = "crank"
[[step]]
name = "choose-crank"
kind = "compare"
title = "Crank to keep"
for = "crank"
[[step]]
name = "depth"
title = "Depth of the case"
instrument = "depth gauge"
range = ["10.00", "10.90"]
[[chain]]
name = "float"
title = "Float"
least = "0.10"
most = "0.90"
term = [{ step = "depth", sign = "+" }, { step = "width", sign = "-" }]
[[chain.side]]
name = "left side"
most = 1
[[stock]]
thickness = "0.10"
count = 4
`

// measureCrank measures one crank: its width, its movement in the blocks.
func measureCrank(r *rig, candidate, width, movement string) {
	r.t.Helper()
	r.requireAt("width-"+candidate, 0)
	r.press("caliper-1", width)
	r.press("caliper-1", width)
	r.press("micrometer-1", movement)
	r.press("micrometer-1", movement)
	r.do(Command{Do: Confirm})
}

func TestAStepForAChoiceIsOneForEachCandidate(t *testing.T) {
	p, err := ReadPlan("p.toml", []byte(twoCranks))
	require.NoError(t, err)
	var names []string
	for _, s := range p.Steps {
		names = append(names, s.Name)
	}
	assert.Equal(t, []string{"width-old", "bend-old", "grooves-old", "width-spare", "bend-spare", "grooves-spare", "choose-crank", "depth"}, names)
	assert.Equal(t, "Width over the seats, spare", p.Steps[3].Title)
	assert.Equal(t, "choose-crank", p.Chains[0].Terms[1].Step, "until one is chosen")
	assert.Equal(t, "width-old", p.firstChosen().Chains[0].Terms[1].Step)
	assert.Equal(t, "choose-crank", p.Chains[0].Terms[1].Step, "a plan does not change")
}

func TestCandidatesAreComparedAndOneIsKept(t *testing.T) {
	r := newRig(t)
	beginText(r, twoCranks)
	measureCrank(r, "old", "10.00", "0.060")
	v := r.step("choose-crank").Compare
	assert.Equal(t, "candidate not measured", v.Why.Code)
	assert.Equal(t, []string{"width", "bend"}, v.Candidates[1].Missing)
	measureCrank(r, "spare", "10.02", "0.020")
	r.requireAt("choose-crank", 0)
	v = r.step("choose-crank").Compare
	assert.Equal(t, "spare", v.Keep)
	assert.Equal(t, &Reason{"better by preference", map[string]string{"choice": "crank", "candidate": "spare", "feature": "bend", "value": "0.01", "other": "old", "than": "0.03"}}, v.Why)
	assert.Equal(t, "to choose", r.press("depth-1", "10.40").Why.Code)
	assert.Equal(t, "to choose", r.refused(Command{Do: Next}))
	assert.Equal(t, "not to confirm", r.refused(Command{Do: Confirm}))
	assert.Equal(t, "no such candidate", r.refused(Command{Do: Choose, Candidate: "new"}))
	assert.Equal(t, []string{"depth", "choose-crank"}, r.bench.Snapshot().Advice[0].Missing)
	r.do(Command{Do: Choose, Candidate: "spare"})
	assert.True(t, r.step("choose-crank").Closed)
	assert.Equal(t, "spare", r.step("choose-crank").Compare.Chosen)
	r.requireAt("depth", 0)
	r.press("depth-1", "10.40")
	r.press("depth-1", "10.40")
	a := r.bench.Snapshot().Advice[0]
	assert.Equal(t, Final, a.State)
	assert.Equal(t, "width-spare", a.Terms[1].Name)
	assert.Equal(t, "0.38", a.Gap.StringFixed(2))
	// A change of mind: the other one after all.
	r.do(Command{Do: Choose, Candidate: "old", Reason: "the customer wants it"})
	a = r.bench.Snapshot().Advice[0]
	assert.Equal(t, "width-old", a.Terms[1].Name)
	assert.Equal(t, "0.40", a.Gap.StringFixed(2))
	r.do(Command{Do: Fitting})
	r.do(Command{Do: End})
}

func TestACandidateThatFailedNeedsAReason(t *testing.T) {
	r := newRig(t)
	beginText(r, twoCranks)
	measureCrank(r, "old", "10.30", "0.060")
	measureCrank(r, "spare", "10.06", "0.060")
	v := r.step("choose-crank").Compare
	assert.Equal(t, []string{"width"}, v.Candidates[0].Failed)
	assert.Equal(t, "spare", v.Keep)
	_, err := r.submit(Command{Do: Choose, Candidate: "old"})
	assert.ErrorContains(t, err, `crank "old" does not keep its limits: width; choose another, or say with a reason why it is kept`)
	r.do(Command{Do: Choose, Candidate: "old", Reason: "no other to be had"})
	s := r.step("choose-crank")
	assert.Equal(t, "no other to be had", s.Compare.Reason)
	assert.Equal(t, "kept although it failed", s.Findings[0].Code)
}

func TestNoneIsAdvisedWhereAllFail(t *testing.T) {
	r := newRig(t)
	beginText(r, twoCranks)
	measureCrank(r, "old", "10.30", "0.060")
	measureCrank(r, "spare", "10.40", "0.060")
	v := r.step("choose-crank").Compare
	assert.Empty(t, v.Keep)
	assert.Equal(t, "no candidate keeps its limits", v.Why.Code)
}

func TestWhatIsNotChosenNeedNotBeMeasured(t *testing.T) {
	r := newRig(t)
	beginText(r, twoCranks)
	measureCrank(r, "old", "10.00", "0.060")
	assert.Equal(t, "not measured", r.refused(Command{Do: Choose, Candidate: "spare"}))
	r.do(Command{Do: Choose, Candidate: "old"})
	r.requireAt("depth", 0)
	assert.Equal(t, "not chosen", r.step("bend-spare").Skipped.Code)
	// The other one after all: its steps are open again.
	r.do(Command{Do: Choose, Candidate: "spare", Reason: "the old one fell"})
	assert.False(t, r.step("width-spare").Closed)
	r.do(Command{Do: Next, Step: "width-spare"})
	r.press("caliper-1", "10.02")
	r.press("caliper-1", "10.02")
	r.requireAt("bend-spare", 0)
}

// The order of preference, by hand.
func TestWhichCandidateIsKept(t *testing.T) {
	c := Choice{Name: "crank", Prefer: "bend"}
	x := func(name, bend string, failed, notShown int) CandidateView {
		n := mm(bend)
		return CandidateView{Name: name, Features: []FeatureView{{Name: "bend", Value: &n}}, Failed: make([]string, failed), NotShown: make([]string, notShown)}
	}
	for _, k := range []struct {
		a, b      CandidateView
		keep, why string
	}{
		{x("a", "0.02", 0, 0), x("b", "0.01", 0, 1), "a", "all shown inside"},
		{x("a", "0.01", 0, 2), x("b", "0.02", 0, 1), "b", "fewest not shown"},
		{x("a", "0.01", 1, 0), x("b", "0.02", 0, 3), "b", "fewest not shown"},
		{x("a", "0.02", 0, 1), x("b", "0.01", 0, 1), "b", "better by preference"},
		{x("a", "0.01", 0, 0), x("b", "0.01", 0, 0), "a", "alike"},
		{x("a", "0.01", 1, 0), x("b", "0.01", 2, 0), "", "no candidate keeps its limits"},
	} {
		keep, why := c.advise([]CandidateView{k.a, k.b})
		assert.Equal(t, k.keep, keep)
		assert.Equal(t, k.why, why.Code)
	}
	c.Best = "largest"
	keep, _ := c.advise([]CandidateView{x("a", "0.02", 0, 0), x("b", "0.01", 0, 0)})
	assert.Equal(t, "a", keep)
}

func TestWorkKeepsWhatIsAdvised(t *testing.T) {
	csv := "step,place,value,unit,instrument\n"
	for _, row := range []string{"width-old,,10.00", "bend-old,,0.060", "width-spare,,10.02", "bend-spare,,0.020", "depth,,10.40"} {
		csv += strings.Repeat(row+",,\n", 2)
	}
	s, err := Work("p.toml", []byte(twoCranks), "r.csv", strings.NewReader(csv))
	require.NoError(t, err)
	assert.Equal(t, "width-spare", s.Advice[0].Terms[1].Name)
	assert.Equal(t, "0.38", s.Advice[0].Gap.StringFixed(2))
}

func TestMistakesInAChoice(t *testing.T) {
	for _, c := range []struct{ replace, with, want string }{
		{`candidates = ["old", "spare"]`, `candidates = ["old"]`, `p.toml:6:1: choice "crank" has 1 candidates; name 2 to 12`},
		{`candidates = ["old", "spare"]`, `candidates = ["old", "old"]`, `p.toml:6:1: candidate "old" stands twice; give each a name of its own`},
		{`candidates = ["old", "spare"]`, `candidates = ["old", "The spare"]`, `p.toml:6:1: "The spare" cannot be typed as a name; `},
		{`prefer = "bend"`, `prefer = "depth"`, `p.toml:7:1: choice "crank" prefers by "depth", and no such step is measured for it; name one of its steps`},
		{"for = \"crank\"\ninstrument = \"caliper\"", "for = \"shaft\"\ninstrument = \"caliper\"", `p.toml:11:1: there is no choice "shaft"; add a [[choice]] with that name or correct it`},
		{"title = \"Crank to keep\"\nfor = \"crank\"", `title = "Crank to keep"`, `p.toml:29:1: [[step]] lacks "for"; add for = "crank", the choice whose candidates it compares`},
		{"title = \"Crank to keep\"\nfor = \"crank\"", `title = "Crank to keep"`, `p.toml:3:1: no step compares the candidates of choice "crank"; add a [[step]] with kind = "compare" and for = "crank"`},
		{"[[step]]\nname = \"depth\"", "[[step]]\nname = \"again\"\ntitle = \"A\"\nkind = \"compare\"\nfor = \"crank\"\n[[step]]\nname = \"depth\"", `p.toml:38:1: choice "crank" is compared twice; compare it in one step`},
		{`name = "depth"`, `name = "width-old"`, `step "width" for candidate "old" would be called like another step; call one of them something else`},
		{`least = "0.10"`, "check = \"bend\"\nleast = \"0.10\"", `step "bend" is measured on several candidates; only a term of a chain can name it; it means the one that is chosen`},
		{`[[chain]]`, "[[bearing]]\nname = \"b\"\nstep = \"width\"\nheld = \"not held\"\n[[chain]]", `step "width" is measured on several candidates; `},
		{`title = "Grooves clean"`, "title = \"Grooves clean\"\nrange = [\"1\", \"2\"]", `"range" does not belong to step "grooves" of the kind "confirm"`},
	} {
		spoilt := strings.Replace(twoCranks, c.replace, c.with, 1)
		require.NotEqual(t, twoCranks, spoilt, c.replace)
		_, err := ReadPlan("p.toml", []byte(spoilt))
		assert.ErrorContains(t, err, c.want)
	}
}
