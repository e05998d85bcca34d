package wording_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

// known is advice with its uncertainty.
func known(t *testing.T, outcome string, inside, tight, loose float64) session.Advice {
	a := advice(t)
	a.Uncertainty = "evaluated"
	a.Budget = &session.BudgetView{Expanded: num(t, "0.041")}
	a.Best.Outcome, a.Best.Expanded = outcome, ptr(t, "0.042")
	a.Best.Chance = &session.Chance{Inside: inside, TooTight: tight, TooLoose: loose}
	return a
}

// TestTheSentenceInEveryBranch looks at what each situation adds to the advice.
func TestTheSentenceInEveryBranch(t *testing.T) {
	all, err := wording.Load()
	require.NoError(t, err)
	var golden strings.Builder
	written := map[string]bool{}
	next := session.NextAct{Act: session.Reason{Code: "zero check", Params: map[string]string{"instrument": "depth-1", "use": "depth"}}, Minutes: 1, Expanded: num(t, "0.021"), Outcome: "shown inside", AtBest: "shown inside"}
	for _, c := range []struct {
		name   string
		change func(*session.Advice)
		want   string
	}{
		{"shown inside", func(a *session.Advice) {}, "Expect an end float of 0.145 +/- 0.042 mm cold. It is shown inside the window 0.08 to 0.20 mm: the risk that it is outside is about 1 in 50. The gap is 0.695 +/- 0.041 mm."},
		{"not shown", func(a *session.Advice) { *a = known(t, "not shown", 0.8, 0.15, 0.05) }, "It is the best fit, but not shown inside the window 0.08 to 0.20 mm: the risk that it is outside is about 1 in 5, most likely too tight."},
		{"not shown, either way", func(a *session.Advice) { *a = known(t, "not shown", 0.9, 0.05, 0.05) }, "about 1 in 10, too tight or too loose alike."},
		{"not shown, loose", func(a *session.Advice) { *a = known(t, "not shown", 0.9, 0.01, 0.09) }, "most likely too loose."},
		{"shown outside", func(a *session.Advice) { *a = known(t, "shown outside", 0.01, 0, 0.99) }, "It is shown outside the window 0.08 to 0.20 mm: the chance that it is inside all the same is about 1 in 100."},
		{"measurement", func(a *session.Advice) {
			*a = known(t, "not shown", 0.8, 0.1, 0.1)
			a.Limits, a.Next = []string{"measurement"}, []session.NextAct{next}
		}, "The measurement limits it: no other shim helps. To know better: check the zero of depth-1 (depth) (about 1 minute), which would bring it to +/- 0.021 mm and show it inside, if the value stays."},
		{"stock, thicker", func(a *session.Advice) {
			*a = known(t, "not shown", 0.8, 0.1, 0.1)
			a.Limits, a.Change = []string{"stock"}, ptr(t, "0.03")
		}, "The stock limits it, not the measurement: a total thicker by 0.03 mm would hit the aim."},
		{"stock, thinner", func(a *session.Advice) {
			*a = known(t, "not shown", 0.8, 0.1, 0.1)
			a.Limits, a.Change = []string{"stock"}, ptr(t, "-0.03")
		}, "a total thinner by 0.03 mm would hit the aim."},
		{"both", func(a *session.Advice) {
			*a = known(t, "not shown", 0.8, 0.1, 0.1)
			a.Limits = []string{"stock", "measurement"}
		}, "Both the stock and the measurement limit it."},
		{"an act that only could show it", func(a *session.Advice) {
			*a = known(t, "not shown", 0.8, 0.1, 0.1)
			n := next
			n.Outcome, n.Act.Code = "not shown", "block check"
			a.Next = []session.NextAct{n}
		}, "check depth-1 (depth) on a gauge block near the length (about 1 minute), which would bring it to +/- 0.021 mm; with the right shims that could be shown inside."},
		{"an act that cannot", func(a *session.Advice) {
			*a = known(t, "not shown", 0.8, 0.1, 0.1)
			a.Next = []session.NextAct{{Act: session.Reason{Code: "trial build"}, Minutes: 40, Expanded: num(t, "0.1"), Outcome: "not shown", AtBest: "not shown"}}
		}, "build it on trial with a known pack and measure the float with a dial indicator (about 40 minutes), which would bring it to +/- 0.1 mm; even that would not show it inside."},
		{"crush and play", func(a *session.Advice) {
			a.Barred = []session.Reason{{Code: "crush not stated", Params: map[string]string{"term": "gasket"}}, {Code: "play not stated", Params: map[string]string{"bearing": "pump-bearing"}}}
		}, "It cannot be shown inside, because the plan does not say by how much gasket gives way under the screws and the plan does not state the axial play of pump-bearing."},
		{"unsettled", func(a *session.Advice) {
			a.Barred = []session.Reason{{Code: "step unsettled", Params: map[string]string{"step": "pump-depth"}}}
		}, "because the repeats of pump-depth do not agree."},
		{"limit not stated", func(a *session.Advice) {
			a.Barred = []session.Reason{{Code: "limit not stated", Params: map[string]string{"instrument": "depth-1", "use": "depth"}}}
		}, "because the profile of depth-1 states no permissible error for its use depth."},
		{"check gap agrees", func(a *session.Advice) {
			a.Evidence = []session.EvidenceView{{Way: "check gap", Compared: true, Agrees: true, En: 0.42, Gap: num(t, "0.7"), Chain: num(t, "0.69"), Found: num(t, "0.35"), Fitted: num(t, "0.35"), Packs: firstPack(t, "0.35")}}
			a.CheckFound = &a.Evidence[0].Found
		}, "The check gap agrees with the chain (E_n 0.42), and both are combined."},
		{"check gap at odds", func(a *session.Advice) {
			a.Evidence = []session.EvidenceView{{Way: "check gap", Compared: true, En: -1.84, Gap: num(t, "0.9"), Chain: num(t, "0.69")}}
		}, "The check gap alone is taken, and one of the two is wrong."},
		{"blades", func(a *session.Advice) { a.Best.Passes, a.Best.Stops = ptr(t, "0.30"), ptr(t, "0.40") }, "find a check gap of 0.345 mm: a feeler of 0.30 mm should pass and one of 0.40 should not."},
		{"a blade that stops", func(a *session.Advice) { a.Best.Stops = ptr(t, "0.40") }, "0.345 mm: a feeler of 0.40 mm should not pass."},
		{"a blade that passes", func(a *session.Advice) { a.Best.Passes = ptr(t, "0.30") }, "0.345 mm: a feeler of 0.30 mm should pass."},
		{"check gap beside a chain that lacks an input", func(a *session.Advice) {
			a.Evidence = []session.EvidenceView{{Way: "check gap", Weight: 1, Gap: num(t, "0.9")}}
		}, "The check gap alone is taken, since the chain lacks an input."},
		{"what was found, with what", func(a *session.Advice) {
			a.Evidence = []session.EvidenceView{{Way: "check gap", Compared: true, Agrees: true, Found: num(t, "0.275"), Fitted: num(t, "0.25"), Chain: num(t, "0.55"), Expected: num(t, "0.30"), Packs: firstPack(t, "0.25")}}
			a.CheckFound = &a.Evidence[0].Found
		}, "With 0.25 mm on the pump side a check gap of 0.275 mm was found, where 0.30 mm was expected."},
		{"a trial build", func(a *session.Advice) {
			a.Evidence = []session.EvidenceView{{Way: "trial build", Compared: true, Agrees: true, En: 0.2, Found: num(t, "0.275"), Fitted: num(t, "0.25"), Play: ptr(t, "0.04"), Chain: num(t, "0.50"), Expected: num(t, "0.29"), Packs: firstPack(t, "0.25")}}
		}, "The trial build with 0.25 mm on the pump side showed 0.275 mm of float, 0.04 mm of it play of the bearings, where 0.29 mm was expected. The trial build agrees with the chain (E_n 0.20), and both are combined. Change the packs, say so (fitted), and measure the float again."},
		{"a trial build whose packs stay", func(a *session.Advice) {
			a.Keep, a.Evidence = true, []session.EvidenceView{{Way: "trial build", Found: num(t, "0.275"), Packs: firstPack(t, "0.25")}}
		}, "Keep what is in: 0.25 + 0.10 mm on the pump side"},
		{"what a dial will show", func(a *session.Advice) { a.DialShows, a.DialExpanded = ptr(t, "0.185"), ptr(t, "0.05") }, "A dial indicator, the shaft pushed and pulled, should then show 0.18 +/- 0.05 mm, the play of the bearings included."},
		{"a second measurement where the chain lacks an input", func(a *session.Advice) { a.Evidence = []session.EvidenceView{{Way: "trial build", Weight: 0.86}} }, "The trial build is combined with the measurement before it; the chain lacks an input."},
		{"what is taken off", func(a *session.Advice) {
			a.Corrections = []session.Correction{{Code: "crush", OnGap: num(t, "-0.007")}, {Code: "bearing play", OnGap: num(t, "-0.02")}, {Code: "bearing play", OnGap: num(t, "-0.02")}}
		}, "The dimensions give 0.047 mm less than as read, for the crush of the gasket and the play of the bearings."},
		{"what is added", func(a *session.Advice) {
			a.Corrections = []session.Correction{{Code: "temperature", OnGap: num(t, "0.012")}, {Code: "instrument error", OnGap: num(t, "0.001")}}
		}, "The dimensions give 0.013 mm more than as read, for the temperatures and the errors of the instruments."},
		{"nothing that shows is taken off", func(a *session.Advice) {
			a.Corrections = []session.Correction{{Code: "temperature", OnGap: num(t, "0.0001")}}
		}, "The gap is 0.695 +/- 0.041 mm. With only"},
		{"centred", func(a *session.Advice) { a.OffCentre = ptr(t, "0.0001") }, "By the dimensions as read the rod then sits on the cylinder's axis."},
		{"off centre", func(a *session.Advice) { a.OffCentre = ptr(t, "-0.015") }, "By the dimensions as read the rod then sits 0.015 mm off the cylinder's axis, towards the pump side."},
		{"off centre the other way", func(a *session.Advice) { a.OffCentre = ptr(t, "0.015") }, "away from the pump side."},
		{"built inside", func(a *session.Advice) {
			a.Built = &session.BuiltView{Outcome: "shown inside", Float: num(t, "0.14"), Expanded: num(t, "0.02"), Chance: session.Chance{Inside: 0.999}, Found: num(t, "0.18"), Play: ptr(t, "0.04"), Packs: firstPack(t, "0.25"), Expected: num(t, "0.145"), ExpectedU: num(t, "0.042"), Compared: true, Agrees: true, En: -0.11}
		}, "The built engine has an end float of 0.14 +/- 0.02 mm. It is shown inside the window 0.08 to 0.20 mm: the risk that it is outside is about 1 in 1000."},
		{"built as expected", func(a *session.Advice) {
			a.Built = &session.BuiltView{Outcome: "shown inside", Found: num(t, "0.18"), Play: ptr(t, "0.04"), Packs: firstPack(t, "0.25"), Expected: num(t, "0.145"), ExpectedU: num(t, "0.042"), Compared: true, Agrees: true, En: -0.11}
		}, "It was built with 0.25 mm on the pump side; the float was read as 0.18 mm, 0.04 mm of it play of the bearings. From what was measured before, 0.145 +/- 0.042 mm was to be expected, and the two agree (E_n -0.11)."},
		{"built too loose", func(a *session.Advice) {
			a.Built = &session.BuiltView{Outcome: "shown outside", Float: num(t, "0.30"), Expanded: num(t, "0.02"), Change: ptr(t, "0.14")}
		}, "It is shown outside the window 0.08 to 0.20 mm: take it apart again. Packs thicker by 0.14 mm in all would hit the aim of 0.14 mm."},
		{"built, not shown", func(a *session.Advice) {
			a.Built = &session.BuiltView{Outcome: "not shown", Float: num(t, "0.09"), Expanded: num(t, "0.02"), Change: ptr(t, "-0.05"), Chance: session.Chance{Inside: 0.8, TooTight: 0.2}}
		}, "That is not shown inside the window 0.08 to 0.20 mm: the risk that it is outside is about 1 in 5, most likely too tight. Packs thinner by 0.05 mm in all would hit the aim of 0.14 mm."},
		{"warm", func(a *session.Advice) { a.WarmFloat, a.WarmExpanded = ptr(t, "0.18"), ptr(t, "0.05") }, "At running temperature the float is about 0.18 +/- 0.05 mm."},
		{"warm and clamped", func(a *session.Advice) { a.WarmFloat = ptr(t, "-0.02") }, "At running temperature the float is about -0.02 mm: below zero the shaft is clamped."},
		{"no stock", func(a *session.Advice) { a.Best = nil }, "no combination in the stock fits."},
		{"places that differ", func(a *session.Advice) {
			a.Findings = []session.Reason{{Code: "places differ", Params: map[string]string{"step": "pump-depth", "places": "a, b", "by": "0.08", "allowed": "0.05"}}}
		}, "the places differ by 0.08 mm, and 0.05 mm is allowed"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := known(t, "shown inside", 0.98, 0.01, 0.01)
			c.change(&a)
			assert.Contains(t, strings.ToLower(wording.English.Advice(a)), strings.ToLower(c.want))
			golden.WriteString("# " + c.name + "\n\n")
			for _, l := range []*wording.Language{wording.English, all["de"]} {
				for _, text := range strings.SplitAfter(l.Advice(a), ". ") {
					if !written[text] {
						golden.WriteString(strings.TrimSpace(text) + "\n")
					}
					written[text] = true
				}
				golden.WriteString("\n")
			}
		})
	}
	wording.Golden(t, "branches.txt", golden.String()) // what each branch says that those before did not
}

