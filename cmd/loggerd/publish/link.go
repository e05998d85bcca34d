package publish

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/url"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"shimwright/session"
)

// A link is one connection to the broker. It is never used again once it failed.
type link struct {
	client    paho.Client
	prefix    string
	run       int64
	timeout   time.Duration
	lost      chan error                 // one slot
	foreign   chan struct{}              // one slot: our status topic says something else
	posted    []posted                   // on their way
	published map[string]session.Message // retained topics as the broker has acknowledged them
	version   int64                      // of the snapshot that these are from
}

type posted struct {
	message session.Message
	token   paho.Token
}

// dial connects for a run, with will as the will.
func (p *Publisher) dial(ctx context.Context, will session.Message, run int64) (*link, error) {
	l := &link{
		prefix: p.prefix, run: run, timeout: p.cfg.Timeout,
		lost: make(chan error, 1), foreign: make(chan struct{}, 1),
		published: map[string]session.Message{},
	}
	options := paho.NewClientOptions().
		SetClientID(p.cfg.ClientID).SetUsername(p.cfg.Username).SetPassword(p.cfg.Password).
		SetProtocolVersion(4).SetCleanSession(true).
		SetAutoReconnect(false).SetConnectRetry(false).
		SetKeepAlive(15*time.Second).SetPingTimeout(p.cfg.Timeout).
		SetConnectTimeout(p.cfg.Timeout).SetWriteTimeout(p.cfg.Timeout).
		SetBinaryWill(p.prefix+will.Topic, will.Payload, 1, true).
		SetCustomOpenConnectionFn(open).
		SetConnectionLostHandler(func(_ paho.Client, err error) { l.lost <- err }) // called at most once
	options.Servers = []*url.URL{p.broker}
	l.client = paho.NewClient(options)
	if err := l.wait(ctx, l.client.Connect()); err != nil {
		l.close()
		return nil, fmt.Errorf("cannot connect: %w", err)
	}
	return l, nil
}

// open opens the connection that the scheme of the address asks for.
func open(broker *url.URL, options paho.ClientOptions) (net.Conn, error) {
	dialer := &net.Dialer{Timeout: options.ConnectTimeout}
	if broker.Scheme == "tcp" || broker.Scheme == "mqtt" {
		return dialer.Dial("tcp", broker.Host)
	}
	return tls.DialWithDialer(dialer, "tcp", broker.Host, &tls.Config{ServerName: broker.Hostname(), MinVersion: tls.VersionTLS12})
}

// errSilent says that an acknowledgement did not come.
var errSilent = errors.New("the broker does not answer")

// wait waits for a token, for the timeout at most.
func (l *link) wait(ctx context.Context, token paho.Token) error {
	limit := time.NewTimer(l.timeout)
	defer limit.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-limit.C:
		return errSilent
	case <-ctx.Done():
		return ctx.Err()
	}
}

// post puts messages on their way, in order.
func (l *link) post(messages ...session.Message) error {
	for _, m := range messages {
		if !l.client.IsConnectionOpen() {
			return paho.ErrNotConnected
		}
		l.posted = append(l.posted, posted{m, l.client.Publish(l.prefix+m.Topic, 1, m.Retained, m.Payload)})
	}
	return nil
}

// settle waits until the broker has acknowledged all that was posted. After an
// error none of it counts, and the link is done for.
func (l *link) settle(ctx context.Context) error {
	for _, p := range l.posted {
		if err := l.wait(ctx, p.token); err != nil {
			return fmt.Errorf("cannot publish: %w", err)
		}
	}
	for _, p := range l.posted {
		if p.message.Retained {
			l.published[p.message.Topic] = p.message
		}
	}
	l.posted = l.posted[:0]
	return nil
}

// watch subscribes to our own status topic. A broker that does not let us is no
// fault: the next heartbeat corrects what a late will said.
func (l *link) watch(ctx context.Context) error {
	return l.wait(ctx, l.client.Subscribe(l.prefix+"status", 1, func(_ paho.Client, m paho.Message) {
		if l.ours(m.Payload()) {
			return
		}
		select { // never wait in a handler
		case l.foreign <- struct{}{}:
		default:
		}
	}))
}

// ours says whether a status is one of this run that says "live".
func (l *link) ours(payload []byte) bool {
	var status struct {
		Run   int64  `json:"run"`
		State string `json:"state"`
	}
	err := json.Unmarshal(payload, &status)
	return err == nil && status.Run == l.run && status.State == session.StatusLive
}

// close disconnects; what is under way gets a moment.
func (l *link) close() { l.client.Disconnect(250) }
