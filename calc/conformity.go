package calc

import (
	"math"
	"strconv"

	"github.com/shopspring/decimal"
)

// Edition is the edition of ISO 14253-1 whose guard band is used.
type Edition int

// The guard band of the edition of 1998 is U at k = 2, at few degrees of freedom with
// the k of 95.45 % two-sided. That of 2017 is 1.65·u, at few degrees of freedom the
// one-sided 95 % quantile of Student's t times u.
const (
	ISO14253y1998 Edition = iota + 1
	ISO14253y2017
)

// String returns ISO 14253-1:1998 or ISO 14253-1:2017.
func (e Edition) String() string {
	switch e {
	case ISO14253y1998:
		return "ISO 14253-1:1998"
	case ISO14253y2017:
		return "ISO 14253-1:2017"
	}
	return "Edition(" + strconv.Itoa(int(e)) + ")"
}

// ParseEdition is the inverse of String. The error is a *FieldError.
func ParseEdition(text string) (Edition, error) {
	for e := ISO14253y1998; e <= ISO14253y2017; e++ {
		if e.String() == text {
			return e, nil
		}
	}
	return 0, refuse("edition", "is %q; it must be ISO 14253-1:1998 or ISO 14253-1:2017", text)
}

// Rule is a decision rule: the guard band, and the probability of conformance, 0.5 or
// more and below 1, that must be reached as well (JCGM 106:2012, 8.3.2).
type Rule struct {
	Edition Edition
	Level   float64
}

func (r Rule) check() error {
	if r.Edition != ISO14253y1998 && r.Edition != ISO14253y2017 {
		return refuse("rule.edition", "is not stated; it must be ISO 14253-1:1998 or ISO 14253-1:2017")
	}
	if !(r.Level >= 0.5 && r.Level < 1) {
		return refuse("rule.level", "is %v; it must be from 0.5 to below 1, as 0.95", r.Level)
	}
	return nil
}

// guardPerU is the width of the guard band in multiples of u.
func (r Rule) guardPerU(nu float64) float64 {
	if r.Edition == ISO14253y1998 {
		return max(2, studentQuantile(below(2), nu))
	}
	return max(1.65, studentQuantile(0.95, nu))
}

// Outcome is what the decision rule says.
type Outcome int

// The outcomes, in the order in which they are preferred.
const (
	ShownInside Outcome = iota + 1
	NotShown
	ShownOutside
)

// String returns shown inside, not shown or shown outside.
func (o Outcome) String() string {
	switch o {
	case ShownInside:
		return "shown inside"
	case NotShown:
		return "not shown"
	case ShownOutside:
		return "shown outside"
	}
	return "Outcome(" + strconv.Itoa(int(o)) + ")"
}

// Conformity is the answer of the decision rule: the outcome, the guard band in mm, and
// the probabilities that the true value lies in the window, below it (too tight) or
// above it (too loose). They add up to 1.
type Conformity struct {
	Outcome                    Outcome
	Guard                      float64
	Inside, TooTight, TooLoose float64
}

// Conform compares an estimate with a window, whose aim is not looked at: of an end
// float, a seal's depth, a ring's seat.
//
//	P(inside) = F((most−x)/u) − F((least−x)/u)             (JCGM 106:2012, 7.3, 7.4)
//	shown inside:  least + g ≤ x ≤ most − g, and P(inside) ≥ level
//	shown outside: x < least − g or x > most + g, and 1 − P(inside) ≥ level
//
// with F Student's t of ν degrees of freedom, or the folded shape of an estimate with
// flat parts, and g the guard band of the rule. Else, and where an input is unstated and
// it would be shown inside, it is not shown. The error is a
// *FieldError: an estimate out of range, a window upside down, no rule.
func Conform(e Estimate, w Window, r Rule) (Conformity, error) {
	if err := r.check(); err != nil {
		return Conformity{}, err
	}
	x, b, err := e.check("estimate")
	if err != nil {
		return Conformity{}, err
	}
	least, most, err := w.limits()
	if err != nil {
		return Conformity{}, err
	}
	return r.decide(x, least, most, b, r.guardPerU(b.nu)), nil
}

