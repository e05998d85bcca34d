package drawing

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

var hostile = []string{
	`<script>alert(1)</script>`,
	`]]></style></svg><img src=x onerror=alert(1)>`,
	`"&<>' &amp; &#0;`,
	strings.Repeat("Donaudampfschifffahrtsgesellschaft", 40),
	strings.Repeat("W", 500),
	"a\x00b\x1b[31mc\nd\u202ee\ufefff\xff\xfe",
	"長い名前" + strings.Repeat("軸", 200),
	"e" + strings.Repeat("\u0301", 300),
	strings.Repeat("\ufdfd", 30),
	"   ",
	"",
}

// named is a job at which every name is the given one.
func named(name string, terms, sides int, active string) session.Snapshot {
	value := number("12.3456789")
	a := session.Advice{Chain: name, Title: name, State: session.Provisional, Least: number("0.1"), Most: number("0.2"), Aim: number("0.15"), Gap: &value}
	job := &session.JobView{Number: name, Title: name}
	for i := range terms {
		t := session.TermView{Name: fmt.Sprint("step", i), Title: name, Sign: []string{"+", "+", "-"}[i%3], Value: &value}
		a.Terms = append(a.Terms, t)
		step := session.StepView{Name: t.Name, Title: name, Side: name, Use: []session.Use{session.Depth, session.Outside}[i%2]}
		job.Steps = append(job.Steps, step)
	}
	job.Steps = append(job.Steps, session.StepView{Name: "else", Title: name}, session.StepView{Name: "feel", Title: name, Use: session.GapCheck})
	fit := session.Fit{EndFloat: number("0.151"), CheckGap: number("0.351")}
	for i := range sides {
		p := session.Pack{Side: fmt.Sprint(name, i), Pieces: []session.Number{number("0.123456"), number("0.08"), number("0.05")}, Total: number("0.253456")}
		fit.Packs = append(fit.Packs, p)
		fit.Total = session.Num(fit.Total.Add(p.Total.Decimal))
	}
	a.Best = &fit
	s := session.Snapshot{Job: job, Advice: []session.Advice{a}}
	for i := range job.Steps {
		if job.Steps[i].Name == active {
			s.Step = &job.Steps[i]
		}
	}
	return s
}

// Every text stays in the picture by the reckoning of em, and stays text.
func TestHostileNames(t *testing.T) {
	for i, name := range hostile {
		for _, terms := range []int{0, 1, 2, 4, 11, 30} {
			for _, active := range []string{"", "step0", "step1", "step2", "else", "feel"} {
				s := named(name, terms, i%5, active)
				checkPicture(t, Section(wording.English, s, Chain(s)))
			}
		}
		checkPicture(t, Scale(wording.English, named(name, 3, 2, "").Advice[0]))
	}
}

// checkPicture reads the picture and looks at the place of each text.
func checkPicture(t testing.TB, picture string) {
	t.Helper()
	require.NotEmpty(t, picture)
	require.True(t, utf8.ValidString(picture))
	checkXML(t, picture)
	for _, line := range strings.Split(picture, "\n") {
		if !strings.HasPrefix(line, "<text") {
			continue
		}
		var anchor, class string
		var x, y, size float64
		line, class = cut(line, `class="`)
		_, anchor = cut(line, `text-anchor="`)
		for name, v := range map[string]*float64{` x="`: &x, ` y="`: &y, `font-size="`: &size} {
			_, text := cut(line, name)
			_, err := fmt.Sscan(text, v)
			require.NoError(t, err, line)
		}
		texts := checkXML(t, line)
		wide := textWidth(texts[0], size, class != "soft" && !strings.Contains(line, "<tspan"))
		if len(texts) > 1 {
			wide += textWidth("  "+texts[1], size, true)
		}
		left := map[string]float64{"start": x, "middle": x - wide/2, "end": x - wide}[anchor]
		assert.GreaterOrEqual(t, left, -0.5, line)
		assert.LessOrEqual(t, left+wide, width+0.5, line)
		assert.Positive(t, y-size*0.5, line)
		assert.GreaterOrEqual(t, size, 22.0, line)
	}
}

