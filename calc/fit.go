package calc

import (
	"fmt"
	"math"
	"strconv"

	"github.com/shopspring/decimal"
)

// HottestAllowed is a temperature in °C that something in the case must not exceed:
// bearing, seal, the case itself. It is the plan's.
type HottestAllowed struct {
	Name    string
	Celsius float64
}

// SeatFit is a ring to be put into a heated seat: the diameters that were measured, in mm
// at one temperature, the clearance to assemble with (0 or more), the expansion of the
// case in 1/K, and the ring's temperature in °C.
type SeatFit struct {
	Ring, Seat, Clearance decimal.Decimal
	Alpha                 float64
	RingCelsius           float64
	Limits                []HottestAllowed
}

// Heating is what a seat needs: the interference in mm (below 0: the ring is loose), how
// much hotter than the ring the case must be, in K, and so how hot, in °C. Allowed is
// false, with a finding "too hot for" (name, limit, needed) for each limit in the way,
// if it would be too hot; then no heating is advised.
type Heating struct {
	Interference decimal.Decimal
	Above        float64
	Celsius      float64
	Allowed      bool
	Findings     []Finding
}

const codeTooHot = "too hot for"

// Heat works out how hot a case must be for a ring to drop in:
//
//	ΔT = (ring − seat + clearance)/(α·seat), 0 if the ring drops in cold
//
// The error is a *FieldError: a diameter not above 0, a clearance below 0, an expansion
// not above 0 or beyond all materials, a temperature that is none.
func Heat(f SeatFit) (Heating, error) {
	var ring, seat, clearance length
	for _, n := range []number{{"ring", f.Ring, &ring, 1, positive}, {"seat", f.Seat, &seat, 1, positive}, {"clearance", f.Clearance, &clearance, 0, natural}} {
		if err := n.check(); err != nil {
			return Heating{}, err
		}
	}
	if err := above0("alpha", f.Alpha); err != nil {
		return Heating{}, err
	}
	if f.Alpha > mostAlpha || f.Alpha < 1e-7 {
		return Heating{}, refuse("alpha", "is %v per K; it must be from 1e-7 to %v, aluminium has 0.000023", f.Alpha, mostAlpha)
	}
	if err := checkCelsius("ringcelsius", f.RingCelsius); err != nil {
		return Heating{}, err
	}
	out := Heating{Interference: (ring - seat).decimal(), Allowed: true}
	out.Above = max(0, (ring-seat+clearance).mm()/(f.Alpha*seat.mm()))
	out.Celsius = f.RingCelsius + out.Above
	for i, l := range f.Limits {
		if err := checkCelsius(fmt.Sprintf("limits[%d].celsius", i), l.Celsius); err != nil {
			return Heating{}, err
		}
		if out.Celsius > l.Celsius {
			out.Allowed = false
			out.Findings = append(out.Findings, Finding{Code: codeTooHot, Params: map[string]string{"name": l.Name,
				"limit": strconv.FormatFloat(l.Celsius, 'f', -1, 64), "needed": strconv.FormatFloat(math.Ceil(out.Celsius), 'f', -1, 64)}})
		}
	}
	return out, nil
}

// TorqueUnit is a unit of torque.
type TorqueUnit int

// Newton metres, pound-force feet, pound-force inches.
const (
	NewtonMetre TorqueUnit = iota + 1
	PoundForceFoot
	PoundForceInch
)

// String returns N.m, lbf.ft or lbf.in.
func (u TorqueUnit) String() string {
	switch u {
	case NewtonMetre:
		return "N.m"
	case PoundForceFoot:
		return "lbf.ft"
	case PoundForceInch:
		return "lbf.in"
	}
	return "TorqueUnit(" + strconv.Itoa(int(u)) + ")"
}

// ParseTorqueUnit is the inverse of String. The error is a *FieldError.
func ParseTorqueUnit(text string) (TorqueUnit, error) {
	for u := NewtonMetre; u <= PoundForceInch; u++ {
		if u.String() == text {
			return u, nil
		}
	}
	return 0, refuse("unit", "is %q; it must be N.m, lbf.ft or lbf.in", text)
}

