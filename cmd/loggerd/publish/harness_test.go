package publish

import (
	"context"
	"encoding/json"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/broker"
	"shimwright/session"
)

const (
	soon = 10 * time.Second
	tick = 5 * time.Millisecond
	user = "bench"
	pass = "only for this test"
)

// a bench that hands out what the test puts.
type fakeBench struct{ mail chan session.Snapshot }

func newBench(first ...session.Snapshot) *fakeBench {
	b := &fakeBench{make(chan session.Snapshot, 1)}
	for _, s := range first {
		b.put(s)
	}
	return b
}

// put replaces what is in the mailbox, as Bench does.
func (b *fakeBench) put(s session.Snapshot) {
	select {
	case <-b.mail:
	default:
	}
	b.mail <- s
}

func (b *fakeBench) subscribe() (<-chan session.Snapshot, func()) { return b.mail, func() {} }

// snapshot of run 7 with readings of these sequences.
func snapshot(seqs ...int64) session.Snapshot { return snapshotOf(7, seqs...) }

func snapshotOf(run int64, seqs ...int64) session.Snapshot {
	at := time.Date(2031, 4, 5, 9, 30, 0, 0, time.UTC)
	s := session.Snapshot{
		Schema: 1, Bench: "bench-1", Run: run, Seq: 1, Time: at, Software: "test", Method: "1",
		Recording:   session.Recording{OK: true},
		Instruments: []session.InstrumentView{{Name: "caliper-1", Kind: session.Caliper, State: session.PortLive}},
	}
	for _, seq := range seqs {
		s.Readings = append(s.Readings, session.ReadingView{Seq: seq, Time: at.Add(time.Duration(seq) * time.Second), Instrument: "caliper-1"})
		s.Seq = max(s.Seq, seq)
	}
	return s
}

func startBroker(t testing.TB) *broker.Broker {
	t.Helper()
	b, err := broker.Start(broker.Config{Listen: "127.0.0.1:0", Base: "works", PublisherUser: user, PublisherPassword: pass})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	return b
}

func config(addr string, bench *fakeBench) Config {
	return Config{
		Broker: "tcp://" + addr, Base: "works", Bench: "bench-1", Username: user, Password: pass,
		Heartbeat: time.Hour, Timeout: 2 * time.Second, Mailbox: bench.subscribe,
		Spread: func(time.Duration) time.Duration { return tick },
	}
}

// run starts a publisher; the function it returns ends it in good order.
func run(t testing.TB, cfg Config) (end func()) {
	t.Helper()
	p, err := New(cfg)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	end = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-done:
			require.NoError(t, err)
		case <-time.After(soon):
			require.Fail(t, "the publisher does not end")
		}
	})
	t.Cleanup(end)
	return end
}

// heard is one message as a display got it.
type heard struct {
	Topic    string
	Retained bool
	Schema   int    `json:"schema"`
	Run      int64  `json:"run"`
	Seq      int64  `json:"seq"`
	State    string `json:"state"`
	Beat     int64  `json:"beat"`
	Previous int64  `json:"previous"`
	Text     string
}

// display is a subscriber that keeps what it hears.
type display struct {
	mu  sync.Mutex
	all []heard
}

func watch(t testing.TB, addr string, topics ...string) *display {
	t.Helper()
	d := &display{}
	c := client(t, addr, paho.NewClientOptions())
	for _, topic := range topics {
		token := c.Subscribe(topic, 1, func(_ paho.Client, m paho.Message) {
			h := heard{Topic: m.Topic(), Retained: m.Retained(), Text: string(m.Payload())}
			_ = json.Unmarshal(m.Payload(), &h) // checked by whoever looks at the fields
			d.mu.Lock()
			defer d.mu.Unlock()
			d.all = append(d.all, h)
		})
		require.True(t, token.WaitTimeout(soon))
		require.NoError(t, token.Error())
	}
	// Brokers answer one client's packets in turn: after this answer what was
	// retained has been sent, and all that comes now is new.
	token := c.Unsubscribe("works/nothing")
	require.True(t, token.WaitTimeout(soon))
	require.NoError(t, token.Error())
	return d
}

// client connects an ordinary client and disconnects it at the end of the test.
func client(t testing.TB, addr string, o *paho.ClientOptions) paho.Client {
	t.Helper()
	c := paho.NewClient(o.AddBroker("tcp://" + addr).SetAutoReconnect(false).SetConnectTimeout(soon))
	token := c.Connect()
	require.True(t, token.WaitTimeout(soon))
	require.NoError(t, token.Error())
	t.Cleanup(func() { c.Disconnect(50) })
	return c
}

func (d *display) heard(topic string) []heard {
	d.mu.Lock()
	defer d.mu.Unlock()
	var of []heard
	for _, h := range d.all {
		if h.Topic == topic {
			of = append(of, h)
		}
	}
	return of
}

func (d *display) seqs(topic string) []int64 {
	var seqs []int64
	for _, h := range d.heard(topic) {
		seqs = append(seqs, h.Seq)
	}
	return seqs
}

// last is the latest message on the topic, or nothing.
func (d *display) last(topic string) heard {
	if of := d.heard(topic); len(of) > 0 {
		return of[len(of)-1]
	}
	return heard{}
}

// status waits until the status topic says this.
func (d *display) status(t testing.TB, run int64, state string) {
	t.Helper()
	require.Eventually(t, func() bool {
		s := d.last("works/v1/bench-1/status")
		return s.Run == run && s.State == state
	}, soon, tick, "no status %q of run %d", state, run)
}

// wire is a TCP proxy whose connections a test can cut, and whose far end it can move.
type wire struct {
	port net.Listener
	mu   sync.Mutex
	far  string
	ends []net.Conn
}

func newWire(t testing.TB, far string) *wire {
	t.Helper()
	port, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	w := &wire{port: port, far: far}
	go w.serve()
	t.Cleanup(func() { _ = port.Close(); w.cut() })
	return w
}

func (w *wire) addr() string { return w.port.Addr().String() }

func (w *wire) serve() {
	for {
		near, err := w.port.Accept()
		if err != nil {
			return
		}
		w.mu.Lock()
		far, err := net.Dial("tcp", w.far)
		if err != nil {
			_ = near.Close()
			w.mu.Unlock()
			continue
		}
		w.ends = append(w.ends, near, far)
		w.mu.Unlock()
		go func() { defer far.Close(); _, _ = io.Copy(far, near) }()
		go func() { defer near.Close(); _, _ = io.Copy(near, far) }()
	}
}

// cut breaks every connection without a goodbye.
func (w *wire) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, c := range w.ends {
		_ = c.(*net.TCPConn).SetLinger(0)
		_ = c.Close()
	}
	w.ends = nil
}

// lead moves the far end for connections to come.
func (w *wire) lead(far string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.far = far
}
