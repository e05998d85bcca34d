package drawing

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

// dims makes dimensions from a pattern: D is thick, p is thin.
func dims(pattern string) []dim {
	var all []dim
	for i, c := range pattern {
		all = append(all, dim{title: fmt.Sprint(string(c), i), thick: c == 'D', plus: true})
	}
	return all
}

func titles(all []dim) string {
	var s []string
	for _, d := range all {
		s = append(s, d.title)
	}
	return strings.Join(s, " ")
}

// Case parts stand at the ends, what lies between them between.
func TestOrderOfWhatMakesTheRoom(t *testing.T) {
	for _, c := range []struct{ given, want string }{
		{"", ""},
		{"D", "D0"},
		{"p", "p0"},
		{"DD", "D0 D1"},
		{"DDp", "D0 p2 D1"},
		{"pDD", "D1 p0 D2"},
		{"DpD", "D0 p1 D2"},
		{"pDp", "D1 p0 p2"},
		{"ppp", "p0 p1 p2"},
		{"DDDp", "D0 D1 p3 D2"},
	} {
		s := &section{plus: dims(c.given)}
		s.layPlus()
		assert.Equal(t, c.want, titles(s.plus), c.given)
	}
}

// Whatever the dimensions are, they fill the room from seat to seat without a
// hole, and none is without width.
func TestSpread(t *testing.T) {
	for _, pattern := range []string{"D", "p", "DD", "Dp", "DpD", "pp", "DppD", "DDD", "pppppppppppp", "Dppppppppppp"} {
		all := dims(pattern)
		spread(all, 150, 850)
		assert.InDelta(t, 150, all[0].x0, 1e-9, pattern)
		assert.InDelta(t, 850, all[len(all)-1].x1, 1e-9, pattern)
		for i, d := range all {
			assert.Greater(t, d.x1-d.x0, 5.0, pattern)
			if i > 0 {
				assert.InDelta(t, all[i-1].x1, d.x0, 1e-9, pattern)
			}
		}
	}
	spread(nil, 0, 1)
}

func TestSideOfAPack(t *testing.T) {
	plus := []dim{{side: "pump side"}, {}, {side: "flywheel side"}}
	for _, c := range []struct {
		plus []dim
		side string
		i    int
		left bool
	}{
		{plus, "pump side", 0, true},
		{plus, "pump side", 1, true},
		{plus, "flywheel side", 0, false},
		{plus, "flywheel side", 1, false},
		{plus, "elsewhere", 0, true},
		{plus, "elsewhere", 1, false},
		{nil, "", 0, true},
		{[]dim{{}, {side: "cover side"}}, "cover side", 0, false},
	} {
		s := &section{plus: c.plus}
		assert.Equal(t, c.left, s.atLeft(c.side, c.i), c)
	}
}

// fitted is a section with the given end float and two packs.
func fitted(t *testing.T, float string, step *session.StepView) *section {
	t.Helper()
	s := named("x", 4, 2, "")
	fit := s.Advice[0].Best
	fit.EndFloat = number(float)
	for i := range fit.Packs {
		fit.Packs[i].Side = []string{"one", "two"}[i]
		fit.Packs[i].Pieces, fit.Packs[i].Total = []session.Number{number("0.20")}, number("0.20")
	}
	fit.Total = number("0.40")
	s.Step = step
	return newSection(wording.English, s, 0)
}

func TestPacksAndFloat(t *testing.T) {
	c := fitted(t, "0.10", nil)
	require.Len(t, c.packs, 2)
	assert.InDelta(t, gapWide*0.4, c.packs[0].x1-c.packs[0].x0, 1e-6)
	assert.InDelta(t, gapWide*0.2, c.room1-c.room0, 1e-6)

	tight := fitted(t, "-0.05", nil)
	assert.InDelta(t, 0, tight.room1-tight.room0, 1e-6, "what does not fit leaves no room")
	assert.Equal(t, "no float: too tight", tight.gapLabel().sub)

	check := fitted(t, "0.10", &session.StepView{Name: "feel", Use: session.GapCheck})
	require.Len(t, check.packs, 1, "only the first side is fitted")
	assert.InDelta(t, gapWide*0.6, check.room1-check.room0, 1e-6, "check gap and packs have one scale")
	assert.Equal(t, "check gap, to be found", check.gapLabel().sub)

	none := named("x", 4, 0, "")
	none.Advice[0].Best.EndFloat = number("0")
	assert.Empty(t, newSection(wording.English, none, 0).packs)
}

func TestGapLabel(t *testing.T) {
	gap := number("0.591")
	best := &session.Fit{EndFloat: number("0.151"), CheckGap: number("0.351")}
	for _, c := range []struct {
		name      string
		a         session.Advice
		checking  bool
		main, sub string
	}{
		{"nothing known", session.Advice{}, false, "gap", "not known yet"},
		{"a gap, no fit", session.Advice{Gap: &gap}, false, "0.591 mm", "gap"},
		{"a fit", session.Advice{Gap: &gap, Best: best, State: session.Final}, false, "0.151 mm", "end float"},
		{"so far", session.Advice{Gap: &gap, Best: best, State: session.Provisional}, false, "0.151 mm", "end float, so far"},
		{"check", session.Advice{Gap: &gap, Best: best, State: session.Final}, true, "0.351 mm", "check gap, to be found"},
		{"check before the fit", session.Advice{}, true, "check gap", ""},
	} {
		s := &section{l: wording.English, advice: c.a, checking: c.checking}
		got := s.gapLabel()
		assert.Equal(t, []string{c.main, c.sub}, []string{got.main, got.sub}, c.name)
	}
}

