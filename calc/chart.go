package calc

import (
	"math"

	"github.com/shopspring/decimal"
	"gonum.org/v1/gonum/stat/distuv"
)

// The rules of a chart for individuals: limits at three standard deviations, of which the
// mean moving range of two is the measure, 3/d₂ = 3·√π/2 and D₄ = 1 + 3·√(2−4/π)·√π/2 (ISO
// 7870-2, charts for individuals and moving ranges; NIST/SEMATECH e-Handbook, 6.3.2.2), and
// eight in a row on one side of the centre (the same, 6.3.2).
const (
	individualsFactor = 2.66
	rangesFactor      = 3.267
	rowLength         = 8
	mostPoints        = 100_000
	sameWithin        = 1e-12 // of the largest value: what a mean may be off by rounding
)

// The codes of signals.
const (
	OutsideLimits   = "outside the limits"
	RangeAboveLimit = "change above the limit"
	RowOnOneSide    = "row on one side"
)

// A Signal is a point or a row of points that chance alone seldom brings, by the indices
// of its first and last value: a value outside the limits, two whose range is above its
// limit, eight or more in a row on one side of the centre.
type Signal struct {
	Code     string
	From, To int
}

// A Chart is a control chart for individuals in the unit of its values. Ranges[i] is the
// size of the change from value i to the next; RangeLimit is its upper limit, its lower is 0.
type Chart struct {
	Centre, Lower, Upper  float64
	Ranges                []float64
	MeanRange, RangeLimit float64
	Signals               []Signal // by their first index
}

// Individuals makes the control chart of values in the order in which they came. A value
// on the centre line ends a row. The error is a *FieldError: fewer than 2 values or more
// than 100,000, one that is not a number or beyond 1e100.
func Individuals(values []float64) (Chart, error) {
	if len(values) < 2 || len(values) > mostPoints {
		return Chart{}, refuse("values", "has %d values; a chart takes 2 to %d", len(values), mostPoints)
	}
	c := Chart{Ranges: make([]float64, len(values)-1)}
	largest, sum, changes := 0.0, 0.0, 0.0
	for i, v := range values {
		if !(math.Abs(v) <= 1e100) {
			return Chart{}, refuse("values", "has %v; every value must be a number", v)
		}
		largest, sum = max(largest, math.Abs(v)), sum+v
		if i > 0 {
			c.Ranges[i-1] = math.Abs(v - values[i-1])
			changes += c.Ranges[i-1]
		}
	}
	c.Centre = sum / float64(len(values))
	c.MeanRange = changes / float64(len(c.Ranges))
	c.Lower, c.Upper = c.Centre-individualsFactor*c.MeanRange, c.Centre+individualsFactor*c.MeanRange
	c.RangeLimit = rangesFactor * c.MeanRange
	c.find(values, largest*sameWithin)
	return c, nil
}

// find lists the signals; two numbers within same are equal.
func (c *Chart) find(values []float64, same float64) {
	row, side := 0, 0
	for i, v := range values {
		if v > c.Upper+same || v < c.Lower-same {
			c.Signals = append(c.Signals, Signal{OutsideLimits, i, i})
		}
		if i > 0 && c.Ranges[i-1] > c.RangeLimit+same {
			c.Signals = append(c.Signals, Signal{RangeAboveLimit, i - 1, i})
		}
		now := 0
		switch {
		case v > c.Centre+same:
			now = 1
		case v < c.Centre-same:
			now = -1
		}
		if row++; now != side || now == 0 {
			row, side = 1, now
		}
		switch {
		case side != 0 && row == rowLength:
			c.Signals = append(c.Signals, Signal{RowOnOneSide, i - rowLength + 1, i})
		case side != 0 && row > rowLength:
			c.lengthen(i)
		}
	}
}

// lengthen takes value i into the row that was found last.
func (c *Chart) lengthen(i int) {
	for k := len(c.Signals) - 1; k >= 0; k-- {
		if c.Signals[k].Code == RowOnOneSide {
			c.Signals[k].To = i
			return
		}
	}
}

// Pooled is the scatter of repeats, gathered over sets that may lie anywhere: the sum of
// squared deviations from the mean of each set, in mm², and its degrees of freedom. The
// zero value is no set at all.
//
// Sums are pooled, and deviations are not averaged, so that it stays right where a set was
// ended by what its repeats showed, as a place is that closes once two agree: with repeats
// that are normal, the sum less σ² for each degree of freedom is a martingale.
type Pooled struct {
	Squares float64
	Freedom int
}

// PooledOf is the scatter of one set of repeats in mm; one repeat has none. The error is a
// *FieldError: more than 4000 repeats, or a length out of range.
func PooledOf(repeats []decimal.Decimal) (Pooled, error) {
	if len(repeats) == 0 {
		return Pooled{}, nil
	}
	set := make([]Repeat, len(repeats))
	for i, v := range repeats {
		set[i].Value = v
	}
	items, err := sorted(set)
	if err != nil {
		return Pooled{}, err
	}
	s, freedom := deviation(items), len(items)-1
	return Pooled{s * s * float64(freedom), freedom}, nil
}

