package display

import "testing"

// What one snapshot costs: rendering once, and handing the bytes to 50 pages.
func BenchmarkRender(b *testing.B) {
	v := bottomEnd(b, 6)
	s, err := New(Config{Mailbox: newBench().subscribe})
	if err != nil {
		b.Fatal(err)
	}
	size := 0
	for b.Loop() {
		text, err := encode(s.event(v))
		if err != nil {
			b.Fatal(err)
		}
		size = len(text)
	}
	b.ReportMetric(float64(size), "bytes/event")
}

func BenchmarkShowTo50Pages(b *testing.B) {
	p := newPages()
	for range 50 {
		p.join()
	}
	event := make([]byte, 40_000)
	for b.Loop() {
		p.show(event)
	}
}
