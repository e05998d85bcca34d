package session

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// measureUpToGasket measures the bottom end up to its gasket.
func measureUpToGasket(r *rig) {
	r.t.Helper()
	r.begin("pump-bottom-end-short.toml")
	measureMetal(r)
	r.requireAt("gasket", 0)
}

// measureMetal measures what comes before the gasket, each place twice.
func measureMetal(r *rig) {
	r.t.Helper()
	for _, step := range []struct {
		presses           int
		instrument, value string
	}{{4, "caliper-1", "52.54"}, {2, "caliper-1", "10.00"}, {4, "depth-1", "37.41"}, {4, "depth-1", "25.30"}} {
		for range step.presses {
			r.press(step.instrument, step.value)
		}
	}
}

func measureGasket(r *rig) {
	r.t.Helper()
	for range 4 {
		r.press("micrometer-1", "0.360")
	}
}

func measureBottomEnd(r *rig) {
	r.t.Helper()
	measureUpToGasket(r)
	measureGasket(r)
	r.requireAt("check-gap", 0)
}

func TestAWholeJob(t *testing.T) {
	r := newRig(t)
	measureBottomEnd(r)
	a := r.bench.Snapshot().Advice[0]
	require.Equal(t, Final, a.State)
	require.Equal(t, "0.4828", a.Gap.String(), "0.53 as read, less 0.0072 of crush and half of the play of two bearings")
	require.Equal(t, "0.16", a.Best.Packs[0].Total.String())
	require.Equal(t, "0.16", a.Best.Packs[1].Total.String())
	require.Equal(t, "0.1628", a.Best.EndFloat.String())
	require.Equal(t, "0.3228", a.Best.CheckGap.String())
	require.Len(t, a.Corrections, 3)
	warm := a.WarmFloat.Sub(a.Best.EndFloat.Decimal).InexactFloat64()
	require.InDelta(t, (27.41+25.30)*23e-6*60+0.36*20e-6*60-52.54*11.5e-6*75, warm, 1e-5)
	require.True(t, a.Best.Inside)
	require.Equal(t, "evaluated", a.Uncertainty)
	require.Equal(t, "not shown", a.Best.Outcome, "two depths with a rod that may be off by 0.03 mm")
	require.Equal(t, "zero check", a.Next[0].Act.Code)
	require.Len(t, a.Counted, 18)

	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.30", Stops: "0.40"})
	require.Nil(t, r.bench.Snapshot().Step)
	require.Equal(t, "0.35", r.bench.Snapshot().Advice[0].CheckFound.String())
	require.Empty(t, r.bench.Snapshot().Advice[0].Findings)
	require.Equal(t, "not said", r.refused(Command{Do: End}), "which shims are in, nobody has said")
	r.do(Command{Do: Fitting})
	r.do(Command{Do: End})
	require.True(t, r.bench.Snapshot().Job.Ended)
	require.Equal(t, NoStep, r.press("caliper-1", "52.54").Ruling)
}

func TestAFeelerThatContradictsTheChainStandsAlone(t *testing.T) {
	r := newRig(t)
	measureBottomEnd(r)
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.60", Stops: "0.65"})
	a := r.bench.Snapshot().Advice[0]
	require.False(t, a.Evidence[0].Agrees)
	require.Less(t, a.Evidence[0].En, -1.0)
	require.Equal(t, "chain and direct measurement disagree", a.Findings[0].Code)
	require.True(t, a.Gap.Equal(mm("0.785").Decimal), "0.625 between the blades and 0.16 of shim; it is %s", a.Gap)
}

func TestAFeelerThatAgreesNarrowsTheGap(t *testing.T) {
	r := newRig(t)
	measureBottomEnd(r)
	before := r.bench.Snapshot().Advice[0]
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.35", Stops: "0.40"})
	a := r.bench.Snapshot().Advice[0]
	require.True(t, a.Evidence[0].Agrees)
	require.True(t, a.Budget.U.LessThan(before.Budget.U.Decimal))
	require.True(t, a.Gap.GreaterThan(before.Gap.Decimal), "the feelers found more than the chain")
	require.Equal(t, "shown inside", a.Best.Outcome)
	require.True(t, before.Gap.Equal(a.Evidence[0].Chain.Decimal))
}

