package display

import (
	"testing"

	"github.com/stretchr/testify/require"

	"shimwright/session/wording"
)

// What one snapshot costs: rendering once, and handing the bytes to 50 pages.
func BenchmarkRender(b *testing.B) {
	v := bottomEnd(b, 6)
	s, err := New(Config{Mailbox: newBench().subscribe})
	if err != nil {
		b.Fatal(err)
	}
	size := 0
	for b.Loop() {
		text, err := encode(s.event(wording.English, v))
		if err != nil {
			b.Fatal(err)
		}
		size = len(text)
	}
	b.ReportMetric(float64(size), "bytes/event")
}

func BenchmarkShowTo50Pages(b *testing.B) {
	event := make([]byte, 40_000)
	h := newHub(func(*wording.Language, int) ([]byte, error) { return event, nil })
	for range 50 {
		_, _, err := h.join(wording.English)
		require.NoError(b, err)
	}
	for b.Loop() {
		require.NoError(b, h.show(1))
	}
}