// With is the scatter of both.
func (p Pooled) With(q Pooled) Pooled { return Pooled{p.Squares + q.Squares, p.Freedom + q.Freedom} }

// Deviation is the pooled standard deviation in mm; 0 without a degree of freedom.
func (p Pooled) Deviation() float64 {
	if p.Freedom < 1 {
		return 0
	}
	return math.Sqrt(p.Squares / float64(p.Freedom))
}

// Interval is where the standard deviation lies with the probability, above 0 and below 1,
// half of the rest on either side (χ², normal repeats); without a degree of freedom it is
// 0 to +Inf.
func (p Pooled) Interval(probability float64) (low, high float64) {
	if p.Freedom < 1 || !(probability > 0 && probability < 1) {
		return 0, math.Inf(1)
	}
	chi := distuv.ChiSquared{K: float64(p.Freedom)}
	return math.Sqrt(p.Squares / chi.Quantile((1+probability)/2)), math.Sqrt(p.Squares / chi.Quantile((1-probability)/2))
}

// ReadingFloor is the least standard deviation that a resolution d lets anybody see, in mm:
// d/√12, that of rounding to a whole count (JCGM 100:2008, F.2.2.1).
func ReadingFloor(resolution decimal.Decimal) float64 {
	return resolution.InexactFloat64() / math.Sqrt(12)
}

// Against weighs what repeats scattered by against what is stated of the instrument, with
// freedom degrees of freedom, above 0 and +Inf where it is known without doubt: 1 if it is
// more, -1 if it is less than that explains, 0 if neither. Each is said wrongly in 1 of 200
// cases (F test, NIST/SEMATECH e-Handbook, 1.3.5.9). Whoever stated a repeatability may have
// had the rounding to whole counts in it or not, so that more is weighed against
// √(s_r² + d²/12), and less, with a scatter of at least d/√12, against s_r.
func (p Pooled) Against(s Scatter, freedom float64) int {
	if p.Freedom < 1 || !(freedom > 0) {
		return 0
	}
	nu, square := float64(p.Freedom), p.Squares/float64(p.Freedom)
	stated, floor := s.Repeatability.InexactFloat64(), ReadingFloor(s.Resolution)
	switch {
	case square > (stated*stated+floor*floor)*ratioLimit(nu, freedom):
		return 1
	case max(square, floor*floor)*ratioLimit(freedom, nu) < stated*stated:
		return -1
	}
	return 0
}

// Exceeds tells whether repeats scattered by more than other repeats did, which is said
// wrongly in risk of all cases (one-sided F test).
func (p Pooled) Exceeds(other Pooled, risk float64) bool {
	if p.Freedom < 1 || other.Freedom < 1 || !(risk > 0 && risk < 1) {
		return false
	}
	f := distuv.F{D1: float64(p.Freedom), D2: float64(other.Freedom)}
	return p.Squares/float64(p.Freedom) > other.Squares/float64(other.Freedom)*f.Quantile(1-risk)
}

// ratioLimit is exceeded by the ratio of two observed variances that are alike in 1 of 200
// cases; either freedom may be +Inf.
func ratioLimit(nu, freedom float64) float64 {
	const p = 0.995
	switch {
	case nu >= likeNormal && freedom >= likeNormal:
		return 1
	case nu >= likeNormal:
		return freedom / distuv.ChiSquared{K: freedom}.Quantile(1-p)
	case freedom >= likeNormal:
		return distuv.ChiSquared{K: nu}.Quantile(p) / nu
	}
	return distuv.F{D1: nu, D2: freedom}.Quantile(p)
}

// Oftener is how probable it would be by chance that at least hits of tries fall on one
// side, if both sides were alike and hits+others of tries+otherTries were hits: Fisher's
// exact test, one-sided. It is 1 where there is nothing to compare. The error is a
// *FieldError: a count below 0, or more hits than tries.
func Oftener(hits, tries, otherHits, otherTries int) (float64, error) {
	if hits < 0 || otherHits < 0 || hits > tries || otherHits > otherTries {
		return 1, refuse("hits", "has %d of %d and %d of %d; there cannot be more hits than tries", hits, tries, otherHits, otherTries)
	}
	all := hits + otherHits
	sum := 0.0
	for k := min(all, tries); k >= hits && all-k <= otherTries; k-- {
		sum += math.Exp(choose(tries, k) + choose(otherTries, all-k) - choose(tries+otherTries, all))
	}
	return min(sum, 1), nil
}

// choose is the logarithm of the number of ways to choose k of n.
func choose(n, k int) float64 {
	log := func(m int) float64 { v, _ := math.Lgamma(float64(m) + 1); return v }
	return log(n) - log(k) - log(n-k)
}
