package sqlite

import (
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"shimwright/session"
)

// A Reader reads a log for review, and never writes to it. Its methods may be
// called from any goroutine. It holds no connection between calls, so that it is
// in nobody's way.
type Reader struct {
	path string
	db   *sql.DB
	asIs os.FileInfo // of a log that no daemon has open; nil if one may
}

// A Job is one job in the log.
type Job struct {
	Number    string
	Seq, Run  int64     // of its begin
	Began     time.Time // wall clock, UTC
	Operator  string    // who began it
	Reference string    // the shop's own words for the engine
	Ended     time.Time // wall clock, UTC; zero while it is open
	Note      string    // given at its end
}

// OpenForReview opens the log at path for reading: with the daemon on; with it off,
// also from a folder that cannot be written to; or as it was left by a daemon that
// was killed, if the files beside it are there too. Errors read
// `cannot open log "path": reason; remedy`.
func OpenForReview(path string) (*Reader, error) {
	r, err := openForReview(path)
	if err != nil {
		return nil, fmt.Errorf("cannot open log %q: %w", path, err)
	}
	return r, nil
}

func openForReview(path string) (*Reader, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, errors.New("it is not a file; name the log itself")
	}
	r := &Reader{path: path}
	query := url.Values{"mode": {"ro"}}
	if !exists(path + "-wal") {
		// No daemon has it open: the file is complete, and SQLite need not put
		// files beside it to share it.
		r.asIs = info
		query.Set("immutable", "1")
	}
	r.db = connectTo(path, query, readerPragmas())
	r.db.SetMaxIdleConns(-1)
	if err := r.check(); err != nil {
		return nil, errors.Join(err, r.db.Close())
	}
	return r, nil
}

// check makes a first connection and looks for the table.
func (r *Reader) check() error {
	var tables int
	err := r.db.QueryRow(`SELECT count(*) FROM sqlite_schema WHERE name = 'entries'`).Scan(&tables)
	switch {
	case err != nil && r.asIs == nil && !exists(r.path+"-shm"):
		// What SQLite says here is only that it could not share the file.
		return fmt.Errorf("its daemon did not close it and its folder cannot be written to; copy it together with %q to another folder and open it there", filepath.Base(r.path)+"-wal")
	case err != nil:
		return explain(err)
	case tables == 0:
		return errors.New("the file is an empty database, not a log; name another file")
	}
	return nil
}

// Close gives up the reader.
func (r *Reader) Close() error { return r.db.Close() }

// Entries yields every entry from sequence from on, in order. An error of yield
// ends it and is returned wrapped.
func (r *Reader) Entries(from int64, yield func(session.Entry) error) error {
	return r.read(yield, `SELECT seq, run, job, kind, body FROM entries WHERE seq >= ? ORDER BY seq`, from)
}

// Job yields the entries of a job, in order; none if the log has no such job.
func (r *Reader) Job(job string, yield func(session.Entry) error) error {
	return r.read(yield, `SELECT seq, run, job, kind, body FROM entries WHERE job = ? ORDER BY run, seq`, job)
}

// Jobs lists the jobs in the order in which they were begun.
func (r *Reader) Jobs() ([]Job, error) {
	var jobs []Job
	places := map[string]int{}
	add := func(e session.Entry) error {
		switch body := e.Body.(type) {
		case session.Began:
			places[e.Job] = len(jobs)
			jobs = append(jobs, Job{Number: e.Job, Seq: e.Seq, Run: e.Run, Began: e.At, Operator: e.Operator, Reference: body.Reference})
		case session.Reopened:
			if i, ok := places[e.Job]; ok {
				jobs[i].Ended, jobs[i].Note = time.Time{}, ""
			}
		case session.Ended:
			if i, ok := places[e.Job]; ok {
				jobs[i].Ended, jobs[i].Note = e.At, body.Note
			}
		}
		return nil
	}
	err := r.read(add, `
		SELECT seq, run, job, kind, body FROM entries WHERE kind = 'begin'
		UNION ALL
		SELECT seq, run, job, kind, body FROM entries WHERE kind = 'end'
		UNION ALL
		SELECT seq, run, job, kind, body FROM entries WHERE kind = 'reopen'
		ORDER BY seq`)
	return jobs, err
}

func (r *Reader) read(yield func(session.Entry) error, query string, args ...any) error {
	err := each(r.db, yield, query, args...)
	if changed := r.changed(); changed != nil {
		err = changed
	}
	if err != nil {
		return fmt.Errorf("cannot read log %q: %w", r.path, err)
	}
	return nil
}

// changed says if a daemon opened the log while it was read as it is.
func (r *Reader) changed() error {
	if r.asIs == nil {
		return nil
	}
	now, err := os.Stat(r.path)
	if err != nil {
		return err
	}
	if exists(r.path+"-wal") || now.Size() != r.asIs.Size() || !now.ModTime().Equal(r.asIs.ModTime()) {
		return errors.New("a daemon started on it meanwhile; open it again")
	}
	return nil
}
