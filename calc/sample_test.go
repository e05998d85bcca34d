package calc

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A seed gives the same sample today and tomorrow, or a result in a log could not be
// worked out again: five draws of each shape, pinned.
func TestSeedGivesTheSameSample(t *testing.T) {
	for _, c := range []struct {
		shape Shape
		nu    float64
		want  [5]float64
	}{
		{Normal, certain, [5]float64{-4.889743964795, -0.782731454907, 0.535826209861, 2.065804960084, 2.576482287643}},
		{Rectangular, certain, [5]float64{-3.286042198831, -1.942252135114, -1.203661142346, 2.234317081487, 3.428951760162}},
		{Triangular, certain, [5]float64{-3.696962377571, -2.088336855971, -2.019009305304, 1.264756241129, 4.004535801613}},
		{ArcSine, certain, [5]float64{-2.540037670280, -0.090147611727, 0.454757708213, 2.509849252587, 2.777189521593}},
		{StudentT, 1, [5]float64{-5.617820849217, -1.468249165599, 1.138163582621, 2.102177223676, 2.199463688492}},
		{StudentT, 2, [5]float64{-4.223995912087, -3.177116519033, 0.219429215155, 3.285043106371, 41.745517611791}},
		{StudentT, 5, [5]float64{-3.892886254355, -3.577691350899, 0.196228410073, 2.550462543286, 7.217409934547}},
		{StudentT, likeNormal, [5]float64{-4.889743964795, -0.782731454907, 0.535826209861, 2.065804960084, 2.576482287643}},
	} {
		s, err := plainly(Cause{"a", 2, c.nu, c.shape, on(0, 1)}).MonteCarlo(5, 7)
		require.NoError(t, err)
		for i, x := range s.sorted {
			assert.InDelta(t, c.want[i], x, 1e-9, "%v %v", c.shape, c.nu)
		}
	}
	b := Budget{Terms: []Weight{{"a", 1}, {"b", -1}}, Causes: []Cause{{"a", 2, certain, Normal, on(0, 1)}, {"b", 1, certain, Normal, on(1, 1)}}}
	one, err := b.MonteCarlo(3, 7)
	require.NoError(t, err)
	b.Products = []Product{{0, 1, 0}} // draws value by value, not cause by cause
	other, err := b.MonteCarlo(3, 7)
	require.NoError(t, err)
	assert.NotEqual(t, one.sorted, other.sorted)
}

// Mean and standard deviation far from 0: of 1000001, 1000003, 1000008 they are 1000004
// and √13. The shortest interval may be the first, the last or between.
func TestSampleFarFromZero(t *testing.T) {
	s := newSample([]float64{1000008, 1000001, 1000003})
	assert.Equal(t, 1000004.0, s.Mean())
	assert.InDelta(t, math.Sqrt(13), s.U(), 1e-9)
	assert.InDelta(t, math.Sqrt(13), newSample([]float64{1e14 + 8, 1e14 + 1, 1e14 + 3}).U(), 0.01)
	for _, c := range []struct{ values, want []float64 }{
		{[]float64{0, 1, 5, 9}, []float64{0, 1}},
		{[]float64{0, 4, 5, 9}, []float64{4, 5}},
		{[]float64{0, 4, 8, 9}, []float64{8, 9}},
		{[]float64{0, 1, 2, 3}, []float64{0, 1}},
	} {
		low, high := newSample(c.values).Shortest(0.5)
		assert.Equal(t, c.want, []float64{low, high})
	}
}

// Too many draws are refused before anything else is looked at, as many as may be are not.
func TestDrawsAreBounded(t *testing.T) {
	_, err := Budget{}.MonteCarlo(maxDraws, 1)
	refused(t, err, "terms", "are 0")
	_, err = Budget{}.MonteCarlo(maxDraws+1, 1)
	refused(t, err, "draws", "are 10000001")
}

// The standard deviation of 1, 2, 3, 4 is √(5/3), wherever they are.
func TestBetweenPlaces(t *testing.T) {
	for _, shift := range []string{"0", "-70"} {
		var places []PlaceMean
		for _, v := range []string{"1", "2", "3", "4"} {
			places = append(places, PlaceMean{Mean: d(v).Add(d(shift))})
		}
		assert.InDelta(t, math.Sqrt(5.0/3), betweenPlaces(places), 1e-12)
	}
}

// Where repeats or places come to just as much as the resolution it is the resolution,
// which is certain: s_r = d over twelve repeats, two places d/√12·√2 apart at most.
func TestResolutionWinsATie(t *testing.T) {
	ties := 0
	for _, resolution := range []string{"0.01", "0.02", "0.005", "0.001", "0.04", "0.08"} {
		s := Scatter{d(resolution), d(resolution)}
		r := Reduction{Value: d("1"), Places: []PlaceMean{{Mean: d("1"), Counted: 12}}}
		known, err := method.known(s)
		require.NoError(t, err)
		if known.repeatability.mm()*meanOf(r, MeanOfPlaces) != known.resolution.mm()/math.Sqrt(12) {
			continue
		}
		ties++
		got, err := method.MeanUncertainty(r, s, certain, ReduceRule{})
		require.NoError(t, err)
		assert.Equal(t, "resolution", got.From)
	}
	assert.Positive(t, ties)
	r := Reduction{Value: d("1"), Places: []PlaceMean{{Mean: d("1"), Counted: 3, Deviation: biggest}}}
	_, err := method.MeanUncertainty(r, caliper, 8, ReduceRule{})
	require.NoError(t, err)
}
