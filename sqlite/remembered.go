package sqlite

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// CheckpointPath is where the checkpoint that was signed last lies: beside the key of
// the log at path, named like it. It is written once the checkpoint is on disk in the
// log, so it never says more than the log; and as it does not lie in the log, it still
// says so when an older copy of the log is put in place.
func CheckpointPath(path string) string {
	return filepath.Join(filepath.Dir(path), logName(path)+".checkpoint")
}

// heed compares the log with the checkpoint that was signed last, as the file beside
// the key has it. What was signed must be what the log begins with.
func (l *Log) heed() error {
	text, err := os.ReadFile(CheckpointPath(l.path))
	if errors.Is(err, fs.ErrNotExist) {
		return l.remember()
	}
	if err != nil {
		return err
	}
	c, err := l.ownCheckpoint(string(text))
	if err != nil {
		return l.stranger(fmt.Sprintf("of the checkpoint beside its key, %q, %v", filepath.Base(CheckpointPath(l.path)), err))
	}
	if c.size > l.last {
		return l.stranger(fmt.Sprintf("its key has signed %d entries and only %d are here, so this is an older copy of it", c.size, l.last))
	}
	same, err := l.beginsWith(c)
	if err != nil {
		return err
	}
	if !same {
		return l.stranger(fmt.Sprintf("its entries 1 to %d are not those that its key has signed, so this is another copy of it or was changed", c.size))
	}
	l.remembered = string(text)
	return l.remember()
}

// stranger is what is said of a log that contradicts what its key has signed.
func (l *Log) stranger(how string) error {
	return fmt.Errorf(`%s; put the newest copy back, or, if there is none, go on with a new key and say why: loggerd --new-key "REASON"`, how)
}

// ownCheckpoint reads a checkpoint that the key of the log signed, or an earlier one
// that the log names.
func (l *Log) ownCheckpoint(text string) (checkpoint, error) {
	c, err := openCheckpoint(text, note.VerifierList(l.key.verifier))
	if !errors.Is(err, errOtherKey) {
		return c, said(err)
	}
	rows, err := l.db.Query(`SELECT DISTINCT signer FROM checkpoints`)
	if err != nil {
		return checkpoint{}, explain(err)
	}
	defer rows.Close()
	var known []note.Verifier
	for rows.Next() {
		var public string
		if err := rows.Scan(&public); err != nil {
			return checkpoint{}, explain(err)
		}
		if v, err := note.NewVerifier(public); err == nil && public != l.key.public {
			known = append(known, v)
		}
	}
	if err := rows.Err(); err != nil {
		return checkpoint{}, explain(err)
	}
	c, err = openCheckpoint(text, note.VerifierList(known...))
	return c, said(err)
}

// said words what is wrong with the checkpoint beside the key.
func said(err error) error {
	if errors.Is(err, errOtherKey) {
		return errors.New("neither its key nor an earlier one that this log names is the signer")
	}
	return err
}

// beginsWith proves that the log, as it is now, goes on from c.
func (l *Log) beginsWith(c checkpoint) (bool, error) {
	if c.size == 0 {
		return true, nil
	}
	proof, err := tlog.ProveTree(l.tree.size, c.size, storedHashes(l.db))
	if err != nil {
		return false, fmt.Errorf("cannot prove that it goes on from its checkpoint of %d entries: %w", c.size, err)
	}
	return tlog.CheckTree(proof, l.tree.size, l.tree.root(), c.size, c.root) == nil, nil
}

// remember keeps the checkpoint that was signed last beside the key, unless it lies
// there already.
func (l *Log) remember() error {
	text := l.Checkpoint()
	if text == "" || text == l.remembered {
		return nil
	}
	file := CheckpointPath(l.path)
	if err := l.disk.writeWhole(file+".new", file, []byte(text)); err != nil {
		return fmt.Errorf("cannot keep its checkpoint beside its key: %w", err)
	}
	l.remembered = text
	return nil
}

// setAside puts the key and the checkpoint beside it under names of their own, for
// good, so that Open makes a new key. It returns the checkpoint, if there is one.
func (l *Log) setAside() (string, error) {
	text, err := os.ReadFile(CheckpointPath(l.path))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	// The key goes first: without the checkpoint, the old key would sign again.
	for _, file := range []string{KeyPath(l.path), CheckpointPath(l.path)} {
		if !exists(file) {
			continue
		}
		if err := l.disk.rename(file, unused(file+".old")); err != nil {
			return "", fmt.Errorf("cannot set %q aside: %w", filepath.Base(file), err)
		}
	}
	return string(text), nil
}

// unused is a name that no file has: the one given with a number.
func unused(path string) string {
	for n := 1; ; n++ {
		if name := fmt.Sprintf("%s-%d", path, n); !exists(name) {
			return name
		}
	}
}

// SetAside returns the checkpoint that Options.NewKey set aside with the key; empty if
// there was none.
func (l *Log) SetAside() string { return l.aside }
