package devices

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"shimwright/session"
)

// A Sink takes what an instrument gives. Its functions are called one at a time
// from the goroutine of Run, and may block until their context ends; arrival times
// are not touched by that. What is in flight when Run ends comes with an ended context.
type Sink struct {
	Reading func(context.Context, session.Reading)
	Pedal   func(context.Context, string) // a press of the pedal of that name
	Long    func(context.Context, string) // a long press of a contact; may be nil
	Port    func(context.Context, session.PortChanged)
}

// A Config is what an Instrument needs. Profile, Clock and the three functions of
// Sink are required; the rest has defaults.
type Config struct {
	Profile session.Profile
	Clock   session.Clock
	Sink    Sink
	Open    Opener                               // System{}.Open, which finds the port by its name
	Settle  time.Duration                        // after opening, what comes is not read: 150 ms
	Retry   time.Duration                        // longest wait between two openings: 1 s
	After   func(time.Duration) <-chan time.Time // time.After
	Arrived func() <-chan struct{}               // closed when a device comes next; may be nil
	Bounce  time.Duration                        // a press within it of the one before is too soon; many of them are a stream; 0 for none
}

// An Instrument is one instrument on one port. Only Run touches the port.
type Instrument struct {
	c      Config
	dec    *Decoder
	takes  chan take
	health atomic.Pointer[Health]
	shown  session.PortChanged // the state last told
	seen   time.Time           // when the last sound frame came
	opened int64
	flawed bool // the opening before ended before it was live

	listeners listeners
}

// A take asks Run for a reading; answer gets nil once the instrument is asked.
type take struct {
	at     time.Duration
	window windowAct
	length time.Duration // of a window that begins
	answer chan error
}

const (
	settleTime = 150 * time.Millisecond
	firstRetry = 100 * time.Millisecond
	lastRetry  = time.Second
	comeTime   = 60 * time.Millisecond // from a device's arrival until the system has set who may open it
	steadyTime = 5 * time.Second       // a port that was live for so long starts its retries afresh
	chunkSize  = 4096
	chunkQueue = 256 // chunks that wait while the sink blocks
)

// New returns an instrument for Run. The error lists the mistakes of the profile.
func New(c Config) (*Instrument, error) {
	dec, err := NewDecoder(c.Profile)
	if err != nil {
		return nil, err
	}
	if c.Clock == nil || c.Sink.Reading == nil || c.Sink.Pedal == nil || c.Sink.Port == nil {
		return nil, fmt.Errorf("cannot set up instrument %q: it needs a clock and every function of its sink", c.Profile.Name)
	}
	if c.Open == nil {
		if c.Profile.Port == "" {
			return nil, fmt.Errorf("cannot set up instrument %q: its profile names no port", c.Profile.Name)
		}
		c.Open = System{}.Open
	}
	c.Settle = cmp.Or(c.Settle, settleTime)
	c.Retry = cmp.Or(c.Retry, lastRetry)
	if c.After == nil {
		c.After = time.After
	}
	i := &Instrument{c: c, dec: dec, takes: make(chan take)}
	dec.hear, dec.bounce = i.hearFrame, c.Bounce
	i.count()
	return i, nil
}

// Counters returns the counts so far. It may be called from any goroutine.
func (i *Instrument) Counters() Counters { return i.health.Load().Counters }

func (i *Instrument) count() {
	n := i.dec.Counters()
	n.Opened = i.opened
	i.health.Store(&Health{Counters: n, Port: i.shown, Seen: i.seen})
}

// Take asks for a reading: of a stream the next whole frame; on request the
// request is sent. It returns nil once the instrument is asked; the reading, or a
// reading with the fault "no answer", comes to the sink. The error is ErrOnPress,
// ErrNotLive, ErrAsked, that of ctx, or that of a request which could not be sent.
// Take waits for the sink, so the instrument's own sink must not call it.
func (i *Instrument) Take(ctx context.Context) error { return i.ask(ctx, take{}) }