func firstPack(t *testing.T, total string) []session.Pack {
	return []session.Pack{{Side: "pump side", Pieces: []session.Number{num(t, total)}, Total: num(t, total)}}
}

func TestOdds(t *testing.T) {
	for p, want := range map[float64]string{
		0: "under 1 in 1000", 0.0005: "under 1 in 1000", 0.002: "about 1 in 500", 0.011: "about 1 in 90", 0.0345: "about 1 in 30", 0.05: "about 1 in 20",
		0.1037: "about 1 in 10", 0.19: "about 1 in 5", 0.21: "about 2 in 10", 0.5: "about 5 in 10", 0.86: "about 9 in 10", 0.97: "about 97 in 100", 0.9995: "over 99 in 100", 0.996: "over 99 in 100",
	} {
		assert.Equal(t, want, wording.English.Odds(p), "%v", p)
	}
}

func TestAPartThatIsWarm(t *testing.T) {
	r := session.Reason{Code: "part warm", Params: map[string]string{"part": "pump-half", "celsius": "52.0", "shop": "20", "limit": "8", "wait_minutes": "30"}}
	assert.Equal(t, "pump-half is at 52.0 degrees and the shop at 20; wait about 30 minutes, note its temperature anew, then measure", wording.English.Reason(r))
}

func TestCorrection(t *testing.T) {
	for code, want := range map[string]string{
		"instrument error": "error of the instrument at x", "temperature": "expansion of x", "crush": "crush of x",
		"bearing play": "half the bearing play in x", "moonshine": "moonshine of x",
	} {
		assert.Equal(t, want, wording.English.Correction(session.Correction{Code: code, Term: "x"}))
	}
}
