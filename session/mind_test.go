package session

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// collarOnly is a plan of two parts, a bar and a check gap.
const collarOnly = `plan = "collar"
title = "A collar"
[[part]]
name = "collar"
[[part]]
name = "case"
[[part]]
name = "lid"
[[step]]
name = "seat-depth"
title = "Seat"
part = "case"
instrument = "depth gauge"
range = ["10.20", "10.90"]
[[step]]
name = "collar-width"
title = "Collar"
part = "collar"
instrument = "caliper"
use = "outside"
range = ["10.00", "10.50"]
[[step]]
name = "check-gap"
title = "Check gap"
instrument = "feeler"
range = ["0.02", "1.00"]
[[chain]]
name = "float"
title = "Float"
least = "0.10"
most = "0.30"
check = "check-gap"
term = [{ step = "seat-depth", sign = "+" }, { step = "collar-width", sign = "-" }]
[[chain.side]]
name = "left side"
most = 1
[[chain.side]]
name = "right side"
most = 1
[[stock]]
thickness = "0.10"
count = 4
[[stock]]
thickness = "0.20"
count = 4
`

// measureCollar measures all but the check gap.
func measureCollar(r *rig, width string) {
	r.t.Helper()
	r.press("depth-1", "10.60")
	r.press("depth-1", "10.60")
	r.press("caliper-1", width)
	r.press("caliper-1", width)
}

// A new part brings the job back to the first of its steps, before anything is done with it.
func TestANewPartIsMeasuredBeforeTheJobGoesOn(t *testing.T) {
	r := newRig(t)
	beginText(r, ringInSeat)
	measureSeat(r, "52.005", "52.000")
	r.requireAt("heat", 0)
	r.do(Command{Do: Replace, Part: "ring", Note: "it was loose"})
	r.requireAt("ring-diameter", 0)
}

func TestAReplacedPartIsMeasuredAnew(t *testing.T) {
	r := newRig(t)
	beginText(r, collarOnly)
	measureCollar(r, "10.20")
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.25", Stops: "0.30"})
	r.requireAt("", 0)
	assert.Equal(t, "no such part", r.refused(Command{Do: Replace, Part: "lid", Note: "new"}))
	assert.Equal(t, "no such part", r.refused(Command{Do: Replace, Part: "bonnet", Note: "new"}))
	assert.Equal(t, "no note", r.refused(Command{Do: Replace, Part: "collar", Note: " "}))
	width := r.bench.Snapshot().Readings[2].Seq
	before := r.bench.Snapshot().Advice[0]
	r.do(Command{Do: Replace, Part: "collar", Note: "scored, the spare goes in"})
	r.requireAt("collar-width", 0)
	assert.True(t, r.step("seat-depth").Closed, "the others stay")
	assert.False(t, r.step("check-gap").Closed, "it was found with the old one in")
	v := r.reading(width)
	assert.Equal(t, StruckOut, v.Standing)
	assert.Equal(t, &Reason{"part replaced", map[string]string{"part": "collar", "note": "scored, the spare goes in"}}, v.Fell)
	assert.NotEqual(t, "", r.refused(Command{Do: Restore, Reading: width}))
	assert.Equal(t, Waiting, r.bench.Snapshot().Advice[0].State)

	r.press("caliper-1", "10.28")
	r.press("caliper-1", "10.28")
	r.requireAt("check-gap", 0)
	a := r.bench.Snapshot().Advice[0]
	require.NotNil(t, a.Changed)
	assert.Equal(t, *before.Gap, a.Changed.Gap)
	assert.True(t, a.Gap.Sub(before.Gap.Decimal).Equal(a.Changed.By.Decimal))
	assert.Equal(t, before.Best.Packs, a.Changed.Packs)
	var codes []string
	for _, why := range a.Changed.Because {
		codes = append(codes, why.Code)
	}
	assert.Equal(t, []string{"new part", "step measured"}, codes[len(codes)-2:])
}

