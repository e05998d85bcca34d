package devices

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"reflect"
	"sync"
	"syscall"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"shimwright/session"
)

// A Port is an open serial port. Read may return (0, nil) when nothing came for a
// while. After Close no other method is called.
type Port interface{ io.ReadWriteCloser }

// An Opener opens the port of a profile and empties its input buffer. A Port with a
// method Device() string tells by it which device was found.
type Opener func(session.Profile) (Port, error)

const (
	readWait  = 2 * time.Second // how long one Read waits for a byte: an idle port costs a wake each time
	writeWait = time.Second     // after which a write is hopeless
	maxHandle = 1023            // the library's Read panics above it
)

var (
	errWriteStuck = errors.New("the device does not take bytes; the port was given up")
	errGone       = errors.New("the device is gone")
)

// openSerial opens a port by the serial library, guarded. The library takes the
// port for itself as far as the system lets it. The modem lines stay as they are
// (InitialStatusBits nil), because a pseudo-terminal has none.
func openSerial(device string, line session.Line) (Port, error) {
	parity, _ := parityOf(line.Parity)
	stop, _ := stopBitsOf(line.StopBits)
	raw, err := serial.Open(device, &serial.Mode{BaudRate: cmp.Or(line.Baud, 9600), DataBits: cmp.Or(line.DataBits, 8), Parity: parity, StopBits: stop})
	if err != nil {
		return nil, fmt.Errorf("cannot open port %q: %w", device, err)
	}
	if err := prepare(raw); err != nil {
		_ = raw.Close() // the first error says why
		return nil, fmt.Errorf("cannot open port %q: %w", device, err)
	}
	g := newGuard(raw, time.After)
	g.wake = wakerOf(raw)
	return g, nil
}

func prepare(raw serial.Port) error {
	if n := highestHandle(raw); n > maxHandle {
		return fmt.Errorf("it got descriptor %d and the serial library takes at most %d; close other files or connections", n, maxHandle)
	}
	if err := raw.SetReadTimeout(readWait); err != nil {
		return err
	}
	return raw.ResetInputBuffer()
}

// highestHandle returns the highest descriptor that the library selects on, or 0
// where its port keeps none under these names.
func highestHandle(raw serial.Port) int64 {
	v := reflect.Indirect(reflect.ValueOf(raw))
	if v.Kind() != reflect.Struct {
		return 0
	}
	highest := intField(v, "handle")
	if pipe := v.FieldByName("closeSignal"); pipe.Kind() == reflect.Pointer && !pipe.IsNil() {
		highest = max(highest, intField(pipe.Elem(), "rd"), intField(pipe.Elem(), "wr"))
	}
	return highest
}

// wakerOf returns what ends a Read under way: a byte in the pipe by which the library's
// own Close does it, which must not be called before the Read has ended.
func wakerOf(raw serial.Port) func() {
	if v := reflect.Indirect(reflect.ValueOf(raw)); v.Kind() == reflect.Struct {
		if pipe := v.FieldByName("closeSignal"); pipe.Kind() == reflect.Pointer && !pipe.IsNil() {
			if handle := intField(pipe.Elem(), "wr"); handle > 0 {
				return func() { _, _ = unix.Write(int(handle), []byte{0}) } // if it fails the Read ends by its time
			}
		}
	}
	return nil
}

func intField(v reflect.Value, name string) int64 {
	if f := v.FieldByName(name); f.IsValid() && f.CanInt() {
		return f.Int()
	}
	return 0
}

func parityOf(word string) (serial.Parity, bool) {
	switch word {
	case "", "none":
		return serial.NoParity, true
	case "odd":
		return serial.OddParity, true
	case "even":
		return serial.EvenParity, true
	case "mark":
		return serial.MarkParity, true
	case "space":
		return serial.SpaceParity, true
	}
	return 0, false
}

func stopBitsOf(word string) (serial.StopBits, bool) {
	switch word {
	case "", "1":
		return serial.OneStopBit, true
	case "1.5":
		return serial.OnePointFiveStopBits, true
	case "2":
		return serial.TwoStopBits, true
	}
	return 0, false
}

