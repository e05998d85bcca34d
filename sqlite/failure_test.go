package sqlite

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"testing"

	"github.com/mattn/go-sqlite3"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// plainDriver is the driver as it comes, without our hook.
var plainDriver sqlite3.SQLiteDriver

var errDisk = errors.New("the disk is on fire")

// failing fails a commit, after it was done or instead of it.
func failing(kept bool) func(*sql.Tx) error {
	return func(tx *sql.Tx) error {
		if kept {
			if err := tx.Commit(); err != nil {
				return err
			}
		}
		return errDisk
	}
}

// Every failed write is tested both ways, as the caller meets it: what it appends
// next, and what a restart finds.
func TestFailedAppend(t *testing.T) {
	for _, kept := range []bool{false, true} {
		t.Run(fmt.Sprintf("kept %v, then append", kept), func(t *testing.T) {
			l := mustOpen(t, logPath(t))
			s := &scribe{}
			require.NoError(t, l.Append(s.start()))
			failed := s.job("N-1", 2)
			failAppend(t, l, failed, kept)
			seq, _ := l.Last()
			assert.EqualValues(t, 2, seq, "none of them counts")

			s.seq = 2
			next := s.job("N-2", 1)
			err := l.Append(next)
			if kept {
				var k *KeptError
				require.ErrorAs(t, err, &k)
				assert.Equal(t, texts(t, failed), texts(t, k.Entries))
				assert.Equal(t, k.Entries, k.Kept())
				assert.Equal(t, "entries 3 to 5 were kept although their append had failed; take them over and append again", err.Error())
				assert.Equal(t, 5, count(t, l), "the new batch was not written")
				seq, run := l.Last()
				assert.EqualValues(t, 5, seq)
				assert.EqualValues(t, 1, run)
				next = s.renumber(l, next)
				err = l.Append(next)
			}
			require.NoError(t, err)
			assert.Equal(t, texts(t, next), stored(t, l)[next[0].Seq-1:])
		})
		t.Run(fmt.Sprintf("kept %v, then restart", kept), func(t *testing.T) {
			path := logPath(t)
			l := mustOpen(t, path)
			s := &scribe{}
			require.NoError(t, l.Append(s.start()))
			failAppend(t, l, s.job("N-1", 2), kept)
			require.NoError(t, l.Close())
			l = mustOpen(t, path)
			assert.Equal(t, map[bool]int{false: 2, true: 5}[kept], len(replay(t, l)))
			assert.NoError(t, l.Append(startAgain(l).start()))
		})
	}
}

func failAppend(t *testing.T, l *Log, entries []session.Entry, kept bool) {
	t.Helper()
	l.commit = failing(kept)
	err := l.Append(entries)
	assert.ErrorIs(t, err, errDisk)
	assert.EqualError(t, err, fmt.Sprintf("cannot append to log %q: the disk is on fire", l.path))
	l.commit = (*sql.Tx).Commit
}

func (s *scribe) renumber(l *Log, entries []session.Entry) []session.Entry {
	seq, _ := l.Last()
	for i := range entries {
		seq++
		entries[i].Seq = seq
	}
	s.seq = seq
	return entries
}

// The caller may use its slice again after a failure.
func TestKeptEntriesAreACopy(t *testing.T) {
	l := mustOpen(t, logPath(t))
	s := &scribe{}
	batch := s.start()
	failAppend(t, l, batch, true)
	batch[0] = session.Entry{}
	var kept *KeptError
	require.ErrorAs(t, l.Append(nil), &kept)
	assert.IsType(t, session.Started{}, kept.Entries[0].Body)
}

// Failures in a row: each is settled before the next write, none is forgotten.
func TestFailuresInARow(t *testing.T) {
	for pattern := range 1 << 4 {
		l := mustOpen(t, logPath(t))
		s := &scribe{run: 1}
		onDisk := int64(0)
		for i := range 4 {
			kept := pattern>>i&1 == 1
			l.commit = failing(kept)
			s.seq = onDisk
			err := l.Append(s.readings("", 2))
			var k *KeptError
			if errors.As(err, &k) {
				s.seq, _ = l.Last()
				require.Equal(t, onDisk, s.seq)
				err = l.Append(s.readings("", 2))
			}
			require.ErrorIs(t, err, errDisk)
			if kept {
				onDisk += 2
			}
		}
		require.NoError(t, l.Close())
		l = mustOpen(t, l.path)
		seq, _ := l.Last()
		assert.Equal(t, onDisk, seq, "pattern %04b", pattern)
		assert.EqualValues(t, onDisk, count(t, l))
	}
}

