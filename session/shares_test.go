package session

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A second caliper of half the permissible error.
func goodCaliper() Profile {
	return Profile{Name: "caliper-2", Kind: Caliper, Trigger: OnPress, Resolution: mm("0.01"), Repeatability: mm("0.008"), Permissible: map[Use]Number{Outside: mm("0.01")}}
}

func TestAStepReadWithTwoInstrumentsHasItsShareOfEach(t *testing.T) {
	r := newRig(t, goodCaliper())
	r.begin("pump-bottom-end-short.toml")
	for _, instrument := range []string{"caliper-1", "caliper-1", "caliper-2", "caliper-2"} {
		r.press(instrument, "52.54") // the first place with one, the second with the other
	}
	r.press("caliper-1", "10.00")
	r.press("caliper-1", "10.00")
	for _, value := range []string{"37.41", "25.30"} {
		for range 4 {
			r.press("depth-1", value)
		}
	}
	measureGasket(r)
	a := r.advice()
	one, two := line(t, a, "caliper-1, outside, limit, subtracted"), line(t, a, "caliper-2, outside, limit, subtracted")
	// The crank is half of each; the bar, subtracted as well, is all of the first.
	require.InDelta(t, 1.5*0.02/math.Sqrt(3), one.Contribution.InexactFloat64(), 1e-5)
	require.InDelta(t, 0.5*0.01/math.Sqrt(3), two.Contribution.InexactFloat64(), 1e-5)
}

func TestWhereOnePlaceGovernsTheWorseInstrumentCounts(t *testing.T) {
	r := newRig(t, goodCaliper())
	r.do(Command{Do: Begin, Plan: replacing(t, `places_may_differ = "0.04"`, "places_may_differ = \"0.04\"\ngoverns = \"smallest\"")(readPlanFile(t, "pump-bottom-end-short.toml"))})
	for _, instrument := range []string{"caliper-1", "caliper-1", "caliper-2", "caliper-2"} {
		r.press(instrument, "52.54")
	}
	shares := r.bench.state.job.shares(0)
	require.Len(t, shares, 1)
	require.Equal(t, "caliper-1", shares[0].profile.Name)
}

// zeroedPlan measures the pump half with the gauge zeroed on the bar.
func zeroedPlan(t *testing.T) string {
	plan := readPlanFile(t, "pump-bottom-end-short.toml")
	plan = replacing(t, `range      = ["37.00", "37.90"]`, `range      = ["27.00", "27.90"]`)(plan)
	plan = replacing(t, "bar        = \"ground-bar\"\n", "zeroed_on  = \"ground-bar\"\n")(plan)
	return replacing(t, "name = \"ground-bar\"\nstep = \"bar-thickness\"\n", "name = \"ground-bar\"\nparallel = \"0.003\"\n")(plan)
}

func TestAnInstrumentZeroedOnABar(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: Begin, Plan: zeroedPlan(t)})
	for _, p := range []struct {
		n             int
		with, reading string
	}{{4, "caliper-1", "52.54"}, {2, "caliper-1", "10.00"}, {4, "depth-1", "27.41"}, {4, "depth-1", "25.30"}} {
		for range p.n {
			r.press(p.with, p.reading)
		}
	}
	measureGasket(r)
	a := r.advice()
	require.Equal(t, "0.4828", a.Gap.String(), "as with the bar subtracted")
	require.InDelta(t, 0.003/math.Sqrt(3), line(t, a, "parallelism of ground-bar").Contribution.InexactFloat64(), 1e-5)
	require.InDelta(t, 0.010, line(t, a, "zero of depth-1 on ground-bar, setting").Contribution.InexactFloat64(), 1e-5, "set once, with its repeatability")
	require.InDelta(t, 0.01/math.Sqrt(3), line(t, a, "depth-1, depth zeroed on ground-bar, rest").Contribution.InexactFloat64(), 1e-5, "the zero itself is the bar's")
	for _, n := range a.Next {
		require.NotContains(t, n.Act.Params["use"], "zeroed")
	}
	require.Empty(t, a.Barred)
}

