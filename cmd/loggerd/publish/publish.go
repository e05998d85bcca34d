// Package publish tells an MQTT broker what the bench knows.
//
// The broker is trusted with nothing. Each connection is a new client that
// publishes the whole retained state afresh, step, advice and instruments first
// and status last, so that a display finds all of it when the status goes live.
// After that a retained topic is published when it says something new, a reading
// once it is ruled, and the status as a heartbeat. Every message is QoS 1 and
// counts only when the broker has acknowledged it; what was not acknowledged is
// sent again on the next connection, readings in the order of their sequence.
//
// A broker that is slow, silent or absent costs the bench nothing: a goroutine
// that never waits for it empties the mailbox. Up to 4096 readings wait for a
// broker to come back; of more the oldest are given up, which the "previous" of
// the next one shows. They are in the log in any case.
package publish

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/url"
	"sync"
	"time"

	"shimwright/session"
)

// A Config says which broker to publish to, and as whom.
type Config struct {
	Broker    string // tcp://host:port (or mqtt://), ssl://host:port with TLS (or tls://, mqtts://)
	Base      string // topics are <base>/v1/<bench>/…
	Bench     string
	ClientID  string // from the bench's name if empty; two publishers with one id end each other's connection
	Username  string
	Password  string
	Heartbeat time.Duration // 5 s if 0
	Timeout   time.Duration // for connecting, for an acknowledgement and for the farewell; 5 s if 0

	// Mailbox is Bench.Subscribe: a mailbox that holds the latest snapshot, and a
	// function that gives it up.
	Mailbox func() (<-chan session.Snapshot, func())
	Log     *slog.Logger // none if nil

	Now    func() time.Time                          // time.Now if nil
	After  func(time.Duration) <-chan time.Time      // time.After if nil; paces heartbeats and back-off
	Spread func(longest time.Duration) time.Duration // random in [longest/2, longest] if nil
}

// A Publisher publishes while Run runs.
type Publisher struct {
	cfg    Config
	broker *url.URL
	prefix string
	// Of Run's goroutine:
	beat    int64           // of the last status
	leftOut map[string]bool // topics that were too large once
}

// New checks cfg; it connects to nothing yet.
func New(cfg Config) (*Publisher, error) {
	broker, err := brokerURL(cfg.Broker)
	if err != nil {
		return nil, err
	}
	prefix, err := session.TopicPrefix(cfg.Base, cfg.Bench)
	if err != nil {
		return nil, err
	}
	if cfg.Mailbox == nil {
		return nil, errors.New("cannot publish without a mailbox; give Config.Mailbox")
	}
	if cfg.Heartbeat < 0 || cfg.Timeout < 0 {
		return nil, errors.New("cannot publish with a negative heartbeat or timeout; write a time such as 5s")
	}
	cfg.fill()
	return &Publisher{cfg: cfg, broker: broker, prefix: prefix, leftOut: map[string]bool{}}, nil
}

func (c *Config) fill() {
	if c.ClientID == "" {
		c.ClientID = "shimwright-" + session.Segment(c.Bench)
	}
	if c.Heartbeat == 0 {
		c.Heartbeat = 5 * time.Second
	}
	if c.Timeout == 0 {
		c.Timeout = 5 * time.Second
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.After == nil {
		c.After = time.After
	}
	if c.Spread == nil {
		c.Spread = func(longest time.Duration) time.Duration { return longest/2 + rand.N(longest/2+1) }
	}
}

// brokerURL reads a broker's address and adds the port that belongs to its scheme.
func brokerURL(text string) (*url.URL, error) {
	u, err := url.Parse(text)
	if err != nil || u.Hostname() == "" || u.User != nil {
		return nil, errors.New("the broker's address is not understood; write it like tcp://192.168.1.5:1883, with name and password apart from it")
	}
	port, ok := map[string]string{"tcp": "1883", "mqtt": "1883", "ssl": "8883", "tls": "8883", "mqtts": "8883"}[u.Scheme]
	if !ok {
		return nil, fmt.Errorf("the broker's address %q begins with %q; write tcp:// or, for TLS, ssl://", text, u.Scheme+"://")
	}
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	return u, nil
}

// Run publishes until ctx ends, then says "ended" and disconnects, within about
// the timeout. It connects once there is a first snapshot, and again whenever the
// connection ends. It returns nil, and is called once.
func (p *Publisher) Run(ctx context.Context) error {
	mail, release := p.cfg.Mailbox()
	defer release()
	box := newOutbox(p.cfg.Log)
	var collecting sync.WaitGroup
	collecting.Go(func() { box.collect(ctx, mail) })
	defer collecting.Wait()
	select {
	case <-ctx.Done():
		return nil
	case <-box.first:
	}
	failures := 0
	for {
		proved, err := p.connection(ctx, box)
		if ctx.Err() != nil {
			if err != nil {
				p.cfg.Log.Info("the broker was not told that the run ended", "broker", p.broker.String(), "error", err)
			}
			return nil
		}
		if proved {
			failures = 0
		}
		p.complain(failures, err)
		select {
		case <-ctx.Done():
			return nil
		case <-p.cfg.After(p.pause(failures)):
		}
		failures++
	}
}

// complain logs the first of a row of failures loudly, the others quietly.
func (p *Publisher) complain(failures int, err error) {
	level := slog.LevelDebug
	if failures == 0 {
		level = slog.LevelWarn
	}
	p.cfg.Log.Log(context.Background(), level, "no connection to the broker; measuring goes on and the connection is tried again",
		"broker", p.broker.String(), "error", err)
}

// The back-off: from half a second, doubled with each failure, up to half a minute.
const (
	shortestPause = 500 * time.Millisecond
	longestPause  = 30 * time.Second
)

func (p *Publisher) pause(failures int) time.Duration {
	pause := longestPause
	if failures < 6 {
		pause = min(longestPause, shortestPause<<failures)
	}
	return p.cfg.Spread(pause)
}

// connection lives one connection from dialling to its end. It is proved once a
// heartbeat has been acknowledged on it.
func (p *Publisher) connection(ctx context.Context, box *outbox) (proved bool, err error) {
	snapshot, _ := box.latest()
	will, err := p.status(snapshot, session.StatusGone)
	if err != nil {
		return false, err
	}
	l, err := p.dial(ctx, will, snapshot.Run)
	if err != nil {
		return false, err
	}
	defer l.close()
	later, stop := grace(ctx, p.cfg.Timeout)
	defer stop()
	if err := p.present(later, l, box); err != nil {
		return false, err
	}
	p.cfg.Log.Info("connected to the broker", "broker", p.broker.String(), "topics", p.prefix+"#")
	proved, err = p.serve(ctx, later, l, box)
	if err == nil {
		err = p.farewell(later, l, box)
	}
	return proved, err
}

// grace returns a context that ends some time after ctx, so that what is under
// way can finish.
func grace(ctx context.Context, extra time.Duration) (context.Context, context.CancelFunc) {
	later, cancel := context.WithCancel(context.WithoutCancel(ctx))
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(extra, cancel) })
	return later, func() { stop(); cancel() }
}

