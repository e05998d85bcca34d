package session

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// measured is the advice of the short bottom end after spoiling its plan.
func measured(t *testing.T, spoil func(string) string, before ...Command) Advice {
	t.Helper()
	r := newRig(t)
	plan := readPlanFile(t, "pump-bottom-end-short.toml")
	changed := spoil(plan)
	r.do(Command{Do: Begin, Plan: changed, Operator: "mo"})
	for _, c := range before {
		r.do(c)
	}
	measureMetal(r)
	measureGasket(r)
	return r.bench.Snapshot().Advice[0]
}

func same(plan string) string { return plan }

func replacing(t *testing.T, old, with string) func(string) string {
	return func(plan string) string {
		changed := strings.Replace(plan, old, with, 1)
		require.NotEqual(t, plan, changed)
		return changed
	}
}

// line finds a line of the budget by a part of its name.
func line(t *testing.T, a Advice, name string) BudgetLine {
	t.Helper()
	for _, l := range a.Budget.Lines {
		if strings.Contains(l.Name, name) {
			return l
		}
	}
	t.Fatalf("no line %q", name)
	return BudgetLine{}
}

func TestTheBudgetAddsUp(t *testing.T) {
	a := measured(t, same)
	sum, shares := 0.0, 0.0
	for i, l := range a.Budget.Lines {
		sum += l.Contribution.InexactFloat64() * l.Contribution.InexactFloat64()
		shares += l.Share
		if i > 0 {
			require.True(t, l.Contribution.LessThanOrEqual(a.Budget.Lines[i-1].Contribution.Decimal), "biggest first")
		}
	}
	require.InDelta(t, a.Budget.U.InexactFloat64(), math.Sqrt(sum), 2e-5)
	require.InDelta(t, 1, shares, 0.002)
	require.Equal(t, "shimwright/3", a.Method)
	require.Equal(t, "ISO 14253-1:2017", a.Budget.Edition)
}

// TestLimitsOfLikeSignAreCommon: two depths by one rod of ±0.03 are off together, and
// so are two widths by one caliper of ±0.02, but not rod and caliper.
func TestLimitsOfLikeSignAreCommon(t *testing.T) {
	a := measured(t, same)
	require.InDelta(t, 2*0.03/math.Sqrt(3), line(t, a, "depth-1, depth, limit").Contribution.InexactFloat64(), 1e-5)
	require.InDelta(t, 2*0.02/math.Sqrt(3), line(t, a, "caliper-1, outside, limit").Contribution.InexactFloat64(), 1e-5)
}

func TestWhatIsNotStatedIsNeverShownInside(t *testing.T) {
	wide := func(plan string) string {
		plan = strings.Replace(plan, `least = "0.10"`, `least = "0.001"`, 1)
		return strings.Replace(plan, `most  = "0.24"`, `most  = "0.60"`, 1)
	}
	require.Equal(t, "shown inside", measured(t, wide).Best.Outcome)
	for _, c := range []struct{ old, with, code string }{
		{`crush = "0.02", crush_u = "0.02"`, ``, "crush not stated"},
		{"play   = \"0.04\"\nplay_u = \"0.008\"\n", ``, "play not stated"},
	} {
		a := measured(t, func(plan string) string {
			return strings.Replace(replacing(t, c.old, c.with)(wide(plan)), "gasket = true, }", "gasket = true }", 1)
		})
		require.Equal(t, "not shown", a.Best.Outcome, c.code)
		require.Equal(t, c.code, a.Barred[0].Code)
	}
}

