package devices

import (
	"context"
	"fmt"
	"time"
)

// A pedal may be a bare contact on a modem-status line of its adapter. The line is
// looked at every 20 ms.
//
//	closed ──────┐       ┌─ a press counts when the contact opens: short
//	             └───────┘
//	closed ──────┐            after 0.8 s it is long, while the foot is still on it
//	             └────────…
//
// A state counts once it was seen twice in a row, so bounces shorter than a look are
// nothing. A contact that is closed when the port becomes live must open first.

const (
	contactLook = 20 * time.Millisecond
	longPress   = 800 * time.Millisecond
)

// A Line is a modem-status line.
type Line string

// The modem-status lines of a serial port.
const (
	ClearToSend   Line = "cts"
	DataSetReady  Line = "dsr"
	RingIndicator Line = "ri"
	CarrierDetect Line = "dcd"
)

// A modem tells its status lines. A pseudo-terminal has none and gives an error.
type modem interface {
	Closed(Line) (bool, error)
}

// A press is what a contact did.
type press int

const (
	noPress press = iota
	shortly
	longer
)

// A contact makes presses of what is seen at a line. Its zero value waits for the
// contact to be seen open.
type contact struct {
	armed  bool // it was seen open
	down   bool // the state that counts
	seen   bool // the state at the last look
	since  time.Duration
	spoken bool // this press was long and was told
}

// look takes what was seen at a time.
func (c *contact) look(closed bool, at time.Duration) press {
	steady := closed == c.seen
	c.seen = closed
	switch {
	case !steady:
		return noPress
	case !c.armed:
		c.armed = !closed
	case closed && !c.down:
		c.down, c.since, c.spoken = true, at, false
	case closed && !c.spoken && at-c.since >= longPress:
		c.spoken = true
		return longer
	case !closed && c.down:
		c.down = false
		if !c.spoken {
			return shortly
		}
	}
	return noPress
}

// watchContact looks at the line of an open port until done, and hands over what was
// seen. A line that cannot be read is the error of a chunk.
func (o *opening) watchContact(done <-chan struct{}) {
	lines, ok := o.port.(modem)
	if !ok {
		_, mono := o.c.Clock.Now()
		hand(o.chunks, done, chunk{mono: mono, err: fmt.Errorf("the port has no modem-status lines; connect the pedal to an adapter that has %s", o.contactLine())})
		return
	}
	for {
		select {
		case <-done:
			return
		case <-o.c.After(contactLook):
		}
		closed, err := lines.Closed(o.contactLine())
		wall, mono := o.c.Clock.Now()
		if err != nil {
			err = fmt.Errorf("cannot read line %s of the pedal: %w", o.contactLine(), err)
		}
		if !hand(o.chunks, done, chunk{wall: wall, mono: mono, contact: true, closed: closed, err: err}) || err != nil {
			return
		}
	}
}

func (o *opening) contactLine() Line { return Line(o.c.Profile.Contact) }

// step takes what was seen at the contact and tells of a press.
func (o *opening) step(ctx context.Context, c chunk) {
	if !o.live || c.mono < o.from {
		o.pedal = contact{}
		return
	}
	switch o.pedal.look(c.closed, c.mono) {
	case shortly:
		o.c.Sink.Pedal(ctx, o.c.Profile.Name)
	case longer:
		if o.c.Sink.Long != nil {
			o.c.Sink.Long(ctx, o.c.Profile.Name)
		}
	}
}
