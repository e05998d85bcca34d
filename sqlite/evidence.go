package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"database/sql/driver"
	"encoding/json"
	"errors"
	"math"
	"strconv"
	"strings"

	"github.com/mattn/go-sqlite3"
)

// A row is an entry as it lies in the table: columns and stored bytes.
type row struct {
	seq, run  int64
	job, kind string
	body      []byte
}

// An evidence is everything that is looked at to verify a log, at one moment.
type evidence interface {
	// rows yields the rows whose seq is from first to last, in order of it.
	rows(first, last int64, yield func(row) error) error
	count() (int64, error)
	hasHashes() bool // there are tables for what follows
	pieces() ([]piece, error)
	checkpoints() ([]signed, error)
	openJobs() ([]string, error)
	structure() ([]string, error) // what is wrong with the file itself
}

// A filed is the evidence of a file, read in one transaction.
type filed struct {
	conn   *sql.Conn
	tx     *sql.Tx
	hashed bool // it has hashes and checkpoints
}

func openEvidence(r *Reader) (*filed, error) {
	conn, err := r.db.Conn(context.Background())
	if err != nil {
		return nil, explain(err)
	}
	f := &filed{conn: conn}
	if f.tx, err = conn.BeginTx(context.Background(), &sql.TxOptions{ReadOnly: true}); err == nil {
		row := f.tx.QueryRow(`SELECT count(*) = 2 FROM sqlite_schema WHERE type = 'table' AND name IN ('hashes', 'checkpoints')`)
		err = row.Scan(&f.hashed)
	}
	if err != nil {
		f.close()
		return nil, explain(err)
	}
	return f, nil
}

// close ends the transaction. Nothing was written, so that nothing can fail.
func (f *filed) close() {
	if f.tx != nil {
		f.tx.Rollback() //nolint:errcheck // see above
	}
	f.conn.Close() //nolint:errcheck // see above
}

// The sequences between which all of them lie.
const leastSeq, mostSeq = math.MinInt64, math.MaxInt64

// many is how many sequences are read at a time. Row by row, the calls into SQLite would
// take longer than all the hashing.
const many = 64

func (f *filed) rows(first, last int64, yield func(row) error) error {
	names := map[string]string{} // few strings stand in many rows
	all, err := f.lump(`SELECT CAST(group_concat(concat_ws(char(10), seq, run, length(body), job, kind, ''), '') AS BLOB),
		CAST(group_concat(body, '') AS BLOB) FROM entries WHERE seq BETWEEN ? AND ?`)
	if err != nil {
		return err
	}
	defer all.close()
	for {
		next, ok, err := f.next(`SELECT min(seq) FROM entries WHERE seq BETWEEN ? AND ?`, first, last)
		if err != nil || !ok {
			return err
		}
		for full := true; full && next <= last; { // until there is a gap
			until := last
			if next <= last-many {
				until = next + many - 1
			}
			rows, err := f.together(all, next, until, names)
			if err != nil {
				return err
			}
			for _, r := range rows {
				if err := yield(r); err != nil {
					return err
				}
			}
			if until == last {
				return nil
			}
			full, next = len(rows) > 0, until+1
		}
		first = next
	}
}

// next reads one number; false if there is none.
func (f *filed) next(query string, args ...any) (int64, bool, error) {
	var n sql.NullInt64
	err := f.tx.QueryRow(query, args...).Scan(&n)
	return n.Int64, n.Valid, explain(err)
}

// together reads the rows of a range as two texts: their columns, and their bodies. Rows
// that cannot be told apart in them, or are too long, are read one by one.
func (f *filed) together(all lump, first, last int64, names map[string]string) ([]row, error) {
	texts, err := all.read(first, last)
	if err != nil {
		return nil, err
	}
	found, whole := make([]row, 0, many), texts != nil
	if whole {
		columns, bodies := list{rest: texts[0]}, list{rest: texts[1]}
		for len(columns.rest) > 0 && whole {
			r := row{seq: columns.number(), run: columns.number()}
			r.body = bodies.bytes(columns.number())
			r.job, r.kind = once(names, columns.line()), once(names, columns.line())
			found, whole = append(found, r), !columns.bad && !bodies.bad
		}
		whole = whole && len(bodies.rest) == 0
	}
	if whole {
		return found, nil
	}
	found = found[:0]
	err = f.single(first, last, func(r row) error { found = append(found, r); return nil })
	return found, err
}

