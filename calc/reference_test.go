package calc

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// reference reads a file of testdata/reference without its heading; the README there
// names the sources.
func reference(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "testdata", "reference", name))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 1, name)
	return rows[1:]
}

// column returns the only column of a file of values.
func column(t *testing.T, name string) []string {
	t.Helper()
	var out []string
	for _, r := range reference(t, name) {
		out = append(out, r[0])
	}
	return out
}

func float(t *testing.T, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return x
}
