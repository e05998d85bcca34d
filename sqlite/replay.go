package sqlite

import (
	"database/sql"
	"fmt"

	"shimwright/session"
)

// replayed selects what Replay yields; see the package comment. Its parameters are
// the last run and the last sequence.
const replayed = `
SELECT seq, run, job, kind, body FROM entries WHERE job = '' AND run = ?
UNION ALL
SELECT seq, run, job, kind, body FROM entries WHERE job <> '' AND job IN (
	SELECT job FROM open_jobs
	UNION
	SELECT job FROM (SELECT job FROM entries WHERE kind = 'begin' ORDER BY seq DESC LIMIT 6)
	UNION
	SELECT job FROM entries WHERE seq = ?)
ORDER BY seq`

// Replay yields, in order of sequence, what a daemon folds at its start: the
// entries of the last run that belong to no job, and, of whatever run, all entries
// of open jobs, of the six jobs begun last, which can be opened again, and of the job of
// the last entry. So the
// last entry of the log is always the last one yielded. Replay is called before the
// first Append; yield must not use the log. An error of yield ends it and is
// returned wrapped.
func (l *Log) Replay(yield func(session.Entry) error) error {
	err := errClosed
	if l.lock != nil {
		err = each(l.db, yield, replayed, l.run, l.last)
	}
	if err != nil {
		return fmt.Errorf("cannot replay log %q: %w", l.path, err)
	}
	return nil
}

// each runs a query of seq, run, job, kind and body and yields the entries.
func each(db *sql.DB, yield func(session.Entry) error, query string, args ...any) error {
	rows, err := db.Query(query, args...)
	if err != nil {
		return explain(err)
	}
	defer rows.Close()
	for rows.Next() {
		e, err := scan(rows)
		if err != nil {
			return err
		}
		if err := yield(e); err != nil {
			return err
		}
	}
	return explain(rows.Err())
}

// scan reads an entry and checks that the columns beside it say the same.
func scan(rows *sql.Rows) (session.Entry, error) {
	var seq, run int64
	var job, kind string
	var body sql.RawBytes
	if err := rows.Scan(&seq, &run, &job, &kind, &body); err != nil {
		return session.Entry{}, explain(err)
	}
	e, err := session.DecodeEntry(body)
	if err != nil {
		return session.Entry{}, fmt.Errorf("entry %d cannot be read: %w", seq, err)
	}
	if e.Seq != seq || e.Run != run || e.Job != job || e.Kind() != kind {
		return session.Entry{}, fmt.Errorf("entry %d is filed under other numbers than it carries, so somebody changed the log; restore it from a copy", seq)
	}
	return e, nil
}
