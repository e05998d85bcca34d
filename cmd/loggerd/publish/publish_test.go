package publish

import (
	"bytes"
	"log/slog"
	"math"
	"net"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

const (
	readingTopic = "works/v1/bench-1/reading"
	statusTopic  = "works/v1/bench-1/status"
	stepTopic    = "works/v1/bench-1/step"
)

func TestRetainedStateReachesALateDisplay(t *testing.T) {
	b := startBroker(t)
	bench := newBench(snapshot(3))
	run(t, config(b.Addr(), bench))
	early := watch(t, b.Addr(), "works/#")
	early.status(t, 7, session.StatusLive)
	bench.put(snapshot(3, 5))
	require.Eventually(t, func() bool { return len(early.heard(readingTopic)) > 0 && early.last(readingTopic).Seq == 5 }, soon, tick)

	late := watch(t, b.Addr(), "works/v1/bench-1/#")
	for _, topic := range []string{"status", "step", "advice", "instrument/caliper-1"} {
		require.Eventually(t, func() bool { return len(late.heard("works/v1/bench-1/"+topic)) == 1 }, soon, tick, topic)
		h := late.last("works/v1/bench-1/" + topic)
		assert.True(t, h.Retained, topic)
		assert.Equal(t, int64(7), h.Run, topic)
		assert.Equal(t, 1, h.Schema, topic)
	}
	assert.Empty(t, late.heard(readingTopic), "readings are not retained")
}

func TestStatusComesAfterTheStateItVouchesFor(t *testing.T) {
	b := startBroker(t)
	d := watch(t, b.Addr(), "works/#")
	run(t, config(b.Addr(), newBench(snapshot())))
	d.status(t, 7, session.StatusLive)
	d.mu.Lock()
	defer d.mu.Unlock()
	require.Len(t, d.all, 4)
	assert.Equal(t, statusTopic, d.all[3].Topic)
}

func TestReadingsComeOnceInOrderOfSequence(t *testing.T) {
	b := startBroker(t)
	d := watch(t, b.Addr(), "works/#")
	bench := newBench(snapshot(2, 3, 9, 4)) // those without a job are listed last
	run(t, config(b.Addr(), bench))
	want := []int64{2, 3, 4, 9}
	for seq := int64(10); seq < 200; seq++ {
		want = append(want, seq)
		bench.put(snapshot(want...))
	}
	require.Eventually(t, func() bool { return len(d.heard(readingTopic)) >= len(want) }, soon, tick)
	assert.Equal(t, want, d.seqs(readingTopic))
	previous := int64(0)
	for _, h := range d.heard(readingTopic) {
		assert.Equal(t, previous, h.Previous)
		previous = h.Seq
	}
}

func TestWhatSaysNothingNewIsNotPublishedAgain(t *testing.T) {
	b := startBroker(t)
	d := watch(t, b.Addr(), "works/#")
	bench := newBench(snapshot(2))
	run(t, config(b.Addr(), bench))
	d.status(t, 7, session.StatusLive)
	bench.put(snapshot(2, 3))
	require.Eventually(t, func() bool { return d.last(readingTopic).Seq == 3 }, soon, tick)
	s := snapshot(2, 3, 4)
	s.Recording = session.Recording{Problem: "disk full"}
	s.Job = &session.JobView{Number: "24-017"}
	bench.put(s)
	require.Eventually(t, func() bool { return strings.Contains(d.last(statusTopic).Text, "disk full") }, soon, tick)
	assert.Equal(t, []int64{2, 4}, d.seqs(stepTopic), "the step changed once, with the job")
	assert.Equal(t, []int64{1, 2}, []int64{d.heard(statusTopic)[0].Beat, d.last(statusTopic).Beat})
	assert.Contains(t, d.last(statusTopic).Text, `"job":"24-017"`)
}

func TestHeartbeat(t *testing.T) {
	b := startBroker(t)
	d := watch(t, b.Addr(), statusTopic)
	cfg := config(b.Addr(), newBench(snapshot()))
	beats := make(chan time.Time)
	cfg.After = func(pause time.Duration) <-chan time.Time {
		assert.Equal(t, time.Hour, pause)
		return beats
	}
	cfg.Now = func() time.Time { return time.Date(2031, 4, 5, 10, 0, 0, 0, time.UTC) }
	run(t, cfg)
	for beat := int64(1); beat < 4; beat++ {
		require.Eventually(t, func() bool { return d.last(statusTopic).Beat == beat }, soon, tick)
		beats <- time.Time{}
	}
	assert.Contains(t, d.last(statusTopic).Text, `"time":"2031-04-05T10:00:00Z"`)
	assert.Contains(t, d.last(statusTopic).Text, `"interval_s":3600`)
}

func TestWillOnAbruptDeathAndFreshStateAfterIt(t *testing.T) {
	b := startBroker(t)
	d := watch(t, b.Addr(), "works/#")
	w := newWire(t, b.Addr())
	bench := newBench(snapshot(2))
	cfg := config(w.addr(), bench)
	again := make(chan time.Time)
	cfg.After = func(pause time.Duration) <-chan time.Time {
		if pause == tick {
			return again
		}
		return nil
	}
	run(t, cfg)
	d.status(t, 7, session.StatusLive)
	require.Eventually(t, func() bool { return d.last(readingTopic).Seq == 2 }, soon, tick)
	w.cut()
	d.status(t, 7, session.StatusGone)
	bench.put(snapshot(2, 3))
	steps := len(d.heard(stepTopic))
	again <- time.Time{}
	d.status(t, 7, session.StatusLive)
	require.Eventually(t, func() bool { return d.last(readingTopic).Seq == 3 }, soon, tick)
	assert.Len(t, d.heard(stepTopic), steps+1, "the retained state is published afresh")
	assert.Equal(t, []int64{2, 3}, d.seqs(readingTopic), "readings are not")
}

func TestABrokerThatForgotEverythingIsToldEverything(t *testing.T) {
	old := startBroker(t)
	w := newWire(t, old.Addr())
	bench := newBench(snapshot(2))
	run(t, config(w.addr(), bench))
	watch(t, old.Addr(), statusTopic).status(t, 7, session.StatusLive)

	fresh := startBroker(t)
	d := watch(t, fresh.Addr(), "works/#")
	w.lead(fresh.Addr())
	require.NoError(t, old.Close())
	bench.put(snapshot(2, 3))
	d.status(t, 7, session.StatusLive)
	require.Eventually(t, func() bool { return d.last(readingTopic).Seq == 3 }, soon, tick)
	for _, topic := range []string{"step", "advice", "instrument/caliper-1"} {
		assert.NotEmpty(t, d.heard("works/v1/bench-1/"+topic), topic)
	}
}

func TestEndInGoodOrder(t *testing.T) {
	b := startBroker(t)
	d := watch(t, b.Addr(), "works/#")
	bench := newBench(snapshot())
	end := run(t, config(b.Addr(), bench))
	d.status(t, 7, session.StatusLive)
	bench.put(snapshot(8))
	end()
	d.status(t, 7, session.StatusEnded)
	assert.Equal(t, []int64{8}, d.seqs(readingTopic), "the last snapshot goes out before the end")
	watch(t, b.Addr(), statusTopic).status(t, 7, session.StatusEnded)
}

func TestALateWillIsCorrected(t *testing.T) {
	b := startBroker(t)
	run(t, config(b.Addr(), newBench(snapshot())))
	d := watch(t, b.Addr(), statusTopic)
	d.status(t, 7, session.StatusLive)
	ghost := client(t, b.Addr(), paho.NewClientOptions().SetUsername(user).SetPassword(pass).SetClientID("ghost"))
	token := ghost.Publish(statusTopic, 1, true, `{"schema":1,"run":6,"seq":4,"state":"gone","beat":9}`)
	require.True(t, token.WaitTimeout(soon))
	d.status(t, 7, session.StatusLive)
	require.Eventually(t, func() bool { return d.last(statusTopic).Beat >= 2 }, soon, tick)
	watch(t, b.Addr(), statusTopic).status(t, 7, session.StatusLive)
}

func TestTheNextRunTakesOver(t *testing.T) {
	b := startBroker(t)
	cfg := config(b.Addr(), newBench(snapshotOf(6)))
	cfg.After = func(time.Duration) <-chan time.Time { return nil } // once down it stays down, as a dead daemon does
	run(t, cfg)
	d := watch(t, b.Addr(), statusTopic)
	d.status(t, 6, session.StatusLive)
	run(t, config(b.Addr(), newBench(snapshotOf(7)))) // the broker ends the old connection and sends its will
	require.Eventually(t, func() bool {               // the will, and after it run 7 for good
		for _, h := range d.heard(statusTopic) {
			if h.Run == 6 && h.State == session.StatusGone {
				return d.last(statusTopic).Run == 7
			}
		}
		return false
	}, soon, tick)
	watch(t, b.Addr(), statusTopic).status(t, 7, session.StatusLive)
}

// A broker that accepts and then says what the test wants: nothing, or a CONNACK
// (MQTT 3.1.1, section 3.2: 20 02 00 00) and then nothing.
func silentBroker(t *testing.T, answer []byte) string {
	t.Helper()
	port, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = port.Close() })
	go func() {
		for {
			conn, err := port.Accept()
			if err != nil {
				return
			}
			t.Cleanup(func() { _ = conn.Close() })
			_, _ = conn.Write(answer)
		}
	}()
	return port.Addr().String()
}

