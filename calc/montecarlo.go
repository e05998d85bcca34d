package calc

import (
	"math"
	"math/rand/v2"
)

// Sample is the result of a Monte Carlo evaluation (JCGM 101:2008): the errors that were
// drawn, sorted, in the unit of the result, around 0. It does not change.
type Sample struct {
	sorted   []float64
	mean, s  float64
	unstated bool
}

const maxDraws = 10_000_000

// MonteCarlo draws the budget's causes, each from its shape, and works out the error of
// the result as often as asked, 2 to 10,000,000 times (JCGM 101:2008, 7.2 to 7.5). The
// same seed gives the same sample on every machine: the generator is PCG-DXSM. Shapes
// and what U and Freedom mean in them are described at Shape. Correlated causes are
// mixed linearly from independent ones (6.4.8), so that their correlation is exact; the
// later of two causes then takes over the shape of the earlier one as far as they are
// correlated. Products count in full. The error is that of Combine.
func (b Budget) MonteCarlo(draws int, seed uint64) (*Sample, error) {
	if draws < 2 || draws > maxDraws {
		return nil, refuse("draws", "are %d; ask for 2 to %d", draws, maxDraws)
	}
	w, err := b.weigh()
	if err != nil {
		return nil, err
	}
	s := w.draw(draws, seed)
	s.unstated = len(b.Unstated) > 0
	return s, nil
}

func (w *weighed) draw(draws int, seed uint64) *Sample {
	values := make([]float64, draws)
	random := rand.New(rand.NewPCG(seed, 0))
	if len(w.Products) > 0 {
		w.drawProducts(values, random)
		return newSample(values)
	}
	for j, weight := range w.drawWeights() {
		if weight != 0 {
			addDraws(values, w.Causes[j].Shape, w.Causes[j].Freedom, weight, random)
		}
	}
	return newSample(values)
}

// drawWeights is what each standardised, independent draw adds to the result.
func (w *weighed) drawWeights() []float64 {
	if w.root == nil {
		return w.c
	}
	weights := make([]float64, len(w.c))
	for i, row := range w.root {
		for j := range i + 1 {
			weights[j] += w.c[i] * row[j]
		}
	}
	return weights
}

// addDraws adds weight times a standardised draw of the shape to each value.
func addDraws(values []float64, shape Shape, nu, weight float64, random *rand.Rand) {
	switch shape {
	case Normal:
		for i := range values {
			values[i] += weight * random.NormFloat64()
		}
	case Rectangular:
		a, twice := weight*math.Sqrt(3), 2*weight*math.Sqrt(3)
		for i := range values {
			values[i] += twice*random.Float64() - a
		}
	default:
		for i := range values {
			values[i] += weight * drawn(shape, nu, random)
		}
	}
}

// drawn is one draw of u = 1 (JCGM 101:2008, 6.4.2 to 6.4.9).
func drawn(shape Shape, nu float64, random *rand.Rand) float64 {
	switch shape {
	case Normal:
		return random.NormFloat64()
	case Rectangular:
		return math.Sqrt(3) * (2*random.Float64() - 1)
	case Triangular:
		return math.Sqrt(6) * (random.Float64() + random.Float64() - 1)
	case ArcSine:
		return math.Sqrt2 * math.Sin(2*math.Pi*random.Float64())
	}
	if nu >= likeNormal {
		return random.NormFloat64()
	}
	return random.NormFloat64() / math.Sqrt(2*gamma(nu/2, random)/nu)
}

// gamma draws from the gamma distribution of shape a > 0 and scale 1 (G. Marsaglia and
// W. W. Tsang, 2000): squeeze-free, for a < 1 by way of a + 1.
func gamma(a float64, random *rand.Rand) float64 {
	if a < 1 {
		return gamma(a+1, random) * math.Pow(1-random.Float64(), 1/a)
	}
	d := a - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		z := random.NormFloat64()
		v := 1 + c*z
		if v <= 0 {
			continue
		}
		v *= v * v
		if math.Log(1-random.Float64()) < z*z/2+d-d*v+d*math.Log(v) {
			return d * v
		}
	}
}