// cut returns the value of the attribute that begins with name.
func cut(line, name string) (whole, value string) {
	_, after, found := strings.Cut(line, name)
	if !found {
		return line, ""
	}
	value, _, _ = strings.Cut(after, `"`)
	return line, value
}

func FuzzSection(f *testing.F) {
	for i, name := range hostile {
		f.Add(name, uint8(i), uint8(i), uint8(i), "0.151", "0.253")
	}
	f.Fuzz(func(t *testing.T, name string, terms, sides, active uint8, float, total string) {
		s := named(name, int(terms%40), int(sides%6), []string{"", "step0", "step2", "else", "feel"}[active%5])
		if n, err := session.ParseNumber(float); err == nil {
			s.Advice[0].Best.EndFloat = n
		}
		if n, err := session.ParseNumber(total); err == nil {
			s.Advice[0].Best.Total = n
		}
		checkXML(t, Section(wording.English, s, Chain(s)))
		checkXML(t, Scale(wording.English, s.Advice[0]))
		require.NotContains(t, Section(wording.English, s, 0), "NaN")
		require.NotContains(t, Section(wording.English, s, 0), "Inf")
	})
}

func TestChain(t *testing.T) {
	two := func(first, second session.AdviceState, step *session.StepView) session.Snapshot {
		return session.Snapshot{Step: step, Advice: []session.Advice{
			{State: first, Terms: []session.TermView{{Name: "a"}}}, {State: second, Terms: []session.TermView{{Name: "b"}}},
		}}
	}
	for _, c := range []struct {
		name string
		s    session.Snapshot
		want int
	}{
		{"no plan", session.Snapshot{}, -1},
		{"the chain of the step", two(session.Waiting, session.Waiting, &session.StepView{Name: "b"}), 1},
		{"a bar: the chain that waits", two(session.Final, session.Waiting, &session.StepView{Name: "bar"}), 1},
		{"a check", two(session.Final, session.Waiting, &session.StepView{Name: "c", Use: session.GapCheck}), 0},
		{"all done", two(session.Final, session.Final, nil), 0},
		{"a bar, all done", two(session.Final, session.Final, &session.StepView{Name: "bar"}), 0},
	} {
		assert.Equal(t, c.want, Chain(c.s), c.name)
	}
	assert.Empty(t, Section(wording.English, session.Snapshot{}, -1))
	assert.Empty(t, Section(wording.English, session.Snapshot{}, 0))
	assert.Empty(t, Title(wording.English, session.Snapshot{}, 0))
	assert.Empty(t, Scale(wording.English, session.Advice{}))
}

// Shims and float are drawn to one scale.
func TestProportion(t *testing.T) {
	s := at(t, "pump-bottom-end", strings.Join(bottomEnd, ""))
	c := newSection(wording.English, s, 0)
	require.Len(t, c.packs, 2)
	k := c.packs[0].k
	for _, p := range c.packs {
		assert.InDelta(t, p.Total.InexactFloat64()*k, p.x1-p.x0, 1e-6)
	}
	assert.InDelta(t, s.Advice[0].Best.EndFloat.InexactFloat64()*k, c.room1-c.room0, 1e-6)
	assert.InDelta(t, c.packs[0].x1, c.bodyLeft, 1e-9, "the shaft lies against the first pack")
	assert.InDelta(t, c.packs[1].x0, c.room1, 1e-9, "the float ends at the second pack")
}

// The active dimension has the large arrows and its name; a measured one its value.
func TestWhatIsPickedOut(t *testing.T) {
	s := at(t, "pump-bottom-end", strings.Join(bottomEnd[:2], ""))
	texts := strings.Join(checkXML(t, Section(wording.English, s, 0)), "\n")
	assert.Contains(t, texts, "52.565 mm")
	picture := Section(wording.English, s, 0)
	assert.Equal(t, 2, strings.Count(picture, `class="headnow"`))
	assert.Contains(t, picture, `class="now"`)
	assert.Contains(t, Title(wording.English, s, 0), "To measure now: Pump half, joint face to bearing.")
}
