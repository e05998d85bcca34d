package main

import (
	"encoding/json"
	"io"
	"net/http"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"
)

// A presser presses a bench's simulated caliper through a pseudo-terminal, job after
// job, and hears the readings at an MQTT subscriber.
type presser struct {
	bench *testBench
	heard chan heardReading
	n     int
	times []time.Duration // from the bytes of each press to its message
}

type heardReading struct {
	at  time.Time
	seq int64
}

func newPresser(b *testing.B, bench *testBench) *presser {
	b.Helper()
	p := &presser{bench: bench, heard: make(chan heardReading, 64)}
	client := connect(b, bench.brokerAddress(), "bench")
	token := client.Subscribe(bench.topic()+"/reading", 1, func(_ mqtt.Client, m mqtt.Message) {
		var r struct{ Seq int64 }
		at := time.Now()
		if json.Unmarshal(m.Payload(), &r) == nil {
			p.heard <- heardReading{at, r.Seq}
		}
	})
	require.True(b, token.WaitTimeout(5*time.Second))
	tech := newTechnician(demoOptions{speed: mostSpeed}, bench.bench, bench.sims)
	require.NoError(b, tech.untilLive(b.Context()))
	return p
}

// press presses once and gives when, and the reading's sequence.
func (p *presser) press(b *testing.B) (pressed time.Time, seq int64) {
	b.Helper()
	if p.n%len(jobOfEight) == 0 {
		nextJob(b, p.bench.bench, p.n > 0)
	}
	pressed = time.Now()
	require.NoError(b, p.bench.sims["caliper-1"].Press(micrometres(jobOfEight[p.n%len(jobOfEight)])))
	m := <-p.heard
	p.times = append(p.times, m.at.Sub(pressed))
	p.n++
	return pressed, m.seq
}

// BenchmarkPressToMessageWithPages shows what pages that look cost a reading: two
// benches are pressed in turn, one alone and one with 50 pages, each of which reads
// every event. A hand is lifted between two presses.
func BenchmarkPressToMessageWithPages(b *testing.B) {
	alone, looked := newPresser(b, startBench(b, nil)), newPresser(b, startBench(b, nil))
	for range 50 {
		answer, err := http.Get("http://" + looked.bench.pageAddress() + "/events")
		require.NoError(b, err)
		b.Cleanup(func() { answer.Body.Close() })
		go func() { _, _ = io.Copy(io.Discard, answer.Body) }() // ends with the page
	}
	for b.Loop() {
		for _, p := range []*presser{alone, looked} {
			p.press(b)
			<-time.After(40 * time.Millisecond)
		}
	}
	b.ReportMetric(quantile(alone.times, 0.5), "alone-ms-median")
	b.ReportMetric(quantile(alone.times, 0.99), "alone-ms-p99")
	b.ReportMetric(quantile(looked.times, 0.5), "50-pages-ms-median")
	b.ReportMetric(quantile(looked.times, 0.99), "50-pages-ms-p99")
}
