package calc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// Student's t at many degrees of freedom against the incomplete beta function of 40
// digits (Python's mpmath 1.3.0): t(p) = x.
func TestStudentOfManyDegrees(t *testing.T) {
	for _, c := range []struct{ p, nu, x float64 }{
		{0.95, 50, 1.6759050251630971},
		{0.975, 50, 2.0085591121007607},
		{0.995, 50, 2.6777932709408439},
		{0.99999, 50, 4.7110081125460876},
		{0.95, 89.98777667987929, 1.6619634319778334},
		{0.975, 89.98777667987929, 1.9866782171828134},
		{0.995, 89.98777667987929, 2.6315728891400728},
		{0.99999, 89.98777667987929, 4.5033296556661251},
		{0.95, 200, 1.6525081009108771},
		{0.975, 200, 1.971896223633909},
		{0.995, 200, 2.6006344361915576},
		{0.99999, 200, 4.3693895523436927},
		{0.95, 1359, 1.6459756392511805},
		{0.975, 1359, 1.9617111144212625},
		{0.995, 1359, 2.5794518606553551},
		{0.99999, 1359, 4.2799930001854646},
		{0.95, 53747, 1.6448819782189248},
		{0.975, 53747, 1.9600081232593445},
		{0.995, 53747, 2.5759207823659445},
		{0.99999, 53747, 4.2652714974194047},
		{0.95, 9999999, 1.6448537793284165},
		{0.975, 9999999, 1.9599642217672288},
		{0.995, 9999999, 2.5758297952037978},
		{0.99999, 9999999, 4.264892839930939},
	} {
		name := fmt.Sprintf("p %v nu %v", c.p, c.nu)
		assert.InEpsilon(t, c.x, studentQuantile(c.p, c.nu), 1e-10, name)
		assert.InEpsilon(t, -c.x, studentQuantile(1-c.p, c.nu), 1e-10, name)
		assert.InDelta(t, c.p, studentBelow(c.x, c.nu), 1e-12, name)
	}
	for _, c := range []struct{ x, nu, p float64 }{ // of tails
		{0.3, 50, 0.38271044012765162},
		{1.7, 50, 0.04767221468170208},
		{4, 50, 0.0001045951231820168},
		{7.5, 50, 4.9686867204829678e-10},
		{0.3, 200, 0.38224436509466399},
		{1.7, 200, 0.045342739745740848},
		{4, 200, 4.4565476092967193e-5},
		{7.5, 200, 1.0195249576464275e-12},
		{0.3, 1359, 0.38211151775072214},
		{1.7, 1359, 0.044679872103759388},
		{4, 1359, 3.3377004965034185e-5},
		{7.5, 1359, 5.7367709207282066e-14},
	} {
		assert.InEpsilon(t, c.p, studentBelow(-c.x, c.nu), 1e-7, "x %v nu %v", c.x, c.nu)
		assert.InDelta(t, c.p, 1-studentBelow(c.x, c.nu), 1e-12, "x %v nu %v", c.x, c.nu)
	}
}

// Against the library's own, by continued fraction, which itself loses digits
// as ν grows and p nears ½.
func TestStudentAgainstTheLibrary(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 5))
	for range *oracleSets / 2 {
		nu := manyEnough * math.Exp(7*random.Float64())
		if random.IntN(2) == 0 {
			nu = math.Floor(nu)
		}
		lib := distuv.StudentsT{Sigma: 1, Nu: nu}
		p := 0.6 + 0.39995*random.Float64()
		require.InEpsilon(t, lib.Quantile(p), studentQuantile(p, nu), 1e-9, "p %v nu %v", p, nu)
		x := 14*random.Float64() - 7
		require.InDelta(t, lib.CDF(x), studentBelow(x, nu), 1e-10, "x %v nu %v", x, nu)
	}
}

// Where one way ends and the next begins nothing jumps; and all are monotonic, symmetric
// and inverse to each other, which a quantile of a quantile of a tail shows.
func TestStudentIsSmooth(t *testing.T) {
	for _, p := range []float64{0.5, 0.6, 0.95, 0.975, 0.999, 1 - 1e-9} {
		for nu, jump := range map[float64]float64{manyEnough: 1e-8, likeNormal: 1e-5} {
			before := studentQuantile(p, nu*(1-1e-12))
			require.InDelta(t, before, studentQuantile(p, nu), jump, "p %v nu %v", p, nu)
			require.InDelta(t, studentBelow(before, nu*(1-1e-12)), studentBelow(before, nu), jump/10, "p %v nu %v", p, nu)
		}
		for _, nu := range []float64{manyEnough, 77.7, 1e3, 1e5} {
			x := studentQuantile(p, nu)
			require.InDelta(t, 1-p, studentBelow(-x, nu), 1e-15+1e-10*(1-p), "p %v nu %v", p, nu)
			require.Greater(t, studentQuantile(p+(1-p)/2, nu), x)
		}
	}
	assert.Zero(t, studentQuantile(0.5, 100))
	assert.Equal(t, 0.5, studentBelow(0, 100))
	for _, nu := range []float64{manyEnough, 1e6} { // nothing breaks far out
		assert.Equal(t, 1.0, studentBelow(1e12, nu))
		assert.Zero(t, studentBelow(-1e12, nu))
	}
	last := 0.0
	for x := -40.0; x < 8; x += 0.25 {
		p := studentBelow(x, manyEnough)
		require.Greater(t, p, last, "x %v", x)
		last = p
	}
}

func BenchmarkStudent(b *testing.B) {
	for _, nu := range []float64{9, manyEnough, 90, 1e4} {
		b.Run(fmt.Sprintf("quantile/%v", nu), func(b *testing.B) {
			for b.Loop() {
				studentQuantile(0.95, nu)
			}
		})
		b.Run(fmt.Sprintf("below/%v", nu), func(b *testing.B) {
			for b.Loop() {
				studentBelow(1.3, nu)
			}
		})
	}
}
