package broker

import (
	"errors"
	"net"
	"sync"
	"time"
)

// limitedListener bounds the number of open connections, with or without a
// session, and can cut them all. One connection too many is closed at once.
type limitedListener struct {
	net.Listener
	most       int           // connections
	writeLimit time.Duration // for one write

	mu   sync.Mutex
	open map[*limitedConn]struct{}
}

// Accept returns the next connection within the limit. It fails only when the
// listener is closed, because the library stops for good at the first error: a
// lack of descriptors passes.
func (l *limitedListener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return nil, err
		}
		if err != nil {
			time.Sleep(acceptPause)
			continue
		}
		limited := &limitedConn{Conn: conn, listener: l}
		if l.add(limited) && conn.SetReadDeadline(time.Now().Add(firstPacket)) == nil {
			return limited, nil
		}
		_ = limited.Close() // nothing was said yet
	}
}

func (l *limitedListener) add(conn *limitedConn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.open) >= l.most {
		return false
	}
	l.open[conn] = struct{}{}
	return true
}

func (l *limitedListener) remove(conn *limitedConn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.open, conn)
}

// cut closes the port and every connection.
func (l *limitedListener) cut() error {
	if err := l.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
		return err
	}
	l.mu.Lock()
	left := make([]*limitedConn, 0, len(l.open))
	for conn := range l.open {
		left = append(left, conn)
	}
	l.mu.Unlock()
	for _, conn := range left {
		_ = conn.Close() // it is cut off anyway
	}
	return nil
}

// limitedConn ends itself when a write fails or takes too long: half a packet may
// have gone out, and nothing may follow it.
type limitedConn struct {
	net.Conn
	listener *limitedListener
}

// Write writes within the limit or ends the connection.
func (c *limitedConn) Write(p []byte) (int, error) {
	if err := c.Conn.SetWriteDeadline(time.Now().Add(c.listener.writeLimit)); err != nil {
		return 0, err
	}
	n, err := c.Conn.Write(p)
	if err != nil {
		_ = c.Close() // the write error is the one to tell
	}
	return n, err
}

// SetDeadline moves the deadline for reading only: the library sets it after
// each packet, which must not give a blocked write more time.
func (c *limitedConn) SetDeadline(t time.Time) error { return c.Conn.SetReadDeadline(t) }

// Close ends the connection and frees its place.
func (c *limitedConn) Close() error {
	c.listener.remove(c)
	return c.Conn.Close()
}
