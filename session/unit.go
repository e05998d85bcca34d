package session

import (
	"errors"

	"github.com/shopspring/decimal"
)

// A Quantity is what an instrument measures.
type Quantity string

// The quantities. Each has one unit in which its values are kept and leave.
const (
	OfLength      Quantity = "length"
	OfTorque      Quantity = "torque"
	OfTemperature Quantity = "temperature"
)

// Unit is the unit in which values of the quantity are kept: mm, N.m, Cel.
func (q Quantity) Unit() Unit {
	switch q {
	case OfTorque:
		return NewtonMetre
	case OfTemperature:
		return Celsius
	}
	return Millimetre
}

// Key is how that unit stands in the key of a value: "mm", "Nm", "Cel".
func (q Quantity) Key() string {
	switch q {
	case OfTorque:
		return "Nm"
	case OfTemperature:
		return "Cel"
	}
	return "mm"
}

// torquePlaces is how many decimals a torque may have: a pound-foot is exact to 16.
const torquePlaces = 20

// measurable tells whether the arithmetic takes a value: in size what a bench can
// meet, and with no more decimals than an exact conversion makes.
func (q Quantity) measurable(n Number) bool {
	places, below := int32(mostPlaces), decimal.New(1, 6)
	switch q {
	case OfTorque:
		places = torquePlaces
	case OfTemperature:
		below = decimal.New(1000, 0)
	}
	return -n.Exponent() <= places && n.Abs().LessThan(below)
}

// A Unit is a unit as a UCUM code.
type Unit string

// The units that instruments and people use.
const (
	Millimetre  Unit = "mm"
	Inch        Unit = "[in_i]"
	NewtonMetre Unit = "N.m"
	PoundFoot   Unit = "[lbf_av].[ft_i]"
	PoundInch   Unit = "[lbf_av].[in_i]"
	Celsius     Unit = "Cel"
	Fahrenheit  Unit = "[degF]"
)

// errUnit says which units there are.
var errUnit = errors.New(`the unit is unknown; write "mm" or "in", "N.m", "lbf.ft" or "lbf.in", "Cel" or "degF"`)

// UnmarshalText reads a unit as people write it, or its UCUM code.
func (u *Unit) UnmarshalText(text []byte) error {
	switch string(text) {
	case "mm":
		*u = Millimetre
	case "in", "inch", string(Inch):
		*u = Inch
	case "N.m", "Nm", "N·m":
		*u = NewtonMetre
	case "lbf.ft", "lbf·ft", "ft.lbf", "lbf-ft", "ft-lb", string(PoundFoot):
		*u = PoundFoot
	case "lbf.in", "lbf·in", "in.lbf", "lbf-in", "in-lb", string(PoundInch):
		*u = PoundInch
	case "Cel", "°C", "C", "degC":
		*u = Celsius
	case "°F", "F", "degF", string(Fahrenheit):
		*u = Fahrenheit
	default:
		return errUnit
	}
	return nil
}

// Quantity is what the unit measures; of no unit it is a length.
func (u Unit) Quantity() Quantity {
	switch u {
	case NewtonMetre, PoundFoot, PoundInch:
		return OfTorque
	case Celsius, Fahrenheit:
		return OfTemperature
	}
	return OfLength
}

// fahrenheitPlaces is how many decimals of a degree Celsius a degree Fahrenheit keeps
// where 5/9 of it has no end: a ten-millionth of a degree, rounded half to even.
const fahrenheitPlaces = mostPlaces

// Kept converts from u to the unit in which its quantity is kept. It is exact
// (1 in = 25.4 mm, 1 lbf·ft = 0.3048 × 4.4482216152605 N·m and
// 1 lbf·in a twelfth of it), but for degrees Fahrenheit whose ninths have no end: those are
// rounded at the seventh decimal.
func (u Unit) Kept(n Number) Number {
	switch u {
	case Inch:
		return Num(n.Mul(decimal.New(254, -1)))
	case PoundFoot:
		return Num(n.Mul(decimal.New(3048, -4)).Mul(decimal.New(44482216152605, -13)))
	case PoundInch:
		return Num(n.Mul(decimal.New(254, -4)).Mul(decimal.New(44482216152605, -13)))
	case Fahrenheit:
		return celsius(n)
	}
	return n
}

// celsius is (n − 32)·5/9.
func celsius(n Number) Number {
	five := n.Sub(decimal.New(32, 0)).Mul(decimal.New(5, 0))
	ninth, rest := five.QuoRem(decimal.New(9, 0), max(0, -n.Exponent()))
	if rest.IsZero() {
		return Num(ninth)
	}
	return Num(five.DivRound(decimal.New(9, 0), fahrenheitPlaces+2).RoundBank(fahrenheitPlaces))
}

// span converts a difference, of which only degrees need another way than a value.
func (u Unit) span(n Number) Number {
	if u == Fahrenheit {
		return Num(n.Mul(decimal.New(5, 0)).DivRound(decimal.New(9, 0), fahrenheitPlaces))
	}
	return u.Kept(n)
}

// ToMM converts a length exactly from u to millimetres.
func (u Unit) ToMM(n Number) Number { return u.Kept(n) }

// Word is how people write the unit.
func (u Unit) Word() string {
	switch u {
	case Inch:
		return "in"
	case NewtonMetre:
		return "N·m"
	case PoundFoot:
		return "lbf·ft"
	case PoundInch:
		return "lbf·in"
	case Celsius:
		return "°C"
	case Fahrenheit:
		return "°F"
	}
	return string(u)
}
