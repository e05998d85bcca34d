package session

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// largePlan is a chain of ten terms, the given number of shim sizes with counts, two
// sides and up to three pieces a side.
func largePlan(sizes int) string {
	var b strings.Builder
	b.WriteString("plan = \"large\"\ntitle = \"A long chain\"\n")
	for i := range 10 {
		fmt.Fprintf(&b, "[[step]]\nname = \"s%d\"\ntitle = \"Step\"\ninstrument = \"caliper\"\nrange = [\"9.00\", \"21.00\"]\n", i)
	}
	b.WriteString("[[chain]]\nname = \"float\"\ntitle = \"Float\"\nleast = \"0.10\"\nmost = \"0.30\"\nterm = [\n")
	for i := range 10 {
		fmt.Fprintf(&b, "{ step = \"s%d\", sign = \"%s\" },\n", i, []string{"+", "-"}[i%2])
	}
	b.WriteString("]\nside = [{ name = \"a\", most = 3 }, { name = \"b\", most = 3 }]\n")
	for i := range sizes {
		fmt.Fprintf(&b, "[[stock]]\nthickness = \"0.%03d\"\ncount = 3\n", 50+i*13)
	}
	return b.String()
}

// largeJob is a job of that plan, measured to a gap of about 0.9 mm.
func largeJob(tb testing.TB, sizes int) *job {
	tb.Helper()
	plan, err := ReadPlan("large.toml", []byte(largePlan(sizes)))
	require.NoError(tb, err)
	j := newJob(theMethod, Entry{}, Began{}, plan)
	p := testProfiles()[0]
	for i := range plan.Steps {
		require.NoError(tb, j.pretend(i, []Profile{p}))
		for k := range j.readings {
			if j.readings[k].step == i && i%2 == 0 {
				j.readings[k].taken.Value = Num(j.readings[k].taken.Value.Add(mm("0.18").Decimal))
			}
		}
		require.NoError(tb, j.reduce(i))
		j.steps[i].closed = true
	}
	return j
}

func TestTheLargeJobHasAdvice(t *testing.T) {
	a, err := largeJob(t, 20).advise(0)
	require.NoError(t, err)
	require.Equal(t, "0.90", a.Gap.String())
	require.NotNil(t, a.Best)
	require.Positive(t, a.Possible)
}

// BenchmarkAdvice works the whole advice out after one reading: budget, fits, and
// what to do next.
func BenchmarkAdvice(b *testing.B) {
	for _, sizes := range []int{5, 20, 40} {
		b.Run(fmt.Sprintf("%d sizes", sizes), func(b *testing.B) {
			j := largeJob(b, sizes)
			for b.Loop() {
				if _, err := j.advise(0); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
