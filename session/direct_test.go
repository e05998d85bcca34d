package session

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// dialProfile is a dial indicator that is good to a hundredth.
func dialProfile() Profile {
	return Profile{
		Name: "dial-1", Kind: DialIndicator, Trigger: OnPress, Resolution: mm("0.001"), Repeatability: mm("0.002"), Degrees: 30,
		Permissible: map[Use]Number{StepUse: mm("0.004")},
	}
}

// withTrial adds a trial build and the built engine to the short bottom end.
func withTrial(t *testing.T) string {
	plan := readPlanFile(t, "pump-bottom-end-short.toml")
	steps := ""
	for _, name := range []string{"trial-float", "built-float"} {
		steps += "[[step]]\nname = \"" + name + "\"\ntitle = \"Float by dial\"\ninstrument = \"dial indicator\"\nrange = [\"0.000\", \"1.000\"]\n\n"
	}
	plan = replacing(t, "[[chain]]\n", steps+"[[chain]]\n")(plan)
	return replacing(t, "check = \"check-gap\"\n", "check = \"check-gap\"\ntrial = \"trial-float\"\nbuilt = \"built-float\"\n")(plan)
}

// toTrial measures the short bottom end and goes to its trial build; no check gap.
func toTrial(t *testing.T) *rig {
	r := newRig(t, dialProfile())
	r.do(Command{Do: Begin, Plan: withTrial(t), Operator: "mo"})
	measureMetal(r)
	measureGasket(r)
	r.do(Command{Do: Next, Step: "trial-float"})
	return r
}

func (r *rig) dial(values ...string) {
	r.t.Helper()
	for _, v := range values {
		require.Equal(r.t, Filed, r.press("dial-1", v).Ruling)
	}
}

func (r *rig) advice() Advice { return r.bench.Snapshot().Advice[0] }

func TestATrialBuildShowsWhatTheDimensionsDoNot(t *testing.T) {
	r := toTrial(t)
	before := r.advice()
	require.Equal(t, "not shown", before.Best.Outcome)
	require.True(t, slices.ContainsFunc(before.Next, func(n NextAct) bool { return n.Act.Code == "trial build" }))
	require.InDelta(t, before.Best.EndFloat.InexactFloat64()+0.04, before.DialShows.InexactFloat64(), 1e-9, "half of the play of two bearings of 0.04")
	require.Equal(t, before.Best.Packs, r.step("trial-float").Packs, "what has to be in while it is measured")

	r.dial("0.205", "0.206")
	a := r.advice()
	require.Len(t, a.Evidence, 1)
	e := a.Evidence[0]
	require.Equal(t, "trial build", e.Way)
	require.Equal(t, "0.2055", e.Found.String())
	require.Equal(t, "0.04", e.Play.String())
	require.InDelta(t, 0.2055-0.04+e.Fitted.InexactFloat64(), e.Gap.InexactFloat64(), 1e-9)
	require.True(t, e.Agrees)
	require.Greater(t, e.Weight, 0.6, "the dial knows much better than two rods and a feeler")
	require.Equal(t, "shown inside", a.Best.Outcome)
	require.True(t, a.Keep)
	require.Equal(t, before.Best.Packs, a.Best.Packs)
	require.Empty(t, a.Next)

	r.do(Command{Do: Next, Step: "built-float"})
	r.dial("0.203", "0.204")
	b := r.advice().Built
	require.Equal(t, "shown inside", b.Outcome)
	require.InDelta(t, 0.2035-0.04, b.Float.InexactFloat64(), 1e-9)
	require.True(t, b.Agrees)
	require.Nil(t, b.Change)
	require.Equal(t, "built-float", b.Step)
}

// u of a float measured by dial: its limit, its repeats and half the play, nothing of
// the shims, which were in it (common practice: what is measured with a shim in place
// does not depend on its thickness).
func TestShimsThatWereInDoNotCountAgain(t *testing.T) {
	r := toTrial(t)
	r.dial("0.205", "0.205")
	b := r.advice().Budget
	shop := 10 / math.Sqrt(3) * (23*52.71 + 20*0.36 - 11.5*52.54) * 1e-6 // within 10 K of 20 degrees
	alone := math.Sqrt(shop*shop + math.Pow(0.004/math.Sqrt(3), 2) + math.Pow(0.002/math.Sqrt2, 2) + 2*math.Pow(0.008/2, 2))
	j := r.bench.state.job
	acct, err := j.accountFor(0)
	require.NoError(t, err)
	d, err := acct.direct(trialBuild)
	require.NoError(t, err)
	u, err := j.withPacks(d.Budget, d.view.Packs).Combine(0.95)
	require.NoError(t, err)
	require.InDelta(t, alone, u.U, 2e-5)
	require.Less(t, b.U.InexactFloat64(), math.Hypot(alone, 2*0.005/math.Sqrt(3)), "joined with the chain it is known better still")
}

