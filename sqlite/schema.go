package sqlite

import (
	"database/sql"
	"fmt"
)

// applicationID marks a log in the header of its file: "SHIM" in ASCII.
const applicationID = 0x5348494d

// migrations lists the steps from an empty file to the schema in force. Step i
// leads to user_version i+1. A step that was released is never changed.
func migrations() []string {
	return []string{schema1}
}

const schema1 = `
CREATE TABLE entries (
	seq  INTEGER PRIMARY KEY,
	run  INTEGER NOT NULL,
	job  TEXT    NOT NULL, -- empty for what concerns the bench
	kind TEXT    NOT NULL,
	body BLOB    NOT NULL  -- the entry's canonical JSON
) STRICT;

-- Entries without a job, by run; and those of a job, in order of sequence,
-- because runs rise with it.
CREATE INDEX entries_by_job ON entries (job, run);
CREATE INDEX begins ON entries (kind) WHERE kind = 'begin';
CREATE INDEX ends ON entries (job) WHERE kind = 'end';

CREATE TRIGGER entries_in_sequence BEFORE INSERT ON entries
WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM entries)
BEGIN SELECT RAISE(ABORT, 'an entry must have the last sequence plus one'); END;

CREATE TRIGGER entries_not_updated BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END;

CREATE TRIGGER entries_not_deleted BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never deleted'); END;

CREATE TABLE open_jobs (
	job   TEXT    PRIMARY KEY,
	begun INTEGER NOT NULL REFERENCES entries (seq)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER job_begun AFTER INSERT ON entries WHEN NEW.kind = 'begin'
BEGIN INSERT INTO open_jobs VALUES (NEW.job, NEW.seq) ON CONFLICT DO NOTHING; END;

CREATE TRIGGER job_ended AFTER INSERT ON entries WHEN NEW.kind = 'end'
BEGIN DELETE FROM open_jobs WHERE job = NEW.job; END;
`

// migrate brings db to the schema in force, each step in a transaction of its own.
func migrate(db *sql.DB) error {
	var version int
	if err := db.QueryRow(`PRAGMA user_version`).Scan(&version); err != nil {
		return err
	}
	steps := migrations()
	for ; version < len(steps); version++ {
		if err := migrateTo(db, version+1, steps[version]); err != nil {
			return fmt.Errorf("cannot bring it to format %d: %w", version+1, err)
		}
	}
	return nil
}

func migrateTo(db *sql.DB, version int, step string) error {
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	mark := fmt.Sprintf(`PRAGMA application_id = %d; PRAGMA user_version = %d`, applicationID, version)
	for _, text := range []string{step, mark} {
		if _, err := tx.Exec(text); err != nil {
			return err
		}
	}
	return tx.Commit()
}
