package calc

import (
	"math"
	"strconv"

	"github.com/shopspring/decimal"
	"gonum.org/v1/gonum/stat/distuv"
)

const (
	codeSpread  = "spread larger than stated"
	spreadLevel = 0.99
	spreadFrom  = 3 // counted repeats
)

// LargerSpread says whether the counted repeats of a step scatter more than is stated of
// the instrument, which a test that knows no scatter but theirs cannot see. freedom is as
// for MeanUncertainty. Of 3 counted repeats and more it compares
//
//	s² = Σ(nⱼ−1)·sⱼ²/ν   with   (s_r² + d²/12)·F,   ν = Σ(nⱼ−1)
//
// F being exceeded in 1 of 100 cases: the quantile of F(ν, ν_r), or of χ²(ν)/ν if ν_r is
// +Inf (NIST/SEMATECH e-Handbook, 1.3.5.8, 1.3.5.9). Where the repeats of each place are
// within one count they are as equal as can be read, whatever is stated; and where a place
// is unsettled that has been said already. No value and no standing changes by it.
//
// The finding, if true, is "spread larger than stated": spread (s), stated (s_r), limit
// (the greatest s that would be taken as explained), repeats. The error is that of
// MeanUncertainty.
func (m *Method) LargerSpread(r Reduction, s Scatter, freedom float64) (Finding, bool, error) {
	known, err := m.knownOf(r, s, freedom)
	if err != nil {
		return Finding{}, false, err
	}
	counted, apart := 0, false
	for _, p := range r.Places {
		counted += p.Counted
		apart = apart || p.Spread.GreaterThan(s.Resolution)
	}
	nu := float64(counted - len(r.Places))
	if counted < spreadFrom || !apart || r.Unsettled {
		return Finding{}, false, nil
	}
	spread, limit := observed(r.Places, nu), known.sigma*math.Sqrt(varianceRatio(nu, freedom))
	if spread <= limit {
		return Finding{}, false, nil
	}
	places := 1 - known.resolution.decimal().Exponent() // to a tenth of a count
	text := func(x float64) string { return decimal.NewFromFloat(x).RoundBank(places).String() }
	return Finding{Code: codeSpread, Params: map[string]string{"spread": text(spread), "stated": s.Repeatability.String(),
		"limit": text(limit), "repeats": strconv.Itoa(counted)}}, true, nil
}

// varianceRatio is the limit of s² of nu degrees of freedom over a variance of freedom.
func varianceRatio(nu, freedom float64) float64 {
	if freedom >= likeNormal {
		return distuv.ChiSquared{K: nu}.Quantile(spreadLevel) / nu
	}
	return distuv.F{D1: nu, D2: freedom}.Quantile(spreadLevel)
}

// observed is the standard deviation of the counted repeats, pooled over the places.
func observed(places []PlaceMean, nu float64) float64 {
	square := 0.0
	for _, p := range places {
		square += p.Deviation * p.Deviation * (float64(p.Counted-1) / nu)
	}
	return math.Sqrt(square)
}
