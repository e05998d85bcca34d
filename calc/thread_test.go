package calc

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// ISO 898-1 with ISO 261: the pitches of the coarse threads whose stress areas it lists.
func TestCoarseThreadsAreThoseOfTheTable(t *testing.T) {
	for _, row := range reference(t, "fastener_stress_area.csv") {
		d, p, err := ParseThread(row[0])
		require.NoError(t, err, row[0])
		assert.Equal(t, float(t, row[1]), d, row[0])
		assert.Equal(t, float(t, row[2]), p, row[0])
	}
}

func TestParseThread(t *testing.T) {
	for text, want := range map[string][2]float64{"M8x1": {8, 1}, "M10×1.25": {10, 1.25}, "M2.5x0.45": {2.5, 0.45}} {
		d, p, err := ParseThread(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, [2]float64{d, p}, text)
	}
	for _, text := range []string{"", "M", "6", "M6x", "M6x0", "M6x4", "M2.2", "M0", "M-6", "MNaN", "M1e9", "1/4-20", "M6x1x1"} {
		_, _, err := ParseThread(text)
		assert.Error(t, err, text)
	}
}

// Proof stress is about nine tenths of the yield strength that the class names: the
// product of its two numbers times ten (ISO 898-1).
func TestProofStress(t *testing.T) {
	for class, yield := range map[string]float64{"4.6": 240, "4.8": 320, "5.6": 300, "5.8": 400, "6.8": 480, "8.8": 640, "9.8": 720, "10.9": 900, "12.9": 1080} {
		s, err := ProofStress(class, 8)
		require.NoError(t, err)
		assert.InDelta(t, 0.925, s/yield, 0.05, class)
	}
	thick, err := ProofStress("8.8", 20)
	require.NoError(t, err)
	assert.Equal(t, 600.0, thick)
	_, err = ProofStress("8", 8)
	assert.Error(t, err)
}
