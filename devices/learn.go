package devices

import (
	"fmt"
	"sync"

	"shimwright/session"
)

// Listen opens a port that is no instrument's and gives the bytes that come, each
// chunk with its arrival, until stop is called or the port is lost; then heard is
// closed. It holds size chunks; what comes while it is full is counted as lost.
func (s System) Listen(port string, line session.Line, clock session.Clock, size int) (heard <-chan Heard, stop func(), err error) {
	open, err := s.Open(session.Profile{Port: port, Line: line})
	if err != nil {
		_, why := refusal(err)
		return nil, nil, fmt.Errorf("cannot open port %q: %s", port, why)
	}
	to := make(chan Heard, size)
	done := make(chan struct{})
	go func() {
		defer close(to)
		defer open.Close() //nolint:errcheck // nobody is left to tell
		eavesdrop(open, clock, to, done)
	}()
	var once sync.Once
	return to, func() { once.Do(func() { close(done) }) }, nil
}

// eavesdrop hands over what is read until done or an error.
func eavesdrop(port Port, clock session.Clock, to chan<- Heard, done <-chan struct{}) {
	buf, lost := make([]byte, chunkSize), 0
	for {
		n, err := port.Read(buf)
		if n > 0 {
			wall, mono := clock.Now()
			select {
			case to <- Heard{At: wall, Mono: mono, Lost: lost, Bytes: append([]byte(nil), buf[:n]...)}:
				lost = 0
			default:
				lost++
			}
		}
		select {
		case <-done:
			return
		default:
		}
		if err != nil {
			return
		}
	}
}
