package devices

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"

	"shimwright/session"
)

// rawPort is a port that does what its test says, and notes what is done to it
// after it was closed.
type rawPort struct {
	read  func([]byte) (int, error)
	write func([]byte) (int, error)

	mu     sync.Mutex
	closed bool
	late   int // operations under way at, or begun after, the closing
	inside int
}

func (r *rawPort) enter() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.inside++
	if r.closed {
		r.late++
	}
}

func (r *rawPort) leave() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.inside--
}

func (r *rawPort) Read(b []byte) (int, error) {
	r.enter()
	defer r.leave()
	return r.read(b)
}

func (r *rawPort) Write(b []byte) (int, error) {
	r.enter()
	defer r.leave()
	return r.write(b)
}

func (r *rawPort) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		r.late++
	}
	r.closed = true
	r.late += r.inside
	return nil
}

func (r *rawPort) state() (closed bool, late int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.closed, r.late
}

// never is a time limit that does not come.
func never(time.Duration) <-chan time.Time { return nil }

func TestNothingAfterClose(t *testing.T) {
	raw := &rawPort{}
	g := newGuard(raw, never)
	require.NoError(t, g.Close())
	require.NoError(t, g.Close())
	_, err := g.Write([]byte("x"))
	assert.ErrorIs(t, err, os.ErrClosed)
	_, err = g.Read(make([]byte, 1))
	assert.ErrorIs(t, err, os.ErrClosed)
	closed, late := raw.state()
	assert.True(t, closed)
	assert.Zero(t, late)
}

// The library closes the descriptor under a Read, whose number may then be another
// file's. The guard waits for the Read.
func TestCloseWaitsForRead(t *testing.T) {
	begun, goOn := make(chan bool), make(chan bool)
	raw := &rawPort{read: func([]byte) (int, error) { begun <- true; <-goOn; return 0, nil }}
	g := newGuard(raw, never)
	ended := make(chan bool)
	go func() { _, _ = g.Read(make([]byte, 1)); close(ended) }()
	<-begun
	require.NoError(t, g.Close())
	closed, _ := raw.state()
	require.False(t, closed)
	close(goOn)
	<-ended
	closed, late := raw.state()
	assert.True(t, closed)
	assert.Zero(t, late)
}

// A write that the device does not take is given up, and the port stays open
// under it until it ends.
func TestStuckWriteIsGivenUp(t *testing.T) {
	begun, goOn := make(chan bool), make(chan bool)
	raw := &rawPort{write: func(b []byte) (int, error) { begun <- true; <-goOn; return len(b), nil }}
	limit := make(chan time.Time)
	g := newGuard(raw, func(time.Duration) <-chan time.Time { return limit })
	go func() { <-begun; limit <- time.Time{} }()
	_, err := g.Write([]byte("?\r"))
	require.ErrorIs(t, err, errWriteStuck)
	require.NoError(t, g.Close())
	closed, _ := raw.state()
	require.False(t, closed)
	close(goOn)
	eventually(t, func() bool { closed, _ := raw.state(); return closed })
	_, late := raw.state()
	assert.Zero(t, late)
}

func TestWrites(t *testing.T) {
	raw := &rawPort{write: func(b []byte) (int, error) { return min(len(b), 2), nil }}
	g := newGuard(raw, never)
	n, err := g.Write([]byte("?\r"))
	require.NoError(t, err)
	assert.Equal(t, 2, n)
	_, err = g.Write([]byte("???"))
	assert.ErrorContains(t, err, "short write")
	_, err = g.Write(make([]byte, 65))
	assert.ErrorContains(t, err, "the limit is 64")
}

// A device that went away is not our own Close.
func TestGone(t *testing.T) {
	sim, err := Simulate(exampleCaliper())
	require.NoError(t, err)
	port, err := openSerial(sim.Profile().Port, session.Line{})
	require.NoError(t, err)
	require.NoError(t, sim.Close())
	_, err = port.Read(make([]byte, 1))
	assert.ErrorIs(t, err, errGone)
	require.NoError(t, port.Close())
	_, err = port.Read(make([]byte, 1))
	assert.ErrorIs(t, err, os.ErrClosed)
}