func TestTwoRepeatsThatAgreeCloseAPlace(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.requireAt("crank-width", 0)
	r.press("caliper-1", "52.54")
	r.requireAt("crank-width", 0)
	r.press("caliper-1", "52.55")
	r.requireAt("crank-width", 1)
	require.Equal(t, "52.545", r.step("crank-width").Value.String())
}

func TestDisagreementAsksForAThird(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.press("caliper-1", "52.54")
	r.press("caliper-1", "52.56")
	r.requireAt("crank-width", 0)
	require.Equal(t, 3, r.bench.Snapshot().Step.Places[0].Needed)
	r.press("caliper-1", "52.55")
	r.requireAt("crank-width", 1)
}

func TestASlippedReadingIsLeftOutAndSaysWhy(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.press("caliper-1", "52.54")
	slip := r.press("caliper-1", "52.71")
	require.Equal(t, Counted, r.reading(slip.Seq).Standing, "with two nobody can say which is wrong")
	r.press("caliper-1", "52.54")
	r.requireAt("crank-width", 1)
	v := r.reading(slip.Seq)
	require.Equal(t, LeftOut, v.Standing)
	require.Equal(t, "known scatter", v.Outlier.Test)
	require.Greater(t, v.Outlier.Statistic, v.Outlier.Limit)
	require.Equal(t, "52.54", r.step("crank-width").Value.String())
	require.NotEqual(t, "52.54", r.step("crank-width").WithAll.String())
}

func TestThreeThatAllDifferAreUnsettled(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.press("caliper-1", "52.30")
	r.press("caliper-1", "52.50")
	r.press("caliper-1", "52.70")
	r.requireAt("crank-width", 0)
	require.True(t, r.step("crank-width").Unsettled)
	require.Equal(t, "place unsettled", r.step("crank-width").Findings[0].Code)
}

func TestRulings(t *testing.T) {
	r := newRig(t)
	require.Equal(t, NoStep, r.press("caliper-1", "52.54").Ruling)
	r.begin("pump-bottom-end-short.toml")
	require.Equal(t, WrongInstrument, r.press("depth-1", "52.54").Ruling)
	require.Equal(t, WrongInstrument, r.press("stranger", "52.54").Ruling)
	require.Equal(t, OutOfRange, r.press("caliper-1", "62.54").Ruling)
	require.Equal(t, Filed, r.press("caliper-1", "52.54").Ruling)
	r.clock.move(690 * time.Millisecond)
	require.Equal(t, TooSoon, r.pressNow("caliper-1", "52.54").Ruling)
	r.clock.move(700 * time.Millisecond)
	require.Equal(t, Filed, r.pressNow("caliper-1", "52.54").Ruling)
	receipt, err := r.submit(Reading{Instrument: "caliper-1", Kind: Caliper, Fault: &Fault{Code: "no match"}, Raw: Raw("\x00\xff")})
	require.NoError(t, err)
	require.Equal(t, Unreadable, receipt.Ruling)
	require.Len(t, r.bench.Snapshot().Readings, 8, "every reading is kept")
}

func TestAContinuousSenderIsNotSetDownAnew(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	require.Equal(t, Filed, r.press("caliper-1", "52.54").Ruling)
	for range 5 {
		r.clock.move(500 * time.Millisecond)
		require.Equal(t, TooSoon, r.pressNow("caliper-1", "52.54").Ruling)
	}
}

func TestAPressFromBeforeTheStepOpenedIsTooSoon(t *testing.T) {
	r := newRig(t)
	measureUpToGasket(r)
	late := Reading{
		Instrument: "micrometer-1", Kind: Micrometer, Value: mm("0.360"), Text: "0.360", Unit: Millimetre,
		At: r.clock.wall.Add(-time.Second), Mono: r.clock.mono - time.Second,
	}
	receipt, err := r.submit(late)
	require.NoError(t, err)
	require.Equal(t, TooSoon, receipt.Ruling)
	require.Equal(t, "before the step", receipt.Why.Code)
}

