package card

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

func printed(t testing.TB, j Job) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, WritePDF(&b, j))
	return b.Bytes()
}

// pagesOf counts the page objects.
func pagesOf(pdf []byte) int {
	return len(regexp.MustCompile(`/Type /Page\b`).FindAll(pdf, -1))
}

func TestPDFOfRecordedJobs(t *testing.T) {
	for _, name := range jobs() {
		pdf := printed(t, recorded(t, name))
		assert.True(t, bytes.HasPrefix(pdf, []byte("%PDF-")), name)
		assert.Equal(t, 2, pagesOf(pdf), "%s: two pages to hand over", name)
		for range 3 {
			assert.True(t, bytes.Equal(pdf, printed(t, recorded(t, name))), "%s: the same log gives the same bytes", name)
		}
		assert.Less(t, len(pdf), 200_000, name)
		assert.Equal(t, 3, bytes.Count(pdf, []byte("/FontFile2")), "%s: the fonts are in it", name)
		assert.NotContains(t, string(pdf), "/URI")
		assert.NotContains(t, string(pdf), "/JavaScript")
	}
}

// long is a job of so many steps.
func long(t testing.TB, steps int) Job {
	j := recorded(t, "bottom-end-mishaps")
	job, one := *j.Snapshot.Job, j.Snapshot.Job.Steps[0]
	job.Steps = nil
	var readings []session.ReadingView
	for i := range steps {
		s := one
		s.Name, s.Number, s.Title = fmt.Sprintf("step-%d", i+1), i+1, fmt.Sprintf("Dimension %d of the case", i+1)
		job.Steps = append(job.Steps, s)
		for _, r := range j.Snapshot.Readings {
			if r.Step == one.Name {
				r.Step = s.Name
				readings = append(readings, r)
			}
		}
	}
	j.Snapshot.Job, j.Snapshot.Readings = &job, readings
	return j
}

// A card takes two pages, written smaller if it must be; a longer job takes more and
// is not written smaller, for nothing is left away.
func TestHowManyPages(t *testing.T) {
	for _, c := range []struct{ steps, least, most int }{{1, 1, 2}, {6, 2, 2}, {9, 2, 2}, {40, 3, 7}} {
		pdf := printed(t, long(t, c.steps))
		assert.GreaterOrEqual(t, pagesOf(pdf), c.least, "%d steps", c.steps)
		assert.LessOrEqual(t, pagesOf(pdf), c.most, "%d steps", c.steps)
	}
}

// Nothing stands outside the paper or over the foot of a page: the layout never goes
// lower than it may, whatever the names.
func TestPDFOfHostileNames(t *testing.T) {
	for _, name := range hostile() {
		d, err := compose(with(recorded(t, "bottom-end-mishaps"), name))
		require.NoError(t, err)
		for _, scale := range []float64{sizes()[0], sizes()[len(sizes())-1]} {
			s, err := d.sheets(scale, 9)
			require.NoError(t, err, "%q", name)
			assert.LessOrEqual(t, s.y, sheetHigh-bottom+0.1, "%q", name)
		}
	}
}

func BenchmarkPDF(b *testing.B) {
	j := recorded(b, "bottom-end-mishaps")
	for b.Loop() {
		printed(b, j)
	}
}

func BenchmarkHTML(b *testing.B) {
	j := recorded(b, "bottom-end-mishaps")
	for b.Loop() {
		written(b, j)
	}
}

func TestPDFOfNothing(t *testing.T) {
	assert.EqualError(t, WritePDF(io.Discard, Job{}), "cannot write the card: there is no job to make a card of")
}

func TestVisible(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", ""}, {"Gehäuse 3 µm ± 1", "Gehäuse 3 µm ± 1"}, {"a\tb", "a b"}, {"a\x00b", "a[U+0000]b"},
		{"\u202eabc", "[U+202E]abc"}, {"a\u200bb", "a[U+200B]b"}, {"\ufffd", "\ufffd"}, {"\ue000", "[U+E000]"}, {"日本", "日本"},
	} {
		assert.Equal(t, c.want, visible(c.text))
	}
}

// What the fonts lack is written as a number, so that no box stands for a letter.
func TestLettersOfTheFonts(t *testing.T) {
	l, err := newLetters()
	require.NoError(t, err)
	s := &sheets{letters: l}
	for _, c := range []struct{ text, want string }{
		{"Čerpadlo Ω ≤ —", "Čerpadlo Ω ≤ —"}, {"日", "[U+65E5]"}, {"🔧", "[U+1F527]"}, {"насос", "насос"},
	} {
		assert.Equal(t, c.want, s.text(c.text))
	}
}

