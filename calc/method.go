package calc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

const (
	version = "shimwright/1"

	level        = 0.05 // significance of every outlier test
	grubbsFrom   = 6    // below: known scatter
	manyFrom     = 25   // from here: generalised ESD
	shareLeftOut = 3    // at most one in so many is left out
	driftFrom    = 10
	cachedLimits = 256 // Grubbs limits kept ready; larger sets compute theirs
)

// Method holds the rules under one version, with their limits computed once. It
// does not change after NewMethod and is safe for concurrent use. The zero
// Method refuses to work.
type Method struct {
	scatter [grubbsFrom]float64 // known-scatter limit by number of repeats
	grubbs  []float64           // Grubbs limit by number of values
}

// NewMethod computes the limits and returns the method. It takes a few
// milliseconds: make one and keep it.
func NewMethod() *Method {
	m := &Method{grubbs: make([]float64, cachedLimits)}
	for n := 2; n < grubbsFrom; n++ {
		m.scatter[n] = largestDeviationQuantile(n, 1-level)
	}
	for n := 3; n < cachedLimits; n++ {
		m.grubbs[n] = grubbsLimit(n, level/2)
	}
	return m
}

// WithUncertainty names the rules with those of uncertainty added; it goes into the log
// instead of Version with every result that states an uncertainty or an outcome.
const WithUncertainty = "shimwright/3"

// Version names the rules; it goes into the log with every result.
func (m *Method) Version() string { return version }

// limit returns the two-sided Grubbs limit for n ≥ 3 values. Step i of the
// generalised ESD test on N values has the same limit with n = N − i + 1.
func (m *Method) limit(n int) float64 {
	if n < len(m.grubbs) {
		return m.grubbs[n]
	}
	return grubbsLimit(n, level/2)
}

// grubbsLimit is (n−1)/√n · √(t²/(n−2+t²)), with t the quantile of Student's t
// at n−2 degrees of freedom that is exceeded with probability tail/n
// (NIST/SEMATECH e-Handbook 1.3.5.17.1). tail is 0.05 one-sided, 0.025 two-sided.
func grubbsLimit(n int, tail float64) float64 {
	nu := float64(n - 2)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(tail / float64(n))
	return float64(n-1) / math.Sqrt(float64(n)) * math.Sqrt(t*t/(nu+t*t))
}

// largestDeviation is the probability that none of n independent standard
// normal values lies further than q from their median.
//
// Odd n = 2k+1. The median is one of the values, at x; k values lie below and k
// above. There are n ways to choose the median and C(2k, k) to choose those below
// it, and each value below must fall in (x−q, x), each above in (x, x+q):
//
//	P(q) = n·C(2k,k) ∫ φ(x) [(Φ(x) − Φ(x−q)) · (Φ(x+q) − Φ(x))]^k dx
//
// Even n = 2k. The median c lies midway between the two middle values c−h and
// c+h, 0 ≤ h ≤ q; k−1 values fall in (c−q, c−h), k−1 in (c+h, c+q). There are
// n!/((k−1)!)² ways to deal out the parts, and changing from the two middle values
// to (c, h) brings a factor of 2:
//
//	P(q) = 2·n!/((k−1)!)² ∫∫ φ(c−h) φ(c+h) [(Φ(c−h) − Φ(c−q)) · (Φ(c+q) − Φ(c+h))]^(k−1) dh dc
//
// For n = 2 this is erf(q), as it must be: |x₁−x₂|/2 is |N(0,1)|/√2.
//
// Over x and c the integrand is smooth and dies out like a normal density, where
// equal steps converge faster than any power of the step; over h, which ends
// abruptly at q, Gauss-Legendre nodes are used.
func largestDeviation(n int, q float64) float64 {
	const reach, step = 6.5, 0.125
	if q <= 0 {
		return 0
	}
	k, sum := n/2, 0.0
	nodes, weights := make([]float64, legendreNodes), make([]float64, legendreNodes)
	quad.Legendre{}.FixedLocations(nodes, weights, 0, q)
	for i := range int(2*reach/step) + 1 {
		x := -reach + float64(i)*step
		low, high := below(x-q), below(x+q)
		if n%2 == 1 {
			sum += density(x) * power((below(x)-low)*(high-below(x)), k)
			continue
		}
		for j, h := range nodes {
			a, b := x-h, x+h
			sum += weights[j] * 2 * density(a) * density(b) * power((below(a)-low)*(high-below(b)), k-1)
		}
	}
	return sum * step * ways(n)
}

const legendreNodes = 20

func power(x float64, k int) float64 {
	p := 1.0
	for range k {
		p *= x
	}
	return p
}

// ways is n·C(2k,k) for n = 2k+1 and n!/((k−1)!)² for n = 2k; both are n!
// over the square of the factorial of the number of values on either side.
func ways(n int) float64 {
	outer := math.Gamma(float64((n-1)/2 + 1))
	return math.Gamma(float64(n+1)) / (outer * outer)
}

func density(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

func below(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// largestDeviationQuantile inverts largestDeviation in q by secants. It is meant for
// the upper tail, p around 0.95, where P is smooth and rises without a bend.
func largestDeviationQuantile(n int, p float64) float64 {
	before, q := 1.5, 2.0
	miss := largestDeviation(n, before) - p
	for range 20 {
		now := largestDeviation(n, q) - p
		if math.Abs(now-miss) < 1e-14 {
			break
		}
		before, q, miss = q, q-now*(q-before)/(now-miss), now
	}
	return q
}

// FieldError says which field of the input cannot be used, and why. Field names it
// as in Go, in lower case, with the index: "stock[3].count". Problem completes the
// sentence and says what would be right.
type FieldError struct {
	Field, Problem string
}

func (e *FieldError) Error() string { return e.Field + " " + e.Problem }

func refuse(field, format string, args ...any) error {
	return &FieldError{Field: field, Problem: fmt.Sprintf(format, args...)}
}

// under puts the name of what holds it before the field of a refusal.
func under(prefix string, err error) error {
	e, ok := err.(*FieldError) // as refuse made it: nothing in this package wraps one
	if !ok {
		return err
	}
	return &FieldError{Field: prefix + e.Field, Problem: e.Problem}
}
