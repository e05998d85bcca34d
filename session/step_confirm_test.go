package session

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// handOver is a plan with steps at which nothing is measured.
const handOver = `plan = "hand-over"
title = "Pump engine, hand-over"
[[step]]
name = "oil-feed"
kind = "confirm"
title = "Oil feed to the main bearing"
where = "Lamp behind the bore, flywheel side"
do = "Look through the feed: it must be open"
caution = "Solvent in the bore: no flame."
cautions = ["Eye protection on."]
[[step]]
name = "lips"
kind = "confirm"
title = "Lips of the seals"
[[step]]
name = "collar"
title = "Collar"
instrument = "caliper"
range = ["10.00", "10.50"]
`

func beginText(r *rig, plan string) {
	r.t.Helper()
	r.do(Command{Do: Begin, Plan: plan, Operator: "mo"})
}

func TestAStepIsConfirmed(t *testing.T) {
	r := newRig(t)
	beginText(r, handOver)
	r.requireAt("oil-feed", 0)
	v := r.step("oil-feed")
	assert.Equal(t, ConfirmStep, v.Kind)
	assert.Empty(t, v.Instrument)
	assert.Equal(t, []string{"Solvent in the bore: no flame.", "Eye protection on."}, v.Cautions)
	assert.Equal(t, "Look through the feed: it must be open", v.Do)

	receipt := r.press("caliper-1", "10.20")
	assert.Equal(t, NoStep, receipt.Ruling)
	assert.Equal(t, "to confirm", receipt.Why.Code)
	assert.Equal(t, "to confirm", r.refused(Command{Do: Next}))
	assert.Equal(t, "nothing to read", r.refused(Command{Do: Take}))
	assert.Equal(t, "no note", r.refused(Command{Do: Confirm, Outcome: NotApplicable, Note: "  "}))
	assert.Equal(t, "no note", r.refused(Command{Do: Confirm, Outcome: NotDone}))
	assert.Equal(t, "bad outcome", r.refused(Command{Do: Confirm, Outcome: "maybe"}))

	r.do(Command{Do: Confirm, Operator: "ada"})
	v = r.step("oil-feed")
	assert.True(t, v.Closed)
	assert.Equal(t, Done, v.Confirmed.Outcome)
	assert.Equal(t, "ada", v.Confirmed.Operator)
	assert.Nil(t, v.Value)
	r.requireAt("lips", 0)
	r.do(Command{Do: Confirm, Outcome: NotApplicable, Note: "no seals in this one"})
	assert.True(t, r.step("lips").Closed)
	assert.Empty(t, r.step("lips").Findings)
	r.requireAt("collar", 0)
	assert.Equal(t, "not to confirm", r.refused(Command{Do: Confirm}))
}

func TestWhatIsNotDoneStaysOpenAndComesAgain(t *testing.T) {
	r := newRig(t)
	beginText(r, handOver)
	r.do(Command{Do: Confirm, Outcome: NotDone, Note: "no lamp here"})
	v := r.step("oil-feed")
	assert.False(t, v.Closed)
	assert.Equal(t, []Reason{{"not done", map[string]string{"step": "oil-feed", "note": "no lamp here"}}}, v.Findings)
	r.requireAt("lips", 0)
	r.do(Command{Do: Confirm})
	r.press("caliper-1", "10.20")
	r.press("caliper-1", "10.20")
	r.requireAt("oil-feed", 0)
	assert.Equal(t, "steps open", r.refused(Command{Do: End}))
	r.do(Command{Do: Confirm})
	assert.Empty(t, r.step("oil-feed").Findings)
	r.requireAt("", 0)
	assert.Equal(t, "no step", r.refused(Command{Do: Confirm}))
	// Going back opens it again, and nothing is confirmed until it is said anew.
	r.do(Command{Do: Next, Step: "oil-feed"})
	assert.Nil(t, r.step("oil-feed").Confirmed)
	r.do(Command{Do: Confirm})
	r.do(Command{Do: End})
}

func TestMistakesInStepsOfAKind(t *testing.T) {
	spoil := func(replace, with string) string { return strings.Replace(handOver, replace, with, 1) }
	for _, c := range []struct{ plan, want string }{
		{spoil(`kind = "confirm"`, `kind = "polish"`), `p.toml:5:8: `},
		{spoil(`do = "Look`, "range = [\"1\", \"2\"]\ndo = \"Look"), `p.toml:8:1: "range" does not belong to step "oil-feed" of the kind "confirm"; remove it, or correct the kind`},
		{spoil(`instrument = "caliper"`, ``), `p.toml:15:1: [[step]] lacks "instrument"; add instrument = "caliper"`},
		{spoil(`range = ["10.00", "10.50"]`, ``), `p.toml:15:1: [[step]] lacks "range"; add range = ["44.20", "44.60"]`},
		{handOver + "[[bar]]\nname = \"b\"\nstep = \"lips\"\n", `p.toml:22:1: step "lips" is of the kind "confirm" and has no value; name a step that is measured`},
		{handOver + "[[bearing]]\nname = \"b\"\nstep = \"lips\"\nheld = \"not held\"\n", `p.toml:22:1: step "lips" is of the kind "confirm" and has no value; `},
		{handOver + "[[chain]]\nname = \"c\"\ntitle = \"C\"\nleast = \"10\"\nmost = \"11\"\ncheck = \"lips\"\nterm = [{ step = \"oil-feed\", sign = \"+\" }]\n[[chain.side]]\nname = \"s\"\nmost = 1\n", `p.toml:25:1: step "lips" is of the kind "confirm"`},
		{handOver + "[[chain]]\nname = \"c\"\ntitle = \"C\"\nleast = \"10\"\nmost = \"11\"\nterm = [{ step = \"oil-feed\", sign = \"+\" }]\n[[chain.side]]\nname = \"s\"\nmost = 1\n", `p.toml:25:11: step "oil-feed" is of the kind "confirm"`},
	} {
		_, err := ReadPlan("p.toml", []byte(c.plan))
		assert.ErrorContains(t, err, c.want)
	}
}

func TestEntriesOfKindsKeepTheirText(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 1, 2, 34000, time.UTC)
	for _, body := range []Body{
		Confirmed{"s", 0, NotDone, "no lamp"}, WaitStarted{"s", at, nil}, Waited{Step: "s", CutShort: true, Left: 12, Shown: plain("31.5"), Note: "cool"}, Chose{"crank", "old", "no other"}, Replaced{"crank", "new"}, Reopened{"3", "a gasket leaks"},
	} {
		e := Entry{Seq: 7, Run: 2, At: at, Mono: 5, Job: "12", Operator: "mo", Door: FromPage, Body: body}
		text, err := e.Encode()
		require.NoError(t, err)
		again, err := DecodeEntry(text)
		require.NoError(t, err, string(text))
		assert.Equal(t, e, again)
	}
}
