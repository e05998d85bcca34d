package sqlite

import (
	"database/sql"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// applicationID marks a log in the header of its file: "SHIM" in ASCII.
const applicationID = 0x5348494d

// A migration is one step from an empty file to the schema in force.
type migration struct {
	schema string
	fill   func(tx *sql.Tx, k *key) error // puts in what follows from the entries; may be nil
}

// migrations lists the steps. Step i leads to user_version i+1. A step that was
// released is never changed.
func migrations() []migration {
	return []migration{{schema1, nil}, {schema2, hashAll}, {schema3, nil}}
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

const schema2 = `
-- The hashes of the Merkle tree over the bodies, in the order of
-- golang.org/x/mod/sumdb/tlog, without gaps. A row has those of one transaction.
CREATE TABLE hashes (
	start INTEGER PRIMARY KEY, -- index of the first
	nodes BLOB    NOT NULL     -- 32 bytes each
) STRICT;

CREATE TRIGGER hashes_in_sequence BEFORE INSERT ON hashes
WHEN NEW.start IS NOT coalesce((SELECT start + length(nodes) / 32 FROM hashes ORDER BY start DESC LIMIT 1), 0)
BEGIN SELECT RAISE(ABORT, 'hashes must follow those before'); END;

CREATE TRIGGER hashes_not_updated BEFORE UPDATE ON hashes
BEGIN SELECT RAISE(ABORT, 'hashes are never changed'); END;

CREATE TRIGGER hashes_not_deleted BEFORE DELETE ON hashes
BEGIN SELECT RAISE(ABORT, 'hashes are never deleted'); END;

CREATE TABLE checkpoints (
	size   INTEGER PRIMARY KEY, -- how many entries it covers
	text   TEXT NOT NULL,       -- the signed note
	signer TEXT NOT NULL        -- the verifier key of the one who signed
) STRICT;

CREATE TRIGGER checkpoints_in_sequence BEFORE INSERT ON checkpoints
WHEN NEW.size <= (SELECT max(size) FROM checkpoints)
BEGIN SELECT RAISE(ABORT, 'a checkpoint must cover more than the one before'); END;

CREATE TRIGGER checkpoints_not_updated BEFORE UPDATE ON checkpoints
BEGIN SELECT RAISE(ABORT, 'checkpoints are never changed'); END;

CREATE TRIGGER checkpoints_not_deleted BEFORE DELETE ON checkpoints
BEGIN SELECT RAISE(ABORT, 'checkpoints are never deleted'); END;
`

const schema3 = `
-- A job that is opened again is open, from its begin on.
CREATE INDEX reopens ON entries (job) WHERE kind = 'reopen';

CREATE TRIGGER job_reopened AFTER INSERT ON entries WHEN NEW.kind = 'reopen'
BEGIN INSERT INTO open_jobs SELECT job, seq FROM entries WHERE kind = 'begin' AND job = NEW.job ON CONFLICT DO NOTHING; END;
`

// migrate brings db to the schema in force, each step in a transaction of its own.
func migrate(db *sql.DB, k *key) error {
	var version int
	if err := db.QueryRow(`PRAGMA user_version`).Scan(&version); err != nil {
		return err
	}
	steps := migrations()
	for ; version < len(steps); version++ {
		if err := migrateTo(db, version+1, steps[version], k); err != nil {
			return fmt.Errorf("cannot bring it to format %d: %w", version+1, err)
		}
	}
	return nil
}

func migrateTo(db *sql.DB, version int, step migration, k *key) error {
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	mark := fmt.Sprintf(`PRAGMA application_id = %d; PRAGMA user_version = %d`, applicationID, version)
	for _, text := range []string{step.schema, mark} {
		if _, err := tx.Exec(text); err != nil {
			return err
		}
	}
	if step.fill != nil {
		if err := step.fill(tx, k); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// hashAll hashes the entries of a log that was written before there were hashes,
// and signs the tree if a step was closed or a job ended.
func hashAll(tx *sql.Tx, k *key) error {
	var t tree
	for {
		start := tlog.StoredHashCount(t.size)
		nodes, err := hashSome(tx, &t)
		if err != nil {
			return err
		}
		if len(nodes) == 0 {
			break
		}
		if err := storePiece(tx, pieceOf(start, nodes)); err != nil {
			return err
		}
	}
	var closed bool
	if err := tx.QueryRow(`SELECT EXISTS (SELECT 1 FROM entries WHERE kind IN ('step closed', 'end'))`).Scan(&closed); err != nil || !closed {
		return err
	}
	text, err := k.sign(&t)
	if err != nil {
		return err
	}
	return storeCheckpoint(tx, signed{t.size, text, k.public})
}

// hashSome adds the next entries to t, so many that a piece stays short.
func hashSome(tx *sql.Tx, t *tree) (nodes []tlog.Hash, err error) {
	rows, err := tx.Query(`SELECT body FROM entries WHERE seq > ? ORDER BY seq LIMIT 256`, t.size)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var body sql.RawBytes
		if err := rows.Scan(&body); err != nil {
			return nil, err
		}
		nodes = t.add(tlog.RecordHash(body), nodes)
	}
	return nodes, rows.Err()
}

func storePiece(tx *sql.Tx, p piece) error {
	_, err := tx.Exec(`INSERT INTO hashes (start, nodes) VALUES (?, ?)`, p.start, p.nodes)
	return err
}

func storeCheckpoint(tx *sql.Tx, s signed) error {
	_, err := tx.Exec(`INSERT INTO checkpoints (size, text, signer) VALUES (?, ?, ?)`, s.size, s.text, s.public)
	return err
}
