package devices

import (
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// A window holds the latest values in order, and knows how many it forgot.
func TestWindow(t *testing.T) {
	var w Window
	values, lost := w.Values()
	assert.Empty(t, values)
	assert.Zero(t, lost)
	rapid.Check(t, func(t *rapid.T) {
		var w Window
		n := rapid.SampledFrom([]int{1, 2, windowSize - 1, windowSize, windowSize + 1, windowSize + 77, 2*windowSize + 5}).Draw(t, "n")
		for i := range n {
			w.Add(decimal.New(int64(i), -2))
		}
		values, lost := w.Values()
		assert.Len(t, values, min(n, windowSize))
		assert.Equal(t, max(0, n-windowSize), lost)
		for i, v := range values {
			if !v.Equal(decimal.New(int64(lost+i), -2)) {
				t.Fatalf("value %d is %s", i, v)
			}
		}
	})
}
