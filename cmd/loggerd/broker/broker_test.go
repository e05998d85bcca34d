package broker

import (
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const (
	soon = 10 * time.Second
	tick = 5 * time.Millisecond
)

func start(t *testing.T) (b *Broker, publisher paho.Client) {
	t.Helper()
	user, password := Credentials()
	b, err := Start(Config{Listen: "127.0.0.1:0", Base: "works", PublisherUser: user, PublisherPassword: password})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	publisher, err = connect(t, b, paho.NewClientOptions().SetUsername(user).SetPassword(password).SetClientID("the-publisher"))
	require.NoError(t, err)
	return b, publisher
}

func connect(t *testing.T, b *Broker, o *paho.ClientOptions) (paho.Client, error) {
	t.Helper()
	c := paho.NewClient(o.AddBroker("tcp://" + b.Addr()).SetAutoReconnect(false).SetProtocolVersion(4).SetConnectTimeout(soon))
	t.Cleanup(func() { c.Disconnect(10) })
	return c, done(t, c.Connect())
}

func done(t *testing.T, token paho.Token) error {
	t.Helper()
	require.True(t, token.WaitTimeout(soon), "no answer")
	return token.Error()
}

func subscribe(t *testing.T, c paho.Client, filter string) (granted byte, heard chan string) {
	t.Helper()
	heard = make(chan string, 10000)
	token := c.Subscribe(filter, 1, func(_ paho.Client, m paho.Message) { heard <- m.Topic() + " " + string(m.Payload()) })
	require.NoError(t, done(t, token))
	result := token.(*paho.SubscribeToken).Result() // by filter, a shared one without its group
	require.Len(t, result, 1)
	for _, granted = range result {
	}
	return granted, heard
}

func TestDisplaysSeeTheBaseOnly(t *testing.T) {
	b, _ := start(t)
	display, err := connect(t, b, paho.NewClientOptions())
	require.NoError(t, err)
	for filter, want := range map[string]byte{ // MQTT 3.1.1, section 3.9.3: 0x80 is a refusal
		"works/#":                 0,
		"works/v1/+/advice":       0,
		"works/v1/bench-1/status": 0,
		"#":                       0x80,
		"+/v1/#":                  0x80,
		"$SYS/#":                  0x80,
		"workshop/#":              0x80,
		"works":                   0x80,
		"$share/group/works/#":    0x80,
	} {
		granted, _ := subscribe(t, display, filter)
		assert.Equal(t, want, granted, filter)
	}
}

func TestOnlyThePublisherPublishes(t *testing.T) {
	b, publisher := start(t)
	display, err := connect(t, b, paho.NewClientOptions())
	require.NoError(t, err)
	_, heard := subscribe(t, display, "works/#")

	require.NoError(t, done(t, display.Publish("works/v1/bench-1/status", 0, true, "forged")))
	intruder, err := connect(t, b, paho.NewClientOptions())
	require.NoError(t, err)
	token := intruder.Publish("works/v1/bench-1/status", 1, true, "forged")
	assert.Error(t, done(t, token), "the broker ends the connection")

	require.NoError(t, done(t, publisher.Publish("works/v1/bench-1/status", 1, true, "true")))
	assert.Equal(t, "works/v1/bench-1/status true", <-heard, "nothing came before")
	assert.Error(t, done(t, publisher.Publish("elsewhere/v1/bench-1/status", 1, true, "true")), "outside the base")
}

func TestWhoMayConnect(t *testing.T) {
	user, password := Credentials()
	b, err := Start(Config{Listen: "127.0.0.1:0", Base: "works", PublisherUser: user, PublisherPassword: password})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	id := func(id string) *paho.ClientOptions { return paho.NewClientOptions().SetClientID(id) }
	for _, c := range []struct {
		name string
		o    *paho.ClientOptions
		in   bool
	}{
		{"display", id(""), true},
		{"display with an id", id("wall"), true},
		{"publisher with its will", id("p").SetUsername(user).SetPassword(password).SetWill("works/v1/b/status", "gone", 1, true), true},
		{"publisher with a will elsewhere", id("q").SetUsername(user).SetPassword(password).SetWill("other/status", "gone", 1, true), false},
		{"wrong password", id("r").SetUsername(user).SetPassword("guess"), false},
		{"password of another length", id("r").SetUsername(user).SetPassword(password + "x"), false},
		{"no password", id("r").SetUsername(user), false},
		{"unknown name", id("r").SetUsername("somebody").SetPassword(password), false},
		{"display with a will", id("s").SetWill("works/v1/b/status", "forged", 0, true), false},
		{"display with the publisher's id", id("p"), false},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := connect(t, b, c.o)
			if c.in {
				assert.NoError(t, err)
			} else {
				assert.Error(t, err)
			}
		})
	}
}

