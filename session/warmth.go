package session

import (
	"cmp"
	"math"
	"strings"

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
	if taken.Why == nil || !strings.HasPrefix(taken.Why.Code, "noted") {
		return
	}
	j := t.state.job
	in := t.state.instrument(taken.Instrument)
	if in == nil {
		return
	}
	u := math.Max(in.profile.Spread().InexactFloat64(), in.profile.Count().InexactFloat64()/math.Sqrt(12))
	celsius, known := trueCelsius(&in.profile, taken.Value, u)
	t.add(TemperatureTaken{Of: j.plan.Steps[j.step].Part, Celsius: celsius, U: known, Reading: t.state.seq})
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
	value, u := trueCelsius(j.instrumentOf(step), Num(j.steps[step].reduction.Value.RoundBank(warmthPlaces)), spread.U)
	t.add(TemperatureTaken{Of: cmp.Or(s.Part, Shop), Celsius: worked(value.Decimal), U: u, Step: s.Name})
}

// usualReachCel is how far from its temperature a certificate of a thermometer speaks
// (assumed).
const usualReachCel = "15"

// trueCelsius is what an indication means, and its standard uncertainty, rounded up: near
// a temperature of its certificate the error found there is taken off and its U/k counts;
// else the permissible error counts, taken as rectangular. scatter is that of the repeats.
func trueCelsius(p *Profile, shown Number, scatter float64) (Number, Number) {
	off, u := decimal.Zero, 0.0
	switch c := nearestCel(p, shown); {
	case c != nil:
		off = c.Error.Decimal
		u = c.Expanded.InexactFloat64() / cmp.Or(c.Factor, plain("2")).InexactFloat64()
	case p != nil && p.Limit(shown) != nil:
		u = p.Limit(shown).InexactFloat64() / math.Sqrt(3)
	}
	return Num(shown.Sub(off)), Num(decimal.NewFromFloat(math.Hypot(scatter, u)).RoundCeil(warmthPlaces))
}

// nearestCel is the line of a certificate that speaks for a temperature; nil if none does.
func nearestCel(p *Profile, at Number) *CertificateCel {
	var nearest *CertificateCel
	if p == nil {
		return nil
	}
	for i := range p.CertificatesCel {
		c := &p.CertificatesCel[i]
		away := c.At.Sub(at.Decimal).Abs()
		if away.GreaterThan(cmp.Or(c.Reach, plain(usualReachCel)).Decimal) {
			continue
		}
		if nearest == nil || away.LessThan(nearest.At.Sub(at.Decimal).Abs()) {
			nearest = c
		}
	}
	return nearest
}
