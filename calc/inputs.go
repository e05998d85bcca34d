package calc

import (
	"slices"

	"github.com/shopspring/decimal"
)

// Squeezed is the thickness of a gasket under torque: thickness·(1 − fraction) in mm, with
// the cause by which the fraction, 0 to below 1, with its standard uncertainty u is not
// known. No fraction is built in; what nobody has stated belongs in Budget.Unstated. The
// error is a *FieldError.
func Squeezed(name string, thickness decimal.Decimal, fraction, u, freedom float64, shape Shape) (decimal.Decimal, Cause, error) {
	var l length
	if err := (number{"thickness", thickness, &l, 1, positive}).check(); err != nil {
		return decimal.Zero, Cause{}, err
	}
	if !(fraction >= 0 && fraction < 1) {
		return decimal.Zero, Cause{}, refuse("fraction", "is %v; it must be from 0 to below 1, as 0.15", fraction)
	}
	c := Cause{Name: name, U: u, Freedom: freedom, Shape: shape, Effects: []Effect{{Term: 0, By: -l.mm()}}}
	if err := c.check("", 1); err != nil {
		return decimal.Zero, Cause{}, err
	}
	left := decimal.NewFromInt(1).Sub(decimal.NewFromFloat(fraction).Round(lengthPlaces))
	return thickness.Mul(left).RoundBank(lengthPlaces), c, nil
}

// Swing is what an indicator showed over a bounded window, spikes removed: the highest
// and lowest value, and the movement from the one to the other, in mm.
type Swing struct{ Peak, Trough, Movement decimal.Decimal }

const maxStream = 1_000_000

// Movement reduces a stream, a dial indicator while the shaft is turned or pushed, which is
// no set of repeats. A median over width successive values, an odd number from 1 (none) to
// 99, takes spikes of up to width/2 values out; the ends, where it would reach beyond the
// window, are left off. The error is a *FieldError: fewer values than width or more than a
// million, a width that is even, a value out of range.
func Movement(stream []decimal.Decimal, width int) (Swing, error) {
	if width < 1 || width > 99 || width%2 == 0 {
		return Swing{}, refuse("width", "is %d; it must be odd, 1 to 99", width)
	}
	if len(stream) < width || len(stream) > maxStream {
		return Swing{}, refuse("stream", "has %d values; it must have %d to %d", len(stream), width, maxStream)
	}
	values := make([]length, len(stream))
	for i, v := range stream {
		var problem string
		if values[i], problem = picometres(v); problem != "" {
			return Swing{}, refuse("stream", "%s", problem)
		}
	}
	window := slices.Clone(values[:width])
	slices.Sort(window)
	low, high := window[width/2], window[width/2]
	for i := width; i < len(values); i++ {
		out, _ := slices.BinarySearch(window, values[i-width])
		window = slices.Delete(window, out, out+1)
		in, _ := slices.BinarySearch(window, values[i])
		window = slices.Insert(window, in, values[i])
		low, high = min(low, window[width/2]), max(high, window[width/2])
	}
	return Swing{high.decimal(), low.decimal(), (high - low).decimal()}, nil
}