// twins is a plan with two steps that the same caliper reads nearly alike.
const twins = `
plan = "twins"
title = "Two collars of nearly one length"
[[step]]
name = "left"
title = "Left collar"
instrument = "caliper"
range = ["10.00", "12.00"]
[[step]]
name = "right"
title = "Right collar"
instrument = "caliper"
range = ["10.00", "12.00"]
[[chain]]
name = "difference"
title = "Left less right"
least = "-1.00"
most = "1.00"
term = [{ step = "left", sign = "+" }, { step = "right", sign = "-" }]
side = [{ name = "left side", most = 0 }]
`

func beginTwins(t *testing.T) *rig {
	r := newRig(t)
	r.do(Command{Do: Begin, Plan: twins, Operator: "mo"})
	r.press("caliper-1", "11.00")
	r.press("caliper-1", "11.00")
	r.requireAt("right", 0)
	return r
}

func TestAHabitualExtraPressGoesToTheStepBefore(t *testing.T) {
	r := beginTwins(t)
	held := r.press("caliper-1", "11.01")
	require.Equal(t, Held, held.Ruling)
	r.press("caliper-1", "11.40")
	v := r.reading(held.Seq)
	require.Equal(t, "left", v.Step)
	require.Equal(t, Counted, v.Standing)
	require.Equal(t, 1, r.bench.Snapshot().Step.Places[0].Counted)
}

func TestAHeldReadingThatTheNextPressCannotTellApartIsSetAside(t *testing.T) {
	r := beginTwins(t)
	held := r.press("caliper-1", "11.01")
	r.press("caliper-1", "11.01")
	v := r.reading(held.Seq)
	require.Equal(t, "set aside", v.Decided)
	require.Empty(t, v.Standing)
	require.Equal(t, 1, r.bench.Snapshot().Step.Places[0].Counted)
	r.do(Command{Do: Restore, Reading: held.Seq})
	require.Equal(t, "right", r.reading(held.Seq).Step)
	require.Nil(t, r.bench.Snapshot().Step, "restored, it is the second repeat")
}

func TestAHeldReadingIsDecidedByCommands(t *testing.T) {
	for _, c := range []struct {
		command Command
		step    string
		decided string
	}{
		{Command{Do: Back}, "left", "to step"},
		{Command{Do: Next, Step: "left"}, "right", "set aside"},
		{Command{Do: GoToPlace, Place: "1"}, "right", "set aside"},
		{Command{Do: End, Note: "stopped"}, "right", "set aside"},
		{Command{Do: StrikeOut, Reason: "extra"}, "right", "set aside"},
		{Command{Do: Restore}, "right", "to step"},
	} {
		t.Run(string(c.command.Do), func(t *testing.T) {
			r := beginTwins(t)
			held := r.press("caliper-1", "11.01")
			c.command.Reading = held.Seq
			r.do(c.command)
			v := r.reading(held.Seq)
			require.Equal(t, c.step, v.Step)
			require.Equal(t, c.decided, v.Decided)
		})
	}
}

func TestAReadingThatCannotBelongBeforeIsNotHeld(t *testing.T) {
	r := beginTwins(t)
	require.Equal(t, Filed, r.press("caliper-1", "11.40").Ruling)
	require.Equal(t, Filed, r.press("caliper-1", "11.00").Ruling, "only the first of a step is held")
}

func TestOneMoreIsAskedWhenItWouldChangeTheAdvice(t *testing.T) {
	r := newRig(t)
	measureUpToGasket(r)
	r.press("micrometer-1", "0.360")
	r.press("micrometer-1", "0.360")
	r.press("micrometer-1", "0.360")
	r.press("micrometer-1", "0.361")
	r.requireAt("check-gap", 0)

	// A window as narrow as a count makes the last count matter.
	r = newRig(t)
	r.do(Command{Do: Begin, Plan: knifeEdge, Operator: "mo"})
	r.press("caliper-1", "10.30")
	r.press("caliper-1", "10.31")
	r.requireAt("collar", 0)
	require.Equal(t, 3, r.bench.Snapshot().Step.Places[0].Needed)
	r.press("caliper-1", "10.31")
	require.Nil(t, r.bench.Snapshot().Step)
}