func TestBroken(t *testing.T) {
	l, err := newLetters()
	require.NoError(t, err)
	for _, text := range []string{"", "one", "two words", strings.Repeat("W", 300), strings.Repeat("a few words ", 40), "ÄÖÜ" + strings.Repeat("é", 99)} {
		for _, room := range []float64{1, 20, 100} {
			lines := l.broken(text, 10, room, false)
			whole := strings.Join(strings.Fields(strings.Join(lines, "")), "")
			assert.Equal(t, strings.Join(strings.Fields(text), ""), whole, "nothing is lost")
			for _, line := range lines {
				assert.True(t, l.width(line, 10, false) <= room || len([]rune(line)) == 1, "%q in %v", line, room)
			}
		}
	}
	assert.Equal(t, "abc…", l.shortened("abcdefgh", 10, l.width("abc…", 10, false)+0.1, false))
	assert.Equal(t, "abc", l.shortened("abc", 10, 100, false))
}

func TestReadDrawing(t *testing.T) {
	for _, c := range []struct{ svg, says string }{
		{"<svg viewBox='0 0 1'/>", "viewBox"}, {"<svg viewBox='0 0 9 9'><image/></svg>", `element "image"`},
		{"<svg viewBox='0 0 9 9'><rect x='a'/></svg>", "invalid syntax"}, {"<svg", "cannot read a drawing"},
	} {
		_, err := readDrawing(c.svg)
		assert.ErrorContains(t, err, c.says)
	}
	f, err := readDrawing(`<svg viewBox="0 0 9 8"><title>a &amp; b</title><style>x{}</style><path class="new" d="M1 2L3.5 4Z"/><text class="bold" x="1" y="2" font-size="3" text-anchor="end">t</text></svg>`)
	require.NoError(t, err)
	assert.Equal(t, "a & b", f.title)
	assert.Equal(t, []float64{1, 2, 3.5, 4}, f.shapes[0].points)
	tall, err := readDrawing(`<svg viewBox="0 0 9 400"><line x1="0" y1="100" x2="9" y2="120"/><circle cx="1" cy="130" r="10"/></svg>`)
	require.NoError(t, err)
	assert.Equal(t, 140.0-100+2*8, tall.height, "what is empty above and below is taken away")
	assert.Equal(t, []float64{0, 8, 9, 28}, tall.shapes[0].points)
	assert.True(t, f.shapes[0].closed)
	assert.Equal(t, "t", f.shapes[1].text)
	assert.True(t, f.shapes[1].bold)
}

// The symbol of a QR code has its three finders and its quiet border (ISO/IEC 18004).
func TestSeal(t *testing.T) {
	f, err := seal(someCheckpoint + "\n" + someKey)
	require.NoError(t, err)
	black := map[[2]int]bool{}
	for _, s := range f.shapes {
		for x := s.points[0]; x < s.points[2]; x++ {
			black[[2]int{int(x), int(s.points[1])}] = true
		}
	}
	size := int(f.width) - 2*quiet
	assert.Zero(t, (size-17)%4, "17 + 4·version modules")
	for _, corner := range [][2]int{{quiet, quiet}, {quiet + size - 7, quiet}, {quiet, quiet + size - 7}} {
		for y := range 7 {
			for x := range 7 {
				ring := max(math.Abs(float64(x)-3), math.Abs(float64(y)-3))
				assert.Equal(t, ring != 2, black[[2]int{corner[0] + x, corner[1] + y}])
			}
		}
	}
	for at := range black {
		assert.True(t, at[0] >= quiet && at[1] >= quiet && at[0] < quiet+size && at[1] < quiet+size)
	}
	_, err = seal(strings.Repeat("x", 5000))
	assert.ErrorContains(t, err, "cannot draw the checkpoint")
}

// Every reading that was filed is in a strip, and each standing has a mark of its own.
func TestStrips(t *testing.T) {
	for _, name := range jobs() {
		j := recorded(t, name)
		c := composer{l: wording.English, Job: j, job: *j.Snapshot.Job, readings: j.Snapshot.Readings}
		var err error
		c.letters, err = newLetters()
		require.NoError(t, err)
		figures := c.strips()
		filed, crosses, rings, dots, lines := map[session.Standing]int{}, 0, 0, 0, 0
		for _, r := range j.Snapshot.Readings {
			if r.Standing != "" {
				filed[r.Standing]++
			}
		}
		for _, f := range figures {
			for _, s := range f.shapes {
				switch {
				case s.radius > 0 && s.look.fill == 0:
					dots++
				case s.radius > 0:
					rings++
				case s.look.width == 2:
					lines++
				}
				for i, v := range s.points {
					assert.True(t, v >= -1 && v <= []float64{f.width, f.height}[i%2]+1, "%s: %v", name, s)
				}
			}
		}
		crosses = lines / 2
		assert.Equal(t, filed[session.Counted], dots, name)
		assert.Equal(t, filed[session.LeftOut], crosses, name)
		assert.Equal(t, filed[session.StruckOut], rings, name)
	}
}
