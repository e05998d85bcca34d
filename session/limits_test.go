package session

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// sealsAndBend is a plan whose steps have limits of their own: no chain.
const sealsAndBend = `plan = "seals-and-bend"
title = "Seal depth and bend of the crank"
[[part]]
name = "crank"
[[bar]]
name = "base"
thickness = "5.00"
u = "0.001"
[[step]]
name = "seal-depth"
title = "Seal, from the face"
instrument = "depth gauge"
range = ["6.00", "12.00"]
bar = "base"
least = "3.80"
most = "4.20"
[[step]]
name = "bend"
title = "Bend of the crank"
measure = "Total indicator movement over one turn"
part = "crank"
instrument = "micrometer"
range = ["0.000", "1.000"]
half = true
most = "0.040"
`

func TestAValueIsHeldAgainstItsLimits(t *testing.T) {
	for _, c := range []struct{ read, outcome, finding string }{
		{"9.00", "shown inside", ""},
		{"9.18", "not shown", "limits not shown"},
		{"9.22", "not shown", "limits not shown"},
		{"8.78", "not shown", "limits not shown"},
		{"9.40", "shown outside", "limits not kept"},
		{"8.60", "shown outside", "limits not kept"},
	} {
		r := newRig(t)
		beginText(r, sealsAndBend)
		v := r.step("seal-depth")
		require.NotNil(t, v.Limits)
		assert.Nil(t, v.Limits.Value)
		assert.Empty(t, v.Limits.Outcome)
		r.press("depth-1", c.read)
		r.press("depth-1", c.read)
		v = r.step("seal-depth")
		require.True(t, v.Closed)
		assert.Equal(t, c.outcome, v.Limits.Outcome, c.read)
		assert.InDelta(t, 1, v.Limits.Chance.Inside+v.Limits.Chance.TooTight+v.Limits.Chance.TooLoose, 0.0002)
		if c.finding == "" {
			assert.Empty(t, v.Findings)
			continue
		}
		require.Len(t, v.Findings, 1)
		assert.Equal(t, c.finding, v.Findings[0].Code)
		assert.Equal(t, "3.80", v.Findings[0].Params["least"])
	}
}

func TestTheOutcomeOfLimitsIsInTheLog(t *testing.T) {
	r := newRig(t)
	beginText(r, sealsAndBend)
	r.press("depth-1", "9.00")
	r.press("depth-1", "9.00")
	var closed []StepClosed
	require.NoError(t, r.log.replay(-1)(func(e Entry) error {
		if b, ok := e.Body.(StepClosed); ok {
			closed = append(closed, b)
		}
		return nil
	}))
	require.Len(t, closed, 1)
	assert.Equal(t, r.step("seal-depth").Limits, closed[0].Limits)
}

// The guard band of ISO 14253-1:2017 is 1.65 u, and one limit alone is held against
// the tail beyond it: with a normal law P(X > limit) = erfc(d/(u·√2))/2. The bend is
// half of the movement, and so is its uncertainty.
func TestABendIsHalfOfTheMovement(t *testing.T) {
	r := newRig(t)
	beginText(r, sealsAndBend)
	r.do(Command{Do: Next, Step: "bend"})
	r.press("micrometer-1", "0.070")
	r.press("micrometer-1", "0.070")
	v := r.step("bend")
	assert.Equal(t, "0.035", v.Value.String())
	assert.Equal(t, "0.035", v.Limits.Value.Round(3).StringFixed(3))
	assert.Equal(t, "shown inside", v.Limits.Outcome)
	guard, expanded := v.Limits.Guard.InexactFloat64(), v.Limits.Expanded.InexactFloat64()
	// By hand: u of the movement is hypot(0.004/√3, s/√2), that of the bend half of it.
	u := math.Hypot(0.004/math.Sqrt(3), 0.0015/math.Sqrt2) / 2
	assert.InDelta(t, math.Ceil(1650*u)/1000, guard, 1e-9, "rounded up to a micrometre")
	assert.InDelta(t, 1.9*u, expanded, 0.0006)
	for _, f := range r.bench.Snapshot().Readings {
		r.do(Command{Do: StrikeOut, Reading: f.Seq, Reason: "dial was loose"})
	}
	r.do(Command{Do: Next, Step: "bend"})
	r.press("micrometer-1", "0.095")
	r.press("micrometer-1", "0.095")
	assert.Equal(t, "shown outside", r.step("bend").Limits.Outcome)
}

func TestALimitWithoutAPermissibleErrorIsNeverShown(t *testing.T) {
	r := newRig(t)
	beginText(r, strings.Replace(sealsAndBend, `instrument = "depth gauge"`, "instrument = \"caliper\"\nuse = \"inside\"", 1))
	r.press("caliper-1", "9.00")
	r.press("caliper-1", "9.00")
	v := r.step("seal-depth").Limits
	assert.Equal(t, "not shown", v.Outcome)
	assert.Equal(t, "limit not stated", v.Barred[0].Code)
}

func TestMistakesInLimits(t *testing.T) {
	for _, c := range []struct{ replace, with, want string }{
		{`least = "3.80"`, `least = "4.80"`, `p.toml:15:1: the limits of step "seal-depth" are upside down: least 4.80, most 4.20; least must be below most`},
		{`least = "3.80"`, `reference = "0"`, `p.toml:16:1: step "seal-depth" checks an instrument and has limits; `},
		{"least = \"3.80\"\nmost = \"4.20\"", `most = "0.20"`, `p.toml:15:1: by its range the value of step "seal-depth" is 1.00 to 7.00, so its limits can never be kept; check range, bar and limits`},
		{`instrument = "depth gauge"`, `instrument = "thermometer"`, `step "seal-depth" measures a temperature and has limits; leave them out; they belong to lengths`},
		{`most = "0.040"`, `least = "1.200"`, `so its limits can never be kept`},
		{`most = "0.040"`, "[[chain]]\nname = \"c\"\ntitle = \"C\"\nleast = \"0\"\nmost = \"1\"\nterm = [{ step = \"bend\", sign = \"+\" }]\n[[chain.side]]\nname = \"s\"\nmost = 1\n", `the value of step "bend" is half of what is read, so it cannot be a term; measure the dimension itself`},
	} {
		_, err := ReadPlan("p.toml", []byte(strings.Replace(sealsAndBend, c.replace, c.with, 1)))
		assert.ErrorContains(t, err, c.want)
	}
}

// By hand: between 0.40 and 0.45 the blades leave 0.425 ± (0.025 + 0.005)/√3 = 0.0173 mm,
// rectangular, so ± 0.95·0.030 = 0.0285 mm at 95 %.
func TestAFeelerIsHeldAgainstLimitsByItsBlades(t *testing.T) {
	const plan = `plan = "side"
title = "Rod side clearance"
[[step]]
name = "side"
title = "Side clearance"
instrument = "feeler"
range = ["0.05", "1.00"]
least = "0.20"
most = "0.60"
`
	for pair, want := range map[[2]string]string{
		{"0.40", "0.45"}: "shown inside", {"0.55", "0.60"}: "not shown", {"0.65", "0.70"}: "shown outside", {"0.10", "0.15"}: "shown outside",
	} {
		r := newRig(t)
		beginText(r, plan)
		r.do(Command{Do: Enter, Instrument: "feelers", Passes: pair[0], Stops: pair[1]})
		l := r.step("side").Limits
		require.Equal(t, want, l.Outcome, pair)
		require.Empty(t, l.Barred)
		require.InDelta(t, 0.0285, l.Expanded.InexactFloat64(), 0.0006)
	}
}