// inNewtonMetres is the unit in N·m, exact: a foot is 0.3048 m and an inch 0.0254 m, a
// pound-force 4.4482216152605 N (NIST SP 811, B.8).
func (u TorqueUnit) inNewtonMetres() (decimal.Decimal, bool) {
	poundForce := decimal.New(44482216152605, -13)
	switch u {
	case NewtonMetre:
		return decimal.New(1, 0), true
	case PoundForceFoot:
		return poundForce.Mul(decimal.New(3048, -4)), true
	case PoundForceInch:
		return poundForce.Mul(decimal.New(254, -4)), true
	}
	return decimal.Zero, false
}

// ToNewtonMetres converts a torque to N·m, exactly. The error is a *FieldError: a torque
// out of range (as for lengths), a unit that does not exist.
func ToNewtonMetres(torque decimal.Decimal, unit TorqueUnit) (decimal.Decimal, error) {
	if _, problem := picometres(torque); problem != "" {
		return decimal.Zero, refuse("torque", "of %d digits is out of range; check the unit", torque.NumDigits())
	}
	by, ok := unit.inNewtonMetres()
	if !ok {
		return decimal.Zero, refuse("unit", "is %d; it must be NewtonMetre, PoundForceFoot or PoundForceInch", int(unit))
	}
	return torque.Mul(by), nil
}

// Screw is a metric screw as tightened: nominal diameter and pitch in mm, the torque in
// N·m, the plan's torque coefficient K, and the proof stress in N/mm² (0 if not stated).
type Screw struct {
	Diameter, Pitch, Torque, K, ProofStress float64
}

// Preload is what a torque makes of a screw: the force in N, on the assumption of the K
// that was given, the stress area in mm², the stress in N/mm², and the percentage of the
// proof load, 0 if no proof stress was stated.
type Preload struct {
	AssumedK, Force, StressArea, Stress, PercentOfProof float64
}

// Tighten works out
//
//	F = T/(K·d),   A_s = π/4·((d₂ + d₃)/2)², d₂ = d − 3/4·H, d₃ = d − 17/12·H, H = √3/2·P
//
// (stress area: ISO 898-1, 9.1.6; thread: ISO 724), and F of A_s·(proof stress). K stands
// for friction that nobody has measured: forces are good to a third at best (common
// practice, from memory). The error is a *FieldError: a number that is not above 0, a
// pitch too coarse for the diameter.
func Tighten(s Screw) (Preload, error) {
	for _, n := range []struct {
		field string
		x     float64
	}{{"diameter", s.Diameter}, {"pitch", s.Pitch}, {"torque", s.Torque}, {"k", s.K}} {
		if err := above0(n.field, n.x); err != nil {
			return Preload{}, err
		}
		if n.x < smallest {
			return Preload{}, refuse(n.field, "is %v; check the unit", n.x)
		}
	}
	if err := atLeast("proofstress", s.ProofStress, 0); err != nil {
		return Preload{}, err
	}
	if s.ProofStress > 0 && s.ProofStress < smallest {
		return Preload{}, refuse("proofstress", "is %v; give N/mm²", s.ProofStress)
	}
	if s.Pitch > s.Diameter/2 {
		return Preload{}, refuse("pitch", "is %v mm, over half the diameter of %v mm; check the thread", s.Pitch, s.Diameter)
	}
	h := math.Sqrt(3) / 2 * s.Pitch
	mean := s.Diameter - (3.0/4+17.0/12)/2*h
	p := Preload{AssumedK: s.K, Force: 1000 * s.Torque / (s.K * s.Diameter), StressArea: math.Pi / 4 * mean * mean}
	p.Stress = p.Force / p.StressArea
	if s.ProofStress > 0 {
		p.PercentOfProof = 100 * p.Stress / s.ProofStress
	}
	return p, nil
}

const smallest = 1e-9 // of a screw's numbers, so that nothing overflows