const knifeEdge = `
plan = "knife-edge"
title = "A collar between two shims"
[[step]]
name = "collar"
title = "Collar"
instrument = "caliper"
range = ["10.00", "12.00"]
[[chain]]
name = "float"
title = "Float"
least = "0.10"
most = "0.20"
term = [{ step = "collar", sign = "+" }, { name = "seat", given = "10.00", sign = "-" }]
side = [{ name = "left side", most = 1, fewest = 1 }]
[[stock]]
thickness = "0.11"
count = 1
[[stock]]
thickness = "0.20"
count = 1
`

func TestNextBackAndPlace(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	require.Equal(t, "repeats missing", r.refused(Command{Do: Next}))
	require.Equal(t, "first step", r.refused(Command{Do: Back}))
	r.do(Command{Do: GoToPlace, Place: "a quarter turn on"})
	r.requireAt("crank-width", 1)
	require.Equal(t, "no such place", r.refused(Command{Do: GoToPlace, Place: "3"}))
	require.Equal(t, "no such step", r.refused(Command{Do: GoToPlace, Step: "nowhere", Place: "1"}))
	r.press("caliper-1", "52.54")
	r.press("caliper-1", "52.54")
	r.requireAt("crank-width", 0)
	r.do(Command{Do: Next, Step: "pump-depth"})
	r.requireAt("pump-depth", 0)
	r.do(Command{Do: Back})
	r.requireAt("bar-thickness", 0)
	r.press("caliper-1", "10.00")
	r.press("caliper-1", "10.00")
	r.requireAt("crank-width", 0)
}

func TestGoingBackKeepsReadingsAndClosesAgain(t *testing.T) {
	r := beginTwins(t)
	r.do(Command{Do: Back})
	r.requireAt("left", 0)
	require.False(t, r.step("left").Closed)
	r.press("caliper-1", "11.01")
	r.requireAt("right", 0)
	require.Equal(t, 3, r.step("left").Places[0].Counted)
	r.do(Command{Do: Back})
	r.do(Command{Do: Next})
	r.requireAt("right", 0)
}

func TestStrikeOutNeedsAReasonAndReopens(t *testing.T) {
	r := beginTwins(t)
	first := r.bench.Snapshot().Readings[0].Seq
	require.Equal(t, "no reason", r.refused(Command{Do: StrikeOut, Reading: first, Reason: " "}))
	require.Equal(t, "no such reading", r.refused(Command{Do: StrikeOut, Reading: 9999, Reason: "x"}))
	require.Equal(t, "counts already", r.refused(Command{Do: Restore, Reading: first}))
	r.do(Command{Do: StrikeOut, Reading: first, Reason: "jaw on a burr"})
	require.Equal(t, StruckOut, r.reading(first).Standing)
	require.Equal(t, "jaw on a burr", r.reading(first).Struck)
	require.False(t, r.step("left").Closed)
	require.Equal(t, "struck already", r.refused(Command{Do: StrikeOut, Reading: first, Reason: "x"}))
	r.press("caliper-1", "11.30")
	r.press("caliper-1", "11.30")
	r.requireAt("left", 0)
	r.do(Command{Do: Restore, Reading: first})
	require.Equal(t, Counted, r.reading(first).Standing)
	require.Nil(t, r.bench.Snapshot().Step)
}

func TestStrikingOutAfterTheLastStepOpensItAgain(t *testing.T) {
	r := newRig(t)
	measureBottomEnd(r)
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.30", Stops: "0.40"})
	require.Nil(t, r.bench.Snapshot().Step)
	r.do(Command{Do: StrikeOut, Reading: r.bench.Snapshot().Readings[0].Seq, Reason: "wrong seat"})
	r.requireAt("crank-width", 0)
	require.Equal(t, Provisional, r.bench.Snapshot().Advice[0].State)
}

func TestAdviceThatLosesItsGapSaysSo(t *testing.T) {
	r := beginTwins(t)
	r.press("caliper-1", "11.40")
	r.press("caliper-1", "11.40")
	require.Equal(t, Final, r.bench.Snapshot().Advice[0].State)
	for _, v := range r.bench.Snapshot().Readings {
		if v.Step == "right" {
			r.do(Command{Do: StrikeOut, Reading: v.Seq, Reason: "wrong collar"})
		}
	}
	a := r.bench.Snapshot().Advice[0]
	require.Equal(t, Waiting, a.State)
	require.Equal(t, []string{"right"}, a.Missing)
	require.Nil(t, a.Gap)
}