func TestCredentialsDifferEachTime(t *testing.T) {
	_, one := Credentials()
	_, two := Credentials()
	assert.NotEqual(t, one, two)
	assert.GreaterOrEqual(t, len(one), 20)
}

func TestPacketSize(t *testing.T) {
	b, publisher := start(t)
	display, err := connect(t, b, paho.NewClientOptions())
	require.NoError(t, err)
	_, heard := subscribe(t, display, "works/#")
	large := strings.Repeat("x", 250<<10) // the publisher's limit
	require.NoError(t, done(t, publisher.Publish("works/v1/b/advice", 1, true, large)))
	assert.Len(t, <-heard, len("works/v1/b/advice ")+len(large))
	assert.Error(t, done(t, publisher.Publish("works/v1/b/advice", 1, true, strings.Repeat("x", maxPacket))))
	assert.Eventually(t, func() bool { return !publisher.IsConnectionOpen() }, soon, tick)
}

func TestRetainedForEver(t *testing.T) {
	b, _ := start(t)
	assert.Zero(t, b.server.Options.Capabilities.MaximumMessageExpiryInterval)
}

// A display that stops reading loses messages, is counted, and holds up nobody.
func TestAStuckDisplay(t *testing.T) {
	b, publisher := start(t)
	stuck, err := net.Dial("tcp", b.Addr())
	require.NoError(t, err)
	t.Cleanup(func() { _ = stuck.Close() })
	require.NoError(t, stuck.(*net.TCPConn).SetReadBuffer(1024))
	// MQTT 3.1.1: CONNECT (section 3.1) without name, and SUBSCRIBE (3.8) to works/# with QoS 1.
	_, err = stuck.Write([]byte("\x10\x11\x00\x04MQTT\x04\x02\x00\x3c\x00\x05stuck" + "\x82\x0c\x00\x01\x00\x07works/#\x01"))
	require.NoError(t, err)
	suback := make([]byte, 9) // CONNACK 20 02 00 00, SUBACK 90 03 00 01 and the QoS granted
	_, err = io.ReadFull(stuck, suback)
	require.NoError(t, err)
	require.Equal(t, []byte{0x20, 2, 0, 0, 0x90, 3, 0, 1, 0}, suback)

	display, err := connect(t, b, paho.NewClientOptions())
	require.NoError(t, err)
	var heard atomic.Int64
	token := display.Subscribe("works/#", 0, func(paho.Client, paho.Message) { heard.Add(1) })
	require.NoError(t, done(t, token))
	payload := strings.Repeat("x", 8<<10)
	sent := int64(0)
	for ; b.Dropped() == 0 && sent < 20000; sent++ {
		require.NoError(t, done(t, publisher.Publish("works/v1/b/reading", 1, false, payload)))
	}
	assert.Positive(t, b.Dropped())
	assert.Eventually(t, func() bool { return heard.Load() == sent }, soon, tick, "the other display gets all")
}

// A write that is not taken ends the connection, whatever deadline the library sets.
func TestABlockedWriteEndsTheConnection(t *testing.T) {
	near, far := net.Pipe()
	t.Cleanup(func() { _ = far.Close() })
	l := &limitedListener{most: 1, writeLimit: 50 * time.Millisecond, open: map[*limitedConn]struct{}{}}
	conn := &limitedConn{Conn: near, listener: l}
	require.True(t, l.add(conn))
	require.False(t, l.add(&limitedConn{}))
	require.NoError(t, conn.SetDeadline(time.Now().Add(time.Hour)))
	_, err := conn.Write([]byte("nobody reads this"))
	assert.ErrorIs(t, err, os.ErrDeadlineExceeded)
	_, err = far.Write([]byte{0})
	assert.ErrorIs(t, err, io.ErrClosedPipe)
	assert.Empty(t, l.open)
}

func TestConnectionsAreBounded(t *testing.T) {
	b, publisher := start(t)
	var open []net.Conn
	for range maxClients + 5 {
		c, err := net.Dial("tcp", b.Addr())
		require.NoError(t, err)
		t.Cleanup(func() { _ = c.Close() })
		open = append(open, c)
	}
	last := open[len(open)-1]
	require.NoError(t, last.SetReadDeadline(time.Now().Add(soon)))
	_, err := last.Read(make([]byte, 1))
	assert.Error(t, err)
	assert.NotErrorIs(t, err, os.ErrDeadlineExceeded, "closed at once")
	assert.NoError(t, done(t, publisher.Publish("works/v1/b/status", 1, true, "live")), "who is in stays in")

	require.NoError(t, open[0].Close())
	assert.Eventually(t, func() bool { _, err := connect(t, b, paho.NewClientOptions()); return err == nil }, soon, tick, "a place is free again")
}

