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
	require.Equal(t, "shimwright/2", a.Method)
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
