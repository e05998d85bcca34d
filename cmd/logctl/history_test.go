package main

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/session/history"
	"shimwright/session/history/shoptest"
	"shimwright/sqlite"
)

// shopLog makes a log with jobs of one plan: one is open, after the ninth the built
// engines come out looser, and one of two people presses amiss at the shaft.
func shopLog(t *testing.T, file string, jobs int) {
	t.Helper()
	log, err := sqlite.Open(file)
	require.NoError(t, err)
	s := shoptest.Shop{Method: calc.NewMethod(), Seed: 4, Sigma: map[session.Kind]float64{session.Caliper: 0.03, session.DepthGauge: 0.009, session.DialIndicator: 0.002}}
	for i := range jobs {
		j := shoptest.Job{Operator: []string{"ada", "ben"}[i%2], Careless: i%2 == 1, Open: i == 3}
		if i >= 9 {
			j.Off = 0.06
		}
		s.Jobs = append(s.Jobs, j)
	}
	require.NoError(t, shoptest.Play(log, s))
	require.NoError(t, log.Close())
}

// shop makes such a log in the present folder, a fresh one.
func shop(t *testing.T, jobs int) {
	t.Helper()
	t.Chdir(t.TempDir())
	shopLog(t, "shop.log.db", jobs)
}

// The files that are written hold the chart, for a browser and by itself, and nothing is
// written over.
func TestHistoryFiles(t *testing.T) {
	shop(t, 19)
	env := environment(nil)
	code, text, stderr := logctl(env, "", "history", "--log", "shop.log.db", "-o", "a.svg")
	require.Equal(t, exitOK, code, stderr)
	assert.Contains(t, text, "FOUND AND EXPECTED")
	picture, err := os.ReadFile("a.svg")
	require.NoError(t, err)
	wellFormed(t, picture)
	assert.Contains(t, string(picture), "of 18 jobs agreed")

	code, _, stderr = logctl(env, "", "history", "--log", "shop.log.db", "-o", "a.html")
	require.Equal(t, exitOK, code, stderr)
	page, err := os.ReadFile("a.html")
	require.NoError(t, err)
	assert.Contains(t, string(page), "<h1>What closed jobs teach on bench-1</h1>")
	assert.Equal(t, 1, strings.Count(string(page), "<svg"))
	assert.Equal(t, 18, strings.Count(string(page), "<td>2026-03-"), "every job is in the table")
	for _, outside := range []string{"http://", "https://", "<script", " src="} {
		assert.NotContains(t, strings.ReplaceAll(string(page), `xmlns="http://www.w3.org/2000/svg"`, ""), outside, "it refers to nothing")
	}

	code, _, stderr = logctl(env, "", "history", "--log", "shop.log.db", "-o", "a.html")
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "is there already")
	again, err := os.ReadFile("a.html")
	require.NoError(t, err)
	assert.Equal(t, page, again)
	require.NoError(t, os.Remove("a.html"))
	logctl(env, "", "history", "--log", "shop.log.db", "-o", "a.html")
	again, err = os.ReadFile("a.html")
	require.NoError(t, err)
	assert.Equal(t, page, again, "the same log gives the same file")
}

func wellFormed(t *testing.T, picture []byte) {
	t.Helper()
	for d := xml.NewDecoder(bytes.NewReader(picture)); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return
		} else {
			require.NoError(t, err)
		}
	}
}

func TestHistoryJSONIsTheReport(t *testing.T) {
	shop(t, 6)
	env := environment(nil)
	r, code := decoded[history.Report](t, env, "history", "--log", "shop.log.db")
	require.Equal(t, exitOK, code)
	assert.Equal(t, []string{"1", "2", "3", "5", "6"}, r.Jobs)
	assert.Equal(t, []string{"4"}, r.Open)
	require.Len(t, r.Agreements, 1)
	assert.True(t, r.Agreements[0].Chart.Provisional)
	r, _ = decoded[history.Report](t, env, "history", "--log", "shop.log.db", "--since", "2026-03-07")
	assert.Equal(t, []string{"5", "6"}, r.Jobs)
	r, _ = decoded[history.Report](t, environment(map[string]string{"TZ": "America/Lima"}), "history", "--log", "shop.log.db", "--since", "2026-03-07")
	assert.Equal(t, []string{"5", "6"}, r.Jobs)
	assert.Equal(t, time.Date(2026, 3, 7, 5, 0, 0, 0, time.UTC), *r.Since, "a day begins where the bench is")
}

// With the daemon on and off it is the same.
func TestHistoryWithTheDaemonOn(t *testing.T) {
	w := openWorkshop(t, "testdata/review/dispute.jsonl")
	env := environment(nil)
	_, on, stderr := logctl(env, "", "history", "--log", w.path)
	require.Empty(t, stderr)
	w.close()
	_, off, _ := logctl(env, "", "history", "--log", w.path)
	assert.Equal(t, on, off)
	assert.Contains(t, on, "Left out because open: job 2.")
}

func TestHistoryOfAnotherMethod(t *testing.T) {
	lines, err := os.ReadFile("../../testdata/jobs/bottom-end-mishaps/entries.jsonl")
	require.NoError(t, err)
	old := imported(t, bytes.ReplaceAll(lines, []byte(`"method":"`+calc.WithUncertainty+`"`), []byte(`"method":"shimwright/0"`)))
	_, said, _ := logctl(environment(nil), "", "history", "--log", old)
	assert.Contains(t, strings.Join(strings.Fields(said), " "), "under the method shimwright/0")
}
