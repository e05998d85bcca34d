package session

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// caseScrews is a plan that pulls three screws in two passes.
const caseScrews = `plan = "case-screws"
title = "Screws of the case"
[[step]]
name = "case-screws"
kind = "torque"
title = "Screws of the case"
where = "Crosswise, from the middle"
caution = "Turn the crank after each pass."
order = ["c", "a", "b"]
passes = ["5", "9"]
tolerance = "0.5"
k = "0.2"
[[step.screw]]
name = "a"
at = "by the cylinder"
length = "45"
size = "M6"
class = "8.8"
[[step.screw]]
name = "b"
size = "M8x1"
[[step.screw]]
name = "c"
[[step]]
name = "free"
kind = "confirm"
title = "The crank turns free"
`

func newTorqueRig(t *testing.T) *rig {
	r := newRig(t, otherQuantities()...)
	beginText(r, caseScrews)
	return r
}

func TestScrewsArePulledInTheirOrderPassByPass(t *testing.T) {
	r := newTorqueRig(t)
	v := r.step("case-screws")
	names := []string{}
	for _, p := range v.Places {
		names = append(names, p.Name)
	}
	assert.Equal(t, []string{"pass 1, c", "pass 1, a", "pass 1, b", "pass 2, c", "pass 2, a", "pass 2, b"}, names)
	assert.Equal(t, &PullView{Screw: "c", Pass: 1, Target: mm("5"), Least: mm("4.5"), Most: mm("5.5")}, v.Places[0].Pull)
	assert.Equal(t, TorqueWrench, v.Instrument)
	assert.Equal(t, WrongInstrument, r.press("caliper-1", "5.0").Ruling)
	for i, value := range []string{"5.0", "5.2", "4.9", "9.0", "9.1", "8.6"} {
		r.requireAt("case-screws", i)
		assert.Equal(t, Filed, r.press("wrench", value).Ruling, "%d", i)
	}
	v = r.step("case-screws")
	assert.True(t, v.Closed)
	assert.Nil(t, v.Value)
	assert.Empty(t, v.Findings)
	r.requireAt("free", 0)
	assert.Equal(t, []Number{mm("4.9"), mm("8.6")}, v.Screws.Screws[2].Read)
	assert.Equal(t, "b", v.Screws.Screws[2].Name)
}

func TestATorqueOutsideItsTolerance(t *testing.T) {
	r := newTorqueRig(t)
	low := r.press("wrench", "4.4")
	assert.Equal(t, OutOfRange, low.Ruling)
	assert.Equal(t, "under torque", low.Why.Code)
	assert.Equal(t, map[string]string{"step": "case-screws", "screw": "c", "value": "4.4", "least": "4.5", "most": "5.5", "target": "5", "unit": "N.m"}, low.Why.Params)
	r.requireAt("case-screws", 0)
	assert.Empty(t, r.step("case-screws").Findings, "it is only pulled on")
	high := r.press("wrench", "6.4")
	assert.Equal(t, "over torque", high.Why.Code)
	r.requireAt("case-screws", 0)
	require.Len(t, r.step("case-screws").Findings, 1)
	assert.Equal(t, "over torque", r.step("case-screws").Findings[0].Code)
	assert.Equal(t, "not pulled", r.refused(Command{Do: Next}))
	assert.Equal(t, "torque not kept", r.refused(Command{Do: Confirm}))
	r.do(Command{Do: Confirm, Note: "thread looked at, holds"})
	r.requireAt("case-screws", 1)
	assert.Equal(t, "over torque, accepted", r.step("case-screws").Findings[0].Code)
	assert.Equal(t, "thread looked at, holds", r.step("case-screws").Places[0].Pull.Note)
	// The next one is slackened and pulled anew.
	r.press("wrench", "7.0")
	r.press("wrench", "5.1")
	f := r.step("case-screws").Findings
	require.Len(t, f, 2)
	assert.Equal(t, "over torque, pulled anew", f[1].Code)
	assert.Equal(t, "5.1", f[1].Params["then"])
	r.requireAt("case-screws", 2)
}