// Labels stand side by side in the picture, in order, whatever they point to.
func TestPlace(t *testing.T) {
	for _, c := range []struct{ at, wide []float64 }{
		{[]float64{500}, []float64{300}},
		{[]float64{150, 850}, []float64{300, 300}},
		{[]float64{150, 160, 170}, []float64{300, 300, 300}},
		{[]float64{840, 845, 850}, []float64{300, 300, 300}},
		{[]float64{150, 750, 850}, []float64{100, 500, 350}},
	} {
		var all []label
		for _, x := range c.at {
			all = append(all, label{x: x})
		}
		xs := place(all, c.wide)
		left := margin
		for i, x := range xs {
			assert.GreaterOrEqual(t, x-c.wide[i]/2, left-1e-9, c)
			left = x + c.wide[i]/2
		}
		assert.LessOrEqual(t, left, width-margin+1e-9, c)
	}
}

func TestShortenWrapBalance(t *testing.T) {
	assert.Equal(t, "short", shorten("short", 20, 500, false))
	cutText := shorten("a text that is far too long", 20, 100, false)
	assert.True(t, strings.HasSuffix(cutText, "…"), cutText)
	assert.LessOrEqual(t, textWidth(cutText, 20, false), 100.0)

	assert.Equal(t, []string{"one two", "three"}, wrap("one two three", 20, textWidth("one two", 20, false)+1, 2, false))
	assert.Len(t, wrap(strings.Repeat("word ", 50), 20, 200, 2, false), 2)
	assert.Empty(t, wrap("", 20, 200, 2, false))

	lines := balance("Flywheel half, joint face to bearing", nameSize, 820, true)
	require.Len(t, lines, 2)
	assert.Equal(t, "Flywheel half, joint face to bearing", strings.Join(lines, " "), "nothing is lost")
	assert.Less(t, textWidth(lines[0], 1, true)/textWidth(lines[1], 1, true), 1.6)
	assert.Equal(t, []string{"Gasket"}, balance("Gasket", nameSize, 820, true))
}

func TestFitSize(t *testing.T) {
	size, ok := fitSize("abc", 40, 20, 1000, false)
	assert.True(t, ok)
	assert.InDelta(t, 40, size, 0)
	size, ok = fitSize(strings.Repeat("a", 100), 40, 20, 1000, false)
	assert.False(t, ok)
	assert.InDelta(t, 20, size, 0)
}

// A pack with too many pieces to list says how thick it is in all.
func TestManyPieces(t *testing.T) {
	l := label{main: strings.Repeat("0.10 + ", 30) + "0.10", short: "3.10 in all"}
	l.fit(300)
	assert.Equal(t, "3.10 in all", l.main)
}

func TestClean(t *testing.T) {
	for _, c := range []struct{ is, want string }{
		{"  a \t\n b  ", "a b"},
		{"a\u202eb\u200bc", "abc"},
		{"a\x00b\x1bc", "a b c"},
		{"\xff\xfea", "a"},
		{"軸", "軸"},
		{"", ""},
	} {
		assert.Equal(t, c.want, clean(c.is), "%q", c.is)
	}
	assert.Equal(t, longest+1, len([]rune(clean(strings.Repeat("x", 1000)))))
}

var coordinate = regexp.MustCompile(` (x|x1|x2|cx)="(-?[0-9.]+)"`)

// Nothing is drawn outside the picture, at any number of terms.
func TestCoordinatesStayInside(t *testing.T) {
	for terms := range 20 {
		for _, active := range []string{"", "step0", "step2", "else", "feel"} {
			picture := Section(wording.English, named("name", terms, terms%4, active), 0)
			for _, m := range coordinate.FindAllStringSubmatch(picture[strings.Index(picture, "</defs>"):], -1) {
				x, err := strconv.ParseFloat(m[2], 64)
				require.NoError(t, err)
				assert.True(t, x >= 0 && x <= width, "%s at %d terms", m[0], terms)
			}
		}
	}
	many := Section(wording.English, named("name", 30, 2, ""), 0)
	assert.Contains(t, many, "and 18 more dimensions")
}

// The text alternative says what the picture shows.
func TestTitle(t *testing.T) {
	done := at(t, "pump-bottom-end", strings.Join(bottomEnd, ""))
	said := Title(wording.English, done, 0)
	for _, want := range []string{
		"Section along the shaft: End float of the crank.", "Gasket, squeezed 0.346 mm.", "pump side: 0.25.", "End float 0.154 mm.",
	} {
		assert.Contains(t, said, want)
	}
	assert.NotContains(t, said, "To measure now")
}

func BenchmarkSection(b *testing.B) {
	s := at(b, "pump-bottom-end", strings.Join(bottomEnd, ""))
	for b.Loop() {
		Section(wording.English, s, 0)
	}
}
