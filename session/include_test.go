package session

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session/tomlfile"
)

// sharedParts is included by two plans; it is no plan by itself.
const sharedParts = `cautions = ["Wipe the faces."]
[[part]]
name = "case"
[[step]]
name = "case-depth"
title = "Depth of the case"
part = "case"
instrument = "depth gauge"
range = ["10.00", "10.90"]
`

const oneShaft = `include = ["shared/parts.toml"]
plan = "one-shaft"
title = "First shaft"
cautions = ["Wipe the faces.", "Gloves."]
[[step]]
name = "first-width"
title = "First shaft"
instrument = "caliper"
range = ["9.50", "10.50"]
[[chain]]
name = "first-float"
title = "Float of the first shaft"
least = "0.10"
most = "0.90"
term = [{ step = "case-depth", sign = "+" }, { step = "first-width", sign = "-" }]
`

const bothShafts = `include = ["one-shaft.toml", "shared/parts.toml"]
plan = "both-shafts"
title = "Both \"shafts\", \\ in one case"
[[step]]
name = "second-width"
title = "Second shaft"
instrument = "caliper"
range = ["9.50", "10.50"]
[[chain]]
name = "second-float"
title = "Float of the second shaft"
least = "0.10"
most = "0.90"
term = [{ step = "case-depth", sign = "+" }, { step = "second-width", sign = "-" }]
`

// folder is plan files by name, as seen from the first.
type folder map[string]string

func (f folder) read(name string) ([]byte, error) {
	text, ok := f[name]
	if !ok {
		return nil, fmt.Errorf("no such file")
	}
	return []byte(text), nil
}

// readIncluding resolves and reads both.toml of a folder.
func (f folder) readIncluding() (Plan, string, error) {
	text, err := ResolvePlan("plans/both.toml", []byte(f["both.toml"]), f.read)
	if err != nil {
		return Plan{}, "", err
	}
	p, err := ReadPlan("plans/both.toml", text)
	return p, string(text), err
}

func threeFiles() folder {
	return folder{"both.toml": bothShafts, "one-shaft.toml": oneShaft, "shared/parts.toml": sharedParts}
}

func TestAPlanIncludesOthers(t *testing.T) {
	p, text, err := threeFiles().readIncluding()
	require.NoError(t, err)
	var names []string
	for _, s := range p.Steps {
		names = append(names, s.Name)
	}
	assert.Equal(t, []string{"case-depth", "first-width", "second-width"}, names)
	assert.Equal(t, `Both "shafts", \ in one case`, p.Title)
	assert.Len(t, p.Chains, 2)
	assert.Equal(t, []string{"Wipe the faces.", "Gloves."}, p.Cautions)
	assert.Equal(t, 2, strings.Count(text, "[[included]]"))
	again, err := ResolvePlan("plans/both.toml", []byte(text), folder{}.read)
	require.NoError(t, err)
	assert.Equal(t, text, string(again), "what is resolved stays as it is")
}

func TestAStepMeasuredOnceServesSeveralChains(t *testing.T) {
	_, text, err := threeFiles().readIncluding()
	require.NoError(t, err)
	r := newRig(t) // it replays after every item, from the log alone
	beginText(r, text)
	r.press("depth-1", "10.40")
	r.press("depth-1", "10.40")
	r.press("caliper-1", "10.00")
	r.press("caliper-1", "10.00")
	r.press("caliper-1", "9.90")
	r.press("caliper-1", "9.90")
	for _, a := range r.bench.Snapshot().Advice {
		assert.Equal(t, Final, a.State, a.Chain)
	}
	assert.Equal(t, "0.40", r.bench.Snapshot().Advice[0].Gap.StringFixed(2))
	assert.Equal(t, "0.50", r.bench.Snapshot().Advice[1].Gap.StringFixed(2))
}

