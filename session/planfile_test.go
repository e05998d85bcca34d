package session

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func readPlanFile(t *testing.T, name string) string {
	t.Helper()
	read := func(name string) ([]byte, error) {
		return os.ReadFile(filepath.Join("..", "testdata", "plans", filepath.FromSlash(name)))
	}
	text, err := read(name)
	require.NoError(t, err)
	text, err = ResolvePlan(name, text, read)
	require.NoError(t, err)
	return string(text)
}

func TestPlansOfTheProjectAreSound(t *testing.T) {
	files, err := filepath.Glob("../testdata/plans/*.toml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		_, err = ReadPlan(filepath.Base(file), []byte(readPlanFile(t, filepath.Base(file))))
		require.NoError(t, err, file)
	}
}

// soundPlan is a plan that each case below spoils in one place.
const soundPlan = `plan = "collar"
title = "A collar"
[[part]]
name = "collar"
[[bar]]
name = "base"
thickness = "5.00"
[[step]]
name = "collar-width"
title = "Collar"
part = "collar"
instrument = "caliper"
use = "outside"
places = ["top", "bottom"]
range = ["10.00", "10.50"]
[[step]]
name = "seat-depth"
title = "Seat"
instrument = "depth gauge"
bar = "base"
range = ["15.20", "15.90"]
[[chain]]
name = "float"
title = "Float"
least = "0.10"
most = "0.20"
term = [{ step = "seat-depth", sign = "+" }, { step = "collar-width", sign = "-" }]
[[chain.side]]
name = "left side"
most = 2
[[stock]]
thickness = "0.20"
count = 4
`