func TestSessionsEndWithTheirConnection(t *testing.T) {
	b, _ := start(t)
	for i := range 5 {
		c, err := connect(t, b, paho.NewClientOptions().SetClientID(fmt.Sprint("wall-", i)).SetCleanSession(false))
		require.NoError(t, err)
		subscribe(t, c, "works/#")
		c.Disconnect(10)
	}
	assert.Eventually(t, func() bool { return b.server.Clients.Len() == 1 && b.server.Info.Clone().Subscriptions == 0 }, soon, tick)
}

func TestKeepAliveIsBounded(t *testing.T) {
	b, _ := start(t)
	for id, keepAlive := range map[string]time.Duration{"never": 0, "long": 10 * time.Hour, "short": time.Minute} {
		_, err := connect(t, b, paho.NewClientOptions().SetClientID(id).SetKeepAlive(keepAlive))
		require.NoError(t, err)
		cl, ok := b.server.Clients.Get(id)
		require.True(t, ok)
		want := maxSilence
		if id == "short" {
			want = keepAlive
		}
		assert.Equal(t, want, time.Duration(cl.State.Keepalive)*time.Second, id)
	}
}

func TestGarbageEndsItsConnectionOnly(t *testing.T) {
	b, publisher := start(t)
	for _, garbage := range []string{"GET / HTTP/1.1\r\n\r\n", "\x00\x00\x00", "\xff\xff\xff\xff\xff\xff", "\x10\xff\xff\xff\x7f", "\x10\x04\x00\x04MQ"} {
		c, err := net.Dial("tcp", b.Addr())
		require.NoError(t, err)
		_, err = c.Write([]byte(garbage))
		require.NoError(t, err)
		require.NoError(t, c.(*net.TCPConn).CloseWrite())
		require.NoError(t, c.SetReadDeadline(time.Now().Add(soon)))
		_, err = io.ReadAll(c)
		assert.NotErrorIs(t, err, os.ErrDeadlineExceeded, "%q", garbage)
		require.NoError(t, c.Close())
	}
	assert.NoError(t, done(t, publisher.Publish("works/v1/b/status", 1, true, "live")))
}

func TestStartRefuses(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = taken.Close() })
	for _, c := range []struct {
		name, listen, base, user string
		says                     string
	}{
		{"taken port", taken.Addr().String(), "works", "u", "another program listens on " + taken.Addr().String() + " already; give the broker another address"},
		{"no port", "127.0.0.1", "works", "u", "write a host:port"},
		{"not ours", "192.0.2.1:0", "works", "u", "write a host:port of this computer"}, // RFC 5737: nobody's address
		{"no base", "127.0.0.1:0", "", "u", "topic base"},
		{"base with wildcard", "127.0.0.1:0", "works/#", "u", "topic base"},
		{"no publisher", "127.0.0.1:0", "works", "", "name and a password"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Start(Config{Listen: c.listen, Base: c.base, PublisherUser: c.user, PublisherPassword: "p"})
			assert.ErrorContains(t, err, c.says)
		})
	}
}

func TestCloseTwice(t *testing.T) {
	b, publisher := start(t)
	require.NoError(t, b.Close())
	require.NoError(t, b.Close())
	assert.Eventually(t, func() bool { return !publisher.IsConnectionOpen() }, soon, tick)
	free, err := net.Listen("tcp", b.Addr())
	require.NoError(t, err, "the port is free again")
	require.NoError(t, free.Close())
}

func TestCloseWhileAClientIsComing(t *testing.T) {
	b, _ := start(t)
	coming, err := net.Dial("tcp", b.Addr()) // connected, but says nothing yet
	require.NoError(t, err)
	t.Cleanup(func() { _ = coming.Close() })
	require.Eventually(t, func() bool { // the publisher and this one
		b.listen.mu.Lock()
		defer b.listen.mu.Unlock()
		return len(b.listen.open) == 2
	}, soon, tick)
	require.NoError(t, b.Close())
	require.NoError(t, coming.SetReadDeadline(time.Now().Add(soon)))
	_, err = coming.Read(make([]byte, 1))
	assert.NotErrorIs(t, err, os.ErrDeadlineExceeded, "it was cut")
}

func TestOnlyErrorsAreLogged(t *testing.T) {
	var out bytes.Buffer
	log := errorsOnly(slog.New(slog.NewTextHandler(&out, nil)))
	log.Info("no")
	log.With("a", 1).WithGroup("g").Warn("no")
	assert.Empty(t, out.String())
	log.With("a", 1).Error("yes")
	assert.Contains(t, out.String(), "yes")
	errorsOnly(nil).Error("nowhere")
}
