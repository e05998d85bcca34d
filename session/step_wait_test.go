package session

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// underHeat is a plan that heats a case, presses a ring in and lets it cool.
const underHeat = `plan = "under-heat"
title = "Pump half under heat"
[[part]]
name = "pump-half"
[[step]]
name = "heat"
kind = "wait"
title = "Heat the pump half"
seconds = 90
celsius = "95"
most_celsius = "120"
caution = "Hot metal: gloves."
[[step]]
name = "cool"
kind = "wait"
title = "Let the pump half cool"
minutes = "20"
part = "pump-half"
sets = "pump-half"
[[step]]
name = "bore"
title = "Bore of the pump half"
part = "pump-half"
instrument = "caliper"
use = "inside"
range = ["10.00", "10.50"]
`

func TestAWaitHasItsTime(t *testing.T) {
	r := newRig(t)
	beginText(r, underHeat)
	v := r.step("heat")
	assert.Equal(t, int64(90), v.Wait.Seconds)
	assert.Nil(t, v.Wait.Started)
	assert.Equal(t, "95", v.Heat.Celsius.String())
	assert.Equal(t, "120", v.Heat.Most.String())
	assert.Equal(t, "to wait", r.press("caliper-1", "10.20").Why.Code)

	r.do(Command{Do: Next})
	v = r.step("heat")
	require.NotNil(t, v.Wait.Due)
	assert.Equal(t, r.clock.wall, *v.Wait.Started)
	assert.Equal(t, r.clock.wall.Add(90*time.Second), *v.Wait.Due)
	assert.Equal(t, "still waiting", r.refused(Command{Do: Next}))
	r.clock.move(88 * time.Second)
	_, err := r.submit(Command{Do: Confirm})
	assert.ErrorContains(t, err, `step "heat" has 2 s left; wait for it, or cut it short with a note that says why`)
}

func TestAWaitEndsOnceItHasPassed(t *testing.T) {
	r := newRig(t, otherQuantities()...)
	beginText(r, underHeat)
	r.do(Command{Do: Confirm})
	r.clock.move(90 * time.Second)
	r.do(Command{Do: Next})
	assert.True(t, r.step("heat").Closed)
	assert.Empty(t, r.step("heat").Findings)
	r.requireAt("cool", 0)
	r.do(Command{Do: Enter, Instrument: "probe", Value: "80"})
	assert.Equal(t, "noted as temperature", r.bench.Snapshot().Readings[0].Why.Code)
	r.do(Command{Do: Next})
	// The time goes on while other things are done, and over a restart.
	r.do(Command{Do: Next, Step: "bore"})
	assert.Equal(t, "part warm", r.press("caliper-1", "10.20").Why.Code)
	r.start()
	r.clock.move(20 * time.Minute)
	r.do(Command{Do: Next, Step: "cool"})
	require.NotNil(t, r.step("cool").Wait.Due)
	r.do(Command{Do: Next})
	assert.True(t, r.step("cool").Closed)
	r.requireAt("bore", 0)
	assert.Equal(t, Filed, r.press("caliper-1", "10.20").Ruling, "it counts as cooled")
}

func TestAClockThatIsSetDoesNotShortenAWait(t *testing.T) {
	r := newRig(t)
	beginText(r, underHeat)
	r.do(Command{Do: Next})
	r.clock.wall = r.clock.wall.Add(time.Hour) // somebody set it
	assert.Equal(t, "still waiting", r.refused(Command{Do: Next}))
	r.clock.wall = r.clock.wall.Add(-5 * time.Hour)
	r.start() // in a new run there is only the wall clock
	assert.Equal(t, "still waiting", r.refused(Command{Do: Next}))
	_, err := r.submit(Command{Do: Next})
	assert.ErrorContains(t, err, "90 s left", "never more than all of it")
}

func TestAWaitCutShortIsAFinding(t *testing.T) {
	r := newRig(t)
	beginText(r, underHeat)
	r.do(Command{Do: Confirm, Outcome: NotApplicable, Note: "slides in cold"})
	assert.Equal(t, NotApplicable, r.step("heat").Confirmed.Outcome)
	r.do(Command{Do: TakeTemperature, Of: "pump-half", Celsius: "80"})
	r.do(Command{Do: Next})
	r.do(Command{Do: Next, Note: "water bath"})
	v := r.step("cool")
	assert.True(t, v.Closed)
	assert.True(t, v.Wait.CutShort)
	assert.Equal(t, int64(1199), v.Wait.Left)
	assert.Equal(t, []Reason{{"wait cut short", map[string]string{"step": "cool", "left": "20 min", "note": "water bath"}}}, v.Findings)
	assert.Equal(t, "part warm", r.press("caliper-1", "10.20").Why.Code, "nobody knows that it has cooled")
	// Back at it, the time starts anew.
	r.do(Command{Do: Next, Step: "cool"})
	assert.Nil(t, r.step("cool").Wait.Started)
	assert.Empty(t, r.step("cool").Findings)
}

