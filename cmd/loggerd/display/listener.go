package display

import (
	"net"
	"sync"
)

// A limited listener hands out at most so many connections at a time; further
// ones wait. Files of the daemon must not run out, nor rise in number without
// bound.
type limited struct {
	net.Listener
	slots chan struct{}
	done  chan struct{}
	once  sync.Once
}

func limit(l net.Listener, most int) *limited {
	return &limited{Listener: l, slots: make(chan struct{}, most), done: make(chan struct{})}
}

func (l *limited) Accept() (net.Conn, error) {
	select {
	case l.slots <- struct{}{}:
	case <-l.done:
		return nil, net.ErrClosed
	}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.slots
		return nil, err
	}
	return &counted{Conn: c, free: sync.OnceFunc(func() { <-l.slots })}, nil
}

func (l *limited) Close() error {
	l.once.Do(func() { close(l.done) })
	return l.Listener.Close()
}

// A counted connection frees its slot once, when it is closed.
type counted struct {
	net.Conn
	free func()
}

func (c *counted) Close() error {
	defer c.free()
	return c.Conn.Close()
}
