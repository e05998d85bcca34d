package wording_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"shimwright/session"
	"shimwright/session/wording"
)

func TestScrewsToPull(t *testing.T) {
	pull := func(screw string, pass int) *session.PullView {
		return &session.PullView{Screw: screw, Pass: pass, Target: num(t, "9"), Least: num(t, "8.5"), Most: num(t, "9.5")}
	}
	s := session.StepView{
		Title: "Screws", Kind: session.TorqueStep, Number: 1, Of: 1, Active: true, Instrument: session.TorqueWrench,
		Screws: &session.TorqueView{Screws: []session.ScrewView{{Name: "a", At: "by the cylinder"}, {Name: "b"}}, Passes: []session.Number{num(t, "5"), num(t, "9")}, Tolerance: num(t, "0.5")},
		Places: []session.PlaceView{{Closed: true, Pull: pull("a", 1)}, {Closed: true, Pull: pull("b", 1)}, {Active: true, Pull: pull("a", 2)}, {Pull: pull("b", 2)}},
	}
	assert.Equal(t, "Step 1 of 1: Screws. Pass 2 of 2, pull a, by the cylinder, to 9 N\u00b7m (8.5 to 9.5); 2 of 4 done. With a torque wrench.", wording.English.Step(s))
	s.Places[2].Active, s.Active = false, false
	assert.Equal(t, "2 of 4 pulls done", wording.English.State(s))
	s.Closed = true
	assert.Equal(t, "all pulled, 2 screws", wording.English.State(s))
	s = session.StepView{Screws: &session.TorqueView{Passes: []session.Number{num(t, "9")}}, Places: []session.PlaceView{{Pull: pull("a", 1)}}}
	assert.Equal(t, "not begun", wording.English.Progress(s))
	s.Places[0].Active = true
	assert.Equal(t, "pull a to 9 N\u00b7m (8.5 to 9.5); 0 of 1 done", wording.English.Progress(s))
}

func TestScrew(t *testing.T) {
	k := num(t, "0.2")
	assert.Equal(t, "M6 x 45, class 8.8, by the cylinder; about 7500 N with K = 0.2 assumed, 64.3 % of its proof load",
		wording.English.Screw(session.ScrewView{Size: "M6", Length: ptr(t, "45"), Class: "8.8", At: "by the cylinder", Preload: 7500, Proof: 64.3}, &k))
	for by, text := range map[string]string{"certificate": "11.8 ± 0.3 N·m by the wrench's certificate", "usual error": "11.8 ± 0.3 N·m, the usual error of a wrench", "permissible error": "11.8 ± 0.3 N·m, the wrench's permissible error"} {
		left := &session.Left{Torque: num(t, "11.8"), Within: num(t, "0.3"), By: by}
		assert.Equal(t, "M6; left with "+text, wording.English.Screw(session.ScrewView{Size: "M6", Left: left}, nil))
		assert.Equal(t, "left with "+text, wording.English.Screw(session.ScrewView{Left: left}, nil))
	}
	assert.Equal(t, "45", wording.English.Screw(session.ScrewView{Length: ptr(t, "45")}, nil))
	assert.Equal(t, "by the cylinder", wording.English.Screw(session.ScrewView{At: "by the cylinder"}, nil))
	assert.Equal(t, "M8x1; about 5620 N with K = 0.2 assumed", wording.English.Screw(session.ScrewView{Size: "M8x1", Preload: 5620}, &k))
}

func TestTorqueOutsideItsTolerance(t *testing.T) {
	p := map[string]string{"step": "case-screws", "screw": "c", "value": "6.4", "least": "4.5", "most": "5.5", "target": "5", "unit": "N.m", "then": "5.1", "note": "it holds"}
	assert.Equal(t, "screw c wants 5 N\u00b7m; pull it on and read again", wording.English.Reason(session.Reason{Code: "under torque", Params: p}))
	assert.Contains(t, wording.English.Reason(session.Reason{Code: "over torque", Params: p}), "screw c stands at most 5.5 N\u00b7m; slacken it")
	assert.Equal(t, "screw c of case-screws was pulled to 6.4 N\u00b7m, over 5.5 N\u00b7m; decide about it", wording.English.Finding(session.Reason{Code: "over torque", Params: p}))
	assert.Contains(t, wording.English.Finding(session.Reason{Code: "over torque, pulled anew", Params: p}), "before it was pulled to 5.1 N\u00b7m")
	assert.Contains(t, wording.English.Finding(session.Reason{Code: "over torque, accepted", Params: p}), "and accepted (it holds)")
}
