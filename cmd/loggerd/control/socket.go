package control

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"golang.org/x/net/netutil"
)

// maxPath is what the kernel allows for the path of a socket, its end included.
const maxPath = 108

// dialTime is how long a socket that is there may take to show a live daemon.
const dialTime = 2 * time.Second

// DefaultSocket is where daemon and terminal meet if nothing else is said:
// shimwright/control.sock in $XDG_RUNTIME_DIR, else in the user's state
// directory. It is empty if the environment names no directory at all.
func DefaultSocket(getenv func(string) string) string {
	for _, dir := range []string{getenv("XDG_RUNTIME_DIR"), getenv("XDG_STATE_HOME")} {
		if filepath.IsAbs(dir) {
			return filepath.Join(dir, "shimwright", "control.sock")
		}
	}
	if home := getenv("HOME"); filepath.IsAbs(home) {
		return filepath.Join(home, ".local", "state", "shimwright", "control.sock")
	}
	return ""
}

// A socket is a listening Unix socket and the file that it is.
type socket struct {
	net.Listener
	path string
	file fs.FileInfo
}

// Listen opens the socket at path with mode 0600, whatever the umask. A socket
// that a dead daemon left is replaced; one that answers, and any other kind of
// file, is left alone and is an error.
func (s *Server) Listen(path string) error {
	sock, err := listen(path)
	if err != nil {
		return fmt.Errorf("cannot open control socket %q: %w", path, err)
	}
	s.socket = sock
	return nil
}

// Serve answers until Shutdown, and returns nil then. Listen must come first.
func (s *Server) Serve() error {
	err := s.http.Serve(netutil.LimitListener(s.socket, maxConns))
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("cannot serve control socket %q: %w", s.socket.path, err)
}

// Shutdown ends the watchers, lets commands finish until ctx ends, and removes
// the socket if it is still this server's.
func (s *Server) Shutdown(ctx context.Context) error {
	s.once.Do(func() { close(s.done) })
	err := s.http.Shutdown(ctx)
	if err != nil {
		s.http.Close() //nolint:errcheck // it was asked nicely before
	}
	if s.socket != nil {
		s.socket.Close() //nolint:errcheck // the server has closed it
		s.socket.remove()
	}
	if err != nil {
		return fmt.Errorf("cannot finish what the control socket was asked: %w", err)
	}
	return nil
}

// listen binds in a directory that nobody else can enter, sets the mode there
// and only then moves the socket to its place.
func listen(path string) (*socket, error) {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	if err := free(path); err != nil {
		return nil, err
	}
	private, err := os.MkdirTemp(dir, ".c")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(private)
	birth := filepath.Join(private, "s")
	if n := max(len(birth), len(path)); n >= maxPath {
		return nil, fmt.Errorf("its path is %d characters longer than a socket allows; give a shorter one", n-maxPath+1)
	}
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: birth, Net: "unix"})
	if err != nil {
		return nil, err
	}
	l.SetUnlinkOnClose(false)
	sock, err := announce(birth, path)
	if err != nil {
		l.Close()
		return nil, err
	}
	sock.Listener = l
	return sock, nil
}

func announce(birth, path string) (*socket, error) {
	if err := os.Chmod(birth, 0o600); err != nil {
		return nil, err
	}
	file, err := os.Lstat(birth)
	if err != nil {
		return nil, err
	}
	if err := os.Rename(birth, path); err != nil {
		return nil, err
	}
	return &socket{path: path, file: file}, nil
}

// free says whether path may be taken: nothing is there, or a socket that
// nobody answers.
func free(path string) error {
	there, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if there.Mode().Type() != fs.ModeSocket {
		return errors.New("there is something else that is not a socket; move it away or give another path")
	}
	conn, err := net.DialTimeout("unix", path, dialTime)
	if err == nil {
		conn.Close()
		return errors.New("a daemon answers there already; stop it or give another path")
	}
	if errors.Is(err, syscall.ECONNREFUSED) || errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return fmt.Errorf("a daemon may have it already (%w); stop it or give another path", err)
}

// remove takes the socket away unless another daemon has put its own there.
func (s *socket) remove() {
	if there, err := os.Lstat(s.path); err == nil && os.SameFile(there, s.file) {
		os.Remove(s.path)
	}
}
