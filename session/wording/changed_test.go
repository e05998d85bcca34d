package wording_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"shimwright/session"
	"shimwright/session/wording"
)

func TestChanged(t *testing.T) {
	a := session.Advice{Gap: ptr(t, "0.52"), Best: &session.Fit{Outcome: "not shown"}}
	assert.Empty(t, wording.English.Changed(a))
	a.Changed = &session.ChangeView{Gap: num(t, "0.50"), By: num(t, "0.02"), Outcome: "shown inside", Refit: true,
		Packs:   []session.Pack{{Side: "pump side", Pieces: []session.Number{num(t, "0.30")}}},
		Because: []session.Reason{{Code: "new part", Params: map[string]string{"part": "crank", "note": "scored"}}, {Code: "step measured", Params: map[string]string{"step": "crank-width"}}}}
	assert.Equal(t, "Since the last advice that was final the gap has grown by 0.02 mm, from 0.50 mm; other shims are best now, where it was 0.30 mm on the pump side; it was shown inside. "+
		"Because: crank was replaced (scored); crank-width was measured.", wording.English.Changed(a))
	a.Changed = &session.ChangeView{Gap: num(t, "0.54"), By: num(t, "-0.02"), Outcome: "not shown"}
	assert.Equal(t, "Since the last advice that was final the gap has shrunk by 0.02 mm, from 0.54 mm; the same shims are best.", wording.English.Changed(a))
	a.NoShims, a.Changed.By = true, num(t, "0")
	assert.Equal(t, "Since the last advice that was final the sum has not changed.", wording.English.Changed(a))
}

func TestWhyAnAdviceChanged(t *testing.T) {
	p := map[string]string{"reading": "33", "reason": "burr", "candidate": "spare", "choice": "crank", "of": "shop", "celsius": "23", "instrument": "caliper-1", "chain": "float"}
	assert.Equal(t, "it was of the crank that was replaced (scored)", wording.English.Reason(session.Reason{Code: "part replaced", Params: map[string]string{"part": "crank", "note": "scored"}}))
	for code, want := range map[string]string{
		"reading struck out": "reading 33 was struck out (burr)", "reading restored": "reading 33 counts again", "candidate chosen": "spare was chosen as the crank",
		"temperature noted": "the temperature of shop was noted, 23 degrees", "instrument checked": "caliper-1 was checked", "packs said": "it was said what is fitted for float",
	} {
		assert.Equal(t, want, wording.English.Reason(session.Reason{Code: code, Params: p}))
	}
}
