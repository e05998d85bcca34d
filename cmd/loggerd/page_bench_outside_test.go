//go:build outside

package main

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/display/browser"
)

// BenchmarkPressToPixel measures from the bytes of a press on a pseudo-terminal to the
// changed document in a real browser, and to the frame in which it is drawn, beside
// the message at an MQTT subscriber for the very same presses. The clocks of browser
// and test are one.
func BenchmarkPressToPixel(b *testing.B) {
	bench := startBench(b, nil)
	p := browser.Open(b, "http://"+bench.pageAddress()+"/")
	p.Wait(`event`)
	p.Text(`void (window.changedAt = {}, window.drawnAt = {}, watchers.add(() => {
		const seq = event.words.last ? event.words.last.seq : 0, now = () => performance.timeOrigin + performance.now();
		if (seq in changedAt) return;
		changedAt[seq] = now();
		requestAnimationFrame(() => { drawnAt[seq] = now(); });
	}))`)
	var changed, drawn []time.Duration
	presser := newPresser(b, bench)
	for b.Loop() {
		pressed, seq := presser.press(b)
		p.Wait(fmt.Sprintf("drawnAt[%d]", seq))
		for _, c := range []struct {
			name string
			into *[]time.Duration
		}{{"changedAt", &changed}, {"drawnAt", &drawn}} {
			var at float64
			_, err := fmt.Sscan(p.Text(fmt.Sprintf("%s[%d]", c.name, seq)), &at)
			require.NoError(b, err)
			*c.into = append(*c.into, time.Duration((at-float64(pressed.UnixNano())/1e6)*1e6))
		}
	}
	times := presser.times
	b.ReportMetric(quantile(times, 0.5), "mqtt-ms-median")
	b.ReportMetric(quantile(times, 0.99), "mqtt-ms-p99")
	b.ReportMetric(quantile(changed, 0.5), "dom-ms-median")
	b.ReportMetric(quantile(changed, 0.99), "dom-ms-p99")
	b.ReportMetric(quantile(drawn, 0.5), "frame-ms-median")
	b.ReportMetric(quantile(drawn, 0.99), "frame-ms-p99")
}
