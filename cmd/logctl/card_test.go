package main

import (
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/sqlite"
)

const mishaps = "../../testdata/jobs/bottom-end-mishaps/script.jsonl"

// A card of a real log carries a checkpoint and a key that check each other, and
// verify finds them in the card.
func TestCardPinsTheLog(t *testing.T) {
	w := openWorkshop(t, mishaps)
	w.close()
	file := filepath.Join(t.TempDir(), "card.html")
	code, stdout, stderr := logctl(environment(nil), "", "card", "1", "--log", w.path, "-o", file)
	require.Equal(t, exitOK, code, stderr)
	assert.Empty(t, stdout)
	html, err := os.ReadFile(file)
	require.NoError(t, err)
	checkpoints, keys := sqlite.CheckpointsIn(string(html))
	require.Len(t, checkpoints, 1)
	require.Equal(t, []string{w.log.PublicKey()}, keys)
	report, err := sqlite.Verify(w.path, sqlite.VerifyOptions{Keys: keys, Outside: []sqlite.Outside{{Name: "card", Text: checkpoints[0]}}})
	require.NoError(t, err)
	assert.True(t, report.Sound())
	assert.Positive(t, report.Anchored)
}

// The same log gives the same file, with the daemon on and off.
func TestCardIsTheSameEachTime(t *testing.T) {
	w := openWorkshop(t, mishaps)
	for _, form := range cardForms() {
		var first string
		for i := range 2 {
			file := filepath.Join(t.TempDir(), "card"+form)
			code, _, stderr := logctl(environment(nil), "", "card", "1", "--log", w.path, "-o", file)
			require.Equal(t, exitOK, code, stderr)
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			if i == 0 {
				first = string(text)
			}
			assert.True(t, first == string(text), form)
			if form == ".pdf" {
				w.close() // once more, with the daemon off
			}
		}
	}
}

// A card never writes over a file, and what goes wrong has its exit code and says
// what to do.
func TestCardRefusals(t *testing.T) {
	w := openWorkshop(t, mishaps)
	w.close()
	folder := t.TempDir()
	there := filepath.Join(folder, "there.html")
	require.NoError(t, os.WriteFile(there, []byte("mine"), 0o600))
	for _, c := range []struct {
		args []string
		code exit
		says string
	}{
		{[]string{"card", "1"}, exitUsage, "-o FILE"},
		{[]string{"card"}, exitUsage, "card JOB -o FILE"},
		{[]string{"card", "1", "-o", filepath.Join(folder, "card.docx")}, exitUsage, ".html or"},
		{[]string{"card", "9", "-o", filepath.Join(folder, "card.html")}, exitNotFound, "no job"},
		{[]string{"card", "1", "-o", filepath.Join(folder, "no", "card.html")}, exitNotFound, "no folder"},
		{[]string{"card", "1", "-o", there}, exitFailed, "was left as it is"},
	} {
		code, stdout, stderr := logctl(environment(nil), "", append(c.args, "--log", w.path)...)
		assert.Equal(t, c.code, code, c.args)
		assert.Empty(t, stdout)
		assert.Contains(t, strings.Join(strings.Fields(stderr), " "), c.says)
	}
	text, err := os.ReadFile(there)
	require.NoError(t, err)
	assert.Equal(t, "mine", string(text))
	left, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Len(t, left, 1)
}

// A log that somebody changed gets no card.
func TestNoCardOfAChangedLog(t *testing.T) {
	w := openWorkshop(t, mishaps)
	w.close()
	db, err := sql.Open("sqlite3", w.path)
	require.NoError(t, err)
	for _, change := range []string{`DROP TRIGGER entries_not_updated`, `UPDATE entries SET body = cast(replace(body, 'pump 12', 'pump 13') AS blob) WHERE kind = 'begin'`} {
		_, err := db.Exec(change)
		require.NoError(t, err)
	}
	require.NoError(t, db.Close())
	file := filepath.Join(t.TempDir(), "card.html")
	code, _, stderr := logctl(environment(nil), "", "card", "1", "--log", w.path, "-o", file)
	assert.Equal(t, exitUnverified, code)
	assert.Contains(t, strings.Join(strings.Fields(stderr), " "), "logctl verify")
	assert.NoFileExists(t, file)
}
