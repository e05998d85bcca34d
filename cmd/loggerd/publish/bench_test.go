package publish

import (
	"slices"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// BenchmarkHop measures from a snapshot in the mailbox to its reading at a
// subscriber, and in turns with it the floor: a bare publish of the same bytes by
// the same client library through the same broker to the same subscriber.
func BenchmarkHop(b *testing.B) {
	br := startBroker(b)
	bench := newBench(snapshot(1))
	run(b, config(br.Addr(), bench))
	arrived := make(chan []byte, 10)
	token := client(b, br.Addr(), paho.NewClientOptions()).Subscribe("works/+/+/reading", 1, func(_ paho.Client, m paho.Message) { arrived <- m.Payload() })
	require.True(b, token.WaitTimeout(soon))
	bare := client(b, br.Addr(), paho.NewClientOptions().SetUsername(user).SetPassword(pass))
	bench.put(snapshot(1, 2))
	payload := <-arrived
	for len(arrived) > 0 {
		payload = <-arrived
	}

	seqs := []int64{1, 2}
	var ours, floor []time.Duration
	for b.Loop() {
		seqs = append(seqs, seqs[len(seqs)-1]+1)
		if len(seqs) > 20 {
			seqs = seqs[1:]
		}
		s := snapshot(seqs...)
		start := time.Now()
		bench.put(s)
		<-arrived
		ours = append(ours, time.Since(start))

		start = time.Now()
		token := bare.Publish("works/v1/bare/reading", 1, false, payload)
		<-arrived
		floor = append(floor, time.Since(start))
		require.True(b, token.WaitTimeout(soon))
	}
	report(b, "ours", ours)
	report(b, "bare", floor)
	b.ReportMetric(float64(middle(ours))/float64(middle(floor)), "times-bare")
}

func report(b *testing.B, name string, all []time.Duration) {
	b.ReportMetric(float64(middle(all).Microseconds()), name+"-median-µs")
	b.ReportMetric(float64(all[len(all)*99/100].Microseconds()), name+"-p99-µs")
}

// middle sorts all and returns the median.
func middle(all []time.Duration) time.Duration {
	slices.Sort(all)
	return all[len(all)/2]
}

// BenchmarkTake measures what the mailbox's reader does with a snapshot, which
// bounds how soon it can take the next one.
func BenchmarkTake(b *testing.B) {
	box := newOutbox(nil)
	s := snapshot()
	s.Step = &session.StepView{Name: "crank-width", Places: make([]session.PlaceView, 4)}
	s.Job = &session.JobView{Number: "24-017", Steps: slices.Repeat([]session.StepView{*s.Step}, 12)}
	s.Advice = []session.Advice{{Chain: "crank-float", Others: make([]session.Fit, 5)}}
	s.Readings = make([]session.ReadingView, 100)
	seq := int64(0)
	for b.Loop() {
		seq++
		s.Readings[99].Seq = seq
		box.take(s)
	}
}