func TestAZeroCheckIsTakenOffAndEarnsItsCancellation(t *testing.T) {
	check := `[[step]]
name = "rod-zero"
title = "Rod on a flat"
instrument = "depth gauge"
use = "depth"
reference = "0.00"
range = ["-0.10", "0.10"]

[[step]]
name       = "crank-width"`
	r := newRig(t)
	r.do(Command{Do: Begin, Plan: replacing(t, "[[step]]\nname       = \"crank-width\"", check)(readPlanFile(t, "pump-bottom-end-short.toml"))})
	r.press("depth-1", "0.02")
	r.press("depth-1", "0.02")
	measureMetal(r)
	measureGasket(r)
	a := r.bench.Snapshot().Advice[0]
	without := measured(t, same)
	require.True(t, without.Gap.Sub(a.Gap.Decimal).Equal(mm("0.04").Decimal), "0.02 off each of two depths")
	require.True(t, a.Budget.U.LessThan(without.Budget.U.Decimal))
	require.InDelta(t, 2*0.01/math.Sqrt(3), line(t, a, "rest beyond a known point").Contribution.InexactFloat64(), 1e-5, "what the profile says is left")
	for _, n := range a.Next {
		require.False(t, n.Act.Code == "zero check" && n.Act.Params["instrument"] == "depth-1", "it was done already")
	}
}

func TestTemperaturesThatWereTakenAreCorrected(t *testing.T) {
	a := measured(t, same, Command{Do: TakeTemperature, Of: Shop, Celsius: "25"}, Command{Do: TakeTemperature, Of: "crank", Celsius: "30", U: "1"})
	require.NotContains(t, asJSON(t, a.Assumed), "shop temperature")
	// L20 = L(1 + 11.5e-6·5 − 11.5e-6·10): the warm crank reads long.
	want := 52.54 * 11.5e-6 * (5 - 10)
	for _, c := range a.Corrections {
		if c.Code == "temperature" && c.Term == "crank-width" {
			require.InDelta(t, want, c.Amount.InexactFloat64(), 1e-5)
			return
		}
	}
	t.Fatal("the crank was not corrected")
}

func TestTheDecisionRuleIsThePlans(t *testing.T) {
	old := measured(t, func(plan string) string { return plan + "\n[decision]\nedition = \"ISO 14253-1:1998\"\n" })
	now := measured(t, same)
	require.Equal(t, "ISO 14253-1:1998", old.Budget.Edition)
	require.True(t, old.Best.Guard.GreaterThan(now.Best.Guard.Decimal))
}

func TestForeseeSaysWhetherAWindowCanBeShown(t *testing.T) {
	plan, err := ReadPlan("p.toml", []byte(readPlanFile(t, "pump-bottom-end-short.toml")))
	require.NoError(t, err)
	p, err := Foresee(theMethod, plan, testProfiles())
	require.NoError(t, err)
	require.Equal(t, "not shown", p[0].Outcome)
	require.NotEmpty(t, p[0].Next)
	require.Equal(t, "shown inside", p[0].Next[0].AtBest)

	plan.Chains[0].Most = mm("0.90")
	p, err = Foresee(theMethod, plan, nil)
	require.NoError(t, err)
	require.Equal(t, "shown inside", p[0].Outcome)
}

func TestBeginTellsWhatTheInstrumentsCanShow(t *testing.T) {
	r := newRig(t)
	receipt := r.do(Command{Do: Begin, Plan: readPlanFile(t, "pump-bottom-end-short.toml")})
	require.Len(t, receipt.Prospects, 1)
	require.Equal(t, "crank-float", receipt.Prospects[0].Chain)
}

