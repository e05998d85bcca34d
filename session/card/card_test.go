package card

import (
	"bytes"
	"encoding/xml"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/session/wording"
)

var update = flag.Bool("update", false, "write the goldens anew")

// A checkpoint of no log: its form is right, and that is all a card needs.
const (
	someCheckpoint = "shimwright/bench-1/0123456789abcdef\n77\nAAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8=\n\n— shimwright/bench-1/0123456789abcdef AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8gISIjJCUmJygpKissLS4vMDEyMzQ1Njc4OTo7PD0+P0BBQkNERUY=\n"
	someKey        = "shimwright/bench-1/0123456789abcdef+01234567+AQECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8g"
)

// recorded is the card's job of one of the recorded jobs.
func recorded(t testing.TB, name string) Job {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("../../testdata/jobs", name, "entries.jsonl"))
	require.NoError(t, err)
	state := session.NewState(calc.NewMethod())
	j := Job{Checkpoint: someCheckpoint, PublicKey: someKey, Zone: time.UTC, Struck: map[int64]string{}}
	for _, line := range bytes.Split(bytes.TrimSpace(text), []byte("\n")) {
		e, err := session.DecodeEntry(line)
		require.NoError(t, err)
		require.NoError(t, state.Apply(e))
		switch b := e.Body.(type) {
		case session.Began:
			plan, err := session.ReadPlan("plan", []byte(b.Plan))
			require.NoError(t, err)
			j.First, j.Parts = e.Seq, plan.Parts
		case session.TemperatureTaken:
			j.Warmth = append(j.Warmth, b)
		case session.InstrumentUsed:
			j.Profiles = append(j.Profiles, b.Profile)
		case session.Struck:
			j.Struck[b.Reading] = e.Operator
		case session.Ended:
			j.Ended, j.EndedBy, j.Note, j.Last = e.At, e.Operator, b.Note, e.Seq
			j.Snapshot = state.Snapshot()
		}
	}
	if j.Last == 0 {
		j.Snapshot = state.Snapshot()
		j.Last = j.Snapshot.Seq
	}
	return j
}

func jobs() []string { return []string{"bottom-end-mishaps", "change-of-mind", "gearbox-shaft"} }

func written(t testing.TB, j Job) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, WriteHTML(&b, j))
	return b.String()
}

