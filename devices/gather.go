package devices

import (
	"context"
	"errors"
	"fmt"
	"time"

	"shimwright/session"
)

// Errors of a window.
var (
	ErrNoStream = errors.New("the instrument does not stream; only one that streams shows a movement")
	ErrNoWindow = errors.New("no window of the instrument is open; take once more to begin one")
)

// Bounds of a window. It ends by itself at each of them, so that its raw bytes are all
// of it.
const (
	longestWindow = 2 * time.Minute
	mostFrames    = 8192     // at 50 a second nearly three minutes
	mostGathered  = 64 << 10 // bytes
)

// A gathering is a window of a stream: every sound frame from its beginning to its end.
type gathering struct {
	from, until time.Duration
	first, last time.Duration // of the frames
	values      []session.Number
	raw         []byte
	bad         int
}

// Gather begins a window: the frames whose first byte arrives at asked or later are
// gathered until EndGather, or for length if that is above 0. Then one reading with its
// movement is given, or one with the fault "no movement". now is the time of the call.
func (d *Decoder) Gather(asked, now, length time.Duration) error {
	switch {
	case d.profile.Trigger != session.Streaming:
		return ErrNoStream
	case d.armed || d.window != nil:
		return ErrAsked
	}
	if length <= 0 || length > longestWindow {
		length = longestWindow
	}
	d.window = &gathering{from: asked, until: now + length}
	return nil
}

// EndGather ends the window and gives its reading.
func (d *Decoder) EndGather(wall time.Time, mono time.Duration) ([]session.Reading, error) {
	if d.window == nil {
		return nil, ErrNoWindow
	}
	d.begin(wall, mono)
	d.endWindow("")
	return d.out, nil
}

// gather takes a sound frame into the window, if one is open.
func (d *Decoder) gather(f frame) bool {
	w := d.window
	if w == nil || f.began < w.from {
		return false
	}
	if len(w.values) == 0 {
		w.first = f.ended
	}
	w.last = f.ended
	w.values = append(w.values, f.value)
	w.raw = append(append(w.raw, f.raw...), '\n')
	d.counts.Gathered++
	if len(w.values) >= mostFrames || len(w.raw)+maxRaw >= mostGathered {
		d.endWindow("")
	}
	return true
}

// endWindow gives the reading of the window. why is why it broke off, if it did.
func (d *Decoder) endWindow(why string) {
	w := d.window
	d.window = nil
	r := session.Reading{Instrument: d.profile.Name, Kind: d.profile.Kind, Unit: d.profile.Kind.Quantity().Unit(), Raw: w.raw, At: d.wall, Mono: d.mono}
	m, err := session.MovementOf(w.values)
	if why == "" && err != nil {
		why = err.Error()
	}
	if why != "" {
		r.Fault = &session.Fault{Code: "no movement", Detail: fmt.Sprintf("%s; %d frames came", why, len(w.values)), Bytes: len(w.raw)}
		r.Raw = r.Raw[:min(len(r.Raw), maxRaw)]
		d.give(r)
		return
	}
	m.Bad, m.Span = w.bad, w.last-w.first
	r.Movement, r.Value = &m, session.Num(m.Peak.Sub(m.Trough.Decimal))
	d.give(r)
}

// Gather begins a window of a streaming instrument, of a length or, with 0, until
// EndGather. The reading comes to the sink. The error is ErrNoStream, ErrNotLive,
// ErrAsked or that of ctx. As Take it must not be called from the instrument's own sink.
func (i *Instrument) Gather(ctx context.Context, length time.Duration) error {
	return i.ask(ctx, take{window: begins, length: length})
}

// EndGather ends the window. The error is ErrNoWindow, ErrNotLive or that of ctx.
func (i *Instrument) EndGather(ctx context.Context) error { return i.ask(ctx, take{window: ends}) }

// What a take does with a window.
type windowAct int

const (
	noWindow windowAct = iota
	begins
	ends
)

// gathers begins or ends a window on the open port.
func (o *opening) gathers(ctx context.Context, t take) error {
	wall, now := o.c.Clock.Now()
	if t.window == begins {
		if err := o.dec.Gather(t.at, now, t.length); err != nil {
			return err
		}
		o.hearWindow(Heard{At: wall, Mono: now, Gather: gatherFor(t.length)})
		return nil
	}
	readings, err := o.dec.EndGather(wall, now)
	if err != nil {
		return err
	}
	o.hearWindow(Heard{At: wall, Mono: now, Gather: string(Ended)})
	o.deliver(ctx, readings)
	return nil
}

func (o *opening) hearWindow(h Heard) {
	if o.listeners.some() {
		o.listeners.hear(h)
	}
}

// gatherFor is the act of a capture that begins a window: "gather", or "gather 10000" with
// its length in milliseconds.
func gatherFor(length time.Duration) string {
	if length <= 0 {
		return string(Gathered)
	}
	return fmt.Sprintf("%s %d", Gathered, length.Milliseconds())
}
