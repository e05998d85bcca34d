package control

import (
	"bytes"
	"net/http"
	"time"

	"shimwright/session"
)

// watch sends the latest snapshot at once and at each change until the client
// goes away, the bench ends or the server shuts down. A client that is too slow
// to take a line within writeTime is dropped.
func (s *Server) watch(w http.ResponseWriter, r *http.Request) {
	select {
	case s.watchers <- struct{}{}:
		defer func() { <-s.watchers }()
	default:
		s.refuse(w, http.StatusServiceUnavailable, "too many displays", "too many displays watch already", "close one, then try again")
		return
	}
	snapshots, giveUp := s.cfg.Bench.Subscribe()
	defer giveUp()
	// Without this the read deadline of the request would end the watching.
	lines := &lineWriter{to: w, control: http.NewResponseController(w)}
	lines.control.SetReadDeadline(time.Time{}) //nolint:errcheck // a recorder has no deadline
	w.Header().Set("Content-Type", "application/jsonl; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")

	beat := time.NewTicker(s.cfg.Heartbeat)
	defer beat.Stop()
	latest, open := s.cfg.Bench.Snapshot(), true
	for err := lines.send(latest); err == nil; {
		select {
		case latest, open = <-snapshots:
			if !open {
				return
			}
			err = lines.send(latest)
		case <-beat.C:
			err = lines.write([]byte("\n"))
		case <-r.Context().Done():
			return
		case <-s.done:
			return
		}
	}
}

// A lineWriter writes JSON lines and flushes each.
type lineWriter struct {
	to      http.ResponseWriter
	control *http.ResponseController
	last    []byte
}

// send writes a snapshot unless it is the one that was sent last.
func (l *lineWriter) send(snapshot session.Snapshot) error {
	line, err := encode(snapshot)
	if err != nil || bytes.Equal(line, l.last) {
		return err
	}
	l.last = line
	return l.write(line)
}

func (l *lineWriter) write(line []byte) error {
	l.control.SetWriteDeadline(time.Now().Add(writeTime)) //nolint:errcheck // a recorder has no deadline
	if _, err := l.to.Write(line); err != nil {
		return err
	}
	return l.control.Flush()
}
