package session

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

func readPlanFile(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "testdata", "plans", name))
	require.NoError(t, err)
	return string(text)
}

func TestPlansOfTheProjectAreSound(t *testing.T) {
	files, err := filepath.Glob("../testdata/plans/*.toml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		_, err = ReadPlan(filepath.Base(file), text)
		require.NoError(t, err, file)
	}
}
