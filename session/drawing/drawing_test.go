package drawing

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

var update = flag.Bool("update", false, "write the golden files anew")

const header = "step,place,value,unit,instrument\n"

// Readings of the two plans of the project, step by step, closed one after another.
var bottomEnd = []string{
	"caliper-zero,,0.00,mm,caliper\ncaliper-zero,,0.00,mm,caliper\ndepth-zero,,0.00,mm,depth gauge\ndepth-zero,,0.00,mm,depth gauge\ncrank-width,1,52.56,mm,caliper\ncrank-width,1,52.56,mm,caliper\ncrank-width,2,52.57,mm,caliper\ncrank-width,2,52.57,mm,caliper\n",
	"bar-thickness,,10.00,mm,caliper\nbar-thickness,,10.00,mm,caliper\n",
	"pump-depth,1,37.44,mm,depth gauge\npump-depth,1,37.44,mm,depth gauge\npump-depth,2,37.45,mm,depth gauge\npump-depth,2,37.45,mm,depth gauge\n",
	"flywheel-depth,1,25.36,mm,depth gauge\nflywheel-depth,1,25.36,mm,depth gauge\nflywheel-depth,2,25.37,mm,depth gauge\nflywheel-depth,2,25.37,mm,depth gauge\n",
	"gasket,1,0.345,mm,micrometer\ngasket,1,0.345,mm,micrometer\ngasket,2,0.347,mm,micrometer\ngasket,2,0.347,mm,micrometer\n",
	"check-gap,,0.30/0.35,mm,feeler\ncheck-gap,,0.30/0.35,mm,feeler\n",
}

var gearboxShaft = []string{
	"shaft-length,1,71.96,mm,caliper\nshaft-length,1,71.96,mm,caliper\nshaft-length,2,71.97,mm,caliper\nshaft-length,2,71.97,mm,caliper\n",
	"housing-depth,1,70.10,mm,depth gauge\nhousing-depth,1,70.10,mm,depth gauge\nhousing-depth,2,70.11,mm,depth gauge\nhousing-depth,2,70.11,mm,depth gauge\n",
	"cover-depth,1,14.60,mm,depth gauge\ncover-depth,1,14.60,mm,depth gauge\ncover-depth,1,14.60,mm,depth gauge\ncover-depth,2,14.62,mm,depth gauge\ncover-depth,2,14.62,mm,depth gauge\ncover-depth,2,14.62,mm,depth gauge\n",
}

// at is the job of a plan after the given readings.
func at(t testing.TB, plan, readings string) session.Snapshot {
	t.Helper()
	file := filepath.Join("../../testdata/plans", plan+".toml")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	s, err := session.Work(file, text, "readings.csv", strings.NewReader(header+readings))
	require.NoError(t, err)
	return s
}

func TestSectionGolden(t *testing.T) {
	for _, c := range []struct{ name, plan, readings string }{
		{"bottom-end-1-first-press", "pump-bottom-end", "caliper-zero,,0.00,mm,caliper\ncaliper-zero,,0.00,mm,caliper\ndepth-zero,,0.00,mm,depth gauge\ndepth-zero,,0.00,mm,depth gauge\ncrank-width,1,52.56,mm,caliper\n"},
		{"bottom-end-2-bar", "pump-bottom-end", strings.Join(bottomEnd[:1], "")},
		{"bottom-end-3-pump-depth", "pump-bottom-end", strings.Join(bottomEnd[:2], "")},
		{"bottom-end-4-gasket", "pump-bottom-end", strings.Join(bottomEnd[:4], "")},
		{"bottom-end-5-check-gap", "pump-bottom-end", strings.Join(bottomEnd[:5], "")},
		{"bottom-end-6-done", "pump-bottom-end", strings.Join(bottomEnd, "")},
		{"gearbox-1-housing", "pump-gearbox-shaft", strings.Join(gearboxShaft[:1], "")},
		{"gearbox-2-provisional", "pump-gearbox-shaft", strings.Join(gearboxShaft[:2], "") + "cover-depth,1,14.60,mm,depth gauge\n"},
		{"gearbox-3-done", "pump-gearbox-shaft", strings.Join(gearboxShaft, "")},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := at(t, c.plan, c.readings)
			golden(t, c.name+".svg", Section(wording.English, s, Chain(s)))
		})
	}
}

func TestScaleGolden(t *testing.T) {
	done := at(t, "pump-bottom-end", strings.Join(bottomEnd, "")).Advice[0]
	golden(t, "scale-inside.svg", Scale(wording.English, done))
	done.Best.EndFloat = number("9.5")
	golden(t, "scale-far-too-loose.svg", Scale(wording.English, done))
}

func number(text string) session.Number {
	n, err := session.ParseNumber(text)
	if err != nil {
		panic(err)
	}
	return n
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	checkXML(t, got)
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err, "run the test with -update to write the golden files")
	assert.Equal(t, string(want), got)
}

// checkXML reads the picture with the standard library's XML reader and returns
// the texts in it.
func checkXML(t testing.TB, picture string) []string {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader([]byte(picture)))
	var texts []string
	allowed := " svg title style defs pattern rect circle line path text tspan "
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return texts
		}
		require.NoError(t, err, "the picture is not well-formed")
		switch e := token.(type) {
		case xml.StartElement:
			require.Contains(t, allowed, " "+e.Name.Local+" ", "an element that the drawing does not use")
			for _, a := range e.Attr {
				require.False(t, strings.HasPrefix(a.Name.Local, "on"), "an event handler")
				require.NotEqual(t, "href", a.Name.Local)
			}
		case xml.CharData:
			if text := strings.TrimSpace(string(e)); text != "" {
				texts = append(texts, text)
			}
		case xml.ProcInst, xml.Directive:
			require.Fail(t, "a drawing has no directives")
		}
	}
}

// Of two chains: a step of the second, one that measures it directly, one that belongs to
// none and comes after it, and one that comes before both.
func TestWhichChainIsDrawn(t *testing.T) {
	fit := func(side string) *session.Fit { return &session.Fit{Packs: []session.Pack{{Side: side}}} }
	steps := []session.StepView{
		{Name: "clean", Kind: session.ConfirmStep}, {Name: "depth"}, {Name: "width"},
		{Name: "trial", Packs: fit("b side").Packs}, {Name: "close", Kind: session.ConfirmStep}, {Name: "other"},
	}
	v := session.Snapshot{Job: &session.JobView{Steps: steps}, Advice: []session.Advice{
		{Chain: "a", Terms: []session.TermView{{Name: "depth"}, {Name: "other"}}, Best: fit("a side")},
		{Chain: "b", Terms: []session.TermView{{Name: "width"}}, Best: fit("b side"), State: session.Final},
	}}
	for i, want := range []int{0, 0, 1, 1, 1, 0} {
		step := steps[i]
		step.Number = i + 1
		v.Step = &step
		require.Equal(t, want, Chain(v), step.Name)
	}
}