func TestHTMLOfARecordedJob(t *testing.T) {
	got := written(t, recorded(t, "bottom-end-mishaps"))
	const golden = "testdata/bottom-end-mishaps.html"
	if *update {
		require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
}

func TestTheSameLogGivesTheSamePage(t *testing.T) {
	for _, name := range jobs() {
		assert.Equal(t, written(t, recorded(t, name)), written(t, recorded(t, name)))
	}
}

// What the card must say of a job with mishaps, whatever its looks.
func TestWhatACardSays(t *testing.T) {
	j := recorded(t, "bottom-end-mishaps")
	a := j.Snapshot.Advice[0]
	require.NotNil(t, a.Best)
	text := textOf(t, written(t, j))
	for _, want := range []string{
		"Job card 1", "pump 12", "pump-bottom-end-short", "by ada", "2026-03-02",
		a.Best.Outcome, a.Budget.Edition, "95 %", "guard band", "± " + a.Best.Expanded.String(), "E_n",
		"Reading 31, left out", "Gasket, squeezed by -0.0072 mm", "Assumed:", "depth ± 0.03 mm", "page", "none",
		"wear gloves", "End of the card of job 1.", someKey,
		strings.Split(someCheckpoint, "\n")[0], strings.Split(someCheckpoint, "\n")[2], strings.Split(someCheckpoint, "\n")[4],
	} {
		assert.Contains(t, text, want)
	}
}

// Nothing on the card comes from elsewhere.
func TestNothingOutside(t *testing.T) {
	for _, name := range jobs() {
		html := written(t, recorded(t, name))
		for _, never := range []string{"src=", "<link", "@import", "<script", "href=", "url(http", "url(data"} {
			assert.NotContains(t, html, never)
		}
		assert.Equal(t, strings.Count(html, "http"), strings.Count(html, `xmlns="http://www.w3.org/2000/svg"`))
	}
}

// hostile are names that are up to no good.
func hostile() []string {
	return []string{
		`<script>alert(1)</script>`, `"><img onerror=x>`, "</title></style></svg>", "&amp;{{.Number}}", "a\x00b\x1b[31m",
		"\u202eevil\u202c", "ﷺ" + strings.Repeat("W", 200), "日本語", "🔧", "$(rm -rf)", "(\\) Tj ET", "</pre>", "+/- 5", "[U+202E]",
	}
}

// with puts a name wherever a person or a file can put one.
func with(j Job, name string) Job {
	s := &j.Snapshot
	job := *s.Job
	job.Title, job.Reference, job.Operator, job.Plan, job.Cautions = name, name, name, name, []string{name}
	job.Steps = append([]session.StepView{}, job.Steps...)
	for i := range job.Steps {
		job.Steps[i].Title, job.Steps[i].Cautions = name, []string{name}
		job.Steps[i].Findings = []session.Reason{{Code: "place unsettled", Params: map[string]string{"step": name, "place": name}}}
	}
	s.Job, s.Bench, s.Software = &job, name, name
	s.Advice = append([]session.Advice{}, s.Advice...)
	for i := range s.Advice {
		s.Advice[i].Title = name
		for k := range s.Advice[i].Best.Packs {
			s.Advice[i].Best.Packs[k].Side = name
		}
	}
	j.Profiles = append([]session.Profile{}, j.Profiles...)
	for i := range j.Profiles {
		j.Profiles[i].Name = name
		j.Profiles[i].Certificates = []session.Certificate{{Number: name, Use: "outside"}}
	}
	j.EndedBy, j.Note, j.Parts = name, name, []session.Part{{Name: name, Material: name}}
	j.Warmth = []session.TemperatureTaken{{Of: name}}
	return j
}

func TestHostileNamesStayText(t *testing.T) {
	for _, name := range hostile() {
		html := written(t, with(recorded(t, "bottom-end-mishaps"), name))
		text := textOf(t, html)
		assert.Contains(t, text, strings.Join(strings.Fields(visible(name)), " "))
		assert.NotContains(t, html, "<script")
		assert.NotContains(t, html, "<img")
		assert.NotContains(t, html, "\u202e")
		assert.NotContains(t, html, "\x1b")
	}
}

// textOf reads the page as a strict XML reader would, but for the doctype and the
// elements that HTML leaves open, and returns its text with single spaces.
func textOf(t testing.TB, html string) string {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(html))
	d.Strict, d.AutoClose, d.Entity = false, []string{"meta", "col"}, xml.HTMLEntity
	known := map[string]bool{}
	for _, name := range strings.Fields("html head meta title style body h1 h2 p ul li table colgroup col thead tbody tr th td figure div section pre svg path circle text defs pattern rect line") {
		known[name] = true
	}
	var b strings.Builder
	for {
		token, err := d.Token()
		if err == io.EOF {
			return strings.Join(strings.Fields(b.String()), " ")
		}
		require.NoError(t, err)
		switch v := token.(type) {
		case xml.StartElement:
			require.True(t, known[v.Name.Local], "element %s", v.Name.Local)
			b.WriteByte(' ')
		case xml.CharData:
			b.Write(v)
		}
	}
}

func TestCardOfNothing(t *testing.T) {
	err := WriteHTML(io.Discard, Job{})
	assert.EqualError(t, err, "cannot write the card: there is no job to make a card of")
}