func TestAStepThatClosesOnCommand(t *testing.T) {
	r := newRig(t)
	plan := "plan = \"one\"\ntitle = \"One collar\"\n[[step]]\nname = \"collar\"\ntitle = \"Collar\"\ninstrument = \"caliper\"\nrange = [\"10.00\", \"12.00\"]\ncloses_on_command = true\n" +
		"[[chain]]\nname = \"c\"\ntitle = \"C\"\nleast = \"10\"\nmost = \"12\"\nterm = [{ step = \"collar\", sign = \"+\" }]\nside = [{ name = \"s\", most = 0 }]\n"
	r.do(Command{Do: Begin, Plan: plan})
	for range 4 {
		r.press("caliper-1", "11.00")
	}
	r.requireAt("collar", 0)
	r.do(Command{Do: Next})
	require.Nil(t, r.bench.Snapshot().Step)
	require.Equal(t, "no step", r.refused(Command{Do: Next}))
}

func TestEnter(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	for _, c := range []struct {
		code string
		c    Command
	}{
		{"no instrument named", Command{Value: "52.54"}},
		{"no such instrument", Command{Instrument: "caliper-9", Value: "52.54"}},
		{"bad number", Command{Instrument: "caliper-1", Value: "5e1"}},
		{"bad number", Command{Instrument: "caliper-1", Value: "99999999"}},
		{"bad unit", Command{Instrument: "caliper-1", Value: "52.54", Unit: "furlong"}},
		{"value", Command{Instrument: "caliper-1"}},
		{"value", Command{Instrument: "caliper-1", Passes: "0.1", Stops: "0.2"}},
		{"feeler pair", Command{Instrument: "feelers", Value: "0.30"}},
		{"feeler pair", Command{Instrument: "feelers", Passes: "0.30", Stops: "0.30"}},
		{"bad number", Command{Instrument: "feelers", Passes: "0.30"}},
		{"bad text", Command{Instrument: "caliper-1", Value: "52.54\x00"}},
	} {
		c.c.Do = Enter
		require.Equal(t, c.code, r.refused(c.c), "%+v", c.c)
	}
	typed := r.do(Command{Do: Enter, Instrument: "caliper-1", Value: "2.0685", Unit: "in", Operator: "ada"})
	require.Equal(t, Filed, typed.Ruling)
	v := r.reading(typed.Seq)
	require.True(t, v.Typed)
	require.Equal(t, "52.53990", v.Value.String())
	require.Equal(t, "2.0685", v.Text)
	require.Equal(t, Inch, v.Unit)
	require.Equal(t, "ada", v.Operator)
	require.Equal(t, FromTerminal, v.Door)
	require.Equal(t, WrongInstrument, r.do(Command{Do: Enter, Instrument: "depth-1", Value: "37.40"}).Ruling)
}

func TestTake(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	require.Equal(t, "press it", r.refused(Command{Do: Take}))
	require.Equal(t, "press it", r.refused(Command{Do: Take, Instrument: "caliper-1"}))
	require.Equal(t, "not live", r.refused(Command{Do: Take, Instrument: "micrometer-1"}))
	_, err := r.submit(PortChanged{Instrument: "micrometer-1", State: PortLive, Port: "/dev/pts/7"})
	require.NoError(t, err)
	require.Equal(t, "micrometer-1", r.do(Command{Do: Take, Instrument: "micrometer-1"}).Ask)
}

func TestBeginAndEndAreRefusedWhereTheyMustBe(t *testing.T) {
	r := newRig(t)
	require.Equal(t, "no job", r.refused(Command{Do: End}))
	require.Equal(t, "bad plan", r.refused(Command{Do: Begin, Plan: "plan = 3"}))
	require.Equal(t, "unknown command", func() string { r.begin("pump-bottom-end-short.toml"); return r.refused(Command{Do: "dance"}) }())
	require.Equal(t, "job open", r.refused(Command{Do: Begin, Plan: twins}))
	require.Equal(t, "steps open", r.refused(Command{Do: End}))
	r.do(Command{Do: End, Note: "the crank is cracked"})
	r.do(Command{Do: Begin, Plan: twins})
	require.Equal(t, "2", r.bench.Snapshot().Job.Number)
}