// drawProducts draws cause by cause for each value, as products need them together.
func (w *weighed) drawProducts(values []float64, random *rand.Rand) {
	z, x := make([]float64, len(w.Causes)), make([]float64, len(w.Causes))
	for k := range values {
		for j, c := range w.Causes {
			z[j] = drawn(c.Shape, c.Freedom, random)
		}
		sum := 0.0
		for i := range x {
			x[i] = z[i]
			if w.root != nil {
				x[i] = 0
				for j := range i + 1 {
					x[i] += w.root[i][j] * z[j]
				}
			}
			sum += w.c[i] * x[i]
		}
		for _, p := range w.Products {
			sum += p.By * w.Causes[p.A].U * x[p.A] * w.Causes[p.B].U * x[p.B]
		}
		values[k] = sum
	}
}

func newSample(values []float64) *Sample {
	s := &Sample{sorted: sortFloats(values)}
	n := float64(len(values))
	for _, v := range s.sorted {
		s.mean += v / n
	}
	for _, v := range s.sorted {
		s.s += (v - s.mean) * (v - s.mean) / (n - 1)
	}
	s.s = math.Sqrt(s.s)
	return s
}

const (
	digitBits   = 11
	digits      = 1 << digitBits
	digitPasses = 6
)

// sortFloats sorts numbers, none of them NaN, by their bits in six passes of eleven:
// negative numbers inverted, others with the sign bit set, are in order as integers.
func sortFloats(values []float64) []float64 {
	from, to := make([]uint64, len(values)), make([]uint64, len(values))
	var counts [digitPasses][digits]int
	for i, v := range values {
		u := math.Float64bits(v)
		if u>>63 == 1 {
			u = ^u
		} else {
			u |= 1 << 63
		}
		from[i] = u
		for p := range digitPasses {
			counts[p][u>>(p*digitBits)%digits]++
		}
	}
	for p := range digitPasses {
		at := 0
		for d, n := range counts[p] {
			counts[p][d] = at
			at += n
		}
		for _, u := range from {
			d := u >> (p * digitBits) % digits
			to[counts[p][d]] = u
			counts[p][d]++
		}
		from, to = to, from
	}
	for i, u := range from {
		if u>>63 == 1 {
			values[i] = math.Float64frombits(u &^ (1 << 63))
		} else {
			values[i] = math.Float64frombits(^u)
		}
	}
	return values
}

// Mean returns the mean of the drawn errors.
func (s *Sample) Mean() float64 { return s.mean }

// U returns their standard deviation, the standard uncertainty (JCGM 101:2008, 7.6).
func (s *Sample) U() float64 { return s.s }

// Interval returns the probabilistically symmetric coverage interval of probability p,
// held within 0 to 1 (JCGM 101:2008, 7.7).
func (s *Sample) Interval(p float64) (low, high float64) {
	q := s.covered(p)
	first := (len(s.sorted) - q) / 2
	return s.sorted[first], s.sorted[first+q-1]
}

// Shortest returns the shortest coverage interval of probability p (JCGM 101:2008,
// 5.3.4, 7.7).
func (s *Sample) Shortest(p float64) (low, high float64) {
	q := s.covered(p)
	low, high = s.sorted[0], s.sorted[q-1]
	for i := 1; i+q <= len(s.sorted); i++ {
		if s.sorted[i+q-1]-s.sorted[i] < high-low {
			low, high = s.sorted[i], s.sorted[i+q-1]
		}
	}
	return low, high
}

// covered is how many draws an interval of probability p holds, at least one.
func (s *Sample) covered(p float64) int {
	if !(p > 0) {
		return 1
	}
	return max(1, int(math.Round(min(p, 1)*float64(len(s.sorted)))))
}

// Below returns the fraction of drawn errors below x.
func (s *Sample) Below(x float64) float64 {
	low, high := 0, len(s.sorted)
	for low < high {
		if mid := (low + high) / 2; s.sorted[mid] < x {
			low = mid + 1
		} else {
			high = mid
		}
	}
	return float64(low) / float64(len(s.sorted))
}
