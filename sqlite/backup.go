package sqlite

import (
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
)

// Backup writes a copy of the log to a new file: one moment of it, whole, with
// every entry's stored bytes. A daemon may write to the log meanwhile; it does not
// wait, and what it appends after the copy began is not in it. It returns the last
// entry in the copy, which is on disk before Backup returns.
//
// The copy is one file that only its owner can read, with nothing beside it, so
// that it opens for review from a folder that cannot be written to. A file that is
// there already is never touched: the error is then an fs.ErrExist. Errors read
// `cannot copy log "path" to "file": reason`.
func (r *Reader) Backup(file string) (last int64, err error) {
	last, err = r.backup(file)
	if err != nil {
		return 0, fmt.Errorf("cannot copy log %q to %q: %w", r.path, file, err)
	}
	return last, nil
}

func (r *Reader) backup(file string) (int64, error) {
	file, err := filepath.Abs(file)
	if err != nil {
		return 0, err
	}
	// Made here and not by SQLite, so that of two that want the name one is refused.
	made, err := os.OpenFile(file, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return 0, err
	}
	defer made.Close()
	last, err := r.copyInto(file)
	if err == nil {
		err = errors.Join(made.Sync(), disk{}.syncFolder(filepath.Dir(file)))
	}
	if err == nil {
		err = r.changed()
	}
	if err != nil {
		return 0, errors.Join(err, os.Remove(file))
	}
	return last, nil
}

// copyInto copies the log into an empty file and opens the copy to see that it is
// whole.
//
// VACUUM INTO reads within one transaction, so that a writer is not in its way nor
// it in the writer's; it carries over every value as it is, and what marks the file
// as a log. Its result needs no file beside it. (The copy of pages that SQLite also
// offers would carry the mark of write-ahead logging, and damage, over as well.)
func (r *Reader) copyInto(file string) (int64, error) {
	query := url.Values{"mode": {"ro"}}
	if r.asIs != nil {
		query.Set("immutable", "1")
	}
	// Not a connection for review: query_only would forbid to write the copy.
	db := connectTo(r.path, query, []pragma{{"trusted_schema", "OFF", "0"}, {"cell_size_check", "ON", "1"}})
	defer db.Close()
	if _, err := db.Exec(`VACUUM INTO ?`, file); err != nil {
		return 0, explain(err)
	}
	made, err := OpenForReview(file)
	if err != nil {
		return 0, err
	}
	defer made.Close()
	return made.Last()
}
