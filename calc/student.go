package calc

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

const (
	likeNormal = 1e7 // degrees of freedom from which Student's t is taken as normal
	manyEnough = 50  // degrees of freedom from which the expansion is good
)

// studentQuantile is Student's t; nu may be +Inf.
func studentQuantile(p, nu float64) float64 {
	switch {
	case nu >= likeNormal:
		return distuv.UnitNormal.Quantile(p)
	case nu >= manyEnough:
		return studentOf(distuv.UnitNormal.Quantile(p), nu)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(p)
}

// studentBelow is the probability of Student's t below x; nu may be +Inf.
func studentBelow(x, nu float64) float64 {
	switch {
	case nu >= likeNormal:
		return below(x)
	case nu >= manyEnough:
		return below(normalOf(x, nu))
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.CDF(x)
}

// normalOf is the standard normal z that is as improbable as t of nu degrees of freedom.
// With a = ν − ½ and y = a·ln(1 + t²/ν),
//
//	z = ±√y · (1 + (y+3)/48a² + …)        (G. W. Hill, Comm. ACM 13 (1970), 617, algorithm 395)
//
// From 50 degrees of freedom on it is within 1e-12 of the probability, and a small
// probability within a millionth of itself as far out as t = 10.
func normalOf(t, nu float64) float64 {
	a := nu - 0.5
	y := a * math.Log1p(t*t/nu)
	return math.Copysign(math.Sqrt(y)*stretch(y, a), t)
}

// studentOf is the inverse of normalOf, for a z of at most 9 in size. Each round takes
// more than two digits off the error, for the stretch hardly depends on y.
func studentOf(z, nu float64) float64 {
	const rounds = 6
	a := nu - 0.5
	y := z * z
	for range rounds {
		root := z / stretch(y, a)
		y = root * root
	}
	return math.Copysign(math.Sqrt(nu*math.Expm1(y/a)), z)
}

// stretch is z/√y.
func stretch(y, a float64) float64 {
	b := 48 * a * a
	return 1 + (y+3)/b - (((0.4*y+3.3)*y+24)*y+85.5)/(b*(0.8*y*y+100+b))
}
