package session

import (
	"cmp"
	"math"

	"github.com/shopspring/decimal"
)

// warmthPlaces is how many decimals a temperature and its uncertainty get here.
const warmthPlaces = 3

// isTemperature tells whether a number can be that of a part in °C.
func isTemperature(n Number) bool {
	return !n.LessThan(minCelsius) && !n.GreaterThan(maxCelsius)
}

// noteTemperature takes a reading of a thermometer that came while the step's part was
// too warm to measure as the temperature of that part.
func (t *turn) noteTemperature(taken ReadingTaken) {
	if taken.Why == nil || taken.Why.Code != "noted as temperature" && taken.Why.Code != "noted meanwhile" {
		return
	}
	j := t.state.job
	in := t.state.instrument(taken.Instrument)
	if in == nil {
		return
	}
	u := math.Max(in.profile.Spread().InexactFloat64(), in.profile.Count().InexactFloat64()/math.Sqrt(12))
	t.add(TemperatureTaken{
		Of: j.plan.Steps[j.step].Part, Celsius: taken.Value, U: warmthU(&in.profile, taken.Value, u), Reading: t.state.seq,
	})
}

// closeWarmth notes what a step with a thermometer found once it closes.
func (t *turn) closeWarmth(step int) {
	j := t.state.job
	s := &j.plan.Steps[step]
	if s.Instrument != Thermometer || j.steps[step].reduction == nil || t.err != nil {
		return
	}
	rule, err := j.reduceRule(step)
	if err != nil {
		t.err = err
		return
	}
	spread, err := j.method.MeanUncertainty(*j.steps[step].reduction, j.scatter(step), j.freedom(step), rule)
	if err != nil {
		t.err = err
		return
	}
	value := Num(j.steps[step].reduction.Value.RoundBank(warmthPlaces))
	u := warmthU(j.instrumentOf(step), value, spread.U)
	t.add(TemperatureTaken{Of: cmp.Or(s.Part, Shop), Celsius: worked(value.Decimal), U: u, Step: s.Name})
}

// warmthU joins the scatter of a temperature with the limit of its thermometer, which is
// taken as rectangular, and rounds up.
func warmthU(p *Profile, at Number, scatter float64) Number {
	limit := 0.0
	if p != nil {
		if a := p.Limit(at); a != nil {
			limit = a.InexactFloat64() / math.Sqrt(3)
		}
	}
	return Num(decimal.NewFromFloat(math.Hypot(scatter, limit)).RoundCeil(warmthPlaces))
}