func TestASilentBrokerDoesNotHoldUpTheBench(t *testing.T) {
	for name, answer := range map[string][]byte{"accepts only": nil, "connects only": {0x20, 0x02, 0x00, 0x00}} {
		t.Run(name, func(t *testing.T) {
			bench := &fakeBench{make(chan session.Snapshot)} // no slot: each put waits for the publisher
			cfg := config(silentBroker(t, answer), bench)
			cfg.Timeout = 50 * time.Millisecond
			tried := make(chan struct{}, 100)
			cfg.Spread = func(time.Duration) time.Duration {
				tried <- struct{}{}
				return tick
			}
			end := run(t, cfg)
			for i := range int64(500) {
				select {
				case bench.mail <- snapshot(i):
				case <-time.After(soon):
					require.Fail(t, "the bench waits for the broker")
				}
			}
			for range 3 { // it gives up and tries again, and again
				select {
				case <-tried:
				case <-time.After(soon):
					require.Fail(t, "the publisher waits for ever")
				}
			}
			end()
		})
	}
}

func TestNoBrokerAtAll(t *testing.T) {
	port, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := port.Addr().String()
	require.NoError(t, port.Close())
	cfg := config(addr, newBench(snapshot()))
	pauses := make(chan time.Duration, 20)
	cfg.Spread = func(longest time.Duration) time.Duration {
		select {
		case pauses <- longest:
		default:
		}
		return 0
	}
	run(t, cfg)
	for _, want := range []time.Duration{500 * time.Millisecond, time.Second, 2 * time.Second, 4 * time.Second, 8 * time.Second, 16 * time.Second, 30 * time.Second, 30 * time.Second} {
		assert.Equal(t, want, <-pauses)
	}
}

