package calc

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// jobs is how many jobs each simulation plays, more by hand:
// go test ./calc -run Calibrat -v -args -jobs 100000
var jobs = flag.Int("jobs", 1500, "simulated jobs for the calibration of claims")

// bench is a simulated bench: two depths less a width, in an aluminium case that may be
// warm, with instruments of which nothing is known but their limits, or with the depth rod
// checked at zero. Three repeats a length, now and then with a slip.
type bench struct {
	*rand.Rand
	rod, jaws, rest float64 // limits
	checked         bool
}

const (
	benchScatter = 0.004
	benchFreedom = 20
	benchWarmth  = 0.7 // standard uncertainty of a temperature read, K
)

func (b *bench) flat(a float64) float64 { return a * (2*b.Float64() - 1) }

// read is the spread and mean of three repeats of a length that the instrument shows.
func (b *bench) read(t *testing.T, shown float64) (Reduction, Spread) {
	var repeats []Repeat
	for i := range 3 {
		x := shown + benchScatter*b.NormFloat64()
		if i == 1 && b.IntN(50) == 0 {
			x += 0.3 // a slip
		}
		repeats = append(repeats, Repeat{0, decimal.NewFromFloat(x).Round(2)})
	}
	s := Scatter{d("0.01"), d("0.004")}
	r, err := method.Reduce(repeats, s, ReduceRule{})
	require.NoError(t, err)
	u, err := method.MeanUncertainty(r, s, benchFreedom, ReduceRule{})
	require.NoError(t, err)
	return r, u
}

// measure plays a job whose gap is truly g and returns the value that comes out, with its
// combined budget.
func (b *bench) measure(t *testing.T, g float64) (decimal.Decimal, Uncertainty) {
	lengths := []float64{30 + 4*b.Float64(), 5 + b.Float64(), 0}
	lengths[2] = lengths[0] + lengths[1] - g
	alphas := []float64{23.1e-6, 23.1e-6, 11.5e-6}
	warm := 20 + 10*b.Float64()
	// The steel instruments are at 20 °C; the case has the temperature that was read.
	read := warm + benchWarmth*b.NormFloat64()
	rod, jaws, zero := b.flat(b.rod), b.flat(b.jaws), 0.0
	if b.checked {
		zero, rod = rod, b.flat(b.rest)
	}
	errors := []float64{zero + rod, zero + rod, jaws}
	budget := Budget{Terms: []Weight{{"depth", 1}, {"depth", 1}, {"width", -1}}}
	known := []UseErrors{{"caliper", "depth", b.rod, b.rest, 0, nil}, {"caliper", "outside", b.jaws, b.jaws, 0, nil}}
	if b.checked {
		r, u := b.read(t, zero)
		p, err := Checked("zero check", r.Value, d("0"), certain, u, 0, certain)
		require.NoError(t, err)
		known[0].Points = []Point{p}
	}
	var values []decimal.Decimal
	var measured []Measured
	var warmed []Expanding
	for i, l := range lengths {
		shown := l * (1 + alphas[i]*(warm-20))
		r, u := b.read(t, shown+errors[i])
		values = append(values, r.Value)
		budget.Causes = append(budget.Causes, u.Cause(fmt.Sprint("repeats ", i), i))
		measured = append(measured, Measured{i, budget.Terms[i].C, r.Value, "caliper", []string{"depth", "depth", "outside"}[i]})
		warmed = append(warmed, Expanding{i, r.Value, 1, 1, []int{0, 0, 1}[i], 0})
	}
	thermal, err := ToReference(warmed, []Material{material("case", 23.1e-6, 0), material("steel", 11.5e-6, 0)},
		[]Temperature{at20("case", read, benchWarmth), at20("instruments", 20, 0)})
	require.NoError(t, err)
	instrument, err := InstrumentCauses(measured, known)
	require.NoError(t, err)
	gap := decimal.Zero
	for i, v := range values {
		v = v.Add(thermal.Corrections[i]).Add(instrument.Corrections[i])
		gap = gap.Add(v.Mul(decimal.NewFromFloat(budget.Terms[i].C)))
	}
	budget.Causes = append(budget.Causes, append(thermal.Causes, instrument.Causes...)...)
	u, err := budget.Combine(0.95)
	require.NoError(t, err)
	return gap, u
}

// The 95 % interval covers the truth in 94 to 97 of 100 jobs, slips and warm cases among
// them; and what is truly on the limit of the window or just outside is shown inside in
// at most 5 of 100, by either edition.
func TestClaimsAreCalibrated(t *testing.T) {
	w := window("0.05", "0.15")
	for _, c := range []struct {
		name  string
		bench bench
	}{
		{"limits only, one dominant", bench{rod: 0.02, jaws: 0.01}},
		{"good instruments", bench{rod: 0.004, jaws: 0.004}},
		{"checked at zero", bench{rod: 0.04, jaws: 0.01, rest: 0.005, checked: true}},
	} {
		c.bench.Rand = rand.New(rand.NewPCG(20, 26))
		covered, wrong, decided := 0, map[Edition]int{}, map[Edition]int{}
		for range *jobs {
			truth := 0.3 + 0.4*c.bench.Float64()
			gap, u := c.bench.measure(t, truth)
			if math.Abs(gap.InexactFloat64()-truth) <= u.Expanded {
				covered++
			}
			for _, e := range []Edition{ISO14253y1998, ISO14253y2017} {
				// The end float is truly at the lower limit; and, apart from that, in the middle.
				off := gap.Sub(decimal.NewFromFloat(truth)).Round(9)
				if conform(t, u.Estimate(d("0.05").Add(off)), w, Rule{e, 0.95}).Outcome == ShownInside {
					wrong[e]++
				}
				if conform(t, u.Estimate(d("0.10").Add(off)), w, Rule{e, 0.95}).Outcome == ShownInside {
					decided[e]++
				}
			}
		}
		n := float64(*jobs)
		t.Logf("%s: covered %.3f, on the limit shown inside %.3f and %.3f, in the middle shown inside %.3f and %.3f (1998, 2017)", c.name, float64(covered)/n,
			float64(wrong[ISO14253y1998])/n, float64(wrong[ISO14253y2017])/n, float64(decided[ISO14253y1998])/n, float64(decided[ISO14253y2017])/n)
		slack := 3 * math.Sqrt(0.05*0.95/n)
		assert.InDelta(t, 0.955, float64(covered)/n, 0.015+slack, c.name)
		assert.LessOrEqual(t, float64(wrong[ISO14253y1998])/n, 0.05+slack, c.name)
		assert.LessOrEqual(t, float64(wrong[ISO14253y2017])/n, 0.05+slack, c.name)
		assert.GreaterOrEqual(t, decided[ISO14253y2017], decided[ISO14253y1998])
	}
}
