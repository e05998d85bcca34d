package sqlite

import (
	"bytes"
	"database/sql"
	"fmt"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// resume takes up the tree where the log left it. It starts from the checkpoint
// that was signed last and works out what came after it from the stored bytes, so
// that nothing is ever signed that does not go on from what was signed before.
func (l *Log) resume() error {
	latest, ok, err := latestSigned(l.db)
	if err != nil {
		return err
	}
	if ok {
		if err := l.trust(latest); err != nil {
			return err
		}
		l.latest.Store(&latest.text)
	}
	if err := l.rehash(); err != nil {
		return err
	}
	count, err := hashCount(l.db)
	if err == nil && (l.tree.size != l.last || count != tlog.StoredHashCount(l.last)) {
		err = l.changed("its hashes do not end where its entries end")
	}
	return err
}

// trust takes over the tree of a checkpoint: its signer signed it, maybe with an
// earlier key of this log, and the log still has that tree.
func (l *Log) trust(latest signed) error {
	signer, err := note.NewVerifier(latest.public)
	if err != nil {
		return l.changed(fmt.Sprintf("the key of its checkpoint of %d entries is damaged", latest.size))
	}
	c, err := openCheckpoint(latest.text, note.VerifierList(signer))
	switch {
	case err != nil:
		return l.changed(fmt.Sprintf("its checkpoint of %d entries is damaged (%v)", latest.size, err))
	case c.size != latest.size || c.size > l.last:
		return l.changed(fmt.Sprintf("its checkpoint covers %d entries, and it has %d", c.size, l.last))
	}
	if l.tree, err = treeAt(c.size, storedHashes(l.db)); err != nil {
		return l.changed(err.Error())
	}
	if l.tree.root() != c.root {
		return l.changed(fmt.Sprintf("it is no longer what was signed as its entries 1 to %d", c.size))
	}
	return nil
}

// rehash adds the entries after the tree to it, and compares each with its stored
// hashes.
func (l *Log) rehash() error {
	stored, err := l.nodesFrom(tlog.StoredHashCount(l.tree.size))
	if err != nil {
		return err
	}
	rows, err := l.db.Query(`SELECT seq, body FROM entries WHERE seq > ? ORDER BY seq`, l.tree.size)
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
		for _, h := range l.tree.add(tlog.RecordHash(body), nil) {
			if !bytes.HasPrefix(stored, h[:]) || seq != l.tree.size {
				return l.changed(fmt.Sprintf("entry %d is not what was hashed when it was written", seq))
			}
			stored = stored[tlog.HashSize:]
		}
	}
	return explain(rows.Err())
}

// nodesFrom reads the stored hashes from index start on.
func (l *Log) nodesFrom(start int64) ([]byte, error) {
	rows, err := l.db.Query(`SELECT start, nodes FROM hashes
		WHERE start >= coalesce((SELECT max(start) FROM hashes WHERE start <= ?), 0) ORDER BY start`, start)
	if err != nil {
		return nil, explain(err)
	}
	defer rows.Close()
	var all []byte
	for rows.Next() {
		var p piece
		if err := rows.Scan(&p.start, &p.nodes); err != nil {
			return nil, explain(err)
		}
		if skip := start - p.start; skip > 0 {
			p.nodes = p.nodes[min(skip*tlog.HashSize, int64(len(p.nodes))):]
		}
		all = append(all, p.nodes...)
	}
	return all, explain(rows.Err())
}

func (l *Log) changed(how string) error {
	return fmt.Errorf("somebody changed it: %s; see what changed with: logctl verify %s, and give the daemon another log", how, l.path)
}

// Checkpoint returns the text of the checkpoint that was signed last, and is on
// disk; empty if there is none yet. It may be called from any goroutine.
func (l *Log) Checkpoint() string {
	if text := l.latest.Load(); text != nil {
		return *text
	}
	return ""
}

// PublicKey returns the key that checks the checkpoints of this log, as
// golang.org/x/mod/sumdb/note writes a verifier key. It may be called from any
// goroutine, also after Close.
func (l *Log) PublicKey() string { return l.key.public }