// present publishes the whole retained state afresh, status last, and then asks
// for our own status: what the broker holds there now is either that or a late
// will.
func (p *Publisher) present(ctx context.Context, l *link, box *outbox) error {
	if err := p.renew(l, box); err != nil {
		return err
	}
	if err := l.settle(ctx); err != nil {
		return err
	}
	return l.watch(ctx)
}

// serve publishes what is new until the connection ends (the error says why) or
// ctx ends (no error); what is sent may take until later. A status that is not
// ours is answered with ours at once, but only a few times between two
// heartbeats, so that two daemons of one name do not chase each other.
func (p *Publisher) serve(ctx, later context.Context, l *link, box *outbox) (proved bool, err error) {
	beat := p.cfg.After(p.cfg.Heartbeat)
	corrections := 0
	for {
		if err := p.flush(later, l, box); err != nil {
			return proved, err
		}
		select {
		case <-ctx.Done():
			return proved, nil
		case err := <-l.lost:
			return proved, fmt.Errorf("the connection ended: %w", err)
		case <-box.changed:
		case <-l.foreign:
			if corrections == maxCorrections {
				continue
			}
			corrections++
			if err := p.sendStatus(later, l, box, session.StatusLive); err != nil {
				return proved, err
			}
		case <-beat:
			if err := p.sendStatus(later, l, box, session.StatusLive); err != nil {
				return proved, err
			}
			beat = p.cfg.After(p.cfg.Heartbeat)
			proved, corrections = true, 0
		}
	}
}

// maxCorrections is how often a foreign status is answered between heartbeats. A
// broker may show us one late will twice, and out of order.
const maxCorrections = 3

// window is how many readings are on their way at a time.
const window = 32

// flush sends the readings that wait, and what else has changed, until there is
// nothing. The readings are on their way before anything else is even written.
func (p *Publisher) flush(ctx context.Context, l *link, box *outbox) error {
	for {
		readings, mark := box.waiting(window)
		if err := l.post(readings...); err != nil {
			return err
		}
		if err := p.renew(l, box); err != nil {
			return err
		}
		if len(l.posted) == 0 {
			return nil
		}
		if err := l.settle(ctx); err != nil {
			return err
		}
		box.delivered(mark)
	}
}

// renew posts the retained messages that say something else than those the
// broker has, status last.
func (p *Publisher) renew(l *link, box *outbox) error {
	snapshot, version := box.latest()
	if l.version == version {
		return nil
	}
	l.version = version
	retained, err := snapshot.Retained()
	if err != nil {
		return err
	}
	for _, m := range retained {
		if m.Same(l.published[m.Topic]) || p.tooLarge(m) {
			continue
		}
		if err := l.post(m); err != nil {
			return err
		}
	}
	status, err := p.status(snapshot, session.StatusLive)
	if err != nil || status.Same(l.published[status.Topic]) {
		return err
	}
	p.beat++
	return l.post(status)
}

// maxPayload bounds a message: the embedded broker ends a connection that sends
// 256 KiB, and so would the next one.
const maxPayload = 250 << 10

// tooLarge says whether a message is to be left out, and logs each topic once.
func (p *Publisher) tooLarge(m session.Message) bool {
	if len(m.Payload) <= maxPayload {
		return false
	}
	if !p.leftOut[m.Topic] {
		p.leftOut[m.Topic] = true
		p.cfg.Log.Error("a message is too large to publish; make the plan shorter", "topic", m.Topic, "bytes", len(m.Payload))
	}
	return true
}

// farewell sends what is left and says that the run ended.
func (p *Publisher) farewell(ctx context.Context, l *link, box *outbox) error {
	select {
	case <-box.ended:
	case <-ctx.Done():
	}
	if err := p.flush(ctx, l, box); err != nil {
		return err
	}
	return p.sendStatus(ctx, l, box, session.StatusEnded)
}

// status makes the next status without counting it.
func (p *Publisher) status(s session.Snapshot, state string) (session.Message, error) {
	return session.StatusMessage(s, state, p.beat+1, p.cfg.Now(), p.cfg.Heartbeat)
}

func (p *Publisher) sendStatus(ctx context.Context, l *link, box *outbox, state string) error {
	snapshot, _ := box.latest()
	m, err := p.status(snapshot, state)
	if err != nil {
		return err
	}
	p.beat++
	if err := l.post(m); err != nil {
		return err
	}
	return l.settle(ctx)
}
