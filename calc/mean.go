package calc

import "math"

// Spread is the uncertainty of the value that Reduce made, in mm, as far as repeats can
// show it: the standard uncertainty, its degrees of freedom, the shape to enter it with,
// and which of three made it: "repeats", "resolution" or "places".
type Spread struct {
	U, Freedom float64
	Shape      Shape
	From       string
}

// What made a Spread.
const (
	fromRepeats    = "repeats"
	fromResolution = "resolution"
	fromPlaces     = "places"
)

// fewPlaces is up to how many places what they differ by is taken as bounded.
const fewPlaces = 3

// Cause makes the spread a cause of the given name that acts on one term.
func (s Spread) Cause(name string, term int) Cause {
	return Cause{Name: name, U: s.U, Freedom: s.Freedom, Shape: s.Shape, Effects: []Effect{{Term: term, By: 1}}}
}

// MeanUncertainty works out the uncertainty of a reduction's value. freedom belongs to
// the instrument's stated repeatability s_r: 1 or more, or +Inf.
//
//	s_p² = (Σ(nⱼ−1)·sⱼ² + ν_r·s_r²) / (Σ(nⱼ−1) + ν_r)     pooled over the places and s_r
//	u    = max(s_p/m·√Σ1/nⱼ, d/√12, s_places/√m)           of m places with nⱼ counted
//
// which for one place is max(s_p/√n, d/√12) (JCGM 100:2008, 4.2.3, 4.2.4, F.2.2.1; H.3.6
// for pooling). The floor enters once, however many repeats. It is rectangular and has
// no end of degrees of freedom; the others are Student's t with those of s_p, or m−1.
//
// Of two or three places that differ nobody knows the spread well, but a face that leans is
// no sample: what it may be off by is bounded. So the shape is then rectangular, of the
// same u and degrees of freedom; Student's t of one degree would have tails without end.
//
// If one place governs, m is 1 and n its number; what the places differ by is then part
// of what was asked for, not an uncertainty.
//
// A further repeat at the mean of its place never makes u greater. The error is a
// *FieldError: scatter or rule as for Reduce, a reduction that did not come from it,
// degrees of freedom of 0.
func (m *Method) MeanUncertainty(r Reduction, s Scatter, freedom float64, rule ReduceRule) (Spread, error) {
	known, err := m.knownOf(r, s, freedom)
	if err != nil {
		return Spread{}, err
	}
	if _, err := rule.check(); err != nil {
		return Spread{}, err
	}
	pooled, nu := pool(r.Places, known.repeatability.mm(), freedom)
	out := Spread{U: known.resolution.mm() / math.Sqrt(12), Freedom: math.Inf(1), Shape: Rectangular, From: fromResolution}
	if u := pooled * meanOf(r, rule.Governs); u > out.U {
		out = Spread{U: u, Freedom: nu, Shape: StudentT, From: fromRepeats}
	}
	if n := len(r.Places); n > 1 && rule.Governs == MeanOfPlaces {
		if u := betweenPlaces(r.Places) / math.Sqrt(float64(n)); u > out.U {
			out = Spread{U: u, Freedom: float64(n - 1), Shape: StudentT, From: fromPlaces}
			if n <= fewPlaces {
				out.Shape = Rectangular
			}
		}
	}
	return out, nil
}

// knownOf is known, for a reduction that came from Reduce.
func (m *Method) knownOf(r Reduction, s Scatter, freedom float64) (noise, error) {
	known, err := m.known(s)
	if err != nil {
		return noise{}, err
	}
	if err := checkFreedom("freedom", freedom); err != nil {
		return noise{}, err
	}
	if len(r.Places) == 0 {
		return noise{}, refuse("reduction.places", "are none; make the reduction with Reduce")
	}
	for _, p := range r.Places {
		if p.Counted < 1 || !(p.Deviation >= 0 && p.Deviation <= biggest) {
			return noise{}, refuse("reduction.places", "have one without counted repeats; make the reduction with Reduce")
		}
	}
	return known, nil
}

// pool returns s_p and its degrees of freedom.
func pool(places []PlaceMean, sr, freedom float64) (float64, float64) {
	if math.IsInf(freedom, 1) {
		return sr, freedom
	}
	nu := freedom
	for _, p := range places {
		nu += float64(p.Counted - 1)
	}
	square := sr * sr * (freedom / nu)
	for _, p := range places {
		square += p.Deviation * p.Deviation * (float64(p.Counted-1) / nu)
	}
	return math.Sqrt(square), nu
}

// meanOf is what the scatter of one repeat is multiplied by to give that of the value.
func meanOf(r Reduction, g Governs) float64 {
	sum, m := 0.0, float64(len(r.Places))
	for _, p := range r.Places {
		if g != MeanOfPlaces && p.Mean.Equal(r.Value) {
			return 1 / math.Sqrt(float64(p.Counted))
		}
		sum += 1 / float64(p.Counted)
	}
	return math.Sqrt(sum) / m
}

// betweenPlaces is the standard deviation (n−1) of the place means.
func betweenPlaces(places []PlaceMean) float64 {
	base, sum, squares := places[0].Mean, 0.0, 0.0
	n := float64(len(places))
	for _, p := range places {
		sum += p.Mean.Sub(base).InexactFloat64()
	}
	for _, p := range places {
		d := p.Mean.Sub(base).InexactFloat64() - sum/n
		squares += d * d
	}
	return math.Sqrt(squares / (n - 1))
}

// deviation is the standard deviation (n−1) of a place's counted repeats in mm.
func deviation(counted []item) float64 {
	if len(counted) < 2 {
		return 0
	}
	return momentsOf(counted).s * picometre
}
