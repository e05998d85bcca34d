package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"math"
	"strconv"

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
}

// A filed is the evidence of a file, read in one transaction.
type filed struct {
	tx     *sql.Tx
	hashed bool // it has hashes and checkpoints
}

func openEvidence(r *Reader) (*filed, error) {
	tx, err := r.db.BeginTx(context.Background(), &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, explain(err)
	}
	f := &filed{tx: tx}
	row := tx.QueryRow(`SELECT count(*) = 2 FROM sqlite_schema WHERE type = 'table' AND name IN ('hashes', 'checkpoints')`)
	return f, explain(row.Scan(&f.hashed))
}

// The sequences between which all of them lie.
const leastSeq, mostSeq = math.MinInt64, math.MaxInt64

// many is how many rows are read at a time. One by one, the calls into SQLite would
// take longer than all the hashing.
const many = 256

func (f *filed) rows(first, last int64, yield func(row) error) error {
	var least, most sql.NullInt64
	err := f.tx.QueryRow(`
		SELECT (SELECT min(seq) FROM entries WHERE seq BETWEEN ?1 AND ?2), (SELECT max(seq) FROM entries WHERE seq BETWEEN ?1 AND ?2)`, first, last).Scan(&least, &most)
	if err != nil || !least.Valid {
		return explain(err)
	}
	if most.Int64-least.Int64 > 4*1<<40 { // somebody numbered a row out of all bounds
		return f.single(first, last, yield)
	}
	names := map[string]string{} // few strings stand in many rows
	for from := least.Int64; from <= most.Int64; {
		rows, err := f.together(from, most.Int64, names)
		if err != nil || rows == nil {
			return errors.Join(err, f.single(from, last, yield))
		}
		for _, r := range rows {
			if err := yield(r); err != nil {
				return err
			}
		}
		from = rows[len(rows)-1].seq + 1
	}
	return nil
}

// together reads the next rows as lists of their columns; nil if they cannot be told
// apart so, or are too long.
func (f *filed) together(first, last int64, names map[string]string) ([]row, error) {
	var bodies []byte
	var jobs, kinds, numbers sql.RawBytes
	rows, err := f.tx.Query(`SELECT CAST(group_concat(CAST(body AS TEXT), '') AS BLOB), group_concat(job, char(10)), group_concat(kind, char(10)),
			group_concat(seq || ' ' || run || ' ' || length(body), char(10))
		FROM (SELECT * FROM entries WHERE seq BETWEEN ? AND ? ORDER BY seq LIMIT ?)`, first, last, many)
	if err != nil {
		return nil, explain(err)
	}
	defer rows.Close()
	if !rows.Next() {
		return nil, tooBig(rows.Err())
	}
	if err := rows.Scan(&bodies, &jobs, &kinds, &numbers); err != nil {
		return nil, explain(err)
	}
	found := make([]row, 0, many)
	for len(numbers) > 0 {
		var r row
		var length int64
		for _, n := range []*int64{&r.seq, &r.run, &length} {
			*n, numbers = nextNumber(numbers)
		}
		if length < 0 || length > int64(len(bodies)) {
			return nil, nil
		}
		r.body, bodies = bodies[:length:length], bodies[length:]
		r.job, jobs = nextName(jobs, names)
		r.kind, kinds = nextName(kinds, names)
		found = append(found, r)
	}
	if len(bodies)+len(jobs)+len(kinds) > 0 || len(found) == 0 {
		return nil, nil
	}
	return found, nil
}

// tooBig passes on an error, unless it is that what was read together is too long.
func tooBig(err error) error {
	var fault sqlite3.Error
	if errors.As(err, &fault) && fault.Code == sqlite3.ErrTooBig {
		return nil
	}
	return explain(err)
}

// nextNumber takes a number off a list.
func nextNumber(list []byte) (n int64, rest []byte) {
	negative := len(list) > 0 && list[0] == '-'
	i := 0
	if negative {
		i++
	}
	for ; i < len(list) && '0' <= list[i] && list[i] <= '9'; i++ {
		n = n*10 + int64(list[i]-'0')
	}
	if negative {
		n = -n
	}
	return n, list[min(i+1, len(list)):]
}

// nextName takes a line off a list.
func nextName(list []byte, names map[string]string) (name string, rest []byte) {
	end := bytes.IndexByte(list, '\n')
	if end < 0 {
		return once(names, list), nil
	}
	return once(names, list[:end]), list[end+1:]
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

func (f *filed) pieces() (all []piece, err error) {
	if !f.hashed {
		return nil, nil
	}
	err = f.list(`SELECT start, nodes FROM hashes ORDER BY start`, func(rows *sql.Rows) error {
		var p piece
		err := rows.Scan(&p.start, &p.nodes)
		all = append(all, p)
		return err
	})
	return all, err
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
	at, job, kind, door string
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

func (s *scanner) text() string {
	if !s.take(`"`) {
		s.bad = true
		return ""
	}
	end := bytes.IndexByte(s.rest, '"')
	if escape := bytes.IndexByte(s.rest[:max(end, 0)], '\\'); end < 0 || escape >= 0 {
		return s.escaped()
	}
	text := string(s.rest[:end])
	s.rest = s.rest[end+1:]
	return text
}

// escaped reads a string with escapes in it, whose first quote is taken already.
func (s *scanner) escaped() (text string) {
	for i := 0; i < len(s.rest); i++ {
		switch s.rest[i] {
		case '\\':
			i++
		case '"':
			err := json.Unmarshal(append([]byte{'"'}, s.rest[:i+1]...), &text)
			s.bad = s.bad || err != nil
			s.rest = s.rest[i+1:]
			return text
		}
	}
	s.bad = true
	return ""
}
