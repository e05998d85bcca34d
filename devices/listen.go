package devices

import (
	"sync"
	"sync/atomic"
	"time"

	"shimwright/session"
)

// A Heard is one thing that happened at an instrument, for those who listen. Just
// one of its pointers is set, or Bytes, or Take, or Gather.
type Heard struct {
	At      time.Time     // wall clock
	Mono    time.Duration // monotonic clock of the run
	Lost    int           // things before this one that the listener was too slow for
	Bytes   []byte        // as they came
	Unread  bool          // Bytes came before the port was live: they are not read
	Take    bool          // the instrument was asked
	Gather  string        // a window of a stream began or ended, as captures have it
	Frame   *Frame
	Reading *session.Reading
	Port    *session.PortChanged
}

// A Frame is one message of an instrument, whether it became a reading or not.
type Frame struct {
	Raw   []byte // at most the first 64 bytes
	Bytes int    // all of them
	Value session.Number
	Text  string       // the number as it was sent; empty without one
	Unit  session.Unit // of Text
	Fault string       // why it gives no value; empty if it is sound
	Other bool         // it is of another channel
}

// Health is how an instrument has been since the start of the run.
type Health struct {
	Counters
	Port session.PortChanged // as it was last told
	Seen time.Time           // when the last sound frame came; zero if none did
}

// listeners are those who listen to one instrument.
type listeners struct {
	count atomic.Int32 // of all, so that nothing is made where nobody listens
	mu    sync.Mutex
	all   map[*listener]struct{}
	ended bool
}

type listener struct {
	to   chan Heard
	lost int
}

// Listen gives what happens from now on, in order, until stop is called or Run
// ends; then the channel is closed. It holds size things; what comes while it is
// full is counted in the Lost of the next. It never delays a reading.
func (i *Instrument) Listen(size int) (heard <-chan Heard, stop func()) {
	l := &listener{to: make(chan Heard, size)}
	s := &i.listeners
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended {
		close(l.to)
		return l.to, func() {}
	}
	if s.all == nil {
		s.all = map[*listener]struct{}{}
	}
	s.all[l] = struct{}{}
	s.count.Add(1)
	return l.to, func() { s.remove(l) }
}

func (s *listeners) remove(l *listener) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, there := s.all[l]; there {
		delete(s.all, l)
		s.count.Add(-1)
		close(l.to)
	}
}

// end closes every listener, now and later.
func (s *listeners) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ended = true
	for l := range s.all {
		delete(s.all, l)
		s.count.Add(-1)
		close(l.to)
	}
}

// some tells whether anybody listens.
func (s *listeners) some() bool { return s.count.Load() > 0 }

func (s *listeners) hear(h Heard) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for l := range s.all {
		h.Lost = l.lost
		select {
		case l.to <- h:
			l.lost = 0
		default:
			l.lost++
		}
	}
}

// hearFrame is told of every frame by the decoder.
func (i *Instrument) hearFrame(f frame, wall time.Time) {
	if f.class == sound {
		i.seen = wall
	}
	if !i.listeners.some() || f.class == empty || f.class == trailing {
		return
	}
	heard := Frame{Raw: append([]byte(nil), f.raw...), Bytes: f.bytes, Other: f.class == elsewhere}
	switch f.class {
	case sound:
		heard.Value, heard.Text, heard.Unit = f.value, f.text, f.unit
	case faulty:
		heard.Fault = f.code + ": " + f.why
	}
	i.listeners.hear(Heard{At: wall, Mono: f.ended, Frame: &heard})
}

// Health returns how the instrument is. It may be called from any goroutine.
func (i *Instrument) Health() Health { return *i.health.Load() }