func TestMistakesInIncludes(t *testing.T) {
	change := func(file, replace, with string) folder {
		f := threeFiles()
		f[file] = strings.Replace(f[file], replace, with, 1)
		return f
	}
	own := func(text string) folder { return change("both.toml", "[[chain]]", text+"[[chain]]") }
	for _, c := range []struct {
		f    folder
		want string
	}{
		{change("both.toml", `"one-shaft.toml"`, `"both.toml"`), `plans/both.toml:1:12: the plan "both.toml" includes itself; take one of the includes out`},
		{change("one-shaft.toml", `"shared/parts.toml"`, `"shared/parts.toml", "both.toml"`), `one-shaft.toml:1:33: the plan "both.toml" includes itself, through one-shaft.toml; take one of the includes out`},
		{change("shared/parts.toml", `cautions`, "include = [\"parts.toml\"]\ncautions"), `shared/parts.toml:1:12: the plan "shared/parts.toml" includes itself; `},
		{change("both.toml", `"one-shaft.toml"`, `"no-shaft.toml"`), `plans/both.toml:1:12: the plan "no-shaft.toml" cannot be read (no such file); name a plan file as seen from this one`},
		{own("[[step]]\nname = \"case-depth\"\ntitle = \"Depth of the case\"\npart = \"case\"\ninstrument = \"depth gauge\"\nrange = [\"10.20\", \"11.00\"]\n"), `plans/both.toml:14:1: step "case-depth" has the range 10.20 to 11.00 here and 10.00 to 10.90 in shared/parts.toml; make them the same, or call one of them something else`},
		{own("[[step]]\nname = \"case-depth\"\ntitle = \"Depth\"\npart = \"case\"\ninstrument = \"depth gauge\"\nrange = [\"10.00\", \"10.90\"]\n"), `plans/both.toml:9:1: step "case-depth" is not the same here and in shared/parts.toml; `},
		{own("[[part]]\nname = \"case\"\nmaterial = \"iron\"\n"), `plans/both.toml:9:1: part "case" is not the same here and in shared/parts.toml; `},
		{change("shared/parts.toml", `range = ["10.00", "10.90"]`, `range = ["10.90", "10.00"]`), `shared/parts.toml:9:1: the range of step "case-depth" runs from 10.90 to 10.00, so it can never be satisfied; write the lower number first`},
		{change("one-shaft.toml", `step = "case-depth"`, `step = "no-depth"`), `one-shaft.toml:15:11: there is no step "no-depth"; the steps are case-depth, first-width, second-width`},
		{change("one-shaft.toml", `least = "0.10"`, `least = 0.1.0`), `one-shaft.toml:13:`},
		{askingFiles("Another", "0.10"), `plans/both.toml:4:1: question "least" is not the same here and in one-shaft.toml; make them the same, or call one of them something else`},
		{askingFiles("Smallest", "thin"), `one-shaft.toml:17:9: "least" is the string "thin"`},
		{change("both.toml", `name = "second-width"`, `name = "Second width"`), `plans/both.toml:5:1: "Second width" cannot be typed as a name; `},
	} {
		_, _, err := c.f.readIncluding()
		assert.ErrorContains(t, err, c.want)
	}
	_, err := ReadPlan("both.toml", []byte(bothShafts))
	assert.ErrorContains(t, err, `both.toml:1:12: the plan "one-shaft.toml" is not here; begin with logctl, which reads it, or put both into one file`)
}

func TestIncludedPlansKeepTheirUnitAndSettings(t *testing.T) {
	f := threeFiles()
	f["shared/parts.toml"] = "unit = \"in\"\n[decision]\nlevel = 0.9\n[temperature]\nparts_within_kelvin = 1\n" + strings.NewReplacer("10.00", "0.390", "10.90", "0.430").Replace(sharedParts[strings.Index(sharedParts, "[[part]]"):])
	p, _, err := f.readIncluding()
	require.NoError(t, err)
	assert.Equal(t, "9.9060", p.Steps[0].Range[0].String())
	assert.Equal(t, "9.50", p.Steps[1].Range[0].String())
	assert.Equal(t, "0.9", p.Decision.Level.String())
	assert.Equal(t, "1", p.Temperature.Apart.String())
}

func TestQuotedTextsComeBack(t *testing.T) {
	for _, text := range []string{"plain", "two\nlines\r\n\ttab", `"quotes" and \back\`, "\x01\x7f", "ä·°C", `'''"""`} {
		f := folder{"both.toml": "include = [\"x.toml\"]\n", "x.toml": text}
		out, err := ResolvePlan("both.toml", []byte(f["both.toml"]), f.read)
		require.NoError(t, err)
		var inc includes
		require.Empty(t, decodeAll(t, string(out), &inc))
		assert.Equal(t, text, inc.Included[0].Text)
	}
}

func decodeAll(t *testing.T, text string, into any) string {
	t.Helper()
	_, problems := tomlfile.Decode("t.toml", []byte(text), into)
	if len(problems) == 0 {
		return ""
	}
	return problems.Error()
}

// asking is the three files whose first shaft asks for its window, and so does the plan
// that includes it, in its own words.
func askingFiles(question, example string) folder {
	f := threeFiles()
	ask := "[[ask]]\nname = \"least\"\nquestion = \"%s float\"\nexample = \"%s\"\n"
	f["one-shaft.toml"] = strings.Replace(strings.Replace(f["one-shaft.toml"], "[[step]]", fmt.Sprintf(ask, "Smallest", example)+"[[step]]", 1), `least = "0.10"`, `least = "{least}"`, 1)
	f["both.toml"] = strings.Replace(f["both.toml"], "[[step]]", fmt.Sprintf(ask, question, example)+"[[step]]", 1)
	return f
}

func TestAnIncludedPlanAsks(t *testing.T) {
	f := askingFiles("Smallest", "0.10")
	_, text, err := f.readIncluding()
	require.NoError(t, err, "asked alike in two files it is one question")
	require.Len(t, Questions([]byte(text)), 1)
	f["both.toml"] = bothShafts
	p, text, err := f.readIncluding()
	require.NoError(t, err)
	require.Equal(t, "0.10", p.Chains[0].Least.String(), "as its example answers it")
	r := newRig(t)
	require.Equal(t, "answers missing", r.refused(Command{Do: Begin, Plan: text}))
	r.do(Command{Do: Begin, Plan: text, Operator: "mo", Answers: map[string]string{"least": "0.25"}})
	require.Equal(t, "0.25", r.bench.state.job.plan.Chains[0].Least.String())
	require.Empty(t, Questions([]byte(r.bench.state.read.text)), "what is in the log has no open question")
}
