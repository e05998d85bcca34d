package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestPlansToBegin(t *testing.T) {
	all, err := plansToBegin("")
	require.NoError(t, err)
	require.Len(t, all, 10, "those of the program")
	for _, p := range all {
		require.Empty(t, p.Problem)
		require.NotEmpty(t, p.Title)
		require.Positive(t, p.Steps)
	}

	folder := t.TempDir()
	for name, text := range map[string]string{
		"two.toml": killPlan, "bad.toml": "plan = 3\ntitle = 4\n", "notes.txt": "no plan",
		"pump-bottom-end.toml": killPlan, "huge.toml": string(make([]byte, maxPlanFile+1)),
	} {
		require.NoError(t, os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600))
	}
	require.NoError(t, os.Mkdir(filepath.Join(folder, "folder.toml"), 0o700))
	all, err = plansToBegin(folder)
	require.NoError(t, err)
	said := map[string]string{}
	for _, p := range all {
		said[p.File] = p.Title + "|" + p.Problem
		require.Equal(t, p.Problem == "", p.Text != "", p.File)
	}
	require.Len(t, said, 14)
	require.Equal(t, "Two collars|", said["two.toml"])
	require.Equal(t, "Two collars|", said["pump-bottom-end.toml"], "the shop's own comes first")
	require.Contains(t, said["bad.toml"], "It has mistakes, first: bad.toml:1:")
	require.Contains(t, said["huge.toml"], "at most 1 MiB")
	require.Contains(t, said["folder.toml"], "at most 1 MiB")

	_, err = plansToBegin(filepath.Join(folder, "none"))
	require.ErrorContains(t, err, "the folder of plans")
}
