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

// presses presses a simulated caliper through a pseudo-terminal, job after job, and
// gives for each how long it took to its message at an MQTT subscriber. after is
// called with the time of the press and the reading's sequence.
func presses(b *testing.B, bench *testBench, after func(pressed time.Time, seq int64)) []time.Duration {
	b.Helper()
	type message struct {
		at  time.Time
		seq int64
	}
	heard := make(chan message, 64)
	client := connect(b, bench.brokerAddress(), "bench")
	token := client.Subscribe(bench.topic()+"/reading", 1, func(_ mqtt.Client, m mqtt.Message) {
		var r struct{ Seq int64 }
		at := time.Now()
		if json.Unmarshal(m.Payload(), &r) == nil {
			heard <- message{at, r.Seq}
		}
	})
	require.True(b, token.WaitTimeout(5*time.Second))
	tech := newTechnician(demoOptions{speed: mostSpeed}, bench.bench, bench.sims)
	require.NoError(b, tech.untilLive(b.Context()))
	var times []time.Duration
	for n := 0; b.Loop(); n++ {
		if n%len(jobOfEight) == 0 {
			nextJob(b, bench.bench, n > 0)
		}
		start := time.Now()
		require.NoError(b, bench.sims["caliper-1"].Press(micrometres(jobOfEight[n%len(jobOfEight)])))
		m := <-heard
		times = append(times, m.at.Sub(start))
		after(start, m.seq)
	}
	return times
}

// BenchmarkPressToMessageWithPages shows that pages that look delay no reading: the
// same measurement alone and with 50 pages, each of which reads every event.
func BenchmarkPressToMessageWithPages(b *testing.B) {
	for _, c := range []struct {
		name  string
		pages int
	}{{"alone", 0}, {"50 pages", 50}} {
		b.Run(c.name, func(b *testing.B) {
			bench := startBench(b, nil)
			for range c.pages {
				answer, err := http.Get("http://" + bench.pageAddress() + "/events")
				require.NoError(b, err)
				b.Cleanup(func() { answer.Body.Close() })
				go func() { _, _ = io.Copy(io.Discard, answer.Body) }() // ends with the page
			}
			times := presses(b, bench, func(time.Time, int64) {})
			b.ReportMetric(quantile(times, 0.5), "ms-median")
			b.ReportMetric(quantile(times, 0.99), "ms-p99")
		})
	}
}