func TestNoSnapshotNoConnection(t *testing.T) {
	run(t, config("127.0.0.1:1", newBench()))() // ends at once
}

func TestABenchThatHasNotBegunSaysNothing(t *testing.T) {
	b := startBroker(t)
	d := watch(t, b.Addr(), statusTopic)
	bench := &fakeBench{make(chan session.Snapshot)}
	run(t, config(b.Addr(), bench))
	bench.mail <- session.Snapshot{}
	bench.mail <- snapshot()
	d.status(t, 7, session.StatusLive)
	assert.Len(t, d.heard(statusTopic), 1)
}

func TestBackOffHasJitter(t *testing.T) {
	cfg := Config{Bench: "b"}
	cfg.fill()
	differ := map[time.Duration]bool{}
	for range 100 {
		pause := cfg.Spread(longestPause)
		assert.LessOrEqual(t, pause, longestPause)
		assert.GreaterOrEqual(t, pause, longestPause/2)
		differ[pause] = true
	}
	assert.Greater(t, len(differ), 90)
}

func TestNewRefuses(t *testing.T) {
	mailbox := newBench().subscribe
	for _, c := range []struct {
		name string
		cfg  Config
		says string
	}{
		{"no broker", Config{Base: "a", Bench: "b", Mailbox: mailbox}, "write it like tcp://"},
		{"no host", Config{Broker: "tcp://:1883", Base: "a", Mailbox: mailbox}, "write it like tcp://"},
		{"password in the address", Config{Broker: "tcp://u:p@h", Base: "a", Mailbox: mailbox}, "apart from it"},
		{"unknown scheme", Config{Broker: "http://h", Base: "a", Mailbox: mailbox}, `begins with "http://"; write tcp://`},
		{"base with capitals", Config{Broker: "tcp://h", Base: "A", Mailbox: mailbox}, "small letters"},
		{"base with wildcard", Config{Broker: "tcp://h", Base: "a/#", Mailbox: mailbox}, "small letters"},
		{"no base", Config{Broker: "tcp://h", Mailbox: mailbox}, "small letters"},
		{"no mailbox", Config{Broker: "tcp://h", Base: "a"}, "mailbox"},
		{"negative", Config{Broker: "tcp://h", Base: "a", Mailbox: mailbox, Heartbeat: -1}, "such as 5s"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := New(c.cfg)
			assert.ErrorContains(t, err, c.says)
		})
	}
}

