package devices

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"shimwright/session"
)

// A SimulatedInstrument is the instrument's end of a cable: a pseudo-terminal
// whose other end is opened like any serial port. It writes real bytes in the
// wire format of its profile. Its methods may be called from any goroutine.
type SimulatedInstrument struct {
	profile session.Profile // Port is the path to open
	link    string          // a name of the port that stays the same; empty if none
	encode  func(session.Number) ([]byte, error)

	mu     sync.Mutex
	master *os.File // nil while unplugged
	slave  *os.File // kept open, so that the master can be read at any time
	shown  session.Number
	ends   sync.WaitGroup
}

// errUnplugged is what a simulated instrument without its cable says.
var errUnplugged = errors.New("the simulated instrument is unplugged")

// Simulate plugs in an instrument of the profile. If p.Port is empty the port has
// the name that the system gives it, and another one after each Plug; otherwise
// p.Port becomes a symbolic link to it, as systems name serial ports by identity.
// Close unplugs it for good. The error lists the mistakes of the profile, or says
// why there is no pseudo-terminal.
func Simulate(p session.Profile) (*SimulatedInstrument, error) {
	return simulate(p, newEncoder(p))
}

// simulate is Simulate with the frames made by encode.
func simulate(p session.Profile, encode func(session.Number) ([]byte, error)) (*SimulatedInstrument, error) {
	if _, err := NewDecoder(p); err != nil {
		return nil, err
	}
	s := &SimulatedInstrument{profile: p, link: p.Port, encode: encode}
	if err := s.Plug(); err != nil {
		return nil, err
	}
	return s, nil
}

// Profile returns the profile with the port to open.
func (s *SimulatedInstrument) Profile() session.Profile {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.profile
}

// Plug connects the cable; it does nothing if it is connected.
func (s *SimulatedInstrument) Plug() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.master != nil {
		return nil
	}
	master, slave, err := rawPair()
	if err == nil {
		if err = s.name(slave.Name()); err != nil {
			_, _ = master.Close(), slave.Close() // the first error says why
		}
	}
	if err != nil {
		return fmt.Errorf("cannot plug in simulated instrument %q: %w", s.profile.Name, err)
	}
	s.master, s.slave = master, slave
	s.ends.Add(1)
	go s.answer(master)
	return nil
}

// rawPair makes a pseudo-terminal that changes and echoes nothing, and whose master
// can be closed while it is read.
func rawPair() (master, slave *os.File, err error) {
	first, slave, err := pty.Open()
	if err != nil {
		return nil, nil, err
	}
	defer func() { _ = first.Close() }() // only a copy of it is used
	err = withHandle(slave, func(fd int) error {
		_, err := term.MakeRaw(fd)
		return err
	})
	if err == nil {
		err = withHandle(first, func(fd int) (err error) {
			master, err = polled(fd, first.Name())
			return err
		})
	}
	if err != nil {
		_ = slave.Close() // the first error says why
		return nil, nil, err
	}
	return master, slave, nil
}

// polled returns a copy of an open file that waits in the runtime's poller: its
// Close ends a Read that is under way.
func polled(fd int, name string) (*os.File, error) {
	copied, err := unix.FcntlInt(uintptr(fd), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	if err := unix.SetNonblock(copied, true); err != nil {
		return nil, errors.Join(err, unix.Close(copied))
	}
	return os.NewFile(uintptr(copied), name), nil
}

func withHandle(f *os.File, use func(fd int) error) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	err = conn.Control(func(fd uintptr) { inner = use(int(fd)) })
	return errors.Join(err, inner)
}

// name makes the port known under its lasting name, by renaming so that nobody
// sees half of it.
func (s *SimulatedInstrument) name(device string) error {
	if s.link == "" {
		s.profile.Port = device
		return nil
	}
	if old, err := os.Lstat(s.link); err == nil && old.Mode()&fs.ModeSymlink == 0 {
		return fmt.Errorf("%q exists and is no symbolic link; give the port another name", s.link)
	}
	next := filepath.Join(filepath.Dir(s.link), "."+filepath.Base(s.link)+".next")
	_ = os.Remove(next) // usually there is none
	if err := os.Symlink(device, next); err != nil {
		return err
	}
	return os.Rename(next, s.link)
}

// Unplug pulls the cable; it does nothing if it is out.
func (s *SimulatedInstrument) Unplug() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.master == nil {
		return nil
	}
	var err error
	if s.link != "" {
		err = os.Remove(s.link)
	}
	err = errors.Join(err, s.master.Close(), s.slave.Close())
	s.master, s.slave = nil, nil
	if err != nil {
		return fmt.Errorf("cannot unplug simulated instrument %q: %w", s.profile.Name, err)
	}
	return nil
}

// Close unplugs the instrument and waits until nothing of it runs.
func (s *SimulatedInstrument) Close() error {
	err := s.Unplug()
	s.ends.Wait()
	return err
}

// Show sets the length in mm that the instrument shows from now on, and sends with
// the next answer.
func (s *SimulatedInstrument) Show(length session.Number) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.shown = length
}

// Press shows a length in mm, rounded to the resolution, and sends it as the data
// button does. The length of a pedal is 0.
func (s *SimulatedInstrument) Press(length session.Number) error {
	s.Show(length)
	b, err := s.encode(length)
	if err != nil {
		return err
	}
	return s.Send(b)
}

// Send sends bytes as they are.
func (s *SimulatedInstrument) Send(raw []byte) error {
	s.mu.Lock()
	master := s.master
	s.mu.Unlock()
	if master == nil {
		return errUnplugged
	}
	if _, err := master.Write(raw); err != nil {
		return fmt.Errorf("cannot send from simulated instrument %q: %w", s.profile.Name, err)
	}
	return nil
}

// answer reads what is sent to the instrument until it is unplugged, and answers
// each request with what it shows.
func (s *SimulatedInstrument) answer(master *os.File) {
	defer s.ends.Done()
	request := []byte(s.profile.Request)
	var got []byte
	buf := make([]byte, 256)
	for {
		n, err := master.Read(buf)
		if err != nil {
			return
		}
		if len(request) == 0 {
			continue
		}
		got = append(got, buf[:n]...)
		for i := bytes.Index(got, request); i >= 0; i = bytes.Index(got, request) {
			got = got[i+len(request):]
			s.mu.Lock()
			shown := s.shown
			s.mu.Unlock()
			if b, err := s.encode(shown); err == nil {
				_ = s.Send(b) // unplugged meanwhile: then there is no answer
			}
		}
		got = append([]byte(nil), got[max(0, len(got)-len(request)):]...)
	}
}