// Temperatures that were noted stand on the card, of parts and of the shop.
func TestTemperatures(t *testing.T) {
	j := recorded(t, "gearbox-shaft")
	j.Parts = append(j.Parts, session.Part{Name: "lid", Title: "Lid of the case"})
	celsius, err := session.ParseNumber("23.5")
	require.NoError(t, err)
	j.Warmth = []session.TemperatureTaken{{Of: session.Shop, Celsius: celsius, U: celsius}, {Of: "lid", Celsius: celsius, U: celsius}, {Of: "other", Celsius: celsius, U: celsius}}
	text := textOf(t, written(t, j))
	for _, want := range []string{"Noted: the shop at 23.5 °C", "Noted: Lid of the case at 23.5 °C", "Noted: other at 23.5 °C"} {
		assert.Contains(t, text, want)
	}
}

// A value that is not the last word on its step is marked and explained.
func TestStepsThatAreNotDone(t *testing.T) {
	j := recorded(t, "gearbox-shaft")
	job := *j.Snapshot.Job
	job.Steps = append([]session.StepView{}, job.Steps...)
	job.Steps[0].Closed, job.Steps[1].Unsettled, job.Steps[2].Value = false, true, nil
	j.Snapshot.Job = &job
	text := textOf(t, written(t, j))
	for _, want := range []string{
		wording.English.Decimals(*job.Steps[0].Value) + "*", "* " + job.Steps[0].Title + " was not closed",
		wording.English.Decimals(*job.Steps[1].Value) + "**", "** " + job.Steps[1].Title + " is not settled", " open ",
	} {
		assert.Contains(t, text, want)
	}
}

// An open job says so, and one without a checkpoint does not pretend to have one.
func TestOpenJobWithoutCheckpoint(t *testing.T) {
	j := recorded(t, "gearbox-shaft")
	j.Ended, j.Checkpoint, j.PublicKey, j.Profiles = time.Time{}, "", "", nil
	text := textOf(t, written(t, j))
	assert.Contains(t, text, "this card is not the last word")
	assert.Contains(t, text, "No checkpoint covers this job yet")
	assert.Contains(t, text, "None was used.")
	assert.NotContains(t, text, "Public key")
}

// The card of a recorded job in German, with lengths in inches.
func TestACardInAnotherLanguageAndUnit(t *testing.T) {
	all, err := wording.Load()
	require.NoError(t, err)
	j := recorded(t, "bottom-end-mishaps")
	j.Language = all["de"].Inches(true)
	page := string(written(t, j))
	assert.Contains(t, page, `<html lang="de">`)
	assert.Contains(t, page, `content: "Seite " counter(page) " von " counter(pages);`)
	text := textOf(t, page)
	for _, want := range []string{"Auftragskarte 1: ", "Was gemessen wurde", "Wert in Zoll", "Entscheidungsregel", "Ende der Karte zu Auftrag 1."} {
		assert.Contains(t, text, want)
	}
	sent := regexp.MustCompile(`[0-9,]+ mm = `)
	assert.NotRegexp(t, `[0-9] mm\b`, sent.ReplaceAllString(text, ""), "lengths are in inches, but for what was sent")
	var plan []string
	for _, s := range j.Snapshot.Job.Steps {
		plan = append(plan, s.Title, s.Side)
		for _, p := range s.Places {
			plan = append(plan, p.Name)
		}
		plan = append(plan, s.Cautions...)
	}
	for _, a := range j.Snapshot.Advice {
		plan = append(plan, a.Title)
	}
	for _, p := range j.Parts {
		plan = append(plan, p.Title, p.Material)
	}
	for _, of := range slices.Concat(plan, j.Snapshot.Job.Cautions, []string{j.Note}) {
		if of != "" {
			text = strings.ReplaceAll(text, of, "")
		}
	}
	text = regexp.MustCompile(`@page .*} Auftragskarte`).ReplaceAllString(text, "")
	english := regexp.MustCompile(`.{0,30}\b(the|and|with|of|reading|shown|left|for|at|by)\b.{0,30}`)
	assert.Empty(t, english.FindAllString(text, -1), "everything but what the plan says is German")
}
