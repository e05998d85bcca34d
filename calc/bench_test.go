package calc

import (
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
)

// twentySizes has two of each: in steps of 0.05 mm, or as measured in thousandths.
func twentySizes(irregular bool) []Shim {
	var out []Shim
	for i := range int64(20) {
		t := 50 * (i + 1)
		if irregular {
			t += i*i*37%41 - 20
		}
		out = append(out, Shim{decimal.New(t, -3), 2})
	}
	return out
}

func twoSides(irregular, even bool) ShimProblem {
	return ShimProblem{
		Gap: d("2.137"), Stock: twentySizes(irregular), Grain: d("0.01"), Even: even,
		Sides:  []Side{{Name: "left", Most: 3}, {Name: "right", Most: 3}},
		Window: Window{d("0.05"), d("0.15"), d("0.1")},
	}
}

var benchProblems = []struct {
	name            string
	irregular, even bool
}{{"regular", false, false}, {"regular even", false, true}, {"irregular", true, false}, {"irregular even", true, true}}

func BenchmarkBestFits(b *testing.B) {
	m := method
	for _, c := range benchProblems {
		p := twoSides(c.irregular, c.even)
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				_, err := m.BestFits(p, 5)
				require.NoError(b, err)
			}
		})
	}
}

// BenchmarkBruteForce does the same problems by trying everything, and fails if the
// answers differ.
func BenchmarkBruteForce(b *testing.B) {
	m := method
	for _, c := range benchProblems {
		p := twoSides(c.irregular, c.even)
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				best, possible := bruteForce(p, 5)
				got, err := m.BestFits(p, 5)
				require.NoError(b, err)
				require.Equal(b, possible, got.Possible)
				require.Equal(b, written(best), written(got.Best))
			}
		})
	}
}

// BenchmarkAdvice is a chain of ten terms and the shims for its gap.
func BenchmarkAdvice(b *testing.B) {
	m, p := method, twoSides(true, true)
	var terms []Term
	for i := range int64(10) {
		terms = append(terms, Term{"length", 1 - 2*int(i%2), decimal.New(3000+i*i*17, -2)})
	}
	terms = append(terms[:9], Term{"last", 1, d("2.137").Sub(d("30").Add(decimal.New(17*36, -2)))})
	for b.Loop() {
		gap, err := Gap(terms)
		require.NoError(b, err)
		require.Equal(b, "2.137", gap.String())
		p.Gap = gap
		_, err = m.BestFits(p, 5)
		require.NoError(b, err)
	}
}

func BenchmarkReduceThree(b *testing.B) {
	m := method
	repeats := []Repeat{{1, d("47.38")}, {1, d("47.39")}, {1, d("47.39")}}
	b.ReportAllocs()
	for b.Loop() {
		_, err := m.Reduce(repeats, caliper, ReduceRule{})
		require.NoError(b, err)
	}
}

func BenchmarkReduceFourThousand(b *testing.B) {
	m := method
	var repeats []Repeat
	for i := range int64(maxRepeats) {
		repeats = append(repeats, Repeat{1, decimal.New(i*i%101, -2)})
	}
	for b.Loop() {
		_, err := m.Reduce(repeats, caliper, ReduceRule{})
		require.NoError(b, err)
	}
}

func BenchmarkNewMethod(b *testing.B) {
	for b.Loop() {
		NewMethod()
	}
}

// method is made once: it does not change.
var method = NewMethod()

var caliper = Scatter{Resolution: d("0.01"), Repeatability: d("0.005")}

func d(text string) decimal.Decimal { return decimal.RequireFromString(text) }
