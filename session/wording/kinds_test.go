package wording_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"shimwright/session"
	"shimwright/session/wording"
)

func TestAStepThatIsConfirmed(t *testing.T) {
	s := session.StepView{
		Name: "oil-feed", Title: "Oil feed open", Kind: session.ConfirmStep, Number: 1, Of: 3, Active: true, Do: "look through the feed",
		Where: "lamp behind the bore", Cautions: []string{"no flame", "eye protection on"}, Places: []session.PlaceView{{Active: true}},
	}
	assert.Equal(t, "Step 1 of 3: Oil feed open. Say when it is done, or that it is not done or not applicable and why. "+
		"Look through the feed. Lamp behind the bore. Caution: No flame. Caution: Eye protection on.", wording.Step(s))
	assert.Equal(t, "now", wording.State(s))
	s.Active = false
	assert.Equal(t, "not begun", wording.Progress(s))
	assert.Equal(t, "not begun", wording.State(s))
	s.Confirmed = &session.ConfirmedView{Outcome: session.NotDone, Note: "no lamp"}
	assert.Equal(t, "not done: no lamp", wording.State(s))
	s.Confirmed = &session.ConfirmedView{Outcome: session.Done}
	assert.Equal(t, "done", wording.Progress(s))
	assert.Equal(t, "oil-feed is not done (no lamp); do it before the engine is handed over",
		wording.Finding(session.Reason{Code: "not done", Params: map[string]string{"step": "oil-feed", "note": "no lamp"}}))
}

func TestTheStateOfAStepThatIsMeasured(t *testing.T) {
	value, all := num(t, "10.20"), num(t, "10.25")
	for want, s := range map[string]session.StepView{
		"closed":                            {Closed: true},
		"closed, not settled":               {Closed: true, Unsettled: true},
		"open":                              {Value: &value},
		"now; 10.25 with those left out":    {Active: true, Value: &value, WithAll: &all},
		"closed; 10.25 with those left out": {Closed: true, Value: &value, WithAll: &all},
		"not begun":                         {},
	} {
		assert.Equal(t, want, wording.State(s))
	}
}