func TestAnotherPackMeansAnotherMeasurement(t *testing.T) {
	r := toTrial(t)
	r.dial("0.085", "0.086") // 0.046 mm: too tight
	a := r.advice()
	require.False(t, a.Keep)
	require.Less(t, a.Best.Total.InexactFloat64(), a.Evidence[0].Fitted.InexactFloat64(), "thinner packs")
	first := r.bench.Snapshot().Readings[len(r.bench.Snapshot().Readings)-1]
	r.do(Command{Do: Fitting})
	r.do(Command{Do: Next, Step: "trial-float"})
	v := r.reading(first.Seq)
	require.Equal(t, StruckOut, v.Standing)
	require.Equal(t, "pack changed", v.Fell.Code)
	require.Equal(t, "fell out", r.refused(Command{Do: StrikeOut, Reading: first.Seq, Reason: "x"}))
	require.Equal(t, "counts already", r.refused(Command{Do: Restore, Reading: first.Seq}))
	require.Len(t, r.advice().Evidence, 1)
	require.True(t, r.advice().Evidence[0].Earlier, "the gap without shims is what it was")
	require.Equal(t, a.Best.Packs, r.advice().Best.Packs, "the advice does not fall back on what the trial put right")
	require.True(t, r.bench.Snapshot().Job.Fitted[0].Advised)
	require.Equal(t, a.Best.Packs, r.step("trial-float").Packs)
	require.False(t, r.step("trial-float").Closed, "it is measured again")
	r.dial("0.205", "0.206")
	require.Equal(t, "shown inside", r.advice().Best.Outcome)
	require.Len(t, r.advice().Evidence, 1)
	require.False(t, r.advice().Evidence[0].Earlier)
}

// Where the next step is open already, other shims lead back to the trial build; the
// check gap that was made with the first side's other pack is passed over then.
func TestOtherShimsLeadBackToTheTrialBuild(t *testing.T) {
	r := newRig(t, dialProfile())
	r.do(Command{Do: Begin, Plan: withTrial(t), Operator: "mo"})
	measureMetal(r)
	measureGasket(r)
	r.requireAt("check-gap", 0)
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.30", Stops: "0.35"})
	r.do(Command{Do: Next, Step: "trial-float"})
	r.dial("0.085", "0.086")
	r.requireAt("built-float", 0)
	require.Equal(t, "other shims than in the trial", r.step("trial-float").Findings[0].Code)
	r.do(Command{Do: Fitting, Packs: []SaidPack{{"pump side", []string{"0.12"}}, {"flywheel side", []string{"0.12"}}}})
	r.requireAt("trial-float", 0)
	require.Equal(t, "trial build instead", r.step("check-gap").Skipped.Code)
	r.dial("0.205", "0.206")
	r.requireAt("built-float", 0)
	// Once the engine is being measured, what other shims open waits.
	r.dial("0.195")
	r.do(Command{Do: Fitting, Packs: []SaidPack{{"flywheel side", []string{"0.16"}}}})
	r.requireAt("built-float", 0)
}

func TestWhatWasFittedInsteadIsTaken(t *testing.T) {
	r := toTrial(t)
	r.do(Command{Do: Fitting, Packs: []SaidPack{{"pump side", []string{"0.16"}}, {"flywheel side", []string{"0.12", "0.08"}}}})
	r.dial("0.165", "0.165")
	e := r.advice().Evidence[0]
	require.Equal(t, "0.36", e.Fitted.String())
	require.InDelta(t, 0.165-0.04+0.36, e.Gap.InexactFloat64(), 1e-9)

	r.do(Command{Do: Fitting, Correction: true, Packs: []SaidPack{{"flywheel side", []string{"0.12"}}}})
	e = r.advice().Evidence[0]
	require.Equal(t, "0.28", e.Fitted.String(), "the readings stay, what was in is put right")
	require.InDelta(t, 0.165-0.04+0.28, e.Gap.InexactFloat64(), 1e-9)
	require.Equal(t, "0.16", e.Packs[0].Total.String())
}

