package display

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"sync"
	"time"

	"shimwright/session"
	"shimwright/session/wording"
)

// A hub holds the latest state and the slot of each page that looks at one view.
type hub[T any] struct {
	render func(*wording.Language, T) ([]byte, error)

	mu     sync.Mutex // guards what follows, nothing else
	state  T
	known  bool                         // whether there is a state
	latest map[*wording.Language][]byte // the events for it, in the languages that somebody has looked in
	slots  map[chan []byte]*wording.Language
}

func newHub[T any](render func(*wording.Language, T) ([]byte, error)) *hub[T] {
	return &hub[T]{render: render, latest: map[*wording.Language][]byte{}, slots: map[chan []byte]*wording.Language{}}
}

// show puts a state into every slot in place of what is there. It is rendered once in
// each language that somebody looks in, and not at all while nobody looks.
func (h *hub[T]) show(state T) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.state, h.known = state, true
	clear(h.latest)
	for slot, l := range h.slots {
		if err := h.draw(l); err != nil {
			return err
		}
		select {
		case <-slot:
		default:
		}
		slot <- h.latest[l]
	}
	return nil
}

func (h *hub[T]) draw(l *wording.Language) (err error) {
	if h.known && h.latest[l] == nil {
		h.latest[l], err = h.render(l, h.state)
	}
	return err
}

// join returns a slot that holds the latest event in a language, and a function that
// gives it up.
func (h *hub[T]) join(l *wording.Language) (<-chan []byte, func(), error) {
	slot := make(chan []byte, 1)
	h.mu.Lock()
	defer h.mu.Unlock()
	err := h.draw(l)
	if h.latest[l] != nil {
		slot <- h.latest[l]
	}
	h.slots[slot] = l
	return slot, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		delete(h.slots, slot)
	}, err
}

// snapshotEvent renders what make makes of a state as the event that holds everything.
func snapshotEvent[T, E any](make func(*wording.Language, T) E) func(*wording.Language, T) ([]byte, error) {
	return func(l *wording.Language, state T) ([]byte, error) {
		text, err := encode(make(l, state))
		if err != nil {
			return nil, err
		}
		return message("snapshot", text), nil
	}
}

// headStart is how long a snapshot waits before it is drawn: of several in a burst
// only the last is drawn, and writing it to many pages does not compete with the
// publisher, which has the same snapshot at the same moment.
const headStart = 3 * time.Millisecond

// collect empties the bench's mailbox, and that of the wall if there is one.
func (s *Server) collect(ctx context.Context) {
	mail, release := s.cfg.Mailbox()
	defer release()
	var wall <-chan []WallBench
	if s.cfg.Wall != nil {
		var leave func()
		wall, leave = s.cfg.Wall()
		defer leave()
	}
	failed := func(err error) {
		if err != nil {
			s.cfg.Log.Error("cannot render for the display", "error", err)
		}
	}
	var newest session.Snapshot
	var due <-chan time.Time // when the newest is to be drawn; nil if it is
	for {
		select {
		case snapshot, open := <-mail:
			if !open {
				return
			}
			newest = snapshot
			if due == nil {
				due = time.After(headStart)
			}
		case <-due:
			due = nil
			failed(s.bench.show(newest))
			failed(s.story.show(newest))
		case benches := <-wall:
			failed(s.wall.show(benches))
		case <-ctx.Done():
			return
		}
	}
}

// encode writes one line of JSON.
func encode(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

// message writes a server-sent event. Data is one line.
func message(name string, data []byte) []byte {
	return bytes.Join([][]byte{[]byte("event: " + name + "\ndata: "), data, []byte("\n\n")}, nil)
}

// events sends the latest state at once, each change, and a beat in between.
func events[T any](s *Server, h *hub[T], w http.ResponseWriter, r *http.Request) {
	select {
	case s.slots <- struct{}{}:
		defer func() { <-s.slots }()
	default:
		http.Error(w, "Too many pages look already. Close one, then load this page again.", http.StatusServiceUnavailable)
		return
	}
	slot, leave, err := h.join(s.reader(r))
	defer leave()
	if err != nil {
		s.cfg.Log.Error("cannot render for the display", "error", err)
	}
	w.Header().Set("Content-Type", "text/event-stream; charset=utf-8")
	out := &writer{w, http.NewResponseController(w), s.write}
	// The read deadline of the request would end the stream.
	out.control.SetReadDeadline(time.Time{}) //nolint:errcheck // a recorder has no deadline

	beat := time.NewTicker(s.cfg.Heartbeat)
	defer beat.Stop()
	for err = out.send([]byte("retry: 1000\n\n")); err == nil; {
		select {
		case event := <-slot:
			err = out.send(event)
		case <-beat.C:
			err = out.send(s.beat())
		case <-r.Context().Done():
			return
		case <-s.done:
			return
		}
	}
}

func (s *Server) beat() []byte {
	now, _ := s.cfg.Now().UTC().MarshalText()
	return message("beat", []byte(`{"now":"`+string(now)+`"}`))
}

// A writer sends events, each within the time limit.
type writer struct {
	to      http.ResponseWriter
	control *http.ResponseController
	limit   time.Duration
}

func (o *writer) send(event []byte) error {
	o.control.SetWriteDeadline(time.Now().Add(o.limit)) //nolint:errcheck // a recorder has no deadline
	if _, err := o.to.Write(event); err != nil {
		return err
	}
	return o.control.Flush()
}
