// Package broker is the MQTT broker inside the daemon, for a bench that has none.
//
// It keeps no truth: the publisher hands it everything retained afresh on every
// connection. Displays connect without a name and may subscribe below the base;
// only the publisher's credentials, made anew at each start, may publish.
//
// Nobody outside can make it wait or grow without bound: connections, packets,
// pending messages and silence are limited, sessions end with their connection,
// and a display that does not read is cut off. Displays are granted QoS 0: over
// one connection that loses nothing but what a full queue drops, which the next
// reading's "previous" shows, while with QoS 1 a display that stops reading would
// hold up all others, because the broker library numbers a message under the very
// lock that its blocked write holds.
package broker

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"syscall"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"

	"shimwright/session"
)

// The limits of the broker.
const (
	maxPacket   = 256 << 10 // bytes; the publisher leaves out what is larger
	maxClients  = 200
	maxPending  = 1024 // messages that wait for one display; further ones are dropped
	maxSilence  = 20 * time.Minute
	firstPacket = 10 * time.Second       // from connection to CONNECT
	writeLimit  = 5 * time.Second        // a write that takes longer ends the connection
	closeGrace  = 250 * time.Millisecond // to say goodbye to displays
	closeLimit  = 2 * time.Second
	acceptPause = 100 * time.Millisecond // after an error of accept
)

// A Config says where the broker listens and who may publish.
type Config struct {
	Listen string // host:port; port 0 takes any free one
	Base   string // displays see what is below it
	// The publisher's credentials; Credentials makes a pair.
	PublisherUser     string
	PublisherPassword string
	Log               *slog.Logger // errors only; none if nil
}

// Credentials returns a name and a random password for Config, to be kept in
// memory only.
func Credentials() (user, password string) { return "bench", rand.Text() }

// A Broker is running from Start until Close.
type Broker struct {
	server *mqtt.Server
	listen *limitedListener
	close  func() error
}

// Start opens the port and serves. The error says what to do if the port is taken.
func Start(cfg Config) (*Broker, error) {
	if cfg.PublisherUser == "" || cfg.PublisherPassword == "" {
		return nil, errors.New("cannot start the embedded broker: give the publisher a name and a password")
	}
	if _, err := session.TopicPrefix(cfg.Base, ""); err != nil {
		return nil, fmt.Errorf("cannot start the embedded broker: %w", err)
	}
	port, err := net.Listen("tcp", cfg.Listen)
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, fmt.Errorf("cannot start the embedded broker: another program listens on %s already; give the broker another address, or let the bench publish to that program if it is a broker (%w)", cfg.Listen, err)
	}
	if err != nil {
		return nil, fmt.Errorf("cannot start the embedded broker on %q: %w; write a host:port of this computer, such as 127.0.0.1:1883", cfg.Listen, err)
	}
	b := &Broker{listen: &limitedListener{Listener: port, most: maxClients, writeLimit: writeLimit, open: map[*limitedConn]struct{}{}}}
	b.server = mqtt.New(&mqtt.Options{
		Capabilities:           capabilities(),
		Logger:                 errorsOnly(cfg.Log),
		SysTopicResendInterval: 3600,
	})
	b.close = sync.OnceValue(b.shut)
	if err := b.serve(cfg); err != nil {
		return nil, errors.Join(fmt.Errorf("cannot start the embedded broker: %w", err), b.Close())
	}
	return b, nil
}

func capabilities() *mqtt.Capabilities {
	c := mqtt.NewDefaultServerCapabilities()
	c.MaximumClients = maxClients
	c.MaximumPacketSize = maxPacket
	c.MaximumClientWritesPending = maxPending
	c.MaximumInflight = maxPending
	c.MaximumMessageExpiryInterval = 0 // else retained messages vanish after a day
	c.MaximumSessionExpiryInterval = 0
	c.TopicAliasMaximum = 0
	c.SharedSubAvailable = 0
	return c
}

func (b *Broker) serve(cfg Config) error {
	if err := b.server.AddHook(&gate{base: cfg.Base, user: cfg.PublisherUser, password: cfg.PublisherPassword}, nil); err != nil {
		return err
	}
	if err := b.server.AddListener(listeners.NewNet("bench", b.listen)); err != nil {
		return err
	}
	return b.server.Serve()
}

// Addr returns the address the broker listens on, as host:port.
func (b *Broker) Addr() string { return b.listen.Addr().String() }

// Dropped counts the messages that were not delivered because a display did not
// read fast enough.
func (b *Broker) Dropped() int64 {
	info := b.server.Info.Clone()
	return info.MessagesDropped + info.InflightDropped
}

// Close ends all connections and frees the port. It returns within about two
// seconds, and may be called again.
func (b *Broker) Close() error { return b.close() }

// shut asks the library to close. That hangs when a client is just coming or
// going, so soon afterwards whatever is still open is cut, which frees it.
func (b *Broker) shut() error {
	done := make(chan error, 1)
	go func() { done <- b.server.Close() }()
	limit := time.After(closeLimit)
	select {
	case err := <-done:
		return errors.Join(err, b.listen.cut())
	case <-time.After(closeGrace):
	}
	cut := b.listen.cut()
	select {
	case err := <-done:
		return errors.Join(err, cut)
	case <-limit:
		return errors.Join(errors.New("the embedded broker did not close in time; its connections were cut"), cut)
	}
}

// errorsOnly returns a logger that passes errors to log and nothing else.
func errorsOnly(log *slog.Logger) *slog.Logger {
	if log == nil {
		return slog.New(slog.DiscardHandler)
	}
	return slog.New(errorHandler{log.Handler()})
}

type errorHandler struct{ slog.Handler }

func (h errorHandler) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelError && h.Handler.Enabled(ctx, level)
}

func (h errorHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	return errorHandler{h.Handler.WithAttrs(attrs)}
}

func (h errorHandler) WithGroup(name string) slog.Handler {
	return errorHandler{h.Handler.WithGroup(name)}
}
