//go:build outside

package card

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/sqlite"

	"shimwright/session/wording"
)

// asRead is what pdftotext of poppler, which we did not write, reads of a PDF.
func asRead(t *testing.T, pdf []byte) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "card.pdf")
	require.NoError(t, os.WriteFile(file, pdf, 0o600))
	text, err := exec.Command("pdftotext", "-layout", file, "-").Output()
	require.NoError(t, err)
	return string(text)
}

// The text of the PDF can be searched, and the checkpoint be copied from it.
func TestPDFIsText(t *testing.T) {
	for _, name := range jobs() {
		j := recorded(t, name)
		text := asRead(t, printed(t, j))
		checkpoints, _ := sqlite.CheckpointsIn(text)
		assert.Equal(t, []string{someCheckpoint}, checkpoints)
		assert.Contains(t, text, someKey)
		assert.Contains(t, text, "page 1 of 2")
		assert.Contains(t, text, "page 2 of 2")
		assert.Contains(t, text, "End of the card of job 1.")
		flat := strings.Join(strings.Fields(text), " ")
		for _, step := range j.Snapshot.Job.Steps {
			assert.Contains(t, flat, step.Title)
			assert.Contains(t, flat, wording.English.Decimals(*step.Value))
		}
		for _, a := range j.Snapshot.Advice {
			assert.Contains(t, flat, a.Budget.Edition)
		}
	}
}

// HTML and PDF say the same words.
func TestPDFSaysWhatHTMLSays(t *testing.T) {
	j := recorded(t, "bottom-end-mishaps")
	pdf := map[string]bool{}
	for _, word := range strings.Fields(asRead(t, printed(t, j))) {
		pdf[word] = true
	}
	d, err := compose(j)
	require.NoError(t, err)
	for _, section := range d.Sections {
		for _, b := range section.Blocks {
			for _, word := range strings.Fields(b.Text + " " + strings.Join(b.Items, " ") + " " + strings.Join(b.Lines, " ")) {
				assert.True(t, pdf[word], word)
			}
		}
	}
}

func TestPagesOfALongJob(t *testing.T) {
	pdf := printed(t, long(t, 40))
	text := asRead(t, pdf)
	for i := range pagesOf(pdf) {
		assert.Contains(t, text, "page "+strconv.Itoa(i+1)+" of "+strconv.Itoa(pagesOf(pdf)))
	}
	assert.Contains(t, text, "Dimension 40 of the case")
}

// No word stands beside the paper or in the margin at its foot, but for the foot
// itself, however long a name is.
func TestEverythingIsOnThePaper(t *testing.T) {
	for _, name := range append(hostile(), strings.Repeat("W", 20_000), strings.Repeat("long words ", 2_000)) {
		file := filepath.Join(t.TempDir(), "card.pdf")
		require.NoError(t, os.WriteFile(file, printed(t, with(recorded(t, "bottom-end-mishaps"), name)), 0o600))
		boxes, err := exec.Command("pdftotext", "-bbox", file, "-").Output()
		require.NoError(t, err)
		words := regexp.MustCompile(`<word xMin="(.+?)" yMin="(.+?)" xMax="(.+?)" yMax="(.+?)">`).FindAllStringSubmatch(string(boxes), -1)
		require.NotEmpty(t, words)
		for _, w := range words {
			var at [4]float64
			for i := range at {
				at[i], err = strconv.ParseFloat(w[i+1], 64)
				require.NoError(t, err)
			}
			foot := at[1] > (sheetHigh-bottom)/point // its line begins there
			require.True(t, at[0] >= edge/point-2 && at[2] <= (sheetWide-edge)/point+2 && at[1] > 0, "%.20q: %v", name, w[0])
			require.True(t, foot && at[1] > (sheetHigh-12)/point && at[3] < sheetHigh/point || at[3] <= (sheetHigh-bottom)/point+3, "%.20q: %v", name, w[0])
		}
	}
}

func TestHostileNamesInPDF(t *testing.T) {
	for _, name := range []string{"<script>alert(1)</script>", "(\\) Tj ET", "&amp;{{.Number}}", "日本語"} {
		l, err := newLetters()
		require.NoError(t, err)
		text := asRead(t, printed(t, with(recorded(t, "bottom-end-mishaps"), name)))
		assert.Contains(t, text, (&sheets{letters: l}).text(name))
	}
}
