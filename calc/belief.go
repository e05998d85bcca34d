package calc

import (
	"math"

	"github.com/shopspring/decimal"
)

// Estimate is a value in mm with what is believed about its error: the standard
// uncertainty U, the degrees of freedom, and the half-widths Flat of those flat parts
// that are too big to be taken as normal. They are part of U: U² is at least ΣFlat²/3.
// With Flat the rest is taken as normal, widened if its degrees of freedom are few; without, the error is U times Student's t. With
// any input Unstated the value is never shown inside.
type Estimate struct {
	Value      decimal.Decimal
	U, Freedom float64
	Flat       []float64
	Unstated   []string
}

// Estimate joins a value to its uncertainty, degrees of freedom truncated. Of a budget
// whose Way is ByDraws it has no shape and is Student's t of the same u; Sample.Conform
// has the probabilities of such a one.
func (u Uncertainty) Estimate(value decimal.Decimal) Estimate {
	return Estimate{Value: value, U: u.U, Freedom: u.FreedomUsed, Flat: u.flats, Unstated: u.Unstated}
}

const maxFlat = 4 // two triangular causes of more than a third each make four

// check returns the value in picometres, and the belief.
func (e Estimate) check(field string) (length, belief, error) {
	v, problem := picometres(e.Value)
	if problem != "" {
		return 0, belief{}, refuse(field+".value", "%s", problem)
	}
	if err := atLeast(field+".u", e.U, 0); err != nil {
		return 0, belief{}, err
	}
	if err := checkFreedom(field+".freedom", e.Freedom); err != nil {
		return 0, belief{}, err
	}
	if len(e.Flat) > maxFlat {
		return 0, belief{}, refuse(field+".flat", "has %d parts; it may have %d", len(e.Flat), maxFlat)
	}
	rest := e.U * e.U
	for _, a := range e.Flat {
		if err := above0(field+".flat", a); err != nil {
			return 0, belief{}, err
		}
		rest -= a * a / 3
	}
	if rest < -wholeSlack*e.U*e.U {
		return 0, belief{}, refuse(field+".flat", "is wider than u of %v allows; u must include it", e.U)
	}
	return v, e.belief(), nil
}

func (u Uncertainty) belief() belief { return u.Estimate(decimal.Zero).belief() }

func (e Estimate) belief() belief {
	b := belief{u: e.U, nu: math.Floor(e.Freedom + wholeSlack), unstated: len(e.Unstated) > 0}
	if e.U < nothing {
		b.u = 0
		return b
	}
	rest := e.U * e.U
	for _, a := range e.Flat {
		if a < nothing || a < shapeless*e.U {
			continue // it stays in the rest
		}
		b.flat[b.n] = a
		b.n++
		b.reach += a
		rest -= a * a / 3
	}
	if b.n > 0 {
		b.sigma = math.Sqrt(max(rest, 0)) * b.fewFreedom(rest)
	}
	return b
}

// fewFreedom is by what the rest beside flat parts is widened for being known from few
// degrees of freedom: t(0.975)/1.96. If u⁴/ν of the whole comes from the rest alone, as
// Welch-Satterthwaite puts it, the rest has ν·(rest/u²)² degrees of freedom.
func (b belief) fewFreedom(rest float64) float64 {
	share := rest / (b.u * b.u)
	if math.IsInf(b.nu, 1) || !(share > 0) { // u² may have vanished
		return 1
	}
	return studentQuantile(covered, max(1, b.nu*share*share)) / studentQuantile(covered, math.Inf(1))
}

const (
	covered   = 0.975
	nothing   = 1e-12 // mm, less than any length
	shapeless = 0.01  // of u: a flat part below it shows nowhere, and would only cancel
)

// belief is a symmetric distribution with one peak, centred on 0: u times Student's t,
// or n flat parts and a normal rest of sigma.
type belief struct {
	u, nu, sigma, reach float64
	flat                [maxFlat]float64
	n                   int
	unstated            bool
}

// wider adds an independent normal error of standard uncertainty √square. The degrees
// of freedom stay, which is cautious.
func (b belief) wider(square float64) belief {
	if square > 0 {
		b.u, b.sigma = math.Sqrt(b.u*b.u+square), math.Sqrt(b.sigma*b.sigma+square)
	}
	return b
}

// below is the probability that the error is less than x. u is above 0.
func (b belief) below(x float64) float64 {
	if b.n > 0 {
		return b.folded(x)
	}
	return studentBelow(x/b.u, b.nu)
}

// folded is the distribution of n flat parts ±aᵢ and a normal rest, exactly: with I₀ = Φ
// and Iₖ the k-th integral of Φ from −∞, that is Iₖ(z) = (z·Iₖ₋₁ + Iₖ₋₂)/k, I₋₁ = φ,
//
//	F(x) = σⁿ/Π2aᵢ · Σ ±Iₙ((x ± a₁ ± … ± aₙ)/σ)
//
// over all signs of the aᵢ, the sign of a summand being the product of them. A rest that
// is tiny beside the flat parts is raised to a millionth of them, which no probability
// shows; beyond all reach the sum, which would only cancel, is not formed.
func (b belief) folded(x float64) float64 {
	const tails, tiny = 9, 1e-6
	sigma := max(b.sigma, tiny*b.reach)
	if x > b.reach+tails*sigma {
		return 1
	}
	if x < -b.reach-tails*sigma {
		return 0
	}
	sum := 0.0
	for corner := range 1 << b.n {
		at, sign := x, 1.0
		for i := range b.n {
			if corner>>i&1 == 0 {
				at += b.flat[i]
			} else {
				at -= b.flat[i]
				sign = -sign
			}
		}
		sum += sign * integralOfNormal(b.n, at/sigma)
	}
	for i := range b.n {
		sum *= sigma / (2 * b.flat[i])
	}
	return min(max(sum, 0), 1)
}

// integralOfNormal is the n-th integral of the standard normal distribution function.
func integralOfNormal(n int, z float64) float64 {
	before, now := density(z), below(z)
	for k := 1; k <= n; k++ {
		before, now = now, (z*now+before)/float64(k)
	}
	return now
}

// upper inverts below for p of ½ and more, by false position: if one end stays twice,
// what it is off counts half, so that both ends move.
func (b belief) upper(p float64) float64 {
	const near = 1e-14
	low, high := 0.0, b.reach+9*b.u
	offLow, offHigh := b.below(low)-p, b.below(high)-p
	if offLow >= 0 {
		return low // p is ½, or as near to it as makes no difference
	}
	x, last := high, 0
	for range 100 {
		before := x
		x = high - offHigh*(high-low)/(offHigh-offLow)
		if math.Abs(x-before) <= near*high {
			break
		}
		off, side := b.below(x)-p, 1
		if off == 0 {
			break
		}
		if off < 0 {
			side, low, offLow = -1, x, off
		} else {
			high, offHigh = x, off
		}
		if side == last && side > 0 {
			offLow /= 2
		} else if side == last {
			offHigh /= 2
		}
		last = side
	}
	return x
}

// inside is the probability that value plus error lies from least to most, given their
// distances low = value − least and high = most − value.
func (b belief) inside(low, high float64) float64 {
	if b.u == 0 {
		if low >= 0 && high >= 0 {
			return 1
		}
		return 0
	}
	return max(0, b.below(high)-b.below(-low))
}
