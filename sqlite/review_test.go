package sqlite

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// someJobs fills a log: N-1 with three readings, ended; N-2 with one, open.
func someJobs(t *testing.T, l *Log) []session.Entry {
	t.Helper()
	s := &scribe{}
	entries := append(s.start(), s.job("N-1", 3)...)
	entries[2].Operator = "Ada"
	entries = append(entries, s.end("N-1")...)
	entries = append(entries, s.start()...)
	entries = append(entries, s.job("N-2", 1)...)
	require.NoError(t, l.Append(entries))
	return entries
}

func review(t *testing.T, path string) *Reader {
	t.Helper()
	r, err := OpenForReview(path)
	require.NoError(t, err)
	t.Cleanup(func() { r.Close() })
	return r
}

func TestReaderReadsDaemonOnOrOff(t *testing.T) {
	for _, on := range []bool{true, false} {
		t.Run(fmt.Sprintf("daemon on: %v", on), func(t *testing.T) {
			path := logPath(t)
			l := mustOpen(t, path)
			want := someJobs(t, l)
			if !on {
				require.NoError(t, l.Close())
			}
			before := files(t, filepath.Dir(path))
			r := review(t, path)
			for _, c := range []struct {
				name string
				read func(func(session.Entry) error) error
				want []session.Entry
			}{
				{"all", func(y func(session.Entry) error) error { return r.Entries(1, y) }, want},
				{"from the fifth", func(y func(session.Entry) error) error { return r.Entries(5, y) }, want[4:]},
				{"past the end", func(y func(session.Entry) error) error { return r.Entries(99, y) }, nil},
				{"one job", func(y func(session.Entry) error) error { return r.Job("N-1", y) }, want[2:7]},
				{"the other", func(y func(session.Entry) error) error { return r.Job("N-2", y) }, want[9:]},
				{"no such job", func(y func(session.Entry) error) error { return r.Job("N-3", y) }, nil},
			} {
				var got []session.Entry
				require.NoError(t, c.read(func(e session.Entry) error { got = append(got, e); return nil }), c.name)
				assert.Equal(t, texts(t, c.want), texts(t, got), c.name)
			}
			jobs, err := r.Jobs()
			require.NoError(t, err)
			assert.Equal(t, []Job{
				{Number: "N-1", Seq: 3, Run: 1, Began: want[2].At, Operator: "Ada", Reference: "blue engine", Ended: want[6].At, Note: "done"},
				{Number: "N-2", Seq: 10, Run: 2, Began: want[9].At, Reference: "blue engine", Ended: time.Time{}},
			}, jobs)
			assert.Equal(t, before, files(t, filepath.Dir(path)), "no file appears")
		})
	}
}

func TestReaderFollowsTheDaemonAndIsNotInItsWay(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	r := review(t, path)
	s := &scribe{}
	for range 3 {
		require.NoError(t, l.Append(s.start()))
		n := int64(0)
		require.NoError(t, r.Entries(1, func(session.Entry) error { n++; return nil }))
		assert.Equal(t, s.seq, n)
	}
	require.NoError(t, l.Close())
	assert.Equal(t, []string{"bench.key", "bench.log"}, files(t, filepath.Dir(path)))
}

func TestAnotherProcessReviewsWhileTheDaemonIsOn(t *testing.T) {
	l := mustOpen(t, logPath(t))
	someJobs(t, l)
	out, err := child(t, "review", l.path).Output()
	require.NoError(t, err)
	assert.Equal(t, "11 entries, 2 jobs\n", string(out))
	require.NoError(t, l.Append(startAgain(l).start()), "the daemon goes on")
	require.NoError(t, l.Close())
	assert.Equal(t, []string{"bench.checkpoint", "bench.key", "bench.log"}, files(t, filepath.Dir(l.path)))
}

// What a reader began to read stays as it was, and the daemon does not wait for it.
func TestReaderSeesOneMoment(t *testing.T) {
	l := mustOpen(t, logPath(t))
	want := someJobs(t, l)
	r := review(t, l.path)
	n := 0
	require.NoError(t, r.Entries(1, func(session.Entry) error {
		if n++; n <= 3 {
			return l.Append(startAgain(l).start())
		}
		return nil
	}))
	assert.Len(t, want, n)
}

func TestReaderCannotWrite(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	someJobs(t, l)
	for _, on := range []bool{true, false} {
		if !on {
			require.NoError(t, l.Close())
		}
		r := review(t, path)
		for _, do := range []string{`DROP TABLE entries`, `PRAGMA user_version = 3`, `INSERT INTO open_jobs VALUES ('x', 1)`} {
			_, err := r.db.Exec(do)
			assert.ErrorContains(t, err, "attempt to write a readonly database", do)
		}
		for _, p := range readerPragmas() {
			assert.Equal(t, []string{p.reads}, column(t, r.db, `PRAGMA `+p.name), p.name)
		}
	}
}

