package session

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// ringInSeat is a plan of a ring and its seat: a sum without shims, and a fit on it.
const ringInSeat = `plan = "ring-in-seat"
title = "Ring of the pump half"
[[part]]
name = "pump-half"
title = "Pump half"
expansion_per_kelvin_e6 = 23
[[part]]
name = "ring"
expansion_per_kelvin_e6 = 11.5
[[step]]
name = "ring-diameter"
title = "Ring, outside"
part = "ring"
instrument = "micrometer"
range = ["51.950", "52.050"]
[[step]]
name = "seat-diameter"
title = "Seat, inside"
part = "pump-half"
instrument = "micrometer"
range = ["51.900", "52.050"]
[[step]]
name = "heat"
kind = "wait"
title = "Pump half on the plate"
seconds = 120
fit = "pump-seat"
[[chain]]
name = "pump-interference"
title = "Interference of the ring"
least = "0.020"
most = "0.060"
term = [{ step = "ring-diameter", sign = "+" }, { step = "seat-diameter", sign = "-" }]
[[fit]]
name = "pump-seat"
title = "Ring into the pump half"
chain = "pump-interference"
heated = "pump-half"
ring = "ring"
diameter = "52.00"
clearance = "0.03"
[[fit.limit]]
name = "seal"
celsius = "110"
[[fit.limit]]
name = "case"
celsius = "150"
`

func measureSeat(r *rig, ring, seat string) {
	r.press("micrometer-1", ring)
	r.press("micrometer-1", ring)
	r.press("micrometer-1", seat)
	r.press("micrometer-1", seat)
	if r.bench.Snapshot().Step.Name == "seat-diameter" { // its first press was held
		r.press("micrometer-1", seat)
	}
}

func TestASumWithoutShims(t *testing.T) {
	r := newRig(t)
	beginText(r, ringInSeat)
	a := r.bench.Snapshot().Advice[0]
	assert.True(t, a.NoShims)
	assert.Nil(t, a.Best)
	measureSeat(r, "52.005", "51.965")
	a = r.bench.Snapshot().Advice[0]
	require.NotNil(t, a.Best)
	assert.True(t, a.NoShims)
	assert.Empty(t, a.Best.Packs)
	assert.Equal(t, "0.040", a.Best.EndFloat.StringFixed(3))
	assert.Equal(t, a.Gap, &a.Best.EndFloat)
	assert.Equal(t, "shown inside", a.Best.Outcome)
	assert.True(t, a.Best.Inside)
	for _, n := range a.Next {
		assert.NotContains(t, []string{"trial build", "check gap by feeler"}, n.Act.Code)
	}
	assert.Equal(t, "no shims", r.refused(Command{Do: Fitting}))
}

func TestASumThatIsTooLarge(t *testing.T) {
	r := newRig(t)
	beginText(r, ringInSeat)
	measureSeat(r, "52.045", "51.950")
	a := r.bench.Snapshot().Advice[0]
	assert.Equal(t, "shown outside", a.Best.Outcome)
	assert.False(t, a.Best.Inside)
	assert.Greater(t, a.Best.Chance.TooLoose, 0.99)
	assert.Empty(t, a.Next)
}

// By hand: ΔT = (0.040 + 0.03)/(23e-6·52) = 58.5 K, on a ring of 20 °C 78.5 °C; on one
// of 5 °C 63.5 °C. The expansion is a handbook value of aluminium.
func TestAFitSaysHowHot(t *testing.T) {
	r := newRig(t)
	beginText(r, ringInSeat)
	v := r.bench.Snapshot().Fits[0]
	assert.Nil(t, v.Interference)
	assert.Nil(t, v.Celsius)
	assert.Nil(t, r.step("heat").Heat.Celsius)
	measureSeat(r, "52.005", "51.965")
	v = r.bench.Snapshot().Fits[0]
	assert.Equal(t, "58.6", v.Above.String())
	assert.Equal(t, "79", v.Celsius.String())
	assert.Equal(t, "20", v.Ring.String())
	assert.Equal(t, "ring assumed cold", v.Assumed[0].Code)
	assert.Empty(t, v.Findings)
	h := r.step("heat").Heat
	assert.Equal(t, "Pump half", h.Part)
	assert.Equal(t, "79", h.Celsius.String())
	assert.Equal(t, "110", h.Most.String())
	assert.Equal(t, "seal", h.MostOf)

	r.do(Command{Do: TakeTemperature, Of: "ring", Celsius: "5"})
	v = r.bench.Snapshot().Fits[0]
	assert.Empty(t, v.Assumed)
	assert.Equal(t, "5", v.Ring.String())
	heat := 5.0 + (v.Interference.InexactFloat64()+0.03)/(23e-6*52)
	assert.InDelta(t, heat, v.Celsius.InexactFloat64(), 1)

	r.do(Command{Do: Next})
	var started []WaitStarted
	require.NoError(t, r.log.replay(-1)(func(e Entry) error {
		if b, ok := e.Body.(WaitStarted); ok {
			started = append(started, b)
		}
		return nil
	}))
	require.Len(t, started, 1)
	assert.Equal(t, v.Celsius, started[0].Celsius, "the log has what was shown")
}