func TestAScrewIsPulledOnceMore(t *testing.T) {
	r := newTorqueRig(t)
	first := r.press("wrench", "5.0")
	r.press("wrench", "5.0")
	r.do(Command{Do: GoToPlace, Place: "pass 1, c"})
	r.do(Command{Do: Next}) // it has its reading
	r.requireAt("case-screws", 2)
	r.do(Command{Do: GoToPlace, Place: "1"})
	r.press("wrench", "5.3")
	assert.Equal(t, LeftOut, r.reading(first.Seq).Standing)
	assert.Equal(t, "5.3", r.step("case-screws").Places[0].Torque.String())
	r.do(Command{Do: StrikeOut, Reading: r.bench.Snapshot().Readings[2].Seq, Reason: "wrong screw"})
	assert.Equal(t, Counted, r.reading(first.Seq).Standing, "the one before counts again")
	assert.Equal(t, "5.0", r.step("case-screws").Places[0].Torque.String())
	// Striking that out as well opens the place.
	r.do(Command{Do: StrikeOut, Reading: first.Seq, Reason: "wrong screw"})
	assert.False(t, r.step("case-screws").Places[0].Closed)
	assert.Equal(t, "nothing to read", func() string {
		r.do(Command{Do: Confirm, Outcome: NotApplicable, Note: "no screws yet"})
		return r.refused(Command{Do: Take})
	}())
	assert.Equal(t, NotApplicable, r.step("case-screws").Confirmed.Outcome)
	assert.True(t, r.step("case-screws").Closed)
}

func TestATypedTorqueInPoundFeet(t *testing.T) {
	r := newRig(t, otherQuantities()...)
	plan := strings.NewReplacer(`passes = ["5", "9"]`, `passes = ["3.5", "7"]`, `k = "0.2"`, "k = \"0.2\"\ntorque_unit = \"lbf.ft\"").Replace(caseScrews)
	beginText(r, plan)
	v := r.step("case-screws")
	// 1 lbf·ft is 0.3048 × 4.4482216152605 N·m (NIST SP 811, B.8).
	assert.Equal(t, "9.4907256383198028", v.Screws.Passes[1].RoundBank(16).String())
	receipt := r.do(Command{Do: Enter, Instrument: "wrench", Value: "3.6", Unit: "lbf.ft"})
	assert.Equal(t, Filed, receipt.Ruling)
	r.requireAt("case-screws", 1)
}

// By hand: F = 9/(0.2·0.006) = 7500 N; on the 20.1 mm² of M6 (ISO 898-1) that is 373
// N/mm², 64 % of the proof stress 580 of class 8.8.
func TestThePreloadOfAScrew(t *testing.T) {
	r := newTorqueRig(t)
	screws := r.step("case-screws").Screws.Screws
	assert.Equal(t, "a", screws[1].Name)
	assert.Equal(t, 7500.0, screws[1].Preload)
	assert.InDelta(t, 100*7500/20.1/580, screws[1].Proof, 0.2)
	assert.Equal(t, 5620.0, screws[2].Preload, "M8x1: 9/(0.2·0.008), to ten newtons")
	assert.Zero(t, screws[2].Proof, "its class is not stated")
	assert.Zero(t, screws[0].Preload)
}