// A lump is a query of texts over a range, prepared. It goes past database/sql, which
// would copy every text once more.
type lump struct{ stmt driver.Stmt }

func (f *filed) lump(query string) (l lump, err error) {
	err = f.conn.Raw(func(conn any) error {
		l.stmt, err = conn.(driver.Conn).Prepare(query)
		return err
	})
	return l, explain(err)
}

func (l lump) close() { l.stmt.Close() } // it only read

// read reads the texts of a range, empty if there is none; nil if one is too long.
func (l lump) read(first, last int64) ([][]byte, error) {
	//lint:ignore SA1019 a read on one connection needs no context
	rows, err := l.stmt.Query([]driver.Value{first, last})
	if err != nil {
		return nil, explain(err)
	}
	defer rows.Close()
	row := make([]driver.Value, len(rows.Columns()))
	err = rows.Next(row)
	var fault sqlite3.Error
	if errors.As(err, &fault) && fault.Code == sqlite3.ErrTooBig {
		return nil, nil
	}
	texts := make([][]byte, len(row))
	for i := range row {
		texts[i], _ = row[i].([]byte)
	}
	return texts, explain(err)
}

// A list is lines and bytes of a known length, one after another.
type list struct {
	rest []byte
	bad  bool
}

func (l *list) line() []byte {
	end := bytes.IndexByte(l.rest, '\n')
	if end < 0 {
		l.bad = true
		return nil
	}
	line := l.rest[:end]
	l.rest = l.rest[end+1:]
	return line
}

func (l *list) number() int64 {
	n, err := strconv.ParseInt(string(l.line()), 10, 64)
	l.bad = l.bad || err != nil
	return n
}

func (l *list) bytes(n int64) []byte {
	if n < 0 || n > int64(len(l.rest)) {
		l.bad = true
		return nil
	}
	text := l.rest[:n:n]
	l.rest = l.rest[n:]
	return text
}

// single reads rows one by one.
func (f *filed) single(first, last int64, yield func(row) error) error {
	rows, err := f.tx.Query(`SELECT seq, run, job, kind, body FROM entries WHERE seq BETWEEN ? AND ? ORDER BY seq`, first, last)
	if err != nil {
		return explain(err)
	}
	defer rows.Close()
	var job, kind, body sql.RawBytes
	for rows.Next() {
		var r row
		if err := rows.Scan(&r.seq, &r.run, &job, &kind, &body); err != nil {
			return explain(err)
		}
		r.job, r.kind, r.body = string(job), string(kind), bytes.Clone(body)
		if err := yield(r); err != nil {
			return err
		}
	}
	return explain(rows.Err())
}

func once(names map[string]string, text []byte) string {
	if s, ok := names[string(text)]; ok {
		return s
	}
	s := string(text)
	names[s] = s
	return s
}

func (f *filed) count() (n int64, err error) {
	err = f.tx.QueryRow(`SELECT coalesce(max(seq), 0) FROM entries`).Scan(&n)
	return n, explain(err)
}

func (f *filed) hasHashes() bool { return f.hashed }

// manyHashes is how many hashes are read at a time.
const manyHashes = 4096

func (f *filed) pieces() (all []piece, err error) {
	if !f.hashed {
		return nil, nil
	}
	some, err := f.lump(`SELECT CAST(group_concat(concat_ws(char(10), start, length(nodes), nodes), '') AS BLOB)
		FROM hashes WHERE start BETWEEN ? AND ?`)
	if err != nil {
		return nil, err
	}
	defer some.close()
	for first, next := int64(leastSeq), int64(0); ; first = next { // what does not follow without a gap is of no use
		texts, err := some.read(first, next+manyHashes-1)
		if err != nil || texts == nil || len(texts[0]) == 0 {
			return all, err
		}
		for l := (list{rest: texts[0]}); len(l.rest) > 0; {
			p := piece{start: l.number()}
			if p.nodes = l.bytes(l.number()); l.bad {
				return all, nil
			}
			all = append(all, p)
			next = p.start + max(p.hashes(), 1)
		}
	}
}