func TestNoHeatIsAdvisedAboveALimit(t *testing.T) {
	r := newRig(t)
	beginText(r, ringInSeat)
	measureSeat(r, "52.045", "51.950") // (0.095 + 0.03)/(23e-6·52) = 104.5 K
	v := r.bench.Snapshot().Fits[0]
	assert.Nil(t, v.Celsius)
	require.Len(t, v.Findings, 2)
	assert.Equal(t, "ring too large for its seat", v.Findings[1].Code)
	assert.Equal(t, map[string]string{"fit": "pump-seat", "name": "seal", "limit": "110", "needed": "125"}, v.Findings[0].Params)
	assert.Nil(t, r.step("heat").Heat.Celsius)
}

// A ring that would be loose is not heated in, though little heat would do.
func TestNoHeatForARingThatWouldBeLoose(t *testing.T) {
	r := newRig(t)
	beginText(r, ringInSeat)
	measureSeat(r, "52.005", "52.000") // least 0.020
	v := r.bench.Snapshot().Fits[0]
	assert.Nil(t, v.Celsius)
	require.Len(t, v.Findings, 1)
	assert.Equal(t, "ring loose in its seat", v.Findings[0].Code)
	assert.Nil(t, r.step("heat").Heat.Celsius)
}

func TestALooseRingNeedsNoHeat(t *testing.T) {
	r := newRig(t)
	beginText(r, strings.Replace(ringInSeat, `least = "0.020"`, `least = "-0.060"`, 1))
	measureSeat(r, "51.990", "52.030")
	v := r.bench.Snapshot().Fits[0]
	assert.Equal(t, "-0.040", v.Interference.StringFixed(3))
	assert.True(t, v.Above.IsZero())
	assert.Equal(t, "20", v.Celsius.String())
}

func TestMistakesInSumsAndFits(t *testing.T) {
	for _, c := range []struct{ replace, with, want string }{
		{`most = "0.060"`, "most = \"0.060\"\ncheck = \"heat\"", `p.toml:33:1: chain "pump-interference" has no side for shims, and yet a check; give it a [[chain.side]], or leave it out`},
		{`most = "0.060"`, "most = \"0.060\"\nsplit = \"even\"", `p.toml:33:1: chain "pump-interference" has no side for shims, so there is nothing to split; `},
		{`chain = "pump-interference"`, `chain = "pump"`, `p.toml:37:1: there is no chain "pump"; name the chain that gives the interference`},
		{"[[fit]]", "[[chain.side]]\nname = \"a\"\nmost = 1\n[[stock]]\nthickness = \"0.02\"\ncount = 3\n[[fit]]", `chain "pump-interference" takes shims, so it gives no interference; name a chain without sides: ring less seat`},
		{`heated = "pump-half"`, `heated = "pump"`, `there is no part "pump"; name the [[part]] that is heated`},
		{"title = \"Pump half\"\nexpansion_per_kelvin_e6 = 23\n", "", `part "pump-half" is heated, and its expansion is not stated; give it expansion_per_kelvin_e6; aluminium has 23`},
		{`ring = "ring"`, `ring = "bell"`, `there is no part "bell"; name the [[part]] that the ring is`},
		{`diameter = "52.00"`, `diameter = "0"`, `a seat of 0 mm is no seat; give its diameter`},
		{`clearance = "0.03"`, `clearance = "-0.03"`, `the clearance of fit "pump-seat" is -0.03; it cannot be below zero`},
		{`celsius = "110"`, `celsius = "1100"`, `a limit of 1100 is not possible; give a number from 30 to 400`},
		{ringInSeat[strings.Index(ringInSeat, "[[fit.limit]]"):], "", `[[fit]] lacks "limit"; `},
		{ringInSeat[strings.Index(ringInSeat, "[[fit.limit]]"):], "limit = []\n", `fit "pump-seat" names nothing that must not get too hot; `},
		{`fit = "pump-seat"`, `fit = "pump"`, `p.toml:27:1: there is no fit "pump"; name a [[fit]]`},
		{`fit = "pump-seat"`, "fit = \"pump-seat\"\ncelsius = 90", `p.toml:27:1: step "heat" has a fit, which says how hot; leave celsius and most_celsius out, or the fit`},
	} {
		spoilt := strings.Replace(ringInSeat, c.replace, c.with, 1)
		require.NotEqual(t, ringInSeat, spoilt, c.replace)
		_, err := ReadPlan("p.toml", []byte(spoilt))
		assert.ErrorContains(t, err, c.want)
	}
}

// While the part is under heat, the thermometer says how far it is.
func TestAPartUnderHeat(t *testing.T) {
	r := newRig(t, otherQuantities()...)
	beginText(r, strings.Replace(ringInSeat, `fit = "pump-seat"`, "fit = \"pump-seat\"\npart = \"pump-half\"", 1))
	measureSeat(r, "52.005", "51.965") // to 79 °C, and not above 110
	r.do(Command{Do: Next})
	for _, c := range []struct{ shows, code string }{{"60.0", "noted, not hot enough"}, {"79.0", "noted, hot enough"}, {"110.0", "noted, hot enough"}, {"110.1", "noted, too hot"}} {
		r.clock.move(time.Second)
		_, err := r.submit(Command{Do: Enter, Instrument: "probe", Value: c.shows})
		require.NoError(t, err)
		all := r.bench.Snapshot().Readings
		assert.Equal(t, c.code, all[len(all)-1].Why.Code, c.shows)
		w := warmthOf(r.bench.state.job.warmth, "pump-half")
		require.NotNil(t, w)
		assert.Equal(t, c.shows, w.Celsius.StringFixed(1))
	}
}
