package sqlite

import (
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// A scribe numbers entries as the bench does.
type scribe struct{ seq, run int64 }

func (s *scribe) entry(job string, body session.Body) session.Entry {
	s.seq++
	at := time.Date(2031, 4, 5, 6, 7, 8, 0, time.UTC).Add(time.Duration(s.seq) * time.Millisecond)
	return session.Entry{Seq: s.seq, Run: s.run, At: at, Mono: time.Duration(s.seq) * time.Millisecond,
		Job: job, Door: session.FromBench, Body: body}
}

// start makes the entries with which a run of the daemon begins.
func (s *scribe) start() []session.Entry {
	s.run++
	return []session.Entry{
		s.entry("", session.Started{Bench: "north", Software: "test", Method: "1"}),
		s.entry("", session.ProfileSet{Profile: session.Profile{Name: "caliper-1", Kind: session.Caliper}}),
	}
}

// job makes a job of n readings that is left open.
func (s *scribe) job(number string, n int) []session.Entry {
	entries := []session.Entry{s.entry(number, session.Began{Plan: "title = \"pump\"", Reference: "blue engine"})}
	return append(entries, s.readings(number, n)...)
}

func (s *scribe) readings(job string, n int) []session.Entry {
	entries := make([]session.Entry, n)
	for i := range entries {
		entries[i] = s.entry(job, reading())
	}
	return entries
}

func (s *scribe) end(job string) []session.Entry {
	return []session.Entry{s.entry(job, session.Ended{Note: "done"})}
}

func (s *scribe) stopped() []session.Entry {
	return []session.Entry{s.entry("", session.RecordingChanged{Problem: "the disk is full"})}
}

func reading() session.ReadingTaken {
	value, err := session.ParseNumber("21.40")
	if err != nil {
		panic(err) // the text above is a number
	}
	return session.ReadingTaken{
		Reading: session.Reading{Instrument: "caliper-1", Kind: session.Caliper, Value: value, Text: "21.40",
			Unit: "mm", Raw: session.Raw("+  21.40 mm\r\n")},
		Ruling: session.Filed, Step: "case width", Place: 1,
	}
}

// startAgain is a scribe that goes on where a log ends.
func startAgain(l *Log) *scribe {
	seq, run := l.Last()
	return &scribe{seq, run}
}

func logPath(t *testing.T) string { return filepath.Join(t.TempDir(), "bench.log") }

func mustOpen(t *testing.T, path string) *Log {
	t.Helper()
	l, err := Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	return l
}

func replay(t *testing.T, l *Log) []session.Entry {
	t.Helper()
	var got []session.Entry
	require.NoError(t, l.Replay(func(e session.Entry) error { got = append(got, e); return nil }))
	return got
}

func seqs(entries []session.Entry) []int64 {
	got := []int64{}
	for _, e := range entries {
		got = append(got, e.Seq)
	}
	return got
}

// texts are the canonical texts of entries.
func texts(t *testing.T, entries []session.Entry) []string {
	t.Helper()
	got := []string{}
	for _, e := range entries {
		body, err := e.Encode()
		require.NoError(t, err)
		got = append(got, string(body))
	}
	return got
}

// stored reads every body of the log.
func stored(t *testing.T, l *Log) []string {
	t.Helper()
	return column(t, l.db, `SELECT body FROM entries ORDER BY seq`)
}

// column reads the one column of a query.
func column(t *testing.T, db *sql.DB, query string) []string {
	t.Helper()
	rows, err := db.Query(query)
	require.NoError(t, err)
	defer rows.Close()
	var got []string
	for rows.Next() {
		var text string
		require.NoError(t, rows.Scan(&text))
		got = append(got, text)
	}
	require.NoError(t, rows.Err())
	return got
}

func count(t *testing.T, l *Log) (n int) {
	t.Helper()
	require.NoError(t, l.db.QueryRow(`SELECT count(*) FROM entries`).Scan(&n))
	return n
}

// What the session needs of a log.
var (
	_ session.Log  = (*Log)(nil)
	_ session.Kept = (*KeptError)(nil)
)

func TestLogKeepsEntriesOverRestarts(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	seq, run := l.Last()
	assert.Zero(t, seq)
	assert.Zero(t, run)
	assert.Empty(t, replay(t, l))

	s := &scribe{}
	want := append(s.start(), s.job("N-1", 3)...)
	require.NoError(t, l.Append(want[:2]))
	require.NoError(t, l.Append(want[2:]))
	require.NoError(t, l.Append(nil))
	require.NoError(t, l.Close())

	l = mustOpen(t, path)
	assert.Equal(t, texts(t, want), texts(t, replay(t, l)))
	seq, run = l.Last()
	assert.EqualValues(t, 6, seq)
	assert.EqualValues(t, 1, run)

	more := append(s.start(), s.readings("N-1", 2)...)
	require.NoError(t, l.Append(more))
	require.NoError(t, l.Close())
	l = mustOpen(t, path)
	assert.Equal(t, texts(t, append(want[2:], more...)), texts(t, replay(t, l)))
}

func TestBodiesAreStoredAsEncoded(t *testing.T) {
	l := mustOpen(t, logPath(t))
	s := &scribe{}
	entries := append(s.start(), append(s.job("N-1", 2), s.end("N-1")...)...)
	require.NoError(t, l.Append(entries))
	assert.Equal(t, texts(t, entries), stored(t, l))
}

func TestReplayYieldsWhatAStartNeeds(t *testing.T) {
	// each word is one act: start, begin JOB, read JOB, end JOB, note (an entry of the bench)
	for _, c := range []struct {
		name string
		acts string
		want []int64
	}{
		{"nothing", "", []int64{}},
		{"a bench without jobs", "start note", []int64{1, 2, 3}},
		{"an open job", "start begin:a read:a", []int64{1, 2, 3, 4}},
		{"the job begun last though ended", "start begin:a read:a end:a", []int64{1, 2, 3, 4, 5}},
		{"one ended before it", "start begin:a end:a begin:b end:b", []int64{1, 2, 3, 4, 5, 6}},
		{"not one ended six before", "start begin:a end:a begin:b end:b begin:c end:c begin:d end:d begin:e end:e begin:f end:f begin:g end:g", []int64{1, 2, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16}},
		{"an older one still open", "start begin:a begin:b end:b", []int64{1, 2, 3, 4, 5}},
		{"two open, one ended between", "start begin:a begin:b end:b begin:c", []int64{1, 2, 3, 4, 5, 6}},
		{"job entries of an earlier run", "start begin:a start read:a", []int64{3, 4, 5, 6}},
		{"not the bench entries of an earlier run", "start note note start note", []int64{5, 6, 7}},
		{"what came after the end of the last job", "start begin:a end:a read:a", []int64{1, 2, 3, 4, 5}},
		{"the job of the last entry", "start begin:a begin:b end:b end:a", []int64{1, 2, 3, 4, 5, 6}},
		{"one that was opened again", "start begin:a end:a begin:b end:b reopen:a note", []int64{1, 2, 3, 4, 5, 6, 7, 8}},
		{"one that was opened again and ended", "start begin:a end:a reopen:a end:a begin:b end:b", []int64{1, 2, 3, 4, 5, 6, 7, 8}},
		{"an end without a begin", "start end:a start", []int64{4, 5}},
		{"a job begun twice", "start begin:a begin:a", []int64{1, 2, 3, 4}},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := logPath(t)
			l := mustOpen(t, path)
			s := &scribe{}
			for _, act := range strings.Fields(c.acts) {
				require.NoError(t, l.Append(s.act(act)))
			}
			assert.Equal(t, c.want, seqs(replay(t, l)))
			require.NoError(t, l.Close())
			assert.Equal(t, c.want, seqs(replay(t, mustOpen(t, path))), "after a restart")
		})
	}
}

