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
	beat   int64 // of the last status
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
	return &Publisher{cfg: cfg, broker: broker, prefix: prefix}, nil
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
	will, err := p.status(box, session.StatusGone)
	if err != nil {
		return false, err
	}
	l, err := p.dial(ctx, will, box.latest().Run)
	if err != nil {
		return false, err
	}
	defer l.close()
	if err = p.present(ctx, l, box); err == nil {
		p.cfg.Log.Info("connected to the broker", "broker", p.broker.String(), "topics", p.prefix+"#")
		proved, err = p.serve(ctx, l, box)
	}
	if ctx.Err() != nil {
		return proved, p.farewell(l, box)
	}
	return proved, err
}

// present publishes the whole retained state afresh, status last, and then asks
// for our own status: what the broker holds there now is either that or a late
// will.
func (p *Publisher) present(ctx context.Context, l *link, box *outbox) error {
	if err := l.send(ctx, box.retainedNow()); err != nil {
		return err
	}
	if err := p.sendStatus(ctx, l, box, session.StatusLive); err != nil {
		return err
	}
	return l.watch(ctx)
}

// serve publishes what is new until the connection or ctx ends. A status that is
// not ours is answered with ours at once, but only once a heartbeat, so that two
// daemons of one name do not chase each other.
func (p *Publisher) serve(ctx context.Context, l *link, box *outbox) (proved bool, err error) {
	beat := p.cfg.After(p.cfg.Heartbeat)
	corrected := false
	for {
		if err := p.flush(ctx, l, box); err != nil {
			return proved, err
		}
		select {
		case <-ctx.Done():
			return proved, ctx.Err()
		case err := <-l.lost:
			return proved, fmt.Errorf("the connection ended: %w", err)
		case <-box.changed:
		case <-l.foreign:
			if corrected {
				continue
			}
			corrected = true
			if err := p.sendStatus(ctx, l, box, session.StatusLive); err != nil {
				return proved, err
			}
		case <-beat:
			if err := p.sendStatus(ctx, l, box, session.StatusLive); err != nil {
				return proved, err
			}
			beat = p.cfg.After(p.cfg.Heartbeat)
			proved, corrected = true, false
		}
	}
}

// window is how many readings are on their way at a time.
const window = 32

// flush sends the readings that wait and what has changed, until there is nothing.
func (p *Publisher) flush(ctx context.Context, l *link, box *outbox) error {
	for {
		batch, readings := box.batch(l.published, window)
		status, err := p.status(box, session.StatusLive)
		if err != nil {
			return err
		}
		if !status.Same(l.published[status.Topic]) {
			batch = append(batch, status)
			p.beat++
		}
		if len(batch) == 0 {
			return nil
		}
		if err := l.send(ctx, batch); err != nil {
			return err
		}
		box.delivered(readings)
	}
}

// farewell sends what is left and says that the run ended, within the timeout.
func (p *Publisher) farewell(l *link, box *outbox) error {
	ctx, cancel := context.WithTimeout(context.Background(), p.cfg.Timeout)
	defer cancel()
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
func (p *Publisher) status(box *outbox, state string) (session.Message, error) {
	return session.StatusMessage(box.latest(), state, p.beat+1, p.cfg.Now(), p.cfg.Heartbeat)
}

func (p *Publisher) sendStatus(ctx context.Context, l *link, box *outbox, state string) error {
	m, err := p.status(box, state)
	if err != nil {
		return err
	}
	p.beat++
	return l.send(ctx, []session.Message{m})
}
