package sqlite

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"syscall"

	"github.com/mattn/go-sqlite3"

	"shimwright/session"
)

// Room is a reserve that is enough for the last words of many failures.
const Room = 1 << 20

// ReservePath is where the reserve of the log at path lies: beside it, named like it.
func ReservePath(path string) string {
	return filepath.Join(filepath.Dir(path), logName(path)+".reserve")
}

// stock makes the reserve unless it is there. Its content is of no meaning, but cannot
// be made small by a file system that packs what it keeps.
func (l *Log) stock() error {
	file := ReservePath(l.path)
	if l.reserve == 0 || exists(file) {
		l.spent = false
		return nil
	}
	content := make([]byte, l.reserve)
	rand.NewChaCha8([32]byte{}).Read(content) //nolint:errcheck // it never fails
	if err := l.disk.writeWhole(file+".new", file, content); err != nil {
		return fmt.Errorf("there is no room for its reserve of %d bytes (%w); make room on its disk, recording then goes on by itself", l.reserve, err)
	}
	l.spent = false
	return nil
}

// spend gives the reserve up if err says that the disk is full, so that last words can
// be written. Anything else then waits until it can be made anew.
func (l *Log) spend(err error) error {
	if l.reserve == 0 || l.spent || !full(err) {
		return nil
	}
	l.spent = true
	return l.disk.remove(ReservePath(l.path))
}

// full says whether an error means that there is no room on the disk.
func full(err error) bool {
	var fault sqlite3.Error
	if errors.As(err, &fault) {
		return fault.Code == sqlite3.ErrFull || fault.SystemErrno == syscall.ENOSPC || fault.SystemErrno == syscall.EDQUOT
	}
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

// lastWords says whether entries may be written into the room that the reserve took:
// that nothing more is recorded, and the end of a job.
func lastWords(entries []session.Entry) bool {
	for _, e := range entries {
		switch b := e.Body.(type) {
		case session.Ended:
			return true
		case session.RecordingChanged:
			if !b.OK {
				return true
			}
		}
	}
	return false
}
