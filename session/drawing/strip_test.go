package drawing

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

// stripStep is a step with one place, at which the given values have the given
// standings.
func stripStep(name string, values ...string) (session.StepView, []session.ReadingView) {
	step := session.StepView{Name: "width", Title: name, Number: 3, Places: []session.PlaceView{{Name: name}}}
	var all []session.ReadingView
	for i, text := range values {
		value, standing, _ := strings.Cut(text, " ")
		v := number(value)
		r := session.ReadingView{Seq: int64(10 + i), Step: "width", Place: name, Value: &v, Standing: session.Standing(standing)}
		if standing == "" {
			r.Standing = session.Counted
		}
		if r.Standing == session.Counted {
			step.Places[0].Counted++
		}
		step.Places[0].Value = &v
		all = append(all, r)
	}
	return step, all
}

// paper is a pen that keeps what it drew.
type paper struct {
	marks map[Ink]int
	texts []string
	xs    []float64
}

func (p *paper) Line(ink Ink, points ...float64) {
	p.marks[ink]++
	p.xs = append(p.xs, points[0], points[2])
}
func (p *paper) Circle(ink Ink, x, _, _ float64) { p.marks[ink]++; p.xs = append(p.xs, x) }
func (p *paper) Write(_ string, _, _, _ float64, _ bool, text string) {
	p.texts = append(p.texts, text)
}
func (p *paper) Width(s string, size float64, bold bool) float64 { return textWidth(s, size, bold) }
func (p *paper) Shortened(s string, size, room float64, bold bool) string {
	return shorten(s, size, room, bold)
}
func (p *paper) Broken(s string, size, room float64, bold bool) []string {
	return wrap(s, size, room, 2, bold)
}

func TestEachStandingHasItsMark(t *testing.T) {
	step, readings := stripStep("at the pin", "52.56", "52.57", "52.57", "52.90 left out", "52.10 struck out")
	strips := Strips(wording.English, step, readings)
	require.Len(t, strips, 1)
	p := &paper{marks: map[Ink]int{}}
	strips[0].Draw(p, 0)
	assert.Equal(t, map[Ink]int{Rule: 1, Axis: 1, Mean: 1, Dot: 3, Cross: 2, Ring: 2}, p.marks)
	assert.Equal(t, []string{"3  at the pin", "at the pin", "52.10", "52.90", "3 counted, 2 not: 13, 14"}, p.texts)
	for _, x := range p.xs {
		assert.True(t, x >= 0 && x <= StripWide, x)
	}
	assert.Equal(t, "at the pin, at the pin: 52.56 mm, 52.57 mm, 52.57 mm, 52.90 mm left out, 52.10 mm struck out.", strips[0].Said())
	picture := strips[0].SVG()
	assert.Equal(t, 3, strings.Count(picture, `<circle class="stripdot"`))
	assert.Equal(t, 2, strings.Count(picture, `<path class="stripcross"`))
	assert.Equal(t, 1, strings.Count(picture, `<circle class="stripring"`))
}

func TestStripsThatHaveNothingToShow(t *testing.T) {
	step, _ := stripStep("a")
	assert.Empty(t, Strips(wording.English, step, nil))
	_, other := stripStep("a", "1.00")
	other[0].Standing = ""
	assert.Empty(t, Strips(wording.English, step, other), "nothing was filed")
	step.Places = append(step.Places, session.PlaceView{Name: "b"})
	other[0].Standing = session.Counted
	strips := Strips(wording.English, step, other)
	require.Len(t, strips, 2)
	assert.Equal(t, "a, b: no reading.", strips[1].Said())
	assert.NotContains(t, strips[1].SVG(), "<circle")
	assert.Equal(t, "b", strips[1].Place().Name)
}

// Equal readings lie on one another, and two that are near are not drawn far apart.
func TestPilesAndSpans(t *testing.T) {
	step, readings := stripStep("a", "1.00", "1.00", "1.00", "1.01")
	s := Strips(wording.English, step, readings)[0]
	assert.Equal(t, 3, s.pile())
	assert.InDelta(t, leastSpan, s.high-s.low, 1e-9)
	assert.InDelta(t, 360-24, s.at(onScreen(), s.high), 1e-9)
}

func TestStripsOfHostileNames(t *testing.T) {
	for _, name := range hostile {
		for _, values := range [][]string{{"0.001"}, {"-99999.123456", "99999.123456"}, {"1.00", "1.00", "1.00", "1.00", "1.00", "1.00", "1.00", "1.00"}, {"12345.67891", "12345.67892"}} {
			step, readings := stripStep(name, values...)
			for _, s := range Strips(wording.English, step, readings) {
				picture := s.SVG()
				checkXML(t, picture)
				for _, line := range strings.Split(picture, "\n") {
					if !strings.HasPrefix(line, "<text") {
						continue
					}
					_, at := cut(line, ` x="`)
					_, anchor := cut(line, `text-anchor="`)
					var x float64
					_, err := fmt.Sscan(at, &x)
					require.NoError(t, err)
					wide := textWidth(checkXML(t, line)[0], 17, false)
					left := map[string]float64{"start": x, "middle": x - wide/2, "end": x - wide}[anchor]
					assert.True(t, left > -1 && left+wide < 361, "%s %v", line, values)
				}
			}
		}
	}
}