func (f *filed) checkpoints() (all []signed, err error) {
	if !f.hashed {
		return nil, nil
	}
	err = f.list(`SELECT size, text, signer FROM checkpoints ORDER BY size`, func(rows *sql.Rows) error {
		var s signed
		err := rows.Scan(&s.size, &s.text, &s.public)
		all = append(all, s)
		return err
	})
	return all, err
}

func (f *filed) openJobs() (all []string, err error) {
	err = f.list(`SELECT job FROM open_jobs ORDER BY job`, func(rows *sql.Rows) error {
		var job string
		err := rows.Scan(&job)
		all = append(all, job)
		return err
	})
	return all, err
}

// structure asks for a few faults only; the first tells enough.
func (f *filed) structure() (faults []string, err error) {
	err = f.list(`PRAGMA integrity_check(3)`, func(rows *sql.Rows) error {
		var fault string
		err := rows.Scan(&fault)
		if fault != "ok" {
			faults = append(faults, strings.ReplaceAll(fault, "\n", ", "))
		}
		return err
	})
	return faults, err
}

func (f *filed) list(query string, scan func(*sql.Rows) error) error {
	rows, err := f.tx.Query(query)
	if err != nil {
		return explain(err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return explain(err)
		}
	}
	return explain(rows.Err())
}

// A header is what an entry's canonical JSON says before its body.
type header struct {
	seq, run, mono      int64
	at, job, kind, door []byte
}

// readHeader reads the keys that stand before the body of an entry, in the order in
// which session writes them; false if the bytes are otherwise.
func readHeader(body []byte) (h header, ok bool) {
	s := scanner{rest: body}
	s.want(`{"seq":`)
	h.seq = s.number()
	s.want(`,"run":`)
	h.run = s.number()
	s.want(`,"at":`)
	h.at = s.text()
	s.want(`,"mono_ns":`)
	h.mono = s.number()
	if s.take(`,"job":`) {
		h.job = s.text()
	}
	if s.take(`,"operator":`) {
		s.text()
	}
	s.take(`,"operator_proved":true`)
	s.want(`,"door":`)
	h.door = s.text()
	s.want(`,"kind":`)
	h.kind = s.text()
	s.want(`,"body":`)
	return h, !s.bad
}

// A scanner reads canonical JSON from the left; after a mistake it is bad.
type scanner struct {
	rest []byte
	bad  bool
}

func (s *scanner) take(prefix string) bool {
	if len(s.rest) < len(prefix) || string(s.rest[:len(prefix)]) != prefix {
		return false
	}
	s.rest = s.rest[len(prefix):]
	return true
}

func (s *scanner) want(prefix string) { s.bad = !s.take(prefix) || s.bad }

// digits passes over a number.
func (s *scanner) digits() {
	i := 0
	for i < len(s.rest) && '0' <= s.rest[i] && s.rest[i] <= '9' {
		i++
	}
	s.bad = s.bad || i == 0
	s.rest = s.rest[i:]
}

func (s *scanner) number() int64 {
	i := 0
	for i < len(s.rest) && (s.rest[i] == '-' || '0' <= s.rest[i] && s.rest[i] <= '9') {
		i++
	}
	n, err := strconv.ParseInt(string(s.rest[:i]), 10, 64)
	s.bad = s.bad || err != nil
	s.rest = s.rest[i:]
	return n
}

func (s *scanner) text() []byte {
	if !s.take(`"`) {
		s.bad = true
		return nil
	}
	end := bytes.IndexByte(s.rest, '"')
	if escape := bytes.IndexByte(s.rest[:max(end, 0)], '\\'); end < 0 || escape >= 0 {
		return s.escaped()
	}
	text := s.rest[:end]
	s.rest = s.rest[end+1:]
	return text
}

// escaped reads a string with escapes in it, whose first quote is taken already.
func (s *scanner) escaped() []byte {
	var text string
	for i := 0; i < len(s.rest); i++ {
		switch s.rest[i] {
		case '\\':
			i++
		case '"':
			err := json.Unmarshal(append([]byte{'"'}, s.rest[:i+1]...), &text)
			s.bad = s.bad || err != nil
			s.rest = s.rest[i+1:]
			return []byte(text)
		}
	}
	s.bad = true
	return nil
}