func TestFittedIsRefused(t *testing.T) {
	r := newRig(t)
	require.Equal(t, "no job", r.refused(Command{Do: Fitting}))
	r.begin("pump-bottom-end-short.toml")
	require.Equal(t, "nothing advised", r.refused(Command{Do: Fitting}))
	for code, c := range map[string]Command{
		"no such chain":  {Chain: "gearbox"},
		"no such side":   {Packs: []SaidPack{{Side: "left"}}},
		"bad number":     {Packs: []SaidPack{{"pump side", []string{"thin"}}}},
		"too many shims": {Packs: []SaidPack{{"pump side", strings.Split(strings.Repeat("0.1 ", 7), " ")[:7]}}},
		"bad text":       {Chain: "a\x00b"},
	} {
		c.Do = Fitting
		require.Equal(t, code, r.refused(c))
	}
	for _, text := range []string{"0", "-0.1", "0.1234567891234"} {
		require.Equal(t, "bad number", r.refused(Command{Do: Fitting, Packs: []SaidPack{{"pump side", []string{text}}}}), text)
	}
}

func TestATrialBuildIsPassedOverWhereNothingIsLeftToShow(t *testing.T) {
	r := newRig(t, dialProfile())
	r.do(Command{Do: Begin, Plan: withTrial(t), Operator: "mo"})
	measureMetal(r)
	measureGasket(r)
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.35", Stops: "0.40"})
	r.requireAt("built-float", 0)
	require.Equal(t, "shown inside", r.advice().Best.Outcome)
	require.Equal(t, "shown without a trial build", r.step("trial-float").Skipped.Code)
	r.do(Command{Do: Back})
	r.requireAt("trial-float", 0)
	require.Nil(t, r.step("trial-float").Skipped, "who goes there all the same may")
}

func TestABuiltEngineIsJudgedByItself(t *testing.T) {
	for _, c := range []struct{ shows, outcome string }{
		{"0.200", "shown inside"}, {"0.277", "not shown"}, {"0.330", "shown outside"}, {"0.060", "shown outside"},
	} {
		r := toTrial(t)
		r.do(Command{Do: Next, Step: "built-float"})
		r.dial(c.shows, c.shows)
		b := r.advice().Built
		require.Equal(t, c.outcome, b.Outcome, c.shows)
		require.Equal(t, c.outcome != "shown inside", b.Change != nil)
		if b.Change != nil {
			require.InDelta(t, b.Float.InexactFloat64()-0.16, b.Change.InexactFloat64(), 1e-9, "thicker by what it is too loose")
		}
		require.True(t, b.Compared)
	}
}

func TestABuiltEngineIsNotComparedWithoutThePlay(t *testing.T) {
	r := newRig(t, dialProfile())
	r.do(Command{Do: Begin, Plan: replacing(t, "play   = \"0.04\"\nplay_u = \"0.008\"\n", "")(withTrial(t))})
	measureMetal(r)
	measureGasket(r)
	r.do(Command{Do: Next, Step: "built-float"})
	r.dial("0.200", "0.200")
	a := r.advice()
	require.False(t, a.Built.Compared)
	require.NotEqual(t, "shown inside", a.Built.Outcome, "how much of it is play nobody knows")
	require.Nil(t, a.DialShows)
}

func TestARingThatDoesNotSlideShowsItsPlay(t *testing.T) {
	r := newRig(t, dialProfile())
	r.do(Command{Do: Begin, Plan: replacing(t, "play_u = \"0.008\"\n", "play_u = \"0.008\"\nslides_on_journal = false\n")(withTrial(t))})
	measureMetal(r)
	measureGasket(r)
	before := r.advice().Gap
	r.do(Command{Do: Next, Step: "trial-float"})
	r.dial("0.080", "0.080")
	require.Equal(t, before, r.advice().Gap, "it is no measurement of the gap")
	r.do(Command{Do: Next, Step: "built-float"})
	r.dial("0.200", "0.200")
	a := r.advice()
	require.Nil(t, a.Built)
	require.Empty(t, a.Evidence)
	require.Equal(t, "ring does not slide", a.Findings[len(a.Findings)-1].Code)
}

func TestAReplacedPartForgetsTheTrial(t *testing.T) {
	r := toTrial(t)
	r.dial("0.085", "0.086")
	r.do(Command{Do: Fitting})
	require.Len(t, r.advice().Evidence, 1)
	r.do(Command{Do: Replace, Part: "crank", Note: "scored"})
	r.do(Command{Do: Next, Step: "crank-width"})
	for range 4 {
		r.press("caliper-1", "52.44")
	}
	a := r.advice()
	require.Empty(t, a.Evidence, "it was of another crank")
	require.InDelta(t, 0.4828+0.10, a.Gap.InexactFloat64(), 1e-9)
}