func (s *scribe) act(text string) []session.Entry {
	what, job, _ := strings.Cut(text, ":")
	switch what {
	case "start":
		return s.start()
	case "begin":
		return s.job(job, 0)
	case "read":
		return s.readings(job, 1)
	case "end":
		return s.end(job)
	case "reopen":
		return []session.Entry{s.entry(job, session.Reopened{Note: "it leaks"})}
	case "note":
		return []session.Entry{s.entry("", session.PortChanged{Instrument: "caliper-1", State: session.PortLive})}
	}
	panic("no act " + text)
}

func TestReplayReadsByIndex(t *testing.T) {
	l := mustOpen(t, logPath(t))
	rows, err := l.db.Query(`EXPLAIN QUERY PLAN `+replayed, 1, 2)
	require.NoError(t, err)
	defer rows.Close()
	var plan []string
	for rows.Next() {
		var id, parent, unused int
		var detail string
		require.NoError(t, rows.Scan(&id, &parent, &unused, &detail))
		plan = append(plan, detail)
	}
	require.NoError(t, rows.Err())
	text := strings.Join(plan, "\n")
	assert.Contains(t, text, "SEARCH entries USING INDEX entries_by_job (job=? AND run=?)")
	assert.Contains(t, text, "SEARCH entries USING INDEX entries_by_job (job=?)")
	assert.Contains(t, text, "USING INDEX begins")
	assert.NotContains(t, text, "SCAN entries", "all of the table, or of an index")
}

