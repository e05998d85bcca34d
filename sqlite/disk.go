package sqlite

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// A disk does to files what the log does besides SQLite. around, if set, is handed
// each step and carries it out, so that tests can record it or let it fail. data is
// what is written, or the new name of a rename.
type disk struct {
	around func(step, path string, data []byte, do func() error) error
}

func (d disk) do(step, path string, data []byte, do func() error) error {
	if d.around != nil {
		return d.around(step, path, data, do)
	}
	return do()
}

// create makes an empty file at path unless there is one, so that SQLite finds it
// with the right mode, and makes its name durable. SQLite gives the files beside
// it the same mode.
func (d disk) create(path string) error {
	if exists(path) {
		return nil
	}
	if err := d.open(path, os.O_EXCL, func(*os.File) error { return nil }); err != nil {
		return err
	}
	return d.syncFolder(filepath.Dir(path))
}

// open opens a file of mode 0600, missing or not, for as long as use takes.
func (d disk) open(path string, flag int, use func(*os.File) error) error {
	var file *os.File
	open := func() (err error) {
		file, err = os.OpenFile(path, os.O_RDWR|os.O_CREATE|flag, 0o600)
		return err
	}
	err := open
	if !exists(path) {
		err = func() error { return d.do("create", path, nil, open) }
	}
	if err := err(); err != nil {
		if file != nil {
			err = errors.Join(err, file.Close())
		}
		return err
	}
	return errors.Join(use(file), file.Close())
}

// writeWhole writes a file of mode 0600 by way of a temporary one, so that after a
// loss of power there is all of it or none.
func (d disk) writeWhole(temporary, path string, text []byte) error {
	if err := d.remove(temporary); err != nil { // from an attempt that broke off
		return err
	}
	if err := d.write(temporary, text); err != nil {
		return errors.Join(err, d.remove(temporary))
	}
	return d.rename(temporary, path)
}

// write writes a file that is not there, and makes its content durable.
func (d disk) write(path string, text []byte) error {
	return d.open(path, os.O_EXCL, func(file *os.File) error { return d.fill(file, path, text) })
}

// rewrite writes the content of a file, if it is there, in its own place again and
// makes it durable.
func (d disk) rewrite(path string) error {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(text) == 0 {
		return nil
	}
	if err != nil {
		return err
	}
	return d.open(path, 0, func(file *os.File) error { return d.fill(file, path, text) })
}

// fill writes from the beginning of a file and makes that durable.
func (d disk) fill(file *os.File, path string, text []byte) error {
	err := d.do("write", path, text, func() error {
		_, err := file.WriteAt(text, 0)
		return err
	})
	if err != nil {
		return err
	}
	return d.do("sync", path, nil, file.Sync)
}

// rename gives a file another name, durably; whatever had that name is gone.
func (d disk) rename(path, name string) error {
	if err := d.do("rename", path, []byte(name), func() error { return os.Rename(path, name) }); err != nil {
		return err
	}
	return d.syncFolder(filepath.Dir(name))
}

// remove removes a file if it is there.
func (d disk) remove(path string) error {
	if !exists(path) {
		return nil
	}
	err := d.do("unlink", path, nil, func() error { return os.Remove(path) })
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// syncFolder makes the names in a folder durable.
func (d disk) syncFolder(path string) error {
	return d.do("sync folder", path, nil, func() error {
		folder, err := os.Open(path)
		if err != nil {
			return err
		}
		return errors.Join(folder.Sync(), folder.Close())
	})
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}
