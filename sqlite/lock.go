package sqlite

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"syscall"
)

// A lock keeps a second daemon off a log. It is an flock on a file beside the log,
// not on the log itself: to close any descriptor of the log would drop the locks
// that SQLite holds on it in this process. A killed daemon leaves the file, but
// not the lock.
type lock struct{ file *os.File }

// acquire takes the lock of the log at path or says who has it.
func acquire(path string) (*lock, error) {
	for {
		file, err := os.OpenFile(path+".lock", os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			return nil, err
		}
		l := &lock{file}
		switch current, err := l.take(); {
		case err != nil:
			defer file.Close()
			return nil, refusal(file, err)
		case current:
			if err := l.sign(); err != nil && !full(err) { // on a full disk it is held unsigned
				return nil, errors.Join(err, l.release())
			}
			return l, nil
		}
		file.Close() // a daemon that was closing removed the file meanwhile
	}
}

// take locks the file and reports whether it is still the one at its path.
func (l *lock) take() (current bool, err error) {
	if err := syscall.Flock(int(l.file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return false, err
	}
	mine, err := l.file.Stat()
	if err != nil {
		return false, err
	}
	there, err := os.Stat(l.file.Name())
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil && os.SameFile(mine, there), err
}

// sign writes the process number into the file, for the message of the one refused.
func (l *lock) sign() error {
	if err := l.file.Truncate(0); err != nil {
		return err
	}
	_, err := l.file.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	return err
}

// release removes the file while it is still locked, then gives up the lock.
func (l *lock) release() error {
	return errors.Join(os.Remove(l.file.Name()), l.file.Close())
}

func refusal(file *os.File, err error) error {
	if !errors.Is(err, syscall.EWOULDBLOCK) {
		return fmt.Errorf("cannot lock it: %w", err)
	}
	holder, _ := io.ReadAll(io.LimitReader(file, 20))
	who := strings.TrimSpace(string(holder))
	if who == "" {
		who = "of unknown number"
	}
	return fmt.Errorf("another daemon (process %s) is writing to it; stop that one first, or give this one a log of its own", who)
}
