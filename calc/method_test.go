package calc

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

func TestVersion(t *testing.T) {
	assert.Equal(t, "shimwright/1", method.Version())
}

func TestKnownScatterLimits(t *testing.T) {
	m := method
	for n := 2; n < grubbsFrom; n++ {
		t.Logf("n = %d: %.10f", n, m.scatter[n])
		assert.InDelta(t, 0.95, largestDeviation(n, m.scatter[n]), 1e-12, "n = %d", n)
		assert.Greater(t, m.scatter[n], m.scatter[n-1])
	}
}

// For two values |x₁−x₂|/2 is |N(0,1)|/√2, so the limit is 1.959963984540054/√2 (the
// normal quantile is in any table; to these digits from gonum).
func TestKnownScatterOfTwoByHand(t *testing.T) {
	assert.InDelta(t, 1.959963984540054/math.Sqrt2, method.scatter[2], 1e-10)
	for _, q := range []float64{0.1, 0.5, 1, 2, 3} {
		assert.InDelta(t, math.Erf(q), largestDeviation(2, q), 1e-10, "q = %g", q)
	}
}

// A distribution rises from 0 to 1; more values go further.
func TestLargestDeviationIsADistribution(t *testing.T) {
	for n := 2; n < grubbsFrom; n++ {
		assert.InDelta(t, 0, largestDeviation(n, 0), 1e-15)
		assert.InDelta(t, 1, largestDeviation(n, 6), 1e-6, "n = %d", n)
		for q := 0.25; q < 4; q += 0.25 {
			assert.Greater(t, largestDeviation(n, q), largestDeviation(n, q-0.25), "n = %d, q = %g", n, q)
		}
	}
}

// Simulation: of 150,000 sets of n, 95 % must stay within the limit; three standard
// errors of such a share are 0.00169.
func TestKnownScatterAgainstSimulation(t *testing.T) {
	const sets = 150_000
	m, random := method, rand.New(rand.NewPCG(20, 7))
	for n := 2; n < grubbsFrom; n++ {
		within, x := 0, make([]float64, n)
		for range sets {
			for i := range x {
				x[i] = random.NormFloat64()
			}
			slices.Sort(x)
			median := (x[(n-1)/2] + x[n/2]) / 2
			if max(x[n-1]-median, median-x[0]) <= m.scatter[n] {
				within++
			}
		}
		assert.InDelta(t, 0.95, float64(within)/sets, 0.0017, "n = %d", n)
	}
}

// JCGM 100:2008, Table G.2, and the same quantiles recomputed to five decimals: the
// limits of the Grubbs and ESD tests rest on these. Printed to two places, once (nu 35,
// 90 %: 1.70 for 1.6896) off by one.
func TestStudentQuantilesAgainstTableG2(t *testing.T) {
	rows := reference(t, "gum_tableG2.csv")
	for _, r := range rows {
		for column, p := range map[int]float64{2: 0.90, 3: 0.95, 5: 0.99} {
			got := -distuv.StudentsT{Sigma: 1, Nu: float(t, r[0])}.Quantile((1 - p) / 2)
			assert.InDelta(t, float(t, r[column]), got, 0.0105, "nu %s, p %g", r[0], p)
			assert.InDelta(t, float(t, r[column+6]), got, 6e-6, "nu %s, p %g", r[0], p)
		}
	}
	require.Greater(t, len(rows), 20)
}

// Printed tables of Grubbs limits (several handbooks carry them, off by up to 0.001 from
// the formula) and the formula of the NIST/SEMATECH e-Handbook, 1.3.5.17.1.
func TestGrubbsLimitsAgainstPrintedTables(t *testing.T) {
	m := method
	rows := reference(t, "grubbs_critical.csv")
	for _, r := range rows {
		n := int(float(t, r[0]))
		for i, tail := range []float64{0.05, 0.025, 0.01, 0.005} {
			got := grubbsLimit(n, tail)
			assert.InDelta(t, float(t, r[1+2*i]), got, 1.05e-3, "n %d, tail %g, table", n, tail)
			assert.InDelta(t, float(t, r[2+2*i]), got, 6e-5, "n %d, tail %g, formula", n, tail)
		}
		assert.InDelta(t, float(t, r[4]), m.limit(n), 6e-5)
	}
	require.Greater(t, len(rows), 15)
}

// With three values the statistic cannot pass 2/√3 and the limit is just below it: why
// small sets are judged by the known scatter (1.1547 and 1.1543).
func TestGrubbsIsBlindAtThree(t *testing.T) {
	assert.InDelta(t, 1.1543, grubbsLimit(3, 0.025), 5e-5)
	assert.Less(t, 2/math.Sqrt(3)-grubbsLimit(3, 0.025), 5e-4)
}

func TestLimitsGoOnBeyondTheCache(t *testing.T) {
	m := method
	assert.Greater(t, m.limit(cachedLimits), m.limit(cachedLimits-1))
	assert.InDelta(t, m.limit(cachedLimits-1), m.limit(cachedLimits), 0.002)
	assert.Greater(t, m.limit(maxRepeats), m.limit(cachedLimits))
}