func TestReaderStopsAtAnErrorOfYield(t *testing.T) {
	l := mustOpen(t, logPath(t))
	someJobs(t, l)
	stop := errors.New("stop")
	err := review(t, l.path).Entries(1, func(session.Entry) error { return stop })
	assert.ErrorIs(t, err, stop)
	assert.ErrorContains(t, err, "cannot read log")
}

// A log that was read as it is, without a lock, may have changed under the reader.
func TestReaderNoticesThatADaemonStarted(t *testing.T) {
	for _, c := range []struct {
		name string
		then func(l *Log) error
	}{
		{"and is on", func(l *Log) error { return nil }},
		{"and wrote", func(l *Log) error { return l.Append(startAgain(l).readings("", 500)) }},
		{"and was closed", func(l *Log) error {
			return errors.Join(l.Append(startAgain(l).readings("", 500)), l.Close())
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := logPath(t)
			l := mustOpen(t, path)
			someJobs(t, l)
			require.NoError(t, l.Close())
			r := review(t, path)
			require.NoError(t, c.then(mustOpen(t, path)))
			err := r.Entries(1, func(session.Entry) error { return nil })
			assert.EqualError(t, err, fmt.Sprintf("cannot read log %q: a daemon started on it meanwhile; open it again", path))
			assert.NoError(t, review(t, path).Entries(1, func(session.Entry) error { return nil }))
		})
	}
}

func TestOpenForReviewSaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		name string
		make func(t *testing.T, path string)
		want string
	}{
		{"nothing there", func(t *testing.T, path string) {}, "no such file or directory"},
		{"a folder", func(t *testing.T, path string) { require.NoError(t, os.Mkdir(path, 0o700)) }, "it is not a file; name the log itself"},
		{"an empty file", func(t *testing.T, path string) { require.NoError(t, os.WriteFile(path, nil, 0o600)) },
			"the file is an empty database, not a log; name another file"},
		{"garbage", func(t *testing.T, path string) { require.NoError(t, os.WriteFile(path, make([]byte, 9000), 0o600)) },
			"the file is not a log (file is not a database); give the log another path"},
		{"another program's", func(t *testing.T, path string) { write(t, path, `CREATE TABLE stock (n)`) },
			"the file is a database of another program (application id 0); give the log another path"},
		{"a newer log", func(t *testing.T, path string) {
			require.NoError(t, mustOpen(t, path).Close())
			write(t, path, `PRAGMA user_version = 9`)
		}, "the log was written by a newer version (format 9, this version knows up to 3); update this program"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := logPath(t)
			c.make(t, path)
			before := files(t, filepath.Dir(path))
			_, err := OpenForReview(path)
			assert.ErrorContains(t, err, fmt.Sprintf("cannot open log %q: ", path))
			assert.ErrorContains(t, err, c.want)
			assert.Equal(t, before, files(t, filepath.Dir(path)), "no file appears")
		})
	}
}

// Root may write everywhere, so the review runs as nobody if the tests run as root.
func TestReviewFromAFolderThatCannotBeWrittenTo(t *testing.T) {
	for _, c := range []struct {
		name string
		copy []string // of the files of a log that is open, if any
		want string
	}{
		{"closed", nil, "11 entries, 2 jobs\n"},
		{"left by a kill", []string{"", "-wal", "-shm"}, "11 entries, 2 jobs\n"},
		{"left by a kill, copied in part", []string{"", "-wal"}, "cannot open log %q: its daemon did not close it and its folder cannot be written to; " +
			"copy it together with \"bench.log-wal\" to another folder and open it there\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := logPath(t)
			l := mustOpen(t, path)
			someJobs(t, l)
			stick := t.TempDir()
			if c.copy == nil {
				require.NoError(t, l.Close())
				c.copy = []string{""}
			}
			for _, name := range c.copy {
				text, err := os.ReadFile(path + name)
				require.NoError(t, err)
				require.NoError(t, os.WriteFile(filepath.Join(stick, "bench.log"+name), text, 0o644))
			}
			require.NoError(t, os.Chmod(filepath.Dir(stick), 0o755))
			require.NoError(t, os.Chmod(stick, 0o555))
			defer os.Chmod(stick, 0o755)

			copied := filepath.Join(stick, "bench.log")
			cmd := child(t, "review", copied)
			if os.Getuid() == 0 {
				cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
			}
			cmd.Stderr = nil
			before := files(t, stick)
			out, _ := cmd.Output()
			want := c.want
			if want[0] == 'c' {
				want = fmt.Sprintf(want, copied)
			}
			assert.Equal(t, want, string(out))
			assert.Equal(t, before, files(t, stick))
		})
	}
}