// The library's read panics above 1023, so the descriptors must be found.
func TestDescriptorsAreFound(t *testing.T) {
	sim, err := Simulate(exampleCaliper())
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()) }()
	raw, err := serial.Open(sim.Profile().Port, &serial.Mode{BaudRate: 9600, DataBits: 8})
	require.NoError(t, err)
	defer func() { assert.NoError(t, raw.Close()) }()
	assert.Greater(t, highestHandle(raw), int64(2))
	require.NoError(t, prepare(raw))
	assert.ErrorContains(t, prepare(&highPort{Port: raw, handle: 1024}), "descriptor 1024")
	assert.Zero(t, highestHandle(nil))
}

// highPort has its descriptor where the library has it.
type highPort struct {
	serial.Port
	handle int
}

func TestRefusals(t *testing.T) {
	_, missing := openSerial("/dev/does-not-exist", session.Line{})
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	_, noPort := openSerial(file, session.Line{})
	for _, c := range []struct {
		err   error
		state session.PortState
		why   string
	}{
		{missing, session.PortAbsent, "no such device"},
		{fs.ErrNotExist, session.PortAbsent, "no such device"},
		{fmt.Errorf("cannot open: %w", syscall.ENODEV), session.PortAbsent, "no such device"},
		{&serial.PortError{}, session.PortRefused, "another program has the port"}, // its zero code
		{noPort, session.PortRefused, "Invalid serial port"},
		{errors.New("the cable burns"), session.PortRefused, "the cable burns"},
	} {
		state, why := refusal(c.err)
		assert.Equal(t, c.state, state, c.err)
		assert.Contains(t, why, c.why)
	}
}

func TestLineWords(t *testing.T) {
	for word, want := range map[string]serial.Parity{"": serial.NoParity, "none": serial.NoParity, "odd": serial.OddParity,
		"even": serial.EvenParity, "mark": serial.MarkParity, "space": serial.SpaceParity} {
		got, ok := parityOf(word)
		assert.True(t, ok)
		assert.Equal(t, want, got, word)
	}
	for word, want := range map[string]serial.StopBits{"": serial.OneStopBit, "1": serial.OneStopBit, "1.5": serial.OnePointFiveStopBits, "2": serial.TwoStopBits} {
		got, ok := stopBitsOf(word)
		assert.True(t, ok)
		assert.Equal(t, want, got, word)
	}
}

// Close ends a Read that would wait for ever, and the descriptor is given back.
func TestCloseWakesARead(t *testing.T) {
	_, slave, err := rawPair()
	require.NoError(t, err)
	defer func() { _ = slave.Close() }()
	port, err := openSerial(slave.Name(), session.Line{})
	require.NoError(t, err)
	g := port.(*guard)
	require.NoError(t, g.port.(serial.Port).SetReadTimeout(serial.NoTimeout))
	ended := make(chan error, 1)
	go func() {
		_, err := g.Read(make([]byte, 8))
		ended <- err
	}()
	require.Eventually(t, func() bool {
		g.mu.Lock()
		defer g.mu.Unlock()
		return g.using == 1
	}, 5*time.Second, time.Millisecond)
	require.NoError(t, g.Close())
	select {
	case err := <-ended:
		require.Error(t, err)
	case <-time.After(10 * time.Second):
		require.Fail(t, "the Read goes on")
	}
	handles, err := filepath.Glob("/proc/self/fd/*")
	require.NoError(t, err)
	open := 0
	for _, h := range handles {
		if to, err := os.Readlink(h); err == nil && to == slave.Name() {
			open++
		}
	}
	assert.Equal(t, 1, open, "only the test has it open")
	_, err = g.Read(nil)
	require.ErrorIs(t, err, os.ErrClosed)
}
