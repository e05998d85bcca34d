package devices

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
)

// Arrivals tells at once when a device comes, so that nobody waits for the next look. The
// kernel tells of what is new in a folder, or may be opened by others than before
// (inotify); it does not of its own tree below /sys. So the folders of devices are
// watched. Where that cannot be, instruments still look once in a while.
type Arrivals struct {
	queue *os.File

	mu   sync.Mutex
	next chan struct{}
}

// Arrivals watches the folder of the system's devices. Run has to follow.
func (s System) Arrivals() (*Arrivals, error) {
	fd, err := unix.InotifyInit1(unix.IN_CLOEXEC | unix.IN_NONBLOCK)
	if err != nil {
		return nil, fmt.Errorf("cannot watch for devices: %w", err)
	}
	a := &Arrivals{queue: os.NewFile(uintptr(fd), "arrivals"), next: make(chan struct{})}
	if err := a.Watch(s.at("/dev/any")); err != nil {
		return nil, errors.Join(err, a.Close())
	}
	return a, nil
}

// Watch watches the folder of a port, too, if the port is a path and the folder there.
func (a *Arrivals) Watch(port string) error {
	if !strings.HasPrefix(port, "/") {
		return nil
	}
	var err error
	folder := filepath.Dir(port)
	told := withHandle(a.queue, func(fd int) error {
		_, err = unix.InotifyAddWatch(fd, folder, unix.IN_CREATE|unix.IN_MOVED_TO|unix.IN_ATTRIB)
		return err
	})
	if told != nil {
		return fmt.Errorf("cannot watch %q for devices: %w", folder, told)
	}
	return nil
}

// Next is closed when something arrives next.
func (a *Arrivals) Next() <-chan struct{} {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.next
}

// Close ends the watching. It may be called more than once.
func (a *Arrivals) Close() error {
	if err := a.queue.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		return fmt.Errorf("cannot end the watch for devices: %w", err)
	}
	return nil
}

// Run tells of arrivals until ctx ends, and returns nil then, with the watching ended.
func (a *Arrivals) Run(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() { _ = a.Close() }) // its error would change nothing
	defer stop()
	buf := make([]byte, 4096) // what came is not looked at: whoever waits looks for itself
	for {
		if _, err := a.queue.Read(buf); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("cannot watch for devices any more: %w", err)
		}
		a.mu.Lock()
		close(a.next)
		a.next = make(chan struct{})
		a.mu.Unlock()
	}
}