func TestBrokerAddress(t *testing.T) {
	for in, want := range map[string]string{
		"tcp://h": "h:1883", "mqtt://h:99": "h:99", "ssl://h": "h:8883", "mqtts://h": "h:8883", "tls://h:1": "h:1",
		"tcp://[::1]": "[::1]:1883", "tcp://[::1]:5": "[::1]:5",
	} {
		u, err := brokerURL(in)
		require.NoError(t, err, in)
		assert.Equal(t, want, u.Host, in)
	}
}

func TestOutboxIsBounded(t *testing.T) {
	b := newOutbox(nil)
	for i := range int64(maxWaiting + 10) {
		b.take(snapshot(i + 1))
	}
	readings, mark := b.waiting(3)
	require.Len(t, readings, 3)
	assert.Contains(t, string(readings[0].Payload), `"previous":10,`)
	assert.Len(t, b.readings, maxWaiting)

	b.take(snapshot(maxWaiting+11, maxWaiting+12)) // two are given up while three are under way
	b.delivered(mark)
	readings, _ = b.waiting(1)
	assert.Contains(t, string(readings[0].Payload), `"previous":13,`)
	b.delivered(mark) // again changes nothing
	again, _ := b.waiting(1)
	assert.Equal(t, readings, again)
}

func TestAReadingThatCannotBeWritten(t *testing.T) {
	s := snapshot(2)
	s.Readings[0].Outlier = &session.OutlierView{Statistic: math.NaN()}
	var out bytes.Buffer
	b := newOutbox(slog.New(slog.NewTextHandler(&out, nil)))
	b.take(s)
	assert.Empty(t, b.readings)
	assert.Contains(t, out.String(), "a reading is not published")
	s.Readings = append(s.Readings, snapshot(3).Readings...)
	b.take(s)
	require.Len(t, b.readings, 1)
	assert.Contains(t, string(b.readings[0].Payload), `"previous":2,`, "the display sees that one is missing")
}

func TestATooLargeMessageIsLeftOut(t *testing.T) {
	br := startBroker(t)
	d := watch(t, br.Addr(), "works/#")
	s := snapshot(2)
	s.Job = &session.JobView{Title: strings.Repeat("x", maxPayload)}
	run(t, config(br.Addr(), newBench(s)))
	d.status(t, 7, session.StatusLive)
	require.Eventually(t, func() bool { return len(d.heard(readingTopic)) == 1 }, soon, tick)
	assert.Empty(t, d.heard(stepTopic))
}