func (w Window) limits() (least, most length, err error) {
	for _, n := range []number{{"window.least", w.Least, &least, anything, ""}, {"window.most", w.Most, &most, anything, ""}} {
		if err := n.check(); err != nil {
			return 0, 0, err
		}
	}
	if least > most {
		return 0, 0, refuse("window.least", "is %s mm, above the window's most of %s mm; swap them", w.Least, w.Most)
	}
	return least, most, nil
}

// decide works with distances from the limits, which are exact. guard is in multiples
// of u, see guardPerU.
func (r Rule) decide(x, least, most length, b belief, guard float64) Conformity {
	low, high := (x - least).mm(), (most - x).mm()
	c := Conformity{Guard: guard * b.u, Inside: b.inside(low, high)}
	switch {
	case b.u > 0:
		c.TooTight, c.TooLoose = b.below(-low), b.below(-high)
	case low < 0:
		c.TooTight = 1
	case high < 0:
		c.TooLoose = 1
	}
	c.Outcome = r.outcome(low, high, c.Guard, c.Inside, b.unstated)
	return c
}

func (r Rule) outcome(low, high, guard, inside float64, unstated bool) Outcome {
	switch {
	case low >= guard && high >= guard && inside >= r.Level && !unstated:
		return ShownInside
	case (low < -guard || high < -guard) && 1-inside >= r.Level:
		return ShownOutside
	}
	return NotShown
}

// Conform compares a value in mm, with the errors that were drawn, with a window, as the
// function Conform does: probabilities are counted, the guard band is that of many degrees
// of freedom. It is for what no simpler shape describes, see Way. The error is a
// *FieldError.
func (s *Sample) Conform(value decimal.Decimal, w Window, r Rule) (Conformity, error) {
	if err := r.check(); err != nil {
		return Conformity{}, err
	}
	var x length
	if err := (number{"value", value, &x, anything, ""}).check(); err != nil {
		return Conformity{}, err
	}
	least, most, err := w.limits()
	if err != nil {
		return Conformity{}, err
	}
	low, high := (x - least).mm(), (most - x).mm()
	c := Conformity{Guard: r.guardPerU(math.Inf(1)) * s.s, TooTight: s.Below(-low)}
	upTo := s.Below(math.Nextafter(high, math.Inf(1)))
	c.TooLoose, c.Inside = 1-upTo, upTo-c.TooTight
	c.Outcome = r.outcome(low, high, c.Guard, c.Inside, s.unstated)
	return c, nil
}

// CanShow says what these instruments could show at best: the conformity of a value in
// the middle of the window. If that is not shown inside, no value ever will be.
func CanShow(e Estimate, w Window, r Rule) (Conformity, error) {
	least, most, err := w.limits()
	if err != nil {
		return Conformity{}, err
	}
	e.Value = (least + (most-least)/2).decimal()
	return Conform(e, w, r)
}

// En returns (a−b)/√(U_a²+U_b²), with expanded uncertainties (ISO 13528:2022, 9.7): the
// two agree if it is from -1 to 1. The error is a *FieldError: an uncertainty that is
// negative or not finite, or none at all on either side.
func En(a decimal.Decimal, expandedA float64, b decimal.Decimal, expandedB float64) (float64, error) {
	var x, y length
	for _, n := range []number{{"a", a, &x, anything, ""}, {"b", b, &y, anything, ""}} {
		if err := n.check(); err != nil {
			return 0, err
		}
	}
	if err := atLeast("expandeda", expandedA, 0); err != nil {
		return 0, err
	}
	if err := atLeast("expandedb", expandedB, 0); err != nil {
		return 0, err
	}
	both := math.Hypot(expandedA, expandedB)
	if both == 0 {
		return 0, refuse("expandeda", "and expandedb are 0; without uncertainty there is nothing to compare by")
	}
	return (x - y).mm() / both, nil
}