func TestARunThatStartsAgainGoesOnWhereItWas(t *testing.T) {
	r := newRig(t)
	measureUpToGasket(r)
	r.press("micrometer-1", "0.360")
	before := r.bench.Snapshot()
	r.start()
	after := r.bench.Snapshot()
	require.Equal(t, before.Run+1, after.Run)
	require.Equal(t, asJSON(t, before.Step), asJSON(t, after.Step))
	require.Equal(t, asJSON(t, before.Readings), asJSON(t, after.Readings))
	r.press("micrometer-1", "0.360")
	r.requireAt("gasket", 1)
}

func TestWhatTheDiskRefusesDoesNotCount(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.log.broken = errors.New("no space left")
	r.clock.move(time.Second)
	_, err := r.submit(Reading{Instrument: "caliper-1", Kind: Caliper, Value: mm("52.54"), Text: "52.54", At: r.clock.wall, Mono: r.clock.mono})
	var no *Refusal
	require.True(t, errors.As(err, &no))
	require.Equal(t, "not recorded", no.Code)
	require.False(t, r.bench.Snapshot().Recording.OK)
	require.Contains(t, r.bench.Snapshot().Recording.Problem, "no space left")
	require.Empty(t, r.bench.Snapshot().Readings)
	r.log.broken = nil
	require.Equal(t, Filed, r.press("caliper-1", "52.54").Ruling)
	require.True(t, r.bench.Snapshot().Recording.OK)
}

// recordings are the entries that say whether anything is recorded.
func (r *rig) recordings() (all []RecordingChanged) {
	for _, text := range r.log.texts {
		e, err := DecodeEntry(text)
		require.NoError(r.t, err)
		if b, ok := e.Body.(RecordingChanged); ok {
			require.Equal(r.t, FromBench, e.Door)
			require.Empty(r.t, e.Job)
			all = append(all, b)
		}
	}
	return all
}

// While nothing is recorded the bench tries by itself, without a press, and the log
// then says from when on and how much is missing.
func TestRecordingGoesOnByItself(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.probe <- time.Time{} // all is well: nothing to do
	entries := len(r.log.texts)
	r.log.broken = errors.New("no space left")
	began := r.clock.wall
	for range 3 {
		_, err := r.submit(Reading{Instrument: "caliper-1", Kind: Caliper, Value: mm("52.54"), Text: "52.54", At: r.clock.wall, Mono: r.clock.mono})
		require.Error(t, err)
	}
	r.probe <- time.Time{}
	r.probe <- time.Time{}
	require.False(t, r.bench.Snapshot().Recording.OK)
	require.Equal(t, entries, r.log.count(), "nothing is written")
	r.clock.move(time.Minute)
	r.log.mend()
	r.probe <- time.Time{}
	r.probe <- time.Time{} // the one before was acted on
	require.True(t, r.bench.Snapshot().Recording.OK)
	require.Equal(t, []RecordingChanged{{OK: true, Problem: "no space left", Since: began, Refused: 3}}, r.recordings())
	r.probe <- time.Time{}
	require.Equal(t, Filed, r.press("caliper-1", "52.54").Ruling)
	require.Len(t, r.recordings(), 1)
	r.checkReplay()
}

// A disk that fails once still takes that it failed.
func TestTheLogSaysWhenRecordingStopped(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.log.broken, r.log.mends = errors.New("I/O error"), 1
	_, err := r.submit(Reading{Instrument: "caliper-1", Kind: Caliper, Value: mm("52.54"), Text: "52.54"})
	require.Error(t, err)
	require.False(t, r.bench.Snapshot().Recording.OK)
	require.Equal(t, []RecordingChanged{{Problem: "I/O error"}}, r.recordings())
	require.Equal(t, Filed, r.press("caliper-1", "52.54").Ruling)
	require.True(t, r.bench.Snapshot().Recording.OK)
	require.Equal(t, RecordingChanged{OK: true, Problem: "I/O error", Since: r.clock.wall.Add(-time.Second), Refused: 1}, r.recordings()[1])
}