// While the file cannot be opened afresh, nothing is decided.
func TestDoubtStaysUntilTheFileOpens(t *testing.T) {
	for _, kept := range []bool{false, true} {
		l := mustOpen(t, logPath(t))
		s := &scribe{}
		require.NoError(t, l.Append(s.start()))
		failAppend(t, l, s.job("N-1", 1), kept)
		good := l.path
		l.path = good + "/away" // opens nothing
		for range 3 {
			assert.ErrorContains(t, l.Append(nil), "cannot make what was written last durable")
		}
		l.path = good
		var k *KeptError
		assert.Equal(t, kept, errors.As(l.Append(nil), &k))
		assert.NoError(t, l.Append(startAgain(l).readings("", 1)))
	}
}

// Somebody who writes past the lock is found out before anything is built on it.
func TestSomebodyElseWrote(t *testing.T) {
	const insert = `INSERT INTO entries VALUES `
	for _, c := range []struct{ name, sql string }{
		{"one entry more", insert + `(3, 1, '', 'port', x'7b7d')`},
		{"as many entries", insert + `(3, 1, '', 'port', x'7b7d'), (4, 1, '', 'port', x'7b7d')`},
		{"more entries", insert + `(3, 1, '', 'port', x'7b7d'), (4, 1, '', 'port', x'7b7d'), (5, 1, '', 'port', x'7b7d')`},
		{"fewer", `DROP TRIGGER entries_not_deleted; DELETE FROM entries WHERE seq = 2`},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := mustOpen(t, logPath(t))
			s := &scribe{}
			require.NoError(t, l.Append(s.start()))
			write(t, l.path, c.sql)
			batch := s.readings("", 2)
			require.Error(t, l.Append(batch))
			assert.ErrorContains(t, l.Append(batch), "somebody else changed it")
			assert.ErrorContains(t, l.Append(batch), "somebody else changed it", "and it stays so")
		})
	}
}

// A disk that is full is a real error of SQLite here: the file may not grow.
func TestDiskFull(t *testing.T) {
	l := mustOpen(t, logPath(t))
	s := &scribe{}
	require.NoError(t, l.Append(s.start()))
	_, err := l.db.Exec(`PRAGMA max_page_count = 1`)
	require.NoError(t, err)
	err = l.Append(s.readings("", 100))
	var full sqlite3.Error
	require.ErrorAs(t, err, &full)
	assert.Equal(t, sqlite3.ErrFull, full.Code)
	assert.EqualError(t, err, fmt.Sprintf("cannot append to log %q: database or disk is full; "+
		"make room on its disk, recording then goes on by itself", l.path))
	assert.NoError(t, l.Append(startAgain(l).readings("", 100)), "there is room again")
	assert.Equal(t, 102, count(t, l))
}

// What was kept by chance counts though somebody reads.
func TestKeptEntriesNeedNotWaitForAReader(t *testing.T) {
	l := mustOpen(t, logPath(t))
	s := &scribe{}
	require.NoError(t, l.Append(s.start()))
	first := true
	require.NoError(t, review(t, l.path).Entries(1, func(session.Entry) error {
		if first {
			failAppend(t, l, s.job("N-1", 1), true)
			var kept *KeptError
			assert.ErrorAs(t, l.Append(nil), &kept)
		}
		first = false
		return nil
	}))
}

func TestCloseWhileAReaderReads(t *testing.T) {
	l := mustOpen(t, logPath(t))
	require.NoError(t, l.Append((&scribe{}).start()))
	require.NoError(t, review(t, l.path).Entries(1, func(e session.Entry) error {
		if e.Seq == 1 {
			require.NoError(t, l.Append(startAgain(l).start()))
			_, err := l.db.Exec(`PRAGMA busy_timeout = 0`)
			require.NoError(t, err)
			assert.ErrorContains(t, l.Close(), "a reader is in the way")
		}
		return nil
	}))
	assert.Equal(t, 4, count(t, mustOpen(t, l.path)), "nothing is lost")
}

func TestCloseWithAReaderInTheWay(t *testing.T) {
	l := mustOpen(t, logPath(t))
	require.NoError(t, l.Append((&scribe{}).start()))
	r, err := OpenForReview(l.path)
	require.NoError(t, err)
	defer r.Close()
	r.db.SetMaxIdleConns(1)
	require.NoError(t, r.Entries(1, func(session.Entry) error { return nil }))
	assert.EqualError(t, l.Close(), fmt.Sprintf(
		`cannot close log %q cleanly: a reader is still using it; keep the files "bench.log" and "bench.log-wal" together`, l.path))
	again := mustOpen(t, l.path)
	assert.Len(t, replay(t, again), 2)
}

func TestCloseReleasesTheLogThoughItFails(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	require.NoError(t, os.Remove(path+".lock"))
	assert.ErrorContains(t, l.Close(), "cannot close log")
	assert.NoError(t, mustOpen(t, path).Close())
}