func TestReplayStopsAtAnErrorOfYield(t *testing.T) {
	l := mustOpen(t, logPath(t))
	require.NoError(t, l.Append((&scribe{}).start()))
	stop := errors.New("stop")
	calls := 0
	err := l.Replay(func(session.Entry) error { calls++; return stop })
	assert.ErrorIs(t, err, stop)
	assert.ErrorContains(t, err, "cannot replay log")
	assert.Equal(t, 1, calls)
	assert.NoError(t, l.Append(startAgain(l).readings("", 1)), "the log goes on")
}

func TestAppendRefusesWhatDoesNotFollow(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(e []session.Entry)
		want string
	}{
		{"a gap", func(e []session.Entry) { e[0].Seq = 4 }, "entry 4 cannot follow entry 2; number it 3"},
		{"a duplicate", func(e []session.Entry) { e[0].Seq = 2 }, "entry 2 cannot follow entry 2; number it 3"},
		{"a gap within the batch", func(e []session.Entry) { e[1].Seq = 5 }, "entry 5 cannot follow entry 3; number it 4"},
		{"a run that is over", func(e []session.Entry) { e[1].Run = 0 }, "entry 4 belongs to run 0, but run 1 has begun"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := mustOpen(t, logPath(t))
			s := &scribe{}
			require.NoError(t, l.Append(s.start()))
			good := s.readings("", 2)
			bad := append([]session.Entry(nil), good...)
			c.edit(bad)
			assert.EqualError(t, l.Append(bad), fmt.Sprintf("cannot append to log %q: %s", l.path, c.want))
			assert.Equal(t, 2, count(t, l))
			assert.NoError(t, l.Append(good))
		})
	}
}

// The table itself refuses what a program other than this one could try.
func TestTableIsAppendOnly(t *testing.T) {
	const insert = ` INTO entries (seq, run, job, kind, body) VALUES `
	for _, c := range []struct{ name, do, want string }{
		{"update", `UPDATE entries SET body = x'00' WHERE seq = 1`, "entries are never changed"},
		{"delete", `DELETE FROM entries WHERE seq = 2`, "entries are never deleted"},
		{"delete all", `DELETE FROM entries`, "entries are never deleted"},
		{"replace", `INSERT OR REPLACE` + insert + `(2, 1, '', 'port', x'00')`, "last sequence plus one"},
		{"upsert", `INSERT` + insert + `(2, 1, '', 'port', x'00') ON CONFLICT DO UPDATE SET body = x'00'`, "last sequence plus one"},
		{"a gap", `INSERT` + insert + `(4, 1, '', 'port', x'00')`, "last sequence plus one"},
		{"no sequence", `INSERT` + insert + `(NULL, 1, '', 'port', x'00')`, "last sequence plus one"},
		{"a second batch with a gap", `INSERT` + insert + `(3, 1, '', 'port', x'00'), (5, 1, '', 'port', x'00')`, "last sequence plus one"},
		{"text for a body", `INSERT` + insert + `(3, 1, '', 'port', 'text')`, "cannot store TEXT value in BLOB column"},
		{"no body", `INSERT` + insert + `(3, 1, '', 'port', NULL)`, "NOT NULL constraint failed"},
		{"an open job that never began", `INSERT INTO open_jobs VALUES ('x', 99)`, "FOREIGN KEY constraint failed"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := mustOpen(t, logPath(t))
			require.NoError(t, l.Append((&scribe{}).start()))
			before := stored(t, l)
			_, err := l.db.Exec(c.do)
			assert.ErrorContains(t, err, c.want)
			assert.Equal(t, before, stored(t, l))
		})
	}
}