// What the thermometer has shown since a wait began ends it without a note, or keeps it.
func TestTheThermometerEndsAWait(t *testing.T) {
	r := newRig(t, otherQuantities()...)
	beginText(r, strings.Replace(underHeat, "seconds = 90", "seconds = 90\npart = \"pump-half\"", 1))
	probe := func(celsius string) {
		r.clock.move(time.Second)
		r.do(Command{Do: Enter, Instrument: "probe", Value: celsius})
	}
	last := func() string { all := r.bench.Snapshot().Readings; return all[len(all)-1].Why.Code }
	probe("97") // nothing is under heat yet
	r.do(Command{Do: Next})
	assert.Equal(t, "still waiting", r.refused(Command{Do: Next}), "what was noted before says nothing")
	probe("94.9")
	assert.Equal(t, "still waiting", r.refused(Command{Do: Next}))
	probe("121")
	assert.Equal(t, "noted, too hot", last())
	assert.Equal(t, "still waiting", r.refused(Command{Do: Next}))
	probe("95")
	r.do(Command{Do: Next})
	v := r.step("heat")
	assert.True(t, v.Closed)
	assert.False(t, v.Wait.CutShort)
	assert.Equal(t, []Reason{{"was too hot", map[string]string{"step": "heat", "celsius": "121", "limit": "120"}}}, v.Findings)
	assert.Equal(t, "95", v.Wait.Shown.String())

	r.do(Command{Do: Next}) // it cools
	probe("40")
	assert.Equal(t, "noted as temperature", last())
	r.clock.move(21 * time.Minute)
	assert.Equal(t, "not come about", r.refused(Command{Do: Next}), "the time has passed, and it is warm all the same")
	probe("20.5")
	assert.Equal(t, "noted, cooled", last())
	r.do(Command{Do: Next})
	r.requireAt("bore", 0)
	assert.Equal(t, "20.5", warmthOf(r.bench.state.job.warmth, "pump-half").Celsius.String(), "it is known, and stays")

	r.do(Command{Do: Next, Step: "cool"})
	r.do(Command{Do: Next})
	probe("40")
	r.do(Command{Do: Next, Note: "no time"})
	assert.True(t, r.step("cool").Wait.CutShort)
	assert.Equal(t, "part warm", r.press("caliper-1", "10.20").Why.Code)
}

// A wait whose end the disk refuses goes on.
func TestAWaitThatIsNotRecordedGoesOn(t *testing.T) {
	r := newRig(t)
	beginText(r, underHeat)
	r.do(Command{Do: Next})
	r.clock.move(90 * time.Second)
	r.log.broken, r.log.mends = errors.New("no space left on device"), 1
	_, err := r.bench.Submit(t.Context(), Command{Do: Next, Door: FromTerminal})
	require.Error(t, err)
	assert.Nil(t, r.bench.state.job.steps[0].wait.over)
}

func TestMistakesInAWait(t *testing.T) {
	for _, c := range []struct{ replace, with, want string }{
		{"seconds = 90\n", "", `p.toml:5:1: step "heat" needs either minutes or seconds to wait; give one of them: minutes = "20"`},
		{"seconds = 90\n", "seconds = 90\nminutes = 1\n", `p.toml:5:1: step "heat" needs either minutes or seconds`},
		{"seconds = 90\n", "seconds = 0\n", `p.toml:9:1: a wait in seconds of 0 is not possible; give a number from 1 to 86400`},
		{`minutes = "20"`, `minutes = "-20"`, `p.toml:17:1: a wait in minutes of -20 is not possible; `},
		{`celsius = "95"`, `celsius = "195"`, `p.toml:10:1: step "heat" heats to 195, over its limit of 120; heat to less, or correct the limit`},
		{`most_celsius = "120"`, `most_celsius = "1200"`, `p.toml:11:1: a temperature of 1200 is not possible; `},
		{`sets = "pump-half"`, `sets = "pump-whole"`, `p.toml:19:1: there is no part "pump-whole"; name the [[part]] that cools`},
		{`sets = "pump-half"`, `instrument = "caliper"`, `p.toml:19:1: "instrument" does not belong to step "cool" of the kind "wait"; `},
		{`use = "inside"`, "use = \"inside\"\nminutes = 3", `p.toml:26:1: "minutes" does not belong to step "bore" of the kind "measure"; `},
	} {
		spoilt := strings.Replace(underHeat, c.replace, c.with, 1)
		_, err := ReadPlan("p.toml", []byte(spoilt))
		assert.ErrorContains(t, err, c.want)
	}
}
