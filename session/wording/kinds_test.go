package wording_test

import (
	"testing"
	"time"

	"github.com/shopspring/decimal"
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
		"Look through the feed. Lamp behind the bore. Caution: No flame. Caution: Eye protection on.", wording.English.Step(s))
	assert.Equal(t, "now", wording.English.State(s))
	s.Active = false
	assert.Equal(t, "not begun", wording.English.Progress(s))
	assert.Equal(t, "not begun", wording.English.State(s))
	s.Confirmed = &session.ConfirmedView{Outcome: session.NotDone, Note: "no lamp"}
	assert.Equal(t, "not done: no lamp", wording.English.State(s))
	s.Confirmed = &session.ConfirmedView{Outcome: session.Done}
	assert.Equal(t, "done", wording.English.Progress(s))
	assert.Equal(t, "noted: case is at 80 degrees", wording.English.Reason(session.Reason{Code: "noted meanwhile", Params: map[string]string{"part": "case", "celsius": "80"}}))
	assert.Equal(t, "oil-feed is not done (no lamp); do it before the engine is handed over",
		wording.English.Finding(session.Reason{Code: "not done", Params: map[string]string{"step": "oil-feed", "note": "no lamp"}}))
}

func TestTheStateOfAStepThatIsMeasured(t *testing.T) {
	value, all := num(t, "10.20"), num(t, "10.25")
	for want, s := range map[string]session.StepView{
		"closed":              {Closed: true},
		"closed, not settled": {Closed: true, Unsettled: true},
		"not needed: old is not the one that is kept": {Closed: true, Skipped: &session.Reason{Code: "not chosen", Params: map[string]string{"candidate": "old"}}},
		"open":                              {Value: &value},
		"now; 10.25 with those left out":    {Active: true, Value: &value, WithAll: &all},
		"closed; 10.25 with those left out": {Closed: true, Value: &value, WithAll: &all},
		"not begun":                         {},
	} {
		assert.Equal(t, want, wording.English.State(s))
	}
}

func TestAWait(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 30, 0, time.UTC)
	due := at.Add(90 * time.Second)
	hot, most := num(t, "95"), num(t, "120")
	s := session.StepView{
		Title: "Heat the pump half", Kind: session.WaitStep, Number: 1, Of: 3, Active: true, Wait: &session.WaitView{Seconds: 90},
		Heat: &session.HeatView{Celsius: &hot, Most: &most}, Cautions: []string{"hot metal"}, Places: []session.PlaceView{{Active: true}},
	}
	assert.Equal(t, "Step 1 of 3: Heat the pump half. Wait 1 min 30 s; start the time with next. To 95 degrees; not above 120 degrees. Caution: Hot metal.", wording.English.Step(s))
	s.Wait.Started, s.Wait.Due = &at, &due
	assert.Equal(t, "waits 1 min 30 s, until 08:02:00 UTC; then go on with next", wording.English.State(s))
	s.Closed = true
	assert.Equal(t, "waited 1 min 30 s", wording.English.State(s))
	s.Wait.CutShort, s.Wait.Left, s.Wait.Note = true, 61, "it was warm"
	assert.Equal(t, "cut short with 1 min 1 s left: it was warm", wording.English.Progress(s))
	assert.Equal(t, "not begun", wording.English.State(session.StepView{Wait: &session.WaitView{Seconds: 20}}))
	assert.Equal(t, "50 s", wording.English.Span(50))
	assert.Equal(t, "20 min", wording.English.Span(1200))
	assert.Equal(t, "not above 120 degrees", wording.English.Heat(&session.HeatView{Most: &most}))
	assert.Equal(t, "to 95 degrees", wording.English.Heat(&session.HeatView{Celsius: &hot}))
	assert.Empty(t, wording.English.Heat(&session.HeatView{})+wording.English.Heat(nil))
}

func TestWhatAStepRestsOn(t *testing.T) {
	assert.Empty(t, wording.English.Beside(session.StepView{Measure: "Width"}))
	hot, most := session.Num(decimal.New(74, 0)), session.Num(decimal.New(120, 0))
	s := session.StepView{Heat: &session.HeatView{Part: "Pump half", Celsius: &hot, Most: &most, MostOf: "seal"}}
	assert.Equal(t, "Heat the pump half to 74 degrees; not above 120 degrees (seal).", wording.English.Beside(s))
	s = session.StepView{Packs: []session.Pack{{Side: "pump side", Pieces: []session.Number{session.Num(decimal.New(16, -2))}}}}
	assert.Equal(t, "This counts as measured with 0.16 mm on the pump side; if other shims are in, say so first (fitted).", wording.English.Beside(s))
}