// Without the trigger on the sequence, INSERT OR REPLACE would walk past the one on
// DELETE, were recursive_triggers off.
func TestReplaceMeetsTheTriggerOnDelete(t *testing.T) {
	l := mustOpen(t, logPath(t))
	require.NoError(t, l.Append((&scribe{}).start()))
	_, err := l.db.Exec(`DROP TRIGGER entries_in_sequence`)
	require.NoError(t, err)
	const replace = `INSERT OR REPLACE INTO entries VALUES (2, 1, '', 'port', x'00')`
	_, err = l.db.Exec(replace)
	assert.ErrorContains(t, err, "entries are never deleted")
	_, err = l.db.Exec(`PRAGMA recursive_triggers = OFF`)
	require.NoError(t, err)
	_, err = l.db.Exec(replace)
	assert.NoError(t, err, "this is the trap; if it is gone, the pragma may go")
}

func TestEveryConnectionReadsItsPragmasBack(t *testing.T) {
	l := mustOpen(t, logPath(t))
	check := func() {
		for _, p := range writerPragmas() {
			var got string
			require.NoError(t, l.db.QueryRow(`PRAGMA `+p.name).Scan(&got))
			assert.Equal(t, p.reads, got, p.name)
		}
		var id int
		require.NoError(t, l.db.QueryRow(`PRAGMA application_id`).Scan(&id))
		assert.Equal(t, applicationID, id)
	}
	check()
	_, err := l.db.Exec(`PRAGMA synchronous = OFF`)
	require.NoError(t, err)
	l.db.SetMaxIdleConns(-1) // from here on each statement has a connection of its own
	check()
	assert.Equal(t, 1, l.db.Stats().MaxOpenConnections)
}

// The driver's own default syncs less than a log needs.
func TestDriverAloneWouldNotBeSafe(t *testing.T) {
	db := connectTo(logPath(t), nil, nil)
	defer db.Close()
	var mode string
	require.NoError(t, db.QueryRow(`PRAGMA synchronous`).Scan(&mode))
	assert.Equal(t, "1", mode)
}

func TestAPragmaThatDoesNotHoldIsAnError(t *testing.T) {
	db := connectTo(logPath(t), nil, []pragma{{"synchronous", "NORMAL", "2"}})
	defer db.Close()
	assert.EqualError(t, db.Ping(), `the setting synchronous reads back as "1", not "2"; the log would not be safe on this file system or with this build of SQLite`)
}

func TestTransactionsTakeTheWriteLockAtOnce(t *testing.T) {
	l := mustOpen(t, logPath(t))
	tx, err := l.db.Begin()
	require.NoError(t, err)
	defer tx.Rollback()
	other := connectTo(l.path, map[string][]string{"_txlock": {"immediate"}, "_busy_timeout": {"0"}}, nil)
	defer other.Close()
	_, err = other.Begin()
	assert.ErrorContains(t, err, "database is locked")
}

func TestFilesAreTheirOwnersOnly(t *testing.T) {
	old := syscall.Umask(0)
	defer syscall.Umask(old)
	path := filepath.Join(t.TempDir(), "state", "north", "bench.log")
	l := mustOpen(t, path)
	require.NoError(t, l.Append((&scribe{}).start()))
	for name, want := range map[string]os.FileMode{
		".log": 0o600, ".log-wal": 0o600, ".log-shm": 0o600, ".log.lock": 0o600, ".key": 0o600,
	} {
		info, err := os.Stat(strings.TrimSuffix(path, ".log") + name)
		require.NoError(t, err)
		assert.Equal(t, want, info.Mode().Perm(), name)
	}
	info, err := os.Stat(filepath.Dir(path))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o700), info.Mode().Perm())
}

func files(t *testing.T, dir string) []string {
	t.Helper()
	found, err := os.ReadDir(dir)
	require.NoError(t, err)
	var names []string
	for _, f := range found {
		names = append(names, f.Name())
	}
	return names
}

