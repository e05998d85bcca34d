package calc

import (
	"fmt"
	"math"
	"strconv"

	"github.com/shopspring/decimal"
)

const (
	reference20  = 20.0 // °C (ISO 1)
	coldest      = -273.15
	hottest      = 2000.0
	mostAlpha    = 1e-3 // 1/K
	thermalPlace = 6    // decimals of a correction in mm: nanometres
)

// Temperature is a temperature in °C that one or several things have in common, with its
// standard uncertainty (0 or more), degrees of freedom and shape. One that was not
// measured is one with a large U.
type Temperature struct {
	Name       string
	Celsius    float64
	U, Freedom float64
	Shape      Shape
}

// Material is a coefficient of linear expansion in 1/K, up to 0.001, with its standard
// uncertainty (0 or more), degrees of freedom and shape. What may have two coefficients,
// as the steel of a part and of a scale, is two materials.
type Material struct {
	Name       string
	Alpha      float64
	U, Freedom float64
	Shape      Shape
}

// Expanding is a length that was read, in mm: the term it belongs to, and by index the
// material and temperature of the instrument's scale and of the part.
type Expanding struct {
	Term                         int
	Length                       decimal.Decimal
	Scale, ScaleAt, Part, PartAt int
}

// Thermal is what temperature does: what to add to each length in mm, rounded to a
// nanometre half to even, and the causes by which this is uncertain.
type Thermal struct {
	Corrections []decimal.Decimal
	Causes      []Cause
}

// ToReference corrects lengths that were read at any temperature to 20 °C (ISO 1):
//
//	L₂₀ = L·(1 + α_s·(t_s − 20) − α_p·(t_p − 20))
//
// Each material and each temperature with an uncertainty is one cause for all terms:
// ∂L/∂t = L·α, ∂L/∂α = L·(t − 20), with + for the scale and − for the part. So steel on
// steel at one temperature cancels, whatever that temperature is. The error is a
// *FieldError: an index that does not exist, a temperature that is none, an expansion
// beyond all materials, an uncertainty that Combine would refuse.
func ToReference(lengths []Expanding, materials []Material, temperatures []Temperature) (Thermal, error) {
	w, err := newExpansion(materials, temperatures)
	if err != nil {
		return Thermal{}, err
	}
	for i, e := range lengths {
		field := fmt.Sprintf("lengths[%d].", i)
		l, err := w.check(field, e.Term, e.Length,
			choice{"scale", e.Scale, len(materials)}, choice{"scaleat", e.ScaleAt, len(temperatures)},
			choice{"part", e.Part, len(materials)}, choice{"partat", e.PartAt, len(temperatures)})
		if err != nil {
			return Thermal{}, err
		}
		w.correct(w.grow(e.Term, l, e.Scale, e.ScaleAt) + w.grow(e.Term, -l, e.Part, e.PartAt))
	}
	return w.result(), nil
}

// Staying is a part that stays in the engine: the term it belongs to, its net length at
// 20 °C in mm with the sign it has in the gap (a bar does not stay; shims do), and by index
// its material and running temperature.
type Staying struct {
	Term         int
	Length       decimal.Decimal
	Material, At int
}

// Growth is what running temperature adds to each length: L·α·(t − 20). The gap grows by
// the sum of the corrections, terms with a coefficient of 1 throughout as the lengths have
// their signs. The error is that of ToReference.
func Growth(parts []Staying, materials []Material, temperatures []Temperature) (Thermal, error) {
	w, err := newExpansion(materials, temperatures)
	if err != nil {
		return Thermal{}, err
	}
	for i, p := range parts {
		l, err := w.check(fmt.Sprintf("parts[%d].", i), p.Term, p.Length,
			choice{"material", p.Material, len(materials)}, choice{"at", p.At, len(temperatures)})
		if err != nil {
			return Thermal{}, err
		}
		w.correct(w.grow(p.Term, l, p.Material, p.At))
	}
	return w.result(), nil
}

// expansion is a thermal computation in progress: a cause for each material, then one for
// each temperature.
type expansion struct {
	materials    []Material
	temperatures []Temperature
	causes       []Cause
	out          Thermal
}