// ask hands a take to Run and waits for its answer.
func (i *Instrument) ask(ctx context.Context, t take) error {
	_, t.at = i.c.Clock.Now()
	t.answer = make(chan error, 1)
	select {
	case i.takes <- t:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-t.answer:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Run opens the port, reads it, and opens it again when it was lost, until ctx
// ends. It returns nil then, with the port closed and nothing left running but a
// write that the device never took. Run may be called once.
func (i *Instrument) Run(ctx context.Context) error {
	defer i.listeners.end()
	wait := firstRetry
	i.tell(ctx, session.PortOpening, "")
	for ctx.Err() == nil {
		var arrived <-chan struct{}
		if i.c.Arrived != nil {
			arrived = i.c.Arrived() // before the opening, so that none is missed
		}
		port, err := i.c.Open(i.c.Profile)
		if err != nil {
			state, why := refusal(err)
			i.tell(ctx, state, why)
		} else if i.serve(ctx, port) >= steadyTime {
			wait = firstRetry
		}
		if i.pause(ctx, wait, arrived) {
			i.pause(ctx, comeTime, nil)
			wait = firstRetry
			continue
		}
		wait = min(2*wait, i.c.Retry)
	}
	return nil
}

// tell sends the state of the port if it is not what was sent last.
func (i *Instrument) tell(ctx context.Context, state session.PortState, detail string) {
	now := session.PortChanged{Instrument: i.c.Profile.Name, State: state, Port: i.c.Profile.Port, Detail: detail}
	if now == i.shown || ctx.Err() != nil {
		return
	}
	i.shown = now
	i.count()
	if i.listeners.some() {
		wall, mono := i.c.Clock.Now()
		i.listeners.hear(Heard{At: wall, Mono: mono, Port: &now})
	}
	i.c.Sink.Port(ctx, now)
}

// pause waits, and meanwhile refuses takes. It tells whether a device arrived before the
// time was over.
func (i *Instrument) pause(ctx context.Context, wait time.Duration, arrived <-chan struct{}) bool {
	over := i.c.After(wait)
	for {
		select {
		case <-ctx.Done():
			return false
		case <-over:
			return false
		case <-arrived:
			return true
		case t := <-i.takes:
			t.answer <- i.notLive()
		}
	}
}

func (i *Instrument) notLive() error {
	if i.dec.everyFrame() {
		return ErrOnPress
	}
	return ErrNotLive
}

// deviceOf says which device a port is that was named by its identity.
func deviceOf(p Port) string {
	if named, ok := p.(interface{ Device() string }); ok {
		return "as " + named.Device()
	}
	return ""
}

// A chunk is bytes with their arrival, or the error that ended the reading.
type chunk struct {
	b    []byte
	wall time.Time
	mono time.Duration
	err  error

	contact, closed bool // no bytes but a look at the pedal's contact
}

// An opening is the use of a port from its opening to its end.
type opening struct {
	*Instrument
	port   Port
	chunks chan chunk
	live   bool
	from   time.Duration // when it became live
	wake   <-chan time.Time
	wakeAt time.Duration
	pedal  contact
}

// serve uses an open port until it is lost or ctx ends, and returns how long it
// was live.
func (i *Instrument) serve(ctx context.Context, port Port) time.Duration {
	o := &opening{Instrument: i, port: port, chunks: make(chan chunk, chunkQueue)}
	i.opened++
	i.count()
	if !i.flawed { // a device that fails each time is told of once
		i.tell(ctx, session.PortOpening, "")
		i.tell(ctx, session.PortSettling, "")
	}
	settled := i.c.After(i.c.Settle)
	done := make(chan struct{})
	var readers sync.WaitGroup
	readers.Go(func() { o.read(done) })
	if i.c.Profile.Contact != "" {
		readers.Go(func() { o.watchContact(done) })
	}
	go func() { readers.Wait(); close(o.chunks) }()
	why := o.loop(ctx, settled)
	close(done)
	_ = port.Close() // at once, so that a device that comes back gets its name again
	for c := range o.chunks {
		_ = o.take(ctx, c) // it arrived; that the port is at its end is known
	}
	wall, mono := i.c.Clock.Now()
	o.deliver(ctx, i.dec.Lost(wall, mono))
	i.flawed = !o.live
	switch {
	case why == nil:
	case o.live:
		i.tell(ctx, session.PortLost, why.Error())
	default:
		i.tell(ctx, session.PortRefused, "it fails as soon as it is opened: "+why.Error())
	}
	if !o.live {
		return 0
	}
	return mono - o.from
}

// read stamps what arrives and hands it over. It ends with an error or with done.
func (o *opening) read(done <-chan struct{}) {
	buf := make([]byte, chunkSize)
	for {
		n, err := o.port.Read(buf)
		wall, mono := o.c.Clock.Now()
		if n > 0 && !hand(o.chunks, done, chunk{b: append([]byte(nil), buf[:n]...), wall: wall, mono: mono}) {
			return
		}
		if err != nil {
			hand(o.chunks, done, chunk{wall: wall, mono: mono, err: err})
			return
		}
		select {
		case <-done:
			return
		default:
		}
	}
}

func hand(to chan<- chunk, done <-chan struct{}, c chunk) bool {
	select {
	case to <- c:
		return true
	case <-done:
		return false
	}
}

// loop takes chunks, takes and times. It returns why the port was lost, or nil
// when ctx ends.
func (o *opening) loop(ctx context.Context, settled <-chan time.Time) error {
	for {
		o.setWake()
		select {
		case <-ctx.Done():
			return nil
		case c := <-o.chunks:
			if err := o.take(ctx, c); err != nil {
				return err
			}
		case t := <-o.takes:
			broken, err := o.ask(ctx, t)
			t.answer <- err
			if broken {
				return err
			}
		case <-settled:
			settled = nil
			_, o.from = o.c.Clock.Now()
			o.live = true
			o.tell(ctx, session.PortLive, deviceOf(o.port))
		case <-o.wake:
			o.wake = nil
			if err := o.silence(ctx); err != nil {
				return err
			}
		}
	}
}

// setWake arranges to be woken when the decoder waits for silence. A wake that
// comes early only looks again.
func (o *opening) setWake() {
	at, ok := o.dec.Next()
	if !ok || (o.wake != nil && o.wakeAt <= at) {
		return
	}
	_, mono := o.c.Clock.Now()
	o.wake, o.wakeAt = o.c.After(max(0, at-mono)), at
}

// take passes a chunk to the decoder. What came before the port was live is not read.
func (o *opening) take(ctx context.Context, c chunk) error {
	if c.err != nil {
		if errors.Is(c.err, os.ErrClosed) {
			return errGone
		}
		return c.err
	}
	if c.contact {
		o.step(ctx, c)
		return nil
	}
	unread := !o.live || c.mono < o.from
	if o.listeners.some() {
		o.listeners.hear(Heard{At: c.wall, Mono: c.mono, Bytes: c.b, Unread: unread})
	}
	if unread {
		o.deliver(ctx, o.dec.Discard(c.b, c.wall, c.mono))
		return nil
	}
	o.deliver(ctx, o.dec.Feed(c.b, c.wall, c.mono))
	return nil
}

// silence first takes what has arrived meanwhile, so that nothing that waits in
// the queue is mistaken for silence.
func (o *opening) silence(ctx context.Context) error {
	for {
		select {
		case c := <-o.chunks:
			if err := o.take(ctx, c); err != nil {
				return err
			}
			continue
		default:
		}
		wall, mono := o.c.Clock.Now()
		o.deliver(ctx, o.dec.Silence(wall, mono))
		return nil
	}
}

// ask arms the decoder and, on request, sends the request. broken tells that the
// port did not take it.
func (o *opening) ask(ctx context.Context, t take) (broken bool, err error) {
	if !o.live {
		return false, o.notLive()
	}
	if t.window != noWindow {
		return false, o.gathers(ctx, t)
	}
	_, now := o.c.Clock.Now()
	request := o.c.Profile.Trigger == session.OnRequest
	if request {
		t.at = now
	}
	if err := o.dec.Take(t.at, now); err != nil {
		return false, err
	}
	if o.listeners.some() {
		wall, _ := o.c.Clock.Now()
		o.listeners.hear(Heard{At: wall, Mono: now, Take: true})
	}
	if !request {
		return false, nil
	}
	if _, err := o.port.Write([]byte(o.c.Profile.Request)); err != nil {
		return true, fmt.Errorf("cannot ask instrument %q for its reading: %w", o.c.Profile.Name, err)
	}
	return false, nil
}

func (o *opening) deliver(ctx context.Context, readings []session.Reading) {
	o.count()
	for _, r := range readings {
		if o.listeners.some() {
			o.listeners.hear(Heard{At: r.At, Mono: r.Mono, Reading: &r})
		}
		if r.Kind == session.Pedal && r.Fault == nil {
			o.c.Sink.Pedal(ctx, r.Instrument)
		} else {
			o.c.Sink.Reading(ctx, r)
		}
	}
}