func TestACaliperZeroedBetweenItsJawsMustHaveItsRodCompared(t *testing.T) {
	plan := strings.Replace(zeroedPlan(t), `instrument = "depth gauge"`, `instrument = "caliper"`, 1)
	measure := func(more ...Profile) Advice {
		r := newRig(t, more...)
		r.do(Command{Do: Begin, Plan: plan})
		for range 4 {
			r.press("caliper-1", "52.54")
		}
		r.press("caliper-1", "10.00")
		r.press("caliper-1", "10.00")
		name := "caliper-1"
		if len(more) > 0 {
			name = more[0].Name
		}
		for range 4 {
			require.Equal(t, Filed, r.press(name, "27.41").Ruling)
		}
		for range 4 {
			r.press("depth-1", "25.30")
		}
		measureGasket(r)
		return r.advice()
	}
	require.Equal(t, "rod not compared with jaws", measure().Barred[0].Code)
	compared := testProfiles()[0]
	offset := mm("0.006")
	compared.Name, compared.Offset = "caliper-3", &offset
	a := measure(compared)
	require.Empty(t, a.Barred)
	require.Equal(t, "0.00600", line(t, a, "zero of caliper-3 on ground-bar, offset of rod and jaws").Contribution.String())
}

// centredPlan adds what it takes to centre the rod.
func centredPlan(t *testing.T) string {
	plan := readPlanFile(t, "pump-bottom-end-short.toml")
	steps := ""
	for name, span := range map[string]string{"rod-to-shoulder": `["20.00", "40.00"]`, "axis-to-face": `["-5.00", "5.00"]`} {
		steps += "[[step]]\nname = \"" + name + "\"\ntitle = \"Rod\"\ninstrument = \"caliper\"\nrange = " + span + "\n\n"
	}
	plan = replacing(t, "[[step]]\nname       = \"check-gap\"", steps+"[[step]]\nname       = \"check-gap\"")(plan)
	return replacing(t, `split = "even"`, "split = \"centred\"\ncentre = { rod = \"rod-to-shoulder\", axis = \"axis-to-face\" }")(plan)
}

// Depths of 27.41 and 25.30 with a gasket of 0.36, 52.54 over the shoulders: with even
// packs the rod's end of the crank is 0.875 + r from the joint. To bring a rod of which
// the middle is 27.18 from the shoulder onto an axis 0.00 from the face, the first pack
// must be 2·0 + 27.41 − 25.66 + 52.54 − 2·27.18 = −0.07 thicker.
func TestPacksThatCentreTheRod(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: Begin, Plan: centredPlan(t)})
	measureMetal(r)
	measureGasket(r)
	a := r.advice()
	require.Equal(t, "not centred", a.Findings[0].Code)
	require.Nil(t, a.OffCentre)
	require.Equal(t, a.Best.Packs[0].Total, a.Best.Packs[1].Total)
	for _, m := range []struct{ step, value string }{{"rod-to-shoulder", "27.18"}, {"axis-to-face", "0.00"}} {
		r.do(Command{Do: Next, Step: m.step})
		r.press("caliper-1", m.value)
		r.press("caliper-1", m.value)
	}
	a = r.advice()
	first, second := a.Best.Packs[0].Total.InexactFloat64(), a.Best.Packs[1].Total.InexactFloat64()
	require.InDelta(t, -0.07, first-second, 0.031, "0.12 and 0.20 are nearest in this stock")
	require.InDelta(t, (first-second+0.07)/2, a.OffCentre.InexactFloat64(), 1e-9)
	// The same by the positions themselves: the rod at the middle of the crank's travel.
	toFirst, toSecond := -27.41+first+27.18, 25.30+0.36-second-52.54+27.18
	require.InDelta(t, (toFirst+toSecond)/2, a.OffCentre.InexactFloat64(), 1e-9)
	require.True(t, a.Best.Inside)
}

func TestPlansThatCannotCentreOrZero(t *testing.T) {
	for _, c := range []struct{ plan, old, with, want string }{
		{centredPlan(t), `split = "centred"`, `split = "even"`, `says how to centre, but its split is "even"`},
		{centredPlan(t), "centre = { rod = \"rod-to-shoulder\", axis = \"axis-to-face\" }", "", "cannot be centred without its dimensions"},
		{centredPlan(t), `axis = "axis-to-face"`, `axis = "nowhere"`, `there is no step "nowhere"`},
		{centredPlan(t), `side       = "pump side"`, ``, "no dimension of chain \"crank-float\" is measured on the pump side"},
		{zeroedPlan(t), `zeroed_on  = "ground-bar"`, `zeroed_on  = "plank"`, `there is no bar "plank"`},
		{zeroedPlan(t), `zeroed_on  = "ground-bar"`, "bar = \"ground-bar\"\nzeroed_on  = \"ground-bar\"", "subtracts a bar and is zeroed on one"},
		{zeroedPlan(t), `parallel = "0.003"`, `parallel = "-0.003"`, "it cannot be below zero"},
	} {
		_, err := ReadPlan("p.toml", []byte(replacing(t, c.old, c.with)(c.plan)))
		require.ErrorContains(t, err, c.want)
	}
}
