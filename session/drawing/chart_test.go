package drawing

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session/history"
)

// agreement is what closed jobs with these E_n teach.
func agreement(t *testing.T, values ...float64) *history.Agreement {
	t.Helper()
	a := &history.Agreement{Plan: "pump-governor-shaft", Chain: "governor-float", Title: "End float of the governor shaft", Way: history.BuiltEngine}
	for i, en := range values {
		a.Points = append(a.Points, history.Point{
			Job: strconv.Itoa(i + 1), Ended: time.Date(2026, 3, 2+i, 8, 0, 0, 0, time.UTC),
			Found: number(fmt.Sprintf("%.4f", 0.2+en*0.05)), Expected: number("0.2000"), En: en, Agrees: math.Abs(en) <= 1,
		})
	}
	require.NoError(t, a.Work())
	return a
}

func quiet(n int) []float64 {
	r := rand.New(rand.NewPCG(8, 1))
	values := make([]float64, n)
	for i := range values {
		values[i] = math.Round(r.NormFloat64()*400) / 1000
	}
	return values
}

func TestControlChartGolden(t *testing.T) {
	shifted := append(quiet(10), 1.9, -0.4, 0.9, 1.2, 0.8, 0.9, 1.1, 0.7, 0.9, 0.8)
	few := agreement(t, 0.2, -0.3, 0.1)
	few.Way, few.Title = "check gap", "End float of the crank"
	for _, c := range []struct {
		name string
		all  []*history.Agreement
	}{
		{"chart-quiet", []*history.Agreement{agreement(t, quiet(30)...)}},
		{"chart-shifted", []*history.Agreement{agreement(t, shifted...)}},
		{"chart-two", []*history.Agreement{few, agreement(t, quiet(90)...)}},
	} {
		golden(t, c.name+".svg", ControlCharts(c.all))
	}
}

// Each state of a point has a shape of its own, and signals are marked.
func TestMarksOfAControlChart(t *testing.T) {
	a := agreement(t, 0, .1, 0, .1, 0, .1, 0, .1, 0, .1, 5, .1, 0, .1, 0, .1, 0, .1, 0, .1)
	picture := ControlCharts([]*history.Agreement{a})
	count := func(class string) int { return strings.Count(picture, `class="`+class+`"`) }
	assert.Equal(t, 19+1, count("agrees"), "and one in the key")
	assert.Equal(t, 1+1, count("differs"))
	assert.Equal(t, 1+2+1, count("outside"), "the point, and the changes to it and from it")
	assert.Equal(t, 3*2+3, count("row"))
	assert.Equal(t, 19, count("change"))
	for _, said := range []string{"19 of 20 jobs agreed", "Job 11 lies above the limits", "10 jobs in a row, 1 to 10, lie below the centre"} {
		assert.Contains(t, picture, said, "the text alternative")
	}
	codes := map[string]int{}
	for _, s := range a.Signals {
		codes[s.Code]++
	}
	assert.Equal(t, map[string]int{calc.OutsideLimits: 1, calc.RangeAboveLimit: 2, calc.RowOnOneSide: 2}, codes)
}

func TestNoChart(t *testing.T) {
	assert.Empty(t, ControlCharts(nil))
	assert.Empty(t, ControlCharts([]*history.Agreement{agreement(t), agreement(t, 0.3)}))
}

// Whatever the names and values, everything lies in the picture and reads as text.
func TestControlChartsOfHostileNames(t *testing.T) {
	for _, name := range hostile {
		for _, values := range [][]float64{{0, 0}, {1e6, -1e6, 0}, {0.5, 0.5, 0.5}, quiet(300), {-3, 40, 2, 2, 2, 2, 2, 2, 2, 2}} {
			a := agreement(t, values...)
			a.Title, a.Plan, a.Way, a.Points[0].Job = name, name, name, name
			picture := ControlCharts([]*history.Agreement{a})
			checkXML(t, picture)
			assert.NotContains(t, picture, "NaN")
			assert.NotContains(t, picture, "Inf")
			for _, line := range strings.Split(picture, "\n") {
				for _, key := range []string{` x="`, ` cx="`, ` x1="`, ` x2="`} {
					if _, rest, found := strings.Cut(line, key); found {
						x, err := strconv.ParseFloat(rest[:strings.Index(rest, `"`)], 64)
						require.NoError(t, err)
						assert.True(t, x >= 0 && x <= width, line)
					}
				}
				if strings.HasPrefix(line, "<text") && strings.Contains(line, `"start"`) {
					_, at := cut(line, ` x="`)
					_, size := cut(line, `font-size="`)
					var x, s float64
					_, err := fmt.Sscan(at, &x)
					require.NoError(t, err)
					_, err = fmt.Sscan(size, &s)
					require.NoError(t, err)
					assert.LessOrEqual(t, x+textWidth(strings.Join(checkXML(t, line), ""), s, strings.Contains(line, `"bold"`)), width+1, line)
				}
			}
		}
	}
}