func TestMistakesInScrews(t *testing.T) {
	for _, c := range []struct{ replace, with, want string }{
		{`order = ["c", "a", "b"]`, `order = ["c", "a", "d", "b"]`, `p.toml:9:1: the order of step "case-screws" names a screw "d", and there is none; the screws are a, b, c`},
		{`order = ["c", "a", "b"]`, `order = ["c", "a"]`, `p.toml:9:1: the order of step "case-screws" leaves out screw "b"; name each screw once`},
		{`order = ["c", "a", "b"]`, `order = ["c", "a", "b", "a"]`, `p.toml:9:1: the order of step "case-screws" names screw "a" twice; name each screw once`},
		{`passes = ["5", "9"]`, `passes = ["9", "5"]`, `p.toml:10:1: pass 2 of step "case-screws" is not above the one before; state the passes from the lowest to the last`},
		{`passes = ["5", "9"]`, `passes = ["0", "5"]`, `p.toml:10:1: 0 N·m is no torque for a screw; check number and unit`},
		{`passes = ["5", "9"]`, `passes = []`, `p.toml:10:1: step "case-screws" has 0 pulls; it takes 1 to 400`},
		{"passes = [\"5\", \"9\"]\n", ``, `p.toml:3:1: [[step]] lacks "passes"; add passes = ["5", "10"]`},
		{"tolerance = \"0.5\"\n", ``, `p.toml:3:1: [[step]] lacks "tolerance"; add tolerance = "0.5"`},
		{`tolerance = "0.5"`, `tolerance = "5"`, `p.toml:11:1: a tolerance of 5 N·m does not go with a torque of 5; give ± about each torque, above zero and below the first`},
		{`k = "0.2"`, `k = "2"`, `p.toml:12:1: a torque coefficient of 2 is not possible; give a number from 0.05 to 0.5`},
		{`k = "0.2"`, `torque_unit = "mm"`, `p.toml:12:1: "mm" is not a unit of torque; write N.m, lbf.ft or lbf.in`},
		{`k = "0.2"`, `torque_unit = "furlong"`, `p.toml:12:15: `},
		{`k = "0.2"`, `range = ["1", "2"]`, `"range" does not belong to step "case-screws" of the kind "torque"`},
		{`length = "45"`, `length = "-45"`, `p.toml:16:1: screw "a" is -45 long; give its length under the head`},
		{`size = "M6"`, `size = "6"`, `p.toml:17:1: "6" is no metric thread; write M6, or M8x1 with its pitch`},
		{`class = "8.8"`, `class = "A2-70"`, `p.toml:18:1: "A2-70" is no property class; it is 4.6, `},
		{`name = "b"`, `name = "a"`, `name "a" is used twice`},
		{caseScrews[strings.Index(caseScrews, "[[step.screw]]"):], "", `[[step]] lacks "screw"; add a [[step.screw]] for each screw`},
	} {
		spoilt := strings.Replace(caseScrews, c.replace, c.with, 1)
		require.NotEqual(t, caseScrews, spoilt, c.replace)
		_, err := ReadPlan("p.toml", []byte(spoilt))
		assert.ErrorContains(t, err, c.want)
	}
}

func TestWhatAScrewIsLeftWith(t *testing.T) {
	count, percent, limit := mm("0.1"), mm("4"), mm("0.6")
	wrench := Profile{Kind: TorqueWrench, ResolutionNm: &count, PermissiblePercent: &percent}
	for _, c := range []struct {
		what   string
		change func(*Profile)
		read   string
		want   *Left
	}{
		{"by percent, rounded up", func(*Profile) {}, "12.0", &Left{mm("12.0"), mm("0.5"), "permissible error"}},
		{"by the larger of two", func(p *Profile) { p.PermissibleNm = &limit }, "12.0", &Left{mm("12.0"), mm("0.6"), "permissible error"}},
		{"as is usual", func(p *Profile) { p.Assumed = true }, "8.134907689988402400", &Left{mm("8.1"), mm("0.4"), "usual error"}},
		{"by a certificate near it", func(p *Profile) {
			p.CertificatesNm = []CertificateNm{{At: mm("20"), Error: mm("0.5"), Expanded: mm("0.2")}, {At: mm("10"), Error: mm("0.2"), Expanded: mm("0.11")}}
		}, "12.0", &Left{mm("11.8"), mm("0.2"), "certificate"}},
		{"a certificate that does not reach", func(p *Profile) {
			p.CertificatesNm = []CertificateNm{{At: mm("10"), Reach: &limit, Error: mm("0.2"), Expanded: mm("0.11")}}
		}, "12.0", &Left{mm("12.0"), mm("0.5"), "permissible error"}},
		{"nothing known", func(p *Profile) { p.PermissiblePercent = nil }, "12.0", nil},
	} {
		p := wrench
		c.change(&p)
		assert.Equal(t, c.want, leftWith(&p, mm(c.read)), c.what)
	}
}
