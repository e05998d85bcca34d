package sqlite

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net/url"

	"github.com/mattn/go-sqlite3"
)

// A connector opens connections that are all set up alike. Handing it to
// sql.OpenDB needs no driver registered by name.
type connector struct {
	driver *sqlite3.SQLiteDriver
	dsn    string
}

func (c connector) Connect(context.Context) (driver.Conn, error) { return c.driver.Open(c.dsn) }
func (c connector) Driver() driver.Driver                        { return c.driver }

// connectTo makes a database whose every connection is opened with the URI
// parameters of query, recognised as a log, and given the pragmas.
func connectTo(path string, query url.Values, pragmas []pragma) *sql.DB {
	uri := url.URL{Scheme: "file", Path: path, RawQuery: query.Encode()}
	hook := func(conn *sqlite3.SQLiteConn) error {
		if err := recognise(conn); err != nil {
			return err
		}
		return setPragmas(conn, pragmas)
	}
	return sql.OpenDB(connector{&sqlite3.SQLiteDriver{ConnectHook: hook}, uri.String()})
}

// A pragma is a setting of a connection, and how it reads back once it is in force.
type pragma struct{ name, set, reads string }

// journalLimit is the size in bytes that the write-ahead log is cut back to.
const journalLimit = "4194304"

// writerPragmas are what the promises of Append rest on.
func writerPragmas() []pragma {
	return []pragma{
		{"journal_mode", "WAL", "wal"},
		{"synchronous", "FULL", "2"},
		{"foreign_keys", "ON", "1"},
		{"recursive_triggers", "ON", "1"}, // else INSERT OR REPLACE deletes unseen
		{"trusted_schema", "OFF", "0"},
		{"cell_size_check", "ON", "1"},
		{"journal_size_limit", journalLimit, journalLimit},
	}
}

// readerPragmas are those of a connection that reviews.
func readerPragmas() []pragma {
	return []pragma{
		{"query_only", "ON", "1"},
		{"trusted_schema", "OFF", "0"},
		{"cell_size_check", "ON", "1"},
	}
}

func setPragmas(conn *sqlite3.SQLiteConn, pragmas []pragma) error {
	for _, p := range pragmas {
		if _, err := queryOne(conn, "PRAGMA "+p.name+" = "+p.set); err != nil {
			return fmt.Errorf("cannot set %s: %w", p.name, err)
		}
		got, err := queryOne(conn, "PRAGMA "+p.name)
		if err != nil {
			return fmt.Errorf("cannot read %s back: %w", p.name, err)
		}
		if got != p.reads {
			return fmt.Errorf("the setting %s reads back as %q, not %q; the log would not be safe on this file system or with this build of SQLite", p.name, got, p.reads)
		}
	}
	return nil
}

// recognise refuses a file that is not a log, or not one this version can read.
// It changes nothing, so that it may run before anything is set.
func recognise(conn *sqlite3.SQLiteConn) error {
	var id, version, tables int64
	for _, q := range []struct {
		text string
		into *int64
	}{
		{"PRAGMA application_id", &id},
		{"PRAGMA user_version", &version},
		{"SELECT count(*) FROM sqlite_schema", &tables},
	} {
		text, err := queryOne(conn, q.text)
		if err != nil {
			return err
		}
		if _, err := fmt.Sscan(text, q.into); err != nil {
			return err
		}
	}
	known := int64(len(migrations()))
	switch {
	case id == 0 && version == 0 && tables == 0:
		return nil // a new file
	case id != applicationID:
		return fmt.Errorf("the file is a database of another program (application id %d); give the log another path", id)
	case version > known:
		return fmt.Errorf("the log was written by a newer version (format %d, this version knows up to %d); update this program", version, known)
	case version < 1:
		return errors.New("the log has no format number, so somebody changed it; restore it from a copy")
	}
	return nil
}

// queryOne runs a query to its end and returns the first column of its first row as
// text, or "" if it has no row. A pragma that writes gives its row first and commits
// after it: who does not ask for the end never hears that it failed.
func queryOne(conn *sqlite3.SQLiteConn, query string) (string, error) {
	rows, err := conn.Query(query, nil)
	if err != nil {
		return "", err
	}
	defer rows.Close()
	row := make([]driver.Value, len(rows.Columns()))
	first := ""
	for n := 0; ; n++ {
		switch err := rows.Next(row); {
		case errors.Is(err, io.EOF):
			return first, nil
		case err != nil:
			return "", err
		}
		if n > 0 {
			continue
		}
		first = fmt.Sprint(row[0])
		if text, ok := row[0].([]byte); ok {
			first = string(text)
		}
	}
}

// explain adds to an error of SQLite what a person can do about it.
func explain(err error) error {
	var fault sqlite3.Error
	if !errors.As(err, &fault) {
		return err
	}
	switch fault.Code {
	case sqlite3.ErrNotADB:
		return fmt.Errorf("the file is not a log (%w); give the log another path", err)
	case sqlite3.ErrCorrupt:
		return fmt.Errorf("the file is damaged (%w); keep it for review and restore a copy or give the log another path", err)
	case sqlite3.ErrFull:
		return fmt.Errorf("%w; make room on its disk, recording then goes on by itself", err)
	case sqlite3.ErrIoErr:
		return fmt.Errorf("%w; check its disk, recording goes on by itself once it can be written to", err)
	}
	return err
}

// unexplained is what SQLite said of an error, without what explain added.
func unexplained(err error) error {
	var fault sqlite3.Error
	if errors.As(err, &fault) {
		return fault
	}
	return err
}