func TestMistakesInAPlan(t *testing.T) {
	_, err := ReadPlan("p.toml", []byte(soundPlan))
	require.NoError(t, err)
	for _, c := range []struct{ replace, with, want string }{
		{`step = "seat-depth", sign`, `step = "seet-depth", sign`, `p.toml:27:11: there is no step "seet-depth"; the steps are collar-width, seat-depth`},
		{`least = "0.10"`, `least = "0.30"`, `p.toml:25:1: the window of chain "float" is upside down: least 0.30, most 0.20; least must be below most`},
		{`title = "A collar"`, "title = \"A collar\"\nunit = \"furlong\"", `p.toml:3:8: `},
		{`range = ["10.00", "10.50"]`, `range = ["10.50", "10.00"]`, `p.toml:15:1: the range of step "collar-width" runs from 10.50 to 10.00, so it can never be satisfied; write the lower number first`},
		{`range = ["10.00", "10.50"]`, `range = ["10.50"]`, `p.toml:15:1: the range of step "collar-width" has 1 numbers; give`},
		{`range = ["10.00", "10.50"]`, "range = [\"10.00\", \"10.50\"]\nrepeats = 1", `p.toml:16:1: step "collar-width" asks for 1 repeats; ask for 2 or more; a single reading proves nothing`},
		{`range = ["10.00", "10.50"]`, "range = [\"10.00\", \"10.50\"]\nrepeats = 900", `p.toml:16:1: step "collar-width" asks for 900 repeats, so it will never be satisfied; ask for at most 50`},
		{`places = ["top", "bottom"]`, `places = []`, `p.toml:14:1: step "collar-width" has an empty list of places, so it can never be satisfied; `},
		{`places = ["top", "bottom"]`, `places = ["top", "top"]`, `p.toml:14:1: place "top" stands twice; `},
		{`use = "outside"`, `use = "gap"`, `p.toml:13:1: a caliper does not measure "gap"; it measures "outside", "inside", "depth", "step"`},
		{`part = "collar"`, `part = "cellar"`, `p.toml:11:1: there is no part "cellar"; `},
		{`part = "collar"`, `side = "right side"`, `p.toml:11:1: no chain has a side "right side"; `},
		{`bar = "base"`, `bar = "bass"`, `p.toml:20:1: there is no bar "bass"; `},
		{`range = ["15.20", "15.90"]`, `range = ["4.20", "4.90"]`, `so it can never be satisfied; the range is that of the reading, bar included`},
		{`thickness = "5.00"`, `step = "seat-depth"`, `step "seat-depth" measures the bar and is itself measured over a bar; measure a bar directly`},
		{`thickness = "5.00"`, "thickness = \"5.00\"\nstep = \"collar-width\"", `p.toml:5:1: bar "base" needs either a thickness or a step that measures it; `},
		{`thickness = "5.00"`, `thickness = "-5.00"`, `p.toml:7:1: bar "base" is -5.00 thick; a thickness is above zero`},
		{`sign = "-"`, `sign = "minus"`, `p.toml:27:`},
		{`step = "collar-width", sign = "-"`, `step = "seat-depth", sign = "-"`, `step "seat-depth" is a term twice; name each step once`},
		{`step = "collar-width", sign = "-"`, `given = "10.2", sign = "-"`, `the given value 10.2 has no name; `},
		{`step = "collar-width", sign = "-"`, `sign = "-"`, `a term needs either a step or a given value; `},
		{`most = "0.20"`, "most = \"0.20\"\naim = \"0.50\"", `p.toml:27:1: the aim 0.50 lies outside the window 0.10 to 0.20; `},
		{`most = "0.20"`, "most = \"0.20\"\nsplit = \"first fixed\"", `side "left side" is fixed first but has no pack; `},
		{`most = 2`, "most = 2\npack = \"0.20\"", `side "left side" has a pack, but the split is "even"; `},
		{`most = 2`, "most = 9", `side "left side" takes from 0 to 9 shims; `},
		{`most = 2`, "most = 2\nfitted = \"-1\"", `what is fitted on side "left side" is negative; `},
		{`most = "0.20"`, "most = \"0.20\"\ncheck = \"seat-depth\"", `step "seat-depth" cannot check the chain it is a term of; `},
		{`most = "0.20"`, "most = \"0.20\"\ncheck = \"nothing\"", `there is no step "nothing"; `},
		{`thickness = "0.20"`, `thickness = "0"`, `p.toml:32:1: a shim of 0 is no shim; a thickness is above zero`},
		{`count = 4`, `count = -4`, `p.toml:33:1: there cannot be -4 shims of 0.20; count what is on hand`},
		{`count = 4`, "count = 4\n[[stock]]\nthickness = \"0.2\"\ncount = 1", `p.toml:35:1: shims of 0.2 stand twice in the stock; `},
		{`count = 4`, "count = 4\ntolerance = -1", `p.toml:34:1: the tolerance of a shim is -1; it cannot be below zero`},
		{`name = "collar"`, `name = "shop"`, `p.toml:4:1: "shop" is the air around the bench; call the part something else`},
		{`[[bar]]`, "expansion_per_kelvin_e6 = 500\n[[bar]]", `p.toml:5:1: an expansion of 500 is not possible; give a number from -5 to 100`},
		{`[[bar]]`, "[decision]\nlevel = 95\n[[bar]]", `p.toml:6:1: a level of 95 is not possible; give a number from 0.5 to 0.999999`},
		{`[[bar]]`, "[decision]\nedition = \"ISO 9\"\n[[bar]]", `p.toml:6:11: `},
		{`[[bar]]`, "[temperature]\nparts_within_kelvin = -1\n[[bar]]", `p.toml:6:1: a difference within of -1 is not possible; `},
		{`[[bar]]`, "[[bearing]]\nname = \"b\"\nstep = \"nowhere\"\nheld = \"not held\"\n[[bar]]", `p.toml:7:1: there is no step "nowhere"; `},
		{`[[bar]]`, "[[bearing]]\nname = \"b\"\nstep = \"seat-depth\"\nheld = \"not held\"\nplay = 0.05\n[[bar]]", `p.toml:5:1: play and its uncertainty belong together at bearing "b"; give play and play_u, or neither`},
		{`[[bar]]`, "[[bearing]]\nname = \"b\"\nstep = \"seat-depth\"\nheld = \"not held\"\nplay = -0.05\nplay_u = 0.01\n[[bar]]", `p.toml:9:1: the play of bearing "b" is -0.05; it cannot be below zero`},
		{`bar = "base"`, "bar = \"base\"\nreference = 0", `p.toml:21:1: step "seat-depth" checks an instrument and is a term of chain "float"; `},
		{`bar = "base"`, "bar = \"base\"\nreference = 25", `step "seat-depth" checks against a block whose uncertainty is not stated; `},
		{`bar = "base"`, "bar = \"base\"\nreference_u = 0.001", `step "seat-depth" has the uncertainty of a reference but no reference; `},
		{`sign = "-"`, `sign = "-", crush = 0.1, crush_u = 0.02`, `crush is given for a part that is no gasket; add gasket = true, or leave it out`},
		{`sign = "-"`, `sign = "-", gasket = true, crush = 0.1`, `crush and its uncertainty belong together; `},
		{`sign = "-"`, `sign = "-", gasket = true, crush = 1.1, crush_u = 0`, `a crush of 1.1 is not possible; give a number from 0 to 0.9`},
		{`sign = "-"`, `sign = "-", u = 0.1`, `only a given value has its uncertainty in the plan; `},
		{`name = "seat-depth"`, `name = "Seat depth"`, `p.toml:17:1: "Seat depth" cannot be typed as a name; `},
		{`name = "seat-depth"`, `name = "collar-width"`, `p.toml:17:1: name "collar-width" is used twice, first at line 9; `},
		{`sign = "-"`, `sign = "+"`, "with 0.00 to 0.40 of shim the window can never be reached; check signs, ranges, window and stock"},
		{`instrument = "depth gauge"`, `instrument = "ruler"`, `p.toml:19:14: `},
	} {
		spoilt := strings.Replace(soundPlan, c.replace, c.with, 1)
		require.NotEqual(t, soundPlan, spoilt, c.replace)
		_, err := ReadPlan("p.toml", []byte(spoilt))
		assert.ErrorContains(t, err, c.want)
	}
}

