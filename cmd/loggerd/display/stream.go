package display

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"sync"
	"time"
)

// pages holds the latest event and the slot of each page that looks.
type pages struct {
	mu     sync.Mutex // guards what follows, nothing else
	latest []byte     // nil until the first snapshot
	slots  map[chan []byte]struct{}
}

func newPages() *pages { return &pages{slots: map[chan []byte]struct{}{}} }

// show puts an event into every slot in place of what is there.
func (p *pages) show(event []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.latest = event
	for slot := range p.slots {
		select {
		case <-slot:
		default:
		}
		slot <- event
	}
}

// join returns a slot that holds the latest event, and a function that gives it up.
func (p *pages) join() (<-chan []byte, func()) {
	slot := make(chan []byte, 1)
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.latest != nil {
		slot <- p.latest
	}
	p.slots[slot] = struct{}{}
	return slot, func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.slots, slot)
	}
}

// collect empties the bench's mailbox and renders each snapshot once.
func (s *Server) collect(ctx context.Context) {
	mail, release := s.cfg.Mailbox()
	defer release()
	for {
		select {
		case snapshot, open := <-mail:
			if !open {
				return
			}
			text, err := encode(s.event(snapshot))
			if err != nil {
				s.cfg.Log.Error("cannot render a snapshot for the display", "seq", snapshot.Seq, "error", err)
				continue
			}
			s.pages.show(message("snapshot", text))
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

// events sends the latest snapshot at once, each change, and a beat in between.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	select {
	case s.slots <- struct{}{}:
		defer func() { <-s.slots }()
	default:
		http.Error(w, "Too many pages look already. Close one, then load this page again.", http.StatusServiceUnavailable)
		return
	}
	slot, leave := s.pages.join()
	defer leave()
	w.Header().Set("Content-Type", "text/event-stream; charset=utf-8")
	out := &writer{w, http.NewResponseController(w), s.write}
	// The read deadline of the request would end the stream.
	out.control.SetReadDeadline(time.Time{}) //nolint:errcheck // a recorder has no deadline

	beat := time.NewTicker(s.cfg.Heartbeat)
	defer beat.Stop()
	for err := out.send([]byte("retry: 1000\n\n")); err == nil; {
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