func TestMonteCarloAgreesWithTheBudget(t *testing.T) {
	rows := workHeader
	for _, v := range []string{"crank-width,1,52.54", "crank-width,2,52.54", "bar-thickness,,10.00", "pump-depth,1,37.41", "pump-depth,2,37.41", "flywheel-depth,1,25.30", "flywheel-depth,2,25.30", "gasket,1,0.360", "gasket,2,0.360"} {
		rows += strings.Repeat(v+",mm,\n", 2)
	}
	s, err := WorkAndDraw("p.toml", []byte(readPlanFile(t, "pump-bottom-end-short.toml")), "r.csv", strings.NewReader(rows), 200_000, 7)
	require.NoError(t, err)
	a := s.Advice[0]
	require.NotNil(t, a.Drawn)
	half := a.Drawn.High.Sub(a.Drawn.Low.Decimal).InexactFloat64() / 2
	require.InEpsilon(t, a.Best.Expanded.InexactFloat64(), half, 0.04)
	require.InDelta(t, a.Best.Chance.Inside, a.Drawn.Inside, 0.01)
	again, err := WorkAndDraw("p.toml", []byte(readPlanFile(t, "pump-bottom-end-short.toml")), "r.csv", strings.NewReader(rows), 200_000, 7)
	require.NoError(t, err)
	require.Equal(t, a.Drawn, again.Advice[0].Drawn, "the same seed gives the same draws")
}

func TestARepeatedCheckGapDoesNotRunAway(t *testing.T) {
	r := newRig(t)
	measureBottomEnd(r)
	fitted := r.bench.Snapshot().Advice[0].Best.Packs[0].Total
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.25", Stops: "0.30"})
	first := r.bench.Snapshot().Advice[0]
	for range 3 {
		r.do(Command{Do: Back})
		r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.25", Stops: "0.30"})
	}
	again := r.bench.Snapshot().Advice[0]
	require.Equal(t, first.Gap, again.Gap, "the same answer with the same pack is the same gap")
	require.Equal(t, fitted, again.Evidence[0].Fitted)
	require.Equal(t, fitted, again.Best.Packs[0].Total, "what is fitted stays where it comes out as well")
}

func TestOfSeveralFeelersTheLastIsMeant(t *testing.T) {
	r := newRig(t)
	measureBottomEnd(r)
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.10", Stops: "0.50"})
	r.do(Command{Do: Back})
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.32", Stops: "0.33"})
	require.True(t, r.bench.Snapshot().Advice[0].Evidence[0].Found.Equal(mm("0.325").Decimal))
}

func TestATemperatureChangesNoReadingMadeBefore(t *testing.T) {
	r := newRig(t)
	measureBottomEnd(r)
	before := r.bench.Snapshot().Advice[0]
	r.do(Command{Do: TakeTemperature, Of: "pump-half", Celsius: "60"})
	require.Equal(t, before.Gap, r.bench.Snapshot().Advice[0].Gap)
}

func TestAGapByFeelerAloneIsNotShownWithoutThePlay(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: Begin, Plan: replacing(t, "play   = \"0.04\"\nplay_u = \"0.008\"\n", "")(readPlanFile(t, "pump-bottom-end-short.toml"))})
	measureMetal(r)
	measureGasket(r)
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.33", Stops: "0.34"})
	a := r.bench.Snapshot().Advice[0]
	require.Len(t, a.Evidence, 1, "%+v", a.Findings)
	require.Equal(t, "not shown", a.Best.Outcome)
	require.False(t, a.Evidence[0].Compared)
	require.Zero(t, a.Evidence[0].En)
}

func TestEveryBarBars(t *testing.T) {
	for _, c := range []struct{ name, old, with, code string }{
		{"a given value", `  { step = "gasket",`, `  { name = "washer", given = "0.01", sign = "+" },` + "\n" + `  { step = "gasket",`, "uncertainty not stated"},
		{"a bar", `step = "bar-thickness"`, `thickness = "10.00"`, "uncertainty not stated"},
	} {
		a := measured(t, replacing(t, c.old, c.with))
		require.Equal(t, c.code, a.Barred[0].Code, c.name)
		require.NotEqual(t, "shown inside", a.Best.Outcome)
	}
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.do(Command{Do: Next, Step: "gasket"})
	r.press("micrometer-1", "0.300")
	r.press("micrometer-1", "0.400")
	r.press("micrometer-1", "0.500")
	j := r.bench.state.job
	a := &account{job: j, chain: &j.plan.Chains[0]}
	a.addTerm(Term{Step: "gasket", Sign: "+"})
	a.unsettled()
	require.Equal(t, "step unsettled", a.barred[0].Code)

	unstated := testProfiles()[1]
	unstated.Permissible = nil
	require.Equal(t, math.Inf(1), limitOf(&unstated, Depth))
	require.NoError(t, a.know(&unstated, Depth, ""))
	require.Equal(t, "limit not stated", a.barred[1].Code)
}