func TestCloseLeavesOneFile(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	require.NoError(t, l.Append((&scribe{}).start()))
	assert.Equal(t, []string{"bench.key", "bench.log", "bench.log-shm", "bench.log-wal", "bench.log.lock"}, files(t, filepath.Dir(path)))
	require.NoError(t, l.Close())
	assert.Equal(t, []string{"bench.key", "bench.log"}, files(t, filepath.Dir(path)))
	assert.NoError(t, l.Close(), "a second Close does nothing")
	assert.EqualError(t, l.Append((&scribe{}).start()), fmt.Sprintf("cannot append to log %q: the log is closed", path))
	assert.EqualError(t, l.Replay(nil), fmt.Sprintf("cannot replay log %q: the log is closed", path))
}

func TestPathsMayHoldAnyCharacter(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a b?c#d%41&e=ü", "bench 1.log")
	l := mustOpen(t, path)
	require.NoError(t, l.Append((&scribe{}).start()))
	require.NoError(t, l.Close())
	assert.Equal(t, []string{"bench 1.key", "bench 1.log"}, files(t, filepath.Dir(path)))
}

func TestSecondDaemonIsRefused(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	_, err := Open(path)
	assert.EqualError(t, err, fmt.Sprintf("cannot open log %q: another daemon (process %d) is writing to it; "+
		"stop that one first, or give this one a log of its own", path, os.Getpid()))
	assert.NoError(t, l.Append((&scribe{}).start()), "the first goes on")
	require.NoError(t, l.Close())
	again := mustOpen(t, path)
	assert.NoError(t, again.Append(startAgain(again).start()))
}

func TestRefusalWithoutAProcessNumber(t *testing.T) {
	path := logPath(t)
	file, err := os.Create(path + ".lock")
	require.NoError(t, err)
	defer file.Close()
	require.NoError(t, syscall.Flock(int(file.Fd()), syscall.LOCK_EX))
	_, err = Open(path)
	assert.ErrorContains(t, err, "another daemon (process of unknown number) is writing to it")
}

// Whoever closes removes the file; whoever opens meanwhile must not hold the lock of
// a file that is gone.
func TestLockIsHeldOnce(t *testing.T) {
	path := logPath(t)
	var holders, taken atomic.Int64
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			for range 300 {
				l, err := acquire(path)
				if err != nil {
					assert.ErrorContains(t, err, "another daemon")
					continue
				}
				assert.EqualValues(t, 1, holders.Add(1))
				taken.Add(1)
				holders.Add(-1)
				assert.NoError(t, l.release())
			}
		})
	}
	all.Wait()
	assert.Positive(t, taken.Load())
	assert.Empty(t, files(t, filepath.Dir(path)))
}

func TestLockFileLeftBehindIsNoObstacle(t *testing.T) {
	path := logPath(t)
	require.NoError(t, os.WriteFile(path+".lock", []byte("1\n"), 0o600))
	require.NoError(t, mustOpen(t, path).Close())
	assert.Equal(t, []string{"bench.key", "bench.log"}, files(t, filepath.Dir(path)))
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		name string
		make func(t *testing.T, path string)
		want string
	}{
		{"garbage", func(t *testing.T, path string) {
			require.NoError(t, os.WriteFile(path, []byte(strings.Repeat("garbage ", 1000)), 0o600))
		}, "the file is not a log (file is not a database); give the log another path"},
		{"a short text", func(t *testing.T, path string) {
			require.NoError(t, os.WriteFile(path, []byte("hello"), 0o600))
		}, "the file is not a log (file is not a database); give the log another path"},
		{"a database with another id", func(t *testing.T, path string) {
			write(t, path, `PRAGMA application_id = 77; CREATE TABLE stock (n)`)
		}, "the file is a database of another program (application id 77); give the log another path"},
		{"a database without an id", func(t *testing.T, path string) {
			write(t, path, `CREATE TABLE stock (n)`)
		}, "the file is a database of another program (application id 0); give the log another path"},
		{"a newer log", func(t *testing.T, path string) {
			require.NoError(t, mustOpen(t, path).Close())
			write(t, path, `PRAGMA user_version = 9`)
		}, "the log was written by a newer version (format 9, this version knows up to 3); update this program"},
		{"a log without a format", func(t *testing.T, path string) {
			require.NoError(t, mustOpen(t, path).Close())
			write(t, path, `PRAGMA user_version = 0`)
		}, "the log has no format number, so somebody changed it; restore it from a copy"},
		{"a damaged log", func(t *testing.T, path string) {
			require.NoError(t, mustOpen(t, path).Close())
			overwrite(t, path, 100, make([]byte, 1000))
		}, "the file is damaged (database disk image is malformed); keep it for review and restore a copy or give the log another path"},
		{"a cut log", func(t *testing.T, path string) {
			require.NoError(t, mustOpen(t, path).Close())
			require.NoError(t, os.Truncate(path, 5000))
		}, "the file is damaged (database disk image is malformed); keep it for review and restore a copy or give the log another path"},
		{"a folder", func(t *testing.T, path string) { require.NoError(t, os.Mkdir(path, 0o700)) }, "unable to open database file: is a directory"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := logPath(t)
			c.make(t, path)
			before, _ := os.ReadFile(path)
			there := files(t, filepath.Dir(path))
			_, err := Open(path)
			assert.EqualError(t, err, fmt.Sprintf("cannot open log %q: %s", path, c.want))
			after, _ := os.ReadFile(path)
			assert.Equal(t, before, after, "the file is as it was")
			assert.Equal(t, there, files(t, filepath.Dir(path)), "no file appears")
		})
	}
}

