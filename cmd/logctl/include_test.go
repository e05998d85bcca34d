package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// A plan that includes another is begun with the text of both.
func TestIncludedPlansAreReadBesideTheFile(t *testing.T) {
	dir := t.TempDir()
	shared, err := os.ReadFile("testdata/plan.toml")
	require.NoError(t, err)
	require.NoError(t, os.Mkdir(filepath.Join(dir, "shared"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "shared", "plan.toml"), shared, 0o644))
	file := filepath.Join(dir, "more.toml")
	require.NoError(t, os.WriteFile(file, []byte("include = [\"shared/plan.toml\"]\nplan = \"more\"\ntitle = \"More\"\n"), 0o644))
	b := &bench{snapshot: load(t, "measuring"), receipt: session.Receipt{Seq: 59}}
	code, _, stderr := logctl(serve(t, b), "", "begin", file)
	require.Equal(t, exitOK, code, stderr)
	alone, err := session.ReadPlan("plan.toml", shared)
	require.NoError(t, err)
	both, err := session.ReadPlan("more.toml", []byte(b.got.Plan))
	require.NoError(t, err)
	for i := range alone.Steps {
		alone.Steps[i].Section = alone.Title
	}
	assert.Equal(t, alone.Steps, both.Steps)
	assert.Equal(t, "more", both.Name)

	code, stdout, _ := logctl(environment(nil), "", "plan", "check", file)
	assert.Equal(t, exitOK, code)
	assert.Contains(t, stdout, "sound")
	require.NoError(t, os.WriteFile(file, []byte("include = [\"shared/none.toml\"]\nplan = \"more\"\ntitle = \"More\"\n"), 0o644))
	code, _, stderr = logctl(environment(nil), "", "plan", "check", file)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, `the plan "shared/none.toml" cannot be read (no such file or directory); name a plan file as seen from this one`)
	code, stdout, _ = logctl(environment(nil), "", "plan", "check", "--json", file)
	assert.Equal(t, exitFailed, code)
	var found []checked
	require.NoError(t, json.Unmarshal([]byte(stdout), &found))
	require.Len(t, found, 1)
	assert.False(t, found[0].Sound)
	require.Len(t, found[0].Problems, 1)
	assert.Equal(t, problem{File: file, Line: 1, Column: 12, Wrong: `the plan "shared/none.toml" cannot be read (no such file or directory)`, Right: "name a plan file as seen from this one"}, found[0].Problems[0])
}