func TestHowARingWasHeld(t *testing.T) {
	gap := map[string]float64{}
	for _, held := range []string{"away from the joint", "towards the joint", "in the middle", "not held"} {
		a := measured(t, func(plan string) string {
			return strings.ReplaceAll(plan, `held = "away from the joint"`, `held = "`+held+`"`)
		})
		gap[held] = a.Gap.InexactFloat64()
		if held == "not held" {
			require.InDelta(t, 0.02/math.Sqrt(3), line(t, a, "where the ring of pump-bearing lay").Contribution.InexactFloat64(), 1e-5, "anywhere in 0.04 of play")
		}
	}
	require.InDelta(t, 0.04, gap["in the middle"]-gap["away from the joint"], 1e-9, "two rings, half of 0.04 each")
	require.InDelta(t, 0.04, gap["towards the joint"]-gap["in the middle"], 1e-9)
	require.InDelta(t, gap["in the middle"], gap["not held"], 1e-9)
}

func TestACertificateIsTakenOff(t *testing.T) {
	p := testProfiles()[1]
	k := mm("2")
	p.Certificates = []Certificate{{Use: Depth, At: mm("30"), Error: mm("0.015"), Expanded: mm("0.006"), Factor: &k, Number: "K-7"}}
	a := &account{job: newJob(theMethod, Entry{}, Began{}, Plan{})}
	require.NoError(t, a.know(&p, Depth, ""))
	require.Equal(t, "certificate K-7", a.errors[0].Points[0].Name)
	require.InDelta(t, 0.003, a.errors[0].Points[0].U, 1e-12)
	require.Equal(t, "0.015", a.errors[0].Points[0].Error.String())
}

func TestACheckOnCommandKnowsTheInstrumentBetter(t *testing.T) {
	r := newRig(t)
	measureBottomEnd(r)
	before := r.bench.Snapshot().Advice[0]
	r.do(Command{Do: CheckInstrument, Instrument: "depth-1", Use: Depth, Value: "0.01"})
	after := r.bench.Snapshot().Advice[0]
	require.True(t, before.Gap.Sub(after.Gap.Decimal).Equal(mm("0.02").Decimal), "0.01 off each of two depths")
	require.True(t, after.Budget.U.LessThan(before.Budget.U.Decimal))
	for code, c := range map[string]Command{
		"no such instrument": {Instrument: "depth-9", Use: Depth, Value: "0"},
		"bad use":            {Instrument: "depth-1", Use: Outside, Value: "0"},
		"bad number":         {Instrument: "depth-1", Use: Depth, Value: "25.01", Block: "25"},
	} {
		c.Do = CheckInstrument
		require.Equal(t, code, r.refused(c))
	}
}

func TestACheckThatIsOpenIsNotReliedOn(t *testing.T) {
	check := "[[step]]\nname = \"rod-zero\"\ntitle = \"Rod on a flat\"\ninstrument = \"depth gauge\"\nreference = \"0.00\"\nrange = [\"-0.10\", \"0.10\"]\n\n[[chain]]\nname  = \"crank-float\""
	r := newRig(t)
	r.do(Command{Do: Begin, Plan: replacing(t, "[[chain]]\nname  = \"crank-float\"", check)(readPlanFile(t, "pump-bottom-end-short.toml"))})
	measureMetal(r)
	measureGasket(r)
	without := r.bench.Snapshot().Advice[0].Gap
	r.do(Command{Do: Next, Step: "rod-zero"})
	r.press("depth-1", "0.06")
	a := r.bench.Snapshot().Advice[0]
	require.Equal(t, without, a.Gap)
	require.Equal(t, "check not relied on", a.Findings[0].Code)
}

