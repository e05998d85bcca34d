package devices

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"

	"shimwright/session"
)

// Each character is a look, 20 ms apart: a point open, a cross closed.
func TestContact(t *testing.T) {
	held := strings.Repeat("x", 45)
	for _, c := range []struct{ what, looks, want string }{
		{"a press", "..xxxx...", "short"},
		{"two presses", "..xxxx..xxxx..", "short short"},
		{"a bounce of one look", "..x...x..", ""},
		{"bouncing as it closes", "..x.x.xxxx..", "short"},
		{"bouncing as it opens", "..xxxx.x.x..", "short"},
		{"held for 0.9 s", ".." + held + "..", "long"},
		{"held for ever", ".." + held + held + held, "long"},
		{"long, then short", ".." + held + "..xxx..", "long short"},
		{"closed from the beginning", held, ""},
		{"closed from the beginning, then pressed", "xxxx..xx..", "short"},
		{"just below long", ".." + strings.Repeat("x", 40) + "..", "short"},
	} {
		var pedal contact
		var got []string
		for i, look := range c.looks {
			switch pedal.look(look == 'x', time.Duration(i)*contactLook) {
			case shortly:
				got = append(got, "short")
			case longer:
				got = append(got, "long")
			}
		}
		assert.Equal(t, c.want, strings.Join(got, " "), c.what)
	}
}

// contactPort is a port with a contact on a line that the test closes.
type contactPort struct {
	*cable
	looks chan bool
	fail  error
}

func (c *contactPort) Closed(Line) (bool, error) {
	if c.fail != nil {
		return false, c.fail
	}
	return <-c.looks, nil
}

// contactRig runs a pedal that is a contact.
func contactRig(t *testing.T, port Port) (*rig, func() string) {
	r := &rig{fakeTime: &fakeTime{now: time.Minute}, heard: &heard{}, t: t, plug: func() (Port, error) { return port, nil }}
	sink := r.sink()
	sink.Long = func(_ context.Context, name string) {
		r.heard.mu.Lock()
		defer r.heard.mu.Unlock()
		r.heard.presses = append(r.heard.presses, name+" long")
	}
	var err error
	r.Instrument, err = New(Config{Profile: session.Profile{Name: "pedal-1", Kind: session.Pedal, Contact: "cts"}, Clock: r.fakeTime, Sink: sink, Open: r.open, After: r.After})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		assert.NoError(t, <-ended)
	})
	return r, func() string {
		r.heard.mu.Lock()
		defer r.heard.mu.Unlock()
		return strings.Join(r.heard.presses, ", ")
	}
}

func TestPedalOnAModemLine(t *testing.T) {
	c := &contactPort{cable: newCable(), looks: make(chan bool)}
	r, presses := contactRig(t, c)
	look := func(closed bool, times int) {
		for range times {
			r.waits(contactLook)
			r.pass(contactLook)
			c.looks <- closed
		}
	}
	look(true, 10) // 200 ms: the port settles under a pressed pedal, which is no press
	r.becomes(session.PortLive)
	look(false, 3)
	look(true, 5)
	look(false, 3)
	eventually(t, func() bool { return presses() == "pedal-1" })
	look(true, 43)
	eventually(t, func() bool { return presses() == "pedal-1, pedal-1 long" })
	look(false, 3)
	c.cable.fail <- errors.New("pulled")
	eventually(t, func() bool { return strings.Contains(r.life(), "lost") })
	assert.Equal(t, "pedal-1, pedal-1 long", presses())
	go func() { // whoever looks still is let go
		for range c.looks {
		}
	}()
	t.Cleanup(func() { close(c.looks) })
}

func TestPedalWithoutModemLines(t *testing.T) {
	r, _ := contactRig(t, newCable())
	r.becomes(session.PortRefused)
	assert.Contains(t, r.heardLast().Detail, "the port has no modem-status lines")
	r, _ = contactRig(t, &contactPort{cable: newCable(), fail: errors.New("inappropriate ioctl for device")})
	eventually(t, func() bool {
		r.pass(contactLook)
		return r.state() == string(session.PortRefused) || r.state() == string(session.PortLost)
	})
	assert.Contains(t, r.heardLast().Detail, "cannot read line cts of the pedal: inappropriate ioctl")
}

// bitsPort is a port of the library with status bits.
type bitsPort struct {
	rawPort
	bits serial.ModemStatusBits
	err  error
}

func (b *bitsPort) GetModemStatusBits() (*serial.ModemStatusBits, error) { return &b.bits, b.err }

func TestStatusBitsThroughTheGuard(t *testing.T) {
	b := &bitsPort{bits: serial.ModemStatusBits{CTS: true, RI: true}}
	g := newGuard(b, never)
	for l, want := range map[Line]bool{ClearToSend: true, DataSetReady: false, RingIndicator: true, CarrierDetect: false} {
		got, err := (&found{Port: g}).Closed(l)
		require.NoError(t, err)
		assert.Equal(t, want, got, l)
	}
	b.err = errors.New("it burns")
	_, err := g.Closed(ClearToSend)
	assert.ErrorContains(t, err, "it burns")
	require.NoError(t, g.Close())
	_, err = g.Closed(ClearToSend)
	assert.Error(t, err, "no operation after close")
	_, err = newGuard(&rawPort{}, never).Closed(ClearToSend)
	assert.ErrorContains(t, err, "no modem-status lines")
	_, err = (&found{Port: newCable()}).Closed(ClearToSend)
	assert.ErrorContains(t, err, "no modem-status lines")
}
