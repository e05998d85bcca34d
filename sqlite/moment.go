package sqlite

import (
	"database/sql"
	"errors"
	"fmt"

	"shimwright/session"
)

// Last returns the sequence of the last entry; 0 for an empty log.
func (r *Reader) Last() (int64, error) {
	return r.number(`SELECT coalesce(max(seq), 0) FROM entries`)
}

// FoldFrom returns the first entry that a fold must begin with to give, after entry
// seq, the state that the daemon had: the start of the run that wrote seq, or, if a
// job was begun before that, the begin of the last such job; and before that the begin
// of every job that was still open then, or is opened again later, for it may be
// resumed. A run's start clears what was said of the bench before it, so that nothing
// earlier is needed.
func (r *Reader) FoldFrom(seq int64) (int64, error) {
	from, err := r.foldFrom(seq)
	for err == nil {
		before := from
		from, err = r.number(`
			SELECT coalesce(min(b.seq), ?) FROM entries b WHERE b.kind = 'begin' AND b.seq < ? AND (
				NOT EXISTS (SELECT 1 FROM entries x WHERE x.kind = 'end' AND x.job = b.job AND x.seq < ?)
				OR EXISTS (SELECT 1 FROM entries x WHERE x.kind = 'reopen' AND x.job = b.job AND x.seq >= ?))`,
			before, before, before, before)
		if from == before {
			break
		}
	}
	return from, err
}

func (r *Reader) foldFrom(seq int64) (int64, error) {
	return r.number(`
		WITH start (seq) AS (
			SELECT min(seq) FROM entries WHERE job = '' AND run = (SELECT run FROM entries WHERE seq = ?))
		SELECT coalesce(
			(SELECT max(seq) FROM entries WHERE kind = 'begin' AND seq < (SELECT seq FROM start)),
			(SELECT seq FROM start),
			1)`, seq)
}

// Backwards yields the entries of one kind of a job, the last one first.
func (r *Reader) Backwards(job, kind string, yield func(session.Entry) error) error {
	return r.read(yield, `SELECT seq, run, job, kind, body FROM entries WHERE job = ? AND kind = ? ORDER BY run DESC, seq DESC`, job, kind)
}

// Stored yields the bytes of the entries from first to last that belong to the job
// or to none, exactly as they are stored, in order of sequence. body holds only
// until yield returns.
func (r *Reader) Stored(job string, first, last int64, yield func(seq int64, body []byte) error) error {
	err := r.stored(job, first, last, yield)
	if changed := r.changed(); changed != nil {
		err = changed
	}
	if err != nil {
		return fmt.Errorf("cannot read log %q: %w", r.path, err)
	}
	return nil
}

func (r *Reader) stored(job string, first, last int64, yield func(int64, []byte) error) error {
	rows, err := r.db.Query(`SELECT seq, body FROM entries WHERE seq BETWEEN ? AND ? AND job IN ('', ?) ORDER BY seq`, first, last, job)
	if err != nil {
		return explain(err)
	}
	defer rows.Close()
	for rows.Next() {
		var seq int64
		var body sql.RawBytes
		if err := rows.Scan(&seq, &body); err != nil {
			return explain(err)
		}
		if err := yield(seq, body); err != nil {
			return err
		}
	}
	return explain(rows.Err())
}

// number reads one number.
func (r *Reader) number(query string, args ...any) (int64, error) {
	var n int64
	err := r.db.QueryRow(query, args...).Scan(&n)
	if changed := r.changed(); changed != nil {
		err = changed
	}
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return 0, fmt.Errorf("cannot read log %q: %w", r.path, explain(err))
	}
	return n, nil
}