// A warm shop opens an aluminium case on a steel crank: the trial build is brought to
// 20 degrees like the chain (23·52.71 + 20·0.36 − 11.5·52.54 = 0.6154 µm/K).
func TestATrialBuildIsBroughtToReference(t *testing.T) {
	gap := func(before ...Command) float64 {
		r := newRig(t, dialProfile())
		r.do(Command{Do: Begin, Plan: withTrial(t), Operator: "mo"})
		for _, c := range before {
			r.do(c)
		}
		measureMetal(r)
		measureGasket(r)
		r.do(Command{Do: Next, Step: "trial-float"})
		r.dial("0.205", "0.206")
		return r.advice().Evidence[0].Gap.InexactFloat64()
	}
	require.InDelta(t, gap()-12*(23*52.71+20*0.36-11.5*52.54)*1e-6, gap(Command{Do: TakeTemperature, Of: Shop, Celsius: "32"}), 2e-5)
}

func TestTwoFeelerPairsAreTwoMeasurements(t *testing.T) {
	r := newRig(t, dialProfile())
	plan := strings.Replace(withTrial(t), "title = \"Float by dial\"\ninstrument = \"dial indicator\"", "title = \"Float by feeler\"\ninstrument = \"feeler\"", 1)
	r.do(Command{Do: Begin, Plan: plan, Operator: "mo"})
	measureMetal(r)
	measureGasket(r)
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.30", Stops: "0.35"})
	r.do(Command{Do: Next, Step: "trial-float"})
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.15", Stops: "0.25"})
	a := r.advice()
	require.Len(t, a.Evidence, 2, "%+v", a.Findings)
	require.Greater(t, a.Evidence[1].Weight, 0.1)
	require.Less(t, a.Evidence[1].Weight, 0.9)
}

func TestAShimThatIsNotInStockIsNotKnownExactly(t *testing.T) {
	r := toTrial(t)
	r.do(Command{Do: Fitting, Packs: []SaidPack{{"pump side", []string{"0.17"}}, {"flywheel side", []string{"0.17"}}}})
	r.dial("0.145", "0.145")
	require.InDelta(t, 0.01/math.Sqrt(3), line(t, r.advice(), "shim 1 of 0.17, pump side").U, 1e-6)
}

func TestHowMuchPlayADirectMeasurementHolds(t *testing.T) {
	for say, want := range map[string]float64{`"taken up"`: 0.04, `"not taken up"`: 0, ``: 0} {
		line := "bearing_play = " + say + "\n"
		if say == "" {
			line = ""
		}
		r := newRig(t)
		r.do(Command{Do: Begin, Plan: replacing(t, `bearing_play = "not taken up" # the blade slides in, it does not push the rings`+"\n", line)(readPlanFile(t, "pump-bottom-end-short.toml"))})
		measureMetal(r)
		measureGasket(r)
		r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.30", Stops: "0.35"})
		a := r.advice()
		e := a.Evidence[0]
		require.InDelta(t, 0.325-want+e.Fitted.InexactFloat64(), e.Gap.InexactFloat64(), 1e-9, say)
		require.Equal(t, want == 0, strings.Contains(asJSON(t, a.Budget), "where the ring of pump-bearing lay at check-gap"), "a ring that is not pushed lies anywhere in its play")
		require.Equal(t, "packs as advised", a.Assumed[len(a.Assumed)-1].Code, "nobody said what is in")
	}
}

func TestDirectStepsThatCannotBe(t *testing.T) {
	for _, c := range []struct{ old, with, want string }{
		{`trial = "trial-float"`, `trial = "nowhere"`, `there is no step "nowhere"`},
		{`trial = "trial-float"`, `trial = "check-gap"`, `step "check-gap" measures chain "crank-float" directly already`},
		{`built = "built-float"`, `built = "crank-width"`, `step "crank-width" cannot check the chain it is a term of`},
		{`bearing_play = "not taken up"`, `bearing_play = "a bit"`, `bearing_play`},
	} {
		_, err := ReadPlan("p.toml", []byte(replacing(t, c.old, c.with)(withTrial(t))))
		require.ErrorContains(t, err, c.want)
	}
}

func TestWhatIsFittedIsShownBesideWhatIsAdvised(t *testing.T) {
	r := toTrial(t)
	require.Empty(t, r.bench.Snapshot().Job.Fitted)
	r.do(Command{Do: Fitting})
	f := r.bench.Snapshot().Job.Fitted[0]
	require.True(t, f.Advised)
	require.Equal(t, r.advice().Best.Packs, f.Packs)
	r.do(Command{Do: Fitting, Packs: []SaidPack{{"flywheel side", []string{"0.20"}}}})
	f = r.bench.Snapshot().Job.Fitted[0]
	require.False(t, f.Advised)
	require.Equal(t, "0.20", f.Packs[1].Total.String())
}