func TestOpenWhereNothingCanBeCreated(t *testing.T) {
	file := logPath(t)
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	_, err := Open(filepath.Join(file, "bench.log"))
	assert.ErrorContains(t, err, "not a directory")
}

// An empty file is what a power loss right after its creation leaves.
func TestEmptyFileBecomesALog(t *testing.T) {
	path := logPath(t)
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	l := mustOpen(t, path)
	assert.NoError(t, l.Append((&scribe{}).start()))
}

// write changes a database as another program would.
func write(t *testing.T, path, text string) {
	t.Helper()
	db := sql.OpenDB(connector{driver: &plainDriver, dsn: "file:" + path})
	defer db.Close()
	_, err := db.Exec(text)
	require.NoError(t, err)
}

func overwrite(t *testing.T, path string, at int64, with []byte) {
	t.Helper()
	file, err := os.OpenFile(path, os.O_WRONLY, 0)
	require.NoError(t, err)
	defer file.Close()
	_, err = file.WriteAt(with, at)
	require.NoError(t, err)
}

// Column and body are two places that say the same; a change to one is noticed.
func TestReplayNoticesColumnsThatDisagree(t *testing.T) {
	for _, c := range []struct {
		name, do string
		run      int64 // the last run that is replayed
		want     string
	}{
		{"run", `UPDATE entries SET run = 2 WHERE seq = 2`, 2, "entry 2 is filed under other numbers than it carries"},
		{"job", `UPDATE entries SET job = 'N-1' WHERE seq = 2`, 1, "entry 2 is filed under other numbers than it carries"},
		{"kind", `UPDATE entries SET kind = 'port' WHERE seq = 3`, 1, "entry 3 is filed under other numbers than it carries"},
		{"body", `UPDATE entries SET body = x'7b7d' WHERE seq = 3`, 1, "entry 3 cannot be read"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := logPath(t)
			l := mustOpen(t, path)
			s := &scribe{}
			require.NoError(t, l.Append(append(s.start(), s.job("N-1", 1)...)))
			write(t, path, `DROP TRIGGER entries_not_updated; `+c.do)
			l.run = c.run
			assert.ErrorContains(t, l.Replay(func(session.Entry) error { return nil }), c.want)
		})
	}
}

// The file's header says what the file is, at the places that the SQLite file
// format documents (section 1.3, "The Database Header"): user version at 60,
// application id at 68, big-endian; 2 at 18 and 19 means write-ahead log.
func TestHeaderNamesTheLog(t *testing.T) {
	path := logPath(t)
	require.NoError(t, mustOpen(t, path).Close())
	header, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "SHIM", string(header[68:72]))
	assert.EqualValues(t, len(migrations()), binary.BigEndian.Uint32(header[60:]))
	assert.Equal(t, []byte{2, 2}, header[18:20])
}