func TestAPlanWithoutStepsOrChains(t *testing.T) {
	_, err := ReadPlan("p.toml", []byte("plan = \"a\"\ntitle = \"A\"\n"))
	require.ErrorContains(t, err, "p.toml:1:1: the plan has no step; add")
	require.ErrorContains(t, err, "p.toml:1:1: the plan has no chain; add")
}

func TestAPlanInInchesIsConvertedExactly(t *testing.T) {
	text := strings.ReplaceAll(soundPlan, `title = "A collar"`, "title = \"A collar\"\nunit = \"in\"")
	p, err := ReadPlan("p.toml", []byte(text))
	require.NoError(t, err)
	require.Equal(t, Millimetre, p.Unit)
	require.Equal(t, "254.000", p.Steps[0].Range[0].String())
	require.Equal(t, "2.540", p.Chains[0].Least.String())
	require.Equal(t, "5.080", p.Stock[0].Thickness.String())
	require.Equal(t, "127.000", p.Bars[0].Thickness.String())
}

func FuzzReadPlan(f *testing.F) {
	f.Add([]byte(soundPlan))
	f.Add([]byte(twins))
	f.Add([]byte(knifeEdge))
	f.Add([]byte(handOver))
	f.Add([]byte(underHeat))
	f.Add([]byte(sealsAndBend))
	f.Add([]byte(ringInSeat))
	f.Add([]byte(caseScrews))
	f.Add([]byte(twoCranks))
	_, included, err := threeFiles().readIncluding()
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte(included))
	files, _ := filepath.Glob("../testdata/plans/*.toml")
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := ReadPlan("p.toml", text)
		if err != nil {
			require.NotEmpty(t, err.Error())
			return
		}
		// A sound plan can be begun, and gives advice or says what it waits for.
		turn := &turn{state: NewState(theMethod), at: time.Unix(0, 0)}
		turn.add(Started{})
		turn.add(Began{Plan: string(text)})
		turn.openNext()
		turn.advise()
		require.NoError(t, turn.err)
		require.Len(t, turn.state.Snapshot().Job.Steps, len(p.Steps))
		require.Len(t, turn.state.Snapshot().Advice, len(p.Chains))
	})
}