// refusal tells how a failed opening is shown: absent, or there and refused.
func refusal(err error) (session.PortState, string) {
	for _, absent := range []error{fs.ErrNotExist, syscall.ENODEV, syscall.ENXIO} {
		if errors.Is(err, absent) {
			return session.PortAbsent, "no such device"
		}
	}
	var pe *serial.PortError
	if errors.As(err, &pe) {
		switch pe.Code() {
		case serial.PortNotFound:
			return session.PortAbsent, "no such device"
		case serial.PermissionDenied:
			return session.PortRefused, "permission denied; logctl ports says how to permit it"
		case serial.PortBusy:
			return session.PortRefused, "another program has the port; close it there"
		}
	}
	return session.PortRefused, err.Error()
}

// A guard stands before a port whose own Close does not protect it: a descriptor
// number that was closed may already be another file's. It lets no operation
// begin after Close, and closes the port only when none is under way: with the
// last Read, which is woken and waits readWait at most, or with a stuck Write if that
// ever ends.
type guard struct {
	port  Port
	after func(time.Duration) <-chan time.Time
	wake  func() // ends a Read under way; may be nil

	mu     sync.Mutex
	using  int  // operations under way
	closed bool // Close was called
}

func newGuard(port Port, after func(time.Duration) <-chan time.Time) *guard {
	return &guard{port: port, after: after}
}

func (g *guard) enter() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.closed {
		return os.ErrClosed
	}
	g.using++
	return nil
}

// leave ends an operation; the last one after Close closes the port.
func (g *guard) leave() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.using--
	if g.closed && g.using == 0 {
		_ = g.port.Close() // nobody is left to tell
	}
}

// Read reads from the port. A vanished device gives an error, and so does the own
// Close, which is os.ErrClosed.
func (g *guard) Read(b []byte) (int, error) {
	if err := g.enter(); err != nil {
		return 0, err
	}
	defer g.leave()
	n, err := g.port.Read(b)
	var pe *serial.PortError
	if errors.As(err, &pe) && pe.Code() == serial.PortClosed {
		err = errGone
	}
	return n, err
}

// Write writes at most maxRequest bytes and waits writeWait at most.
func (g *guard) Write(b []byte) (int, error) {
	if len(b) > maxRequest {
		return 0, fmt.Errorf("cannot write %d bytes to a port; the limit is %d", len(b), maxRequest)
	}
	if err := g.enter(); err != nil {
		return 0, err
	}
	type result struct {
		n   int
		err error
	}
	done := make(chan result, 1)
	own := append([]byte(nil), b...)
	go func() {
		defer g.leave()
		n, err := g.port.Write(own)
		if err == nil && n < len(own) {
			err = io.ErrShortWrite
		}
		done <- result{n, err}
	}()
	select {
	case r := <-done:
		return r.n, r.err
	case <-g.after(writeWait):
		return 0, errWriteStuck
	}
}

// Close ends the use of the port. It never waits.
func (g *guard) Close() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.closed {
		return nil
	}
	g.closed = true
	if g.using > 0 {
		if g.wake != nil {
			g.wake() // the port is open yet: whoever uses it needs g.mu to close it
		}
		return nil
	}
	return g.port.Close()
}

// Closed tells whether a modem-status line is set, where the port has such lines.
func (g *guard) Closed(l Line) (bool, error) {
	lines, ok := g.port.(interface {
		GetModemStatusBits() (*serial.ModemStatusBits, error)
	})
	if !ok {
		return false, errors.New("the port has no modem-status lines")
	}
	if err := g.enter(); err != nil {
		return false, err
	}
	defer g.leave()
	bits, err := lines.GetModemStatusBits()
	if err != nil {
		return false, err
	}
	return map[Line]bool{ClearToSend: bits.CTS, DataSetReady: bits.DSR, RingIndicator: bits.RI, CarrierDetect: bits.DCD}[l], nil
}
