package devices

import (
	"fmt"
	"sync"
	"time"

	"shimwright/session"
)

// askEvery is how often an instrument that is learned is sent its request.
const askEvery = time.Second

// Listen opens the port of a profile that is no instrument's yet and gives the bytes that
// come, each chunk with its arrival, until stop is called or the port is lost; then heard
// is closed. It holds size chunks; what comes while it is full is counted as lost. If the
// profile has a request, it is sent every second.
func (s System) Listen(p session.Profile, clock session.Clock, size int) (heard <-chan Heard, stop func(), err error) {
	if len(p.Request) > maxRequest {
		return nil, nil, fmt.Errorf("the request has %d bytes; write at most %d", len(p.Request), maxRequest)
	}
	open, err := s.Open(p)
	if err != nil {
		_, why := refusal(err)
		return nil, nil, fmt.Errorf("cannot open port %q: %s", p.Port, why)
	}
	to := make(chan Heard, size)
	done := make(chan struct{})
	go func() {
		defer close(to)
		defer open.Close() //nolint:errcheck // nobody is left to tell
		eavesdrop(open, clock, to, done)
	}()
	if p.Request != "" {
		go keepAsking(open, p.Request, done)
	}
	var once sync.Once
	return to, func() { once.Do(func() { close(done); _ = open.Close() }) }, nil // at once, for whoever opens it next
}

// keepAsking sends the request until done or an error.
func keepAsking(port Port, request string, done <-chan struct{}) {
	every := time.NewTicker(askEvery)
	defer every.Stop()
	for {
		if _, err := port.Write([]byte(request)); err != nil {
			return // the reader finds out why
		}
		select {
		case <-every.C:
		case <-done:
			return
		}
	}
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
