package calc

import (
	"math"
	"slices"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestSqueezed(t *testing.T) {
	left, c, err := Squeezed("crush", d("0.3"), 0.2, 0.05, 8, Normal)
	require.NoError(t, err)
	assert.Equal(t, "0.24", left.String())
	u, err := plainly(c).Combine(0.95)
	require.NoError(t, err)
	assert.InDelta(t, 0.015, u.U, 1e-15)
	for _, x := range []struct {
		field, thickness string
		fraction, u, nu  float64
	}{{"thickness", "0", 0.2, 0, 1}, {"fraction", "1", 1, 0, 1}, {"fraction", "1", -0.1, 0, 1}, {"fraction", "1", math.NaN(), 0, 1}, {"u", "1", 0.1, -1, 1}, {"freedom", "1", 0.1, 1, 0}} {
		_, _, err := Squeezed("crush", d(x.thickness), x.fraction, x.u, x.nu, Normal)
		refused(t, err, x.field, "")
	}
}

func stream(values ...int64) []decimal.Decimal {
	var out []decimal.Decimal
	for _, v := range values {
		out = append(out, decimal.New(v, -3))
	}
	return out
}

func TestMovement(t *testing.T) {
	for _, c := range []struct {
		name                   string
		in                     []decimal.Decimal
		width                  int
		peak, trough, movement string
	}{
		{"as it comes", stream(0, 50, 100, 50, 0), 1, "0.1", "0", "0.1"},
		{"a spike", stream(0, 0, 900, 0, 50, 50, 50), 3, "0.05", "0", "0.05"},
		{"two in a row need more", stream(0, 0, 900, 900, 0, 50, 50, 50), 3, "0.9", "0", "0.9"},
		{"and get it", stream(0, 0, 0, 900, 900, 0, 50, 50, 50), 5, "0.05", "0", "0.05"},
		{"below zero", stream(-10, -10, -10, -30, -30, -30), 3, "-0.01", "-0.03", "0.02"},
		{"one value", stream(7), 1, "0.007", "0.007", "0"},
	} {
		got, err := Movement(c.in, c.width)
		require.NoError(t, err, c.name)
		assert.Equal(t, []string{c.peak, c.trough, c.movement}, []string{got.Peak.String(), got.Trough.String(), got.Movement.String()}, c.name)
	}
	for _, c := range []struct {
		field string
		in    []decimal.Decimal
		width int
	}{{"width", stream(1), 0}, {"width", stream(1, 2), 2}, {"width", stream(1), 101}, {"stream", stream(1), 3}, {"stream", []decimal.Decimal{decimal.New(1, 7)}, 1}, {"stream", make([]decimal.Decimal, 1_000_001), 1}} {
		_, err := Movement(c.in, c.width)
		refused(t, err, c.field, "")
	}
}

// The running median is that of each window sorted anew; turned round in time the stream
// swings alike.
func TestMovementIsAMedian(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Int64Range(-20, 20), 9, 40).Draw(t, "values")
		width := rapid.SampledFrom([]int{1, 3, 5, 9}).Draw(t, "width")
		low, high := int64(math.MaxInt64), int64(math.MinInt64)
		for i := range len(values) - width + 1 {
			w := slices.Clone(values[i : i+width])
			slices.Sort(w)
			low, high = min(low, w[width/2]), max(high, w[width/2])
		}
		got, err := Movement(stream(values...), width)
		require.NoError(t, err)
		require.True(t, decimal.New(high, -3).Equal(got.Peak))
		require.True(t, decimal.New(low, -3).Equal(got.Trough))
		slices.Reverse(values)
		back, err := Movement(stream(values...), width)
		require.NoError(t, err)
		require.True(t, got.Movement.Equal(back.Movement))
	})
}