func TestAnAdviceSaysWhatChanged(t *testing.T) {
	r := newRig(t)
	beginText(r, collarOnly)
	measureCollar(r, "10.20")
	a := r.bench.Snapshot().Advice[0]
	require.Equal(t, Final, a.State)
	assert.Nil(t, a.Changed, "it is the first")
	seqs := r.bench.Snapshot().Readings
	r.do(Command{Do: StrikeOut, Reading: seqs[3].Seq, Reason: "jaw on a burr"})
	r.do(Command{Do: Next, Step: "collar-width"})
	r.press("caliper-1", "10.22")
	r.press("caliper-1", "10.22")
	a = r.bench.Snapshot().Advice[0]
	require.Equal(t, Final, a.State)
	require.NotNil(t, a.Changed)
	assert.True(t, a.Changed.By.IsNegative())
	assert.Equal(t, "reading struck out", a.Changed.Because[0].Code)
	assert.Equal(t, map[string]string{"reading": asJSON(t, seqs[3].Seq), "reason": "jaw on a burr"}, a.Changed.Because[0].Params)
	// What changes nothing is not told.
	entries := len(r.log.texts)
	r.do(Command{Do: Next, Step: "check-gap"})
	assert.Equal(t, 1, len(r.log.texts)-entries)
	assert.Equal(t, a, r.bench.Snapshot().Advice[0])
}

func TestTheLastJobIsOpenedAgain(t *testing.T) {
	r := newRig(t)
	assert.Equal(t, "not a job that ended", r.refused(Command{Do: Reopen, Job: "1", Note: "x"}))
	beginText(r, collarOnly)
	measureCollar(r, "10.20")
	assert.Equal(t, "job open", r.refused(Command{Do: Reopen, Job: "1", Note: "x"}))
	r.do(Command{Do: End, Note: "no feelers here"})
	assert.Equal(t, "not a job that ended", r.refused(Command{Do: Reopen, Job: "7", Note: "x"}))
	assert.Equal(t, "no note", r.refused(Command{Do: Reopen, Job: "1"}))
	r.start()
	receipt := r.do(Command{Do: Reopen, Job: "1", Note: "feelers came"})
	assert.Equal(t, "1", receipt.Job)
	assert.False(t, r.bench.Snapshot().Job.Ended)
	r.requireAt("check-gap", 0)
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.25", Stops: "0.30"})
	r.do(Command{Do: Fitting})
	r.do(Command{Do: End})
	r.do(Command{Do: Reopen, Note: "once more"})
	r.requireAt("", 0)
	r.do(Command{Do: End})
	beginText(r, strings.Replace(collarOnly, `plan = "collar"`, `plan = "next"`, 1))
	r.do(Command{Do: End, Note: "nothing to do"})
	r.do(Command{Do: Reopen, Job: "1", Note: "and again"})
	assert.Equal(t, "1", r.bench.Snapshot().Job.Number)
	require.NotNil(t, r.bench.Snapshot().Advice[0].CheckFound, "with all that was measured")
	r.do(Command{Do: End})
	r.start()
	for range closedKept + 1 {
		beginText(r, strings.Replace(collarOnly, `plan = "collar"`, `plan = "next"`, 1))
		r.do(Command{Do: End, Note: "nothing to do"})
	}
	assert.Equal(t, "not a job that ended", r.refused(Command{Do: Reopen, Job: "1", Note: "x"}), "too long ago")
	_, err := r.submit(Command{Do: Reopen, Job: "1", Note: "x"})
	assert.ErrorContains(t, err, "name one of 3, 4, 5, 6, 7, 8, or begin another for what is new")
}

func TestAReplacedPartDropsOnlyTheCandidateThatIsKept(t *testing.T) {
	r := newRig(t)
	plan := strings.Replace(twoCranks, "[[choice]]", "[[part]]\nname = \"crank\"\n[[choice]]", 1)
	beginText(r, strings.ReplaceAll(plan, "for = \"crank\"\ninstrument", "for = \"crank\"\npart = \"crank\"\ninstrument"))
	measureCrank(r, "old", "10.00", "0.060")
	measureCrank(r, "spare", "10.02", "0.020")
	r.do(Command{Do: Choose, Candidate: "spare"})
	r.do(Command{Do: Replace, Part: "crank", Note: "dropped"})
	assert.True(t, r.step("width-old").Closed)
	assert.False(t, r.step("width-spare").Closed)
	assert.Nil(t, r.step("width-spare").Value)
}