func TestShimsWidenWhatIsForeseen(t *testing.T) {
	plan, err := ReadPlan("p.toml", []byte(readPlanFile(t, "pump-bottom-end-short.toml")))
	require.NoError(t, err)
	thin, err := Foresee(theMethod, plan, testProfiles())
	require.NoError(t, err)
	for i := range plan.Stock {
		plan.Stock[i].Tolerance = plain("0.05")
	}
	thick, err := Foresee(theMethod, plan, testProfiles())
	require.NoError(t, err)
	require.True(t, thick[0].Expanded.GreaterThan(thin[0].Expanded.Decimal))
}

// TestNothingThatIsTypedEndsTheBench: what the arithmetic refuses is refused, and the
// bench goes on.
func TestNothingThatIsTypedEndsTheBench(t *testing.T) {
	r := newRig(t)
	measureUpToGasket(r)
	require.Equal(t, "bad number", r.refused(Command{Do: Enter, Instrument: "micrometer-1", Value: "0.0142519685039", Unit: "in"}))
	require.Equal(t, "bad temperature", r.refused(Command{Do: TakeTemperature, Of: "pump-half", Celsius: "-400"}))
	require.Equal(t, Unreadable, r.press("micrometer-1", "0.3600000001").Ruling)
	measureGasket(r)
	require.Equal(t, Final, r.bench.Snapshot().Advice[0].State)
}

func TestAnItemThatCannotBeAppliedIsRefusedAlone(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	batch := []offer{
		{item: Command{Do: Enter, Instrument: "caliper-1", Value: "52.54"}},
		{item: Advised{}}, // not an item that a bench takes
		{item: Command{Do: Enter, Instrument: "caliper-1", Value: "52.54"}},
	}
	turn, results := r.bench.handle(batch)
	require.NoError(t, turn.err)
	require.NoError(t, results[0].err)
	require.Error(t, results[1].err)
	require.NoError(t, results[2].err)
	require.Equal(t, 1, turn.state.job.place)
}

func TestAPlanWhosePacksCannotBeCountedIsRefused(t *testing.T) {
	plan := strings.Replace(largePlan(40), `{ name = "a", most = 3 }`, `{ name = "a", most = 6 }`, 1)
	_, err := ReadPlan("p.toml", []byte(plan))
	require.ErrorContains(t, err, "40 shim sizes with up to 6 a side make more than 65536 packs; allow fewer pieces a side, or leave sizes out")
	_, err = ReadPlan("p.toml", []byte(strings.Replace(largePlan(5), `least = "0.10"`, `least = "0.1000000001"`, 1)))
	require.ErrorContains(t, err, "is no length that can be measured")
}

// FuzzTypedWords types anything into an open job: it is taken or refused, and the bench
// goes on.
func FuzzTypedWords(f *testing.F) {
	f.Add("enter", "caliper-1", "52.54", "mm", "", "")
	f.Add("enter", "micrometer-1", "0.0142519685039", "in", "", "")
	f.Add("temperature", "", "-400", "1e9", "pump-half", "0.5")
	f.Add("check", "depth-1", "0.01", "depth", "25.000000001", "0.0005")
	f.Fuzz(func(t *testing.T, do, instrument, value, unit, of, u string) {
		turn := &turn{state: NewState(theMethod)}
		turn.add(Started{})
		for _, p := range testProfiles() {
			turn.add(ProfileSet{p})
		}
		turn.add(Began{Plan: twins})
		turn.openNext()
		for range 3 {
			_, _ = turn.command(Command{Do: Verb(do), Instrument: instrument, Value: value, Unit: unit, Of: of, Celsius: value, U: u, Use: Use(unit), Block: of, Passes: u, Stops: of, Step: of, Place: u})
		}
		turn.advise()
		if turn.err != nil {
			t.Fatal(turn.err)
		}
	})
}
