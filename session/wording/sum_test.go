package wording_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"shimwright/session"
	"shimwright/session/wording"
)

// sum is an advice on a sum that takes no shims.
func sum(t *testing.T, outcome string, chance session.Chance) session.Advice {
	u := num(t, "0.009")
	return session.Advice{
		Chain: "pump-interference", Title: "Interference of the ring", NoShims: true, State: session.Final,
		Least: num(t, "0.020"), Most: num(t, "0.060"), Gap: ptr(t, "0.040"), Budget: &session.BudgetView{Expanded: u},
		Best: &session.Fit{Packs: []session.Pack{}, EndFloat: num(t, "0.040"), Expanded: &u, Outcome: outcome, Chance: &chance, Inside: true},
	}
}

func TestASumIsToldAsOne(t *testing.T) {
	a := sum(t, "shown inside", session.Chance{Inside: 0.999, TooTight: 0.0005, TooLoose: 0.0005})
	assert.Equal(t, "Interference of the ring: 0.040 +/- 0.009 mm. It is shown inside 0.020 to 0.060 mm: the risk that it is outside is about 1 in 1000.", wording.English.Headline(a))
	assert.Empty(t, wording.English.Why(a))
	assert.Equal(t, [][]string{{"sum, cold", "0.040 +/- 0.009 mm"}}, wording.English.FitRows(*a.Best))
	a.WarmFloat, a.State, a.Open = ptr(t, "0.010"), session.Provisional, []string{"seat"}
	assert.Equal(t, "This is provisional; still open: seat. At running temperature it is about 0.010 mm.", wording.English.Why(a))
	assert.Contains(t, wording.English.Headline(a), "Interference of the ring, so far: 0.040")
	for chance, way := range map[session.Chance]string{
		{Inside: 0.5, TooTight: 0.4, TooLoose: 0.1}: "most likely too small", {Inside: 0.5, TooTight: 0.1, TooLoose: 0.4}: "most likely too large",
		{Inside: 0.5, TooTight: 0.25, TooLoose: 0.25}: "too small or too large alike",
	} {
		assert.Contains(t, wording.English.Outcome(sum(t, "not shown", chance)), "It is not shown inside 0.020 to 0.060 mm: the risk that it is outside is about 5 in 10, "+way)
	}
	assert.Equal(t, "It is shown outside 0.020 to 0.060 mm: the chance that it is inside all the same is about 1 in 100.", wording.English.Outcome(sum(t, "shown outside", session.Chance{Inside: 0.01, TooLoose: 0.99})))
	a.Best = nil
	assert.Equal(t, "Interference of the ring: 0.040 +/- 0.009 mm.", wording.English.Headline(a))
}

func TestWhatASumIsCalled(t *testing.T) {
	assert.Equal(t, "sum", wording.English.Sum(session.Advice{NoShims: true}))
	assert.Equal(t, "end float", wording.English.Sum(session.Advice{}))
	below, above := wording.English.Sides(session.Advice{})
	assert.Equal(t, "too tight, too loose", below+", "+above)
	p := session.Prospect{Title: "Interference", NoShims: true, Outcome: "shown inside", Least: num(t, "0.02"), Most: num(t, "0.06"), Expanded: num(t, "0.01")}
	assert.Equal(t, "Interference: these instruments will know the sum to about +/- 0.01 mm. A sum in the middle of the window 0.02 to 0.06 mm can be shown inside.", wording.English.Prospect(p))
}

func TestSeat(t *testing.T) {
	v := session.SeatView{Name: "pump-seat", Title: "Ring into the pump half", Heated: "pump-half", HeatedTitle: "Pump half",
		Limits: []session.HeatLimit{{Name: "seal", Celsius: num(t, "110")}, {Name: "case", Celsius: num(t, "150")}}}
	assert.Equal(t, "Ring into the pump half: the interference is not known yet.", wording.English.Seat(v))
	v.Interference, v.Expanded, v.Above, v.Celsius = ptr(t, "0.040"), ptr(t, "0.009"), ptr(t, "58.6"), ptr(t, "79")
	assert.Equal(t, "Ring into the pump half: interference 0.040 +/- 0.009 mm. Heat the pump half to 79 degrees, 58.6 above the ring; not above 110 degrees (seal) and 150 degrees (case).", wording.English.Seat(v))
	v.Celsius, v.Provisional = nil, true
	v.Findings = []session.Reason{{Code: "too hot for", Params: map[string]string{"fit": "pump-seat", "needed": "125", "limit": "110", "name": "seal"}}}
	v.Assumed = []session.Reason{{Code: "ring assumed cold", Params: map[string]string{"celsius": "20"}}}
	assert.Equal(t, "Ring into the pump half: interference 0.040 +/- 0.009 mm. This is provisional. It would have to be 58.6 degrees above the ring, which is not advised: not above 110 degrees (seal) and 150 degrees (case). "+
		"Pump-seat would need 125 degrees, above the 110 that seal stands; cool the ring, or look at the parts. Assumed: the ring is at 20 degrees, since neither its temperature nor the shop's was noted.", wording.English.Seat(v))
	v.Above, v.Findings, v.Assumed, v.Provisional = ptr(t, "0"), nil, nil, false
	assert.Contains(t, wording.English.Seat(v), "The ring drops in cold: no heat is needed.")
	assert.Equal(t, "no temperature can be worked out for pump-seat (alpha); look at the plan", wording.English.Finding(session.Reason{Code: "cannot be heated", Params: map[string]string{"fit": "pump-seat", "why": "alpha"}}))
}

func TestHeatOfAFit(t *testing.T) {
	most := num(t, "110")
	h := session.HeatView{Fit: "pump-seat", Part: "Pump half", Most: &most, MostOf: "seal"}
	assert.Equal(t, "how hot is not known, or not advised; see the fit; not above 110 degrees (seal)", wording.English.Heat(&h))
	h.Celsius = ptr(t, "79")
	assert.Equal(t, "heat the pump half to 79 degrees; not above 110 degrees (seal)", wording.English.Heat(&h))
}