// What a failed write kept is acknowledged, once the log says that it is there.
func TestWhatAFailureKeptIsAcknowledged(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.log.broken, r.log.keeps, r.log.mends = errors.New("I/O error"), true, 1
	require.Equal(t, Filed, r.press("caliper-1", "52.54").Ruling)
	require.True(t, r.bench.Snapshot().Recording.OK)
	require.Empty(t, r.recordings())
}

// A start is tried twice.
func TestAStartThatFailsOnce(t *testing.T) {
	for _, keeps := range []bool{false, true} {
		r := newRig(t)
		r.log.broken, r.log.keeps, r.log.mends = errors.New("I/O error"), keeps, 1
		r.start()
		require.EqualValues(t, 2, r.bench.Snapshot().Run)
		r.checkReplay()
	}
}

// A run on a disk that takes nothing shows what the run before left, says that nothing is
// recorded, and starts by itself once the disk works.
func TestAStartOnAFullDiskWaits(t *testing.T) {
	for _, keeps := range []bool{false, true} {
		r := newRig(t)
		r.begin("pump-bottom-end-short.toml")
		r.press("caliper-1", "52.54")
		entries := len(r.log.texts)
		r.log.broken, r.log.keeps = errors.New("no space left"), keeps
		began := r.clock.wall
		r.start()
		s := r.bench.Snapshot()
		require.EqualValues(t, 1, s.Run)
		require.Len(t, s.Readings, 1, "the job is shown as it stands")
		require.Equal(t, Recording{Problem: "no space left"}, s.Recording)
		_, err := r.bench.Submit(t.Context(), Reading{Instrument: "caliper-1", Kind: Caliper, Value: mm("52.54"), Text: "52.54", At: r.clock.wall, Mono: r.clock.mono})
		var no *Refusal
		require.ErrorAs(t, err, &no)
		require.Equal(t, "not recorded", no.Code)
		r.probe <- time.Time{}
		r.probe <- time.Time{}
		if !keeps {
			require.Equal(t, entries, r.log.count(), "nothing is written")
		}
		r.clock.move(time.Minute)
		r.log.mend()
		r.probe <- time.Time{}
		r.probe <- time.Time{} // the one before was acted on
		s = r.bench.Snapshot()
		require.True(t, s.Recording.OK)
		require.EqualValues(t, 2, s.Run, "it starts once")
		require.Equal(t, []RecordingChanged{{OK: true, Problem: "no space left", Since: began, Refused: 1}}, r.recordings())
		require.Equal(t, Filed, r.press("caliper-1", "52.54").Ruling)
		r.checkReplay()
	}
}

// There is nothing to show of a bench that never started.
func TestAFirstStartOnAFullDiskIsRefused(t *testing.T) {
	log := &memoryLog{broken: errors.New("no space left")}
	_, err := NewBench(Config{Name: "bench-1", Method: theMethod, Clock: &fakeClock{}, Log: log}, log.replay(-1))
	require.EqualError(t, err, "cannot start the run: no space left")
}

func TestWhatTheDiskKeptAfterAllIsAdopted(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.log.broken, r.log.keeps = errors.New("I/O error"), true
	_, err := r.bench.Submit(t.Context(), Reading{Instrument: "caliper-1", Kind: Caliper, Value: mm("52.54"), Text: "52.54"})
	require.Error(t, err)
	r.log.broken = nil
	r.press("caliper-1", "52.54")
	r.requireAt("crank-width", 1)
}

func TestReplayEqualsLiveAtEveryPrefix(t *testing.T) {
	r := newRig(t)
	measureBottomEnd(r)
	for n := range r.log.texts {
		s := NewState(r.bench.state.method)
		require.NoError(t, r.log.replay(n)(s.Apply))
		again := NewState(r.bench.state.method)
		require.NoError(t, r.log.replay(n)(again.Apply))
		require.Equal(t, asJSON(t, s.Snapshot()), asJSON(t, again.Snapshot()))
		// What the log says was advised is what the readings before it give.
		if n < len(r.log.texts) {
			e, err := DecodeEntry(r.log.texts[n])
			require.NoError(t, err)
			if advised, ok := e.Body.(Advised); ok {
				a, err := s.job.advise(0)
				require.NoError(t, err)
				require.Equal(t, asJSON(t, advised.Advice), asJSON(t, a))
			}
		}
	}
}