func newExpansion(materials []Material, temperatures []Temperature) (*expansion, error) {
	w := &expansion{materials: materials, temperatures: temperatures}
	for i, m := range materials {
		field := fmt.Sprintf("materials[%d].", i)
		if !(math.Abs(m.Alpha) <= mostAlpha) {
			return nil, refuse(field+"alpha", "is %v per K; it must be within ±%v, steel has 0.0000115", m.Alpha, mostAlpha)
		}
		w.causes = append(w.causes, Cause{Name: "expansion of " + m.Name, U: m.U, Freedom: m.Freedom, Shape: m.Shape})
		if err := w.causes[i].check(field, 0); err != nil {
			return nil, err
		}
	}
	for i, t := range temperatures {
		field := fmt.Sprintf("temperatures[%d].", i)
		if err := checkCelsius(field+"celsius", t.Celsius); err != nil {
			return nil, err
		}
		w.causes = append(w.causes, Cause{Name: "temperature of " + t.Name, U: t.U, Freedom: t.Freedom, Shape: t.Shape})
		if err := w.causes[len(materials)+i].check(field, 0); err != nil {
			return nil, err
		}
	}
	return w, nil
}

func checkCelsius(field string, t float64) error {
	if !(t >= coldest && t <= hottest) {
		return refuse(field, "is %v °C; it must be from %v to %v °C", t, coldest, hottest)
	}
	return nil
}

// choice is an index by name, of so many.
type choice struct {
	name     string
	at, from int
}

func (w *expansion) check(field string, term int, in decimal.Decimal, choices ...choice) (float64, error) {
	if term < 0 {
		return 0, refuse(field+"term", "is %d; it must be 0 or more", term)
	}
	for _, c := range choices {
		if c.at < 0 || c.at >= c.from {
			return 0, refuse(field+c.name, "is %d; there are %d, counted from 0", c.at, c.from)
		}
	}
	var l length
	err := number{field + "length", in, &l, anything, ""}.check()
	return l.mm(), err
}

// grow is the expansion of a length, and notes what it is uncertain by.
func (w *expansion) grow(term int, l float64, material, at int) float64 {
	alpha, over := w.materials[material].Alpha, w.temperatures[at].Celsius-reference20
	m, t := &w.causes[material], &w.causes[len(w.materials)+at]
	m.Effects = append(m.Effects, Effect{term, l * over})
	t.Effects = append(t.Effects, Effect{term, l * alpha})
	return l * alpha * over
}

func (w *expansion) correct(by float64) {
	w.out.Corrections = append(w.out.Corrections, decimal.NewFromFloat(by).RoundBank(thermalPlace))
}

// result leaves out the causes that are certain.
func (w *expansion) result() Thermal {
	for _, c := range w.causes {
		if c.U > 0 && len(c.Effects) > 0 {
			w.out.Causes = append(w.out.Causes, c)
		}
	}
	return w.out
}

const codeWarm = "part not at room temperature"

// Warm says whether a part differs from the room by more than the plan allows, in K, and
// how long to wait: the difference falls to 1/e of itself in constant minutes (Newton's
// law of cooling), so the wait is constant·ln(difference/allowed), rounded up to a whole
// minute. The finding, if true, is "part not at room temperature": part, room, allowed,
// wait (minutes). The error is a *FieldError: a temperature that is none, an allowance
// below 0.001 K, a constant not above 0.
func Warm(part, room, allowed, constant float64) (Finding, bool, error) {
	for _, err := range []error{checkCelsius("part", part), checkCelsius("room", room), atLeast("allowed", allowed, 0.001), above0("constant", constant)} {
		if err != nil {
			return Finding{}, false, err
		}
	}
	difference := math.Abs(part - room)
	if difference <= allowed {
		return Finding{}, false, nil
	}
	text := func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
	return Finding{Code: codeWarm, Params: map[string]string{"part": text(part), "room": text(room), "allowed": text(allowed),
		"wait": text(math.Ceil(constant * math.Log(difference/allowed)))}}, true, nil
}
