package sqlite

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// bodies reads the stored bytes of every entry.
func bodies(t *testing.T, path string) []string {
	t.Helper()
	r := review(t, path)
	rows, err := r.db.Query(`SELECT body FROM entries ORDER BY seq`)
	require.NoError(t, err)
	defer rows.Close()
	var all []string
	for rows.Next() {
		var body []byte
		require.NoError(t, rows.Scan(&body))
		all = append(all, string(body))
	}
	require.NoError(t, rows.Err())
	return all
}

func TestBackupIsTheLog(t *testing.T) {
	for name, on := range map[string]bool{"daemon on": true, "daemon off": false} {
		t.Run(name, func(t *testing.T) {
			path := logPath(t)
			l := mustOpen(t, path)
			want := someJobs(t, l)
			if !on {
				require.NoError(t, l.Close())
			}
			before := files(t, filepath.Dir(path))
			usb := t.TempDir()
			file := filepath.Join(usb, "copy.db")
			last, err := review(t, path).Backup(file)
			require.NoError(t, err)
			assert.Equal(t, int64(len(want)), last)
			assert.Equal(t, []string{"copy.db"}, files(t, usb), "one file")
			assert.Equal(t, before, files(t, filepath.Dir(path)), "nothing beside the log")
			assert.Equal(t, bodies(t, path), bodies(t, file))
			info, err := os.Stat(file)
			require.NoError(t, err)
			assert.Equal(t, fs.FileMode(0o600), info.Mode().Perm())

			require.NoError(t, os.Chmod(file, 0o400))
			require.NoError(t, os.Chmod(usb, 0o500))
			t.Cleanup(func() { os.Chmod(usb, 0o700) })
			jobs, err := review(t, file).Jobs()
			require.NoError(t, err)
			assert.Len(t, jobs, 2)
			assert.Equal(t, []string{"copy.db"}, files(t, usb))
		})
	}
}

// A copy is a log like any other: a daemon can go on with it.
func TestBackupCanBeGoneOnWith(t *testing.T) {
	l := mustOpen(t, logPath(t))
	someJobs(t, l)
	file := filepath.Join(t.TempDir(), "copy.db")
	last, err := review(t, l.path).Backup(file)
	require.NoError(t, err)
	again := mustOpen(t, file)
	seq, _ := again.Last()
	assert.Equal(t, last, seq)
	require.NoError(t, again.Append(startAgain(again).start()))
	_, err = again.db.Exec(`DELETE FROM entries`)
	assert.ErrorContains(t, err, "never deleted", "the triggers came along")
	require.NoError(t, again.Close())
}

// The daemon appends while the log is copied, as fast as it can.
func TestBackupWhileTheDaemonWrites(t *testing.T) {
	l := mustOpen(t, logPath(t))
	someJobs(t, l)
	r := review(t, l.path)
	writing, stop := make(chan struct{}), make(chan struct{})
	written := make(chan error, 1)
	go func() {
		s := startAgain(l)
		for n := 0; ; n++ {
			if err := l.Append(s.start()); err != nil {
				written <- err
				return
			}
			if n == 0 {
				close(writing)
			}
			select {
			case <-stop:
				written <- nil
				return
			default:
			}
		}
	}()
	<-writing
	var copies []string
	dir := t.TempDir()
	for _, name := range []string{"a", "b", "c", "d", "e"} {
		file := filepath.Join(dir, name)
		last, err := r.Backup(file)
		require.NoError(t, err)
		require.Len(t, bodies(t, file), int(last))
		copies = append(copies, file)
	}
	close(stop)
	require.NoError(t, <-written)
	all := bodies(t, l.path)
	for _, file := range copies {
		part := bodies(t, file)
		assert.Equal(t, all[:len(part)], part, "a copy is the log up to some entry")
	}
}

func TestBackupTouchesNoFileThatIsThere(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	someJobs(t, l)
	r := review(t, path)
	taken := filepath.Join(t.TempDir(), "taken")
	for _, text := range []string{"", "a letter"} {
		require.NoError(t, os.WriteFile(taken, []byte(text), 0o644))
		_, err := r.Backup(taken)
		require.ErrorIs(t, err, fs.ErrExist)
		got, err := os.ReadFile(taken)
		require.NoError(t, err)
		assert.Equal(t, text, string(got))
	}
	_, err := r.Backup(path)
	require.ErrorIs(t, err, fs.ErrExist, "the log itself")
	_, err = r.Backup(filepath.Join(t.TempDir(), "nonesuch", "copy"))
	require.ErrorIs(t, err, fs.ErrNotExist)
}

// A damaged log gives no copy, and none is left half done.
func TestBackupOfADamagedLogLeavesNothing(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	someJobs(t, l)
	require.NoError(t, l.Close())
	r := review(t, path)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	info, err := os.Stat(path)
	require.NoError(t, err)
	for i := 4096; i < len(text); i++ {
		text[i] = 0xff
	}
	require.NoError(t, os.WriteFile(path, text, 0o600))
	require.NoError(t, os.Chtimes(path, info.ModTime(), info.ModTime()))
	dir := t.TempDir()
	_, err = r.Backup(filepath.Join(dir, "copy"))
	assert.ErrorContains(t, err, "damaged")
	assert.Empty(t, files(t, dir))
}

func TestFoldFrom(t *testing.T) {
	l := mustOpen(t, logPath(t))
	r := review(t, l.path)
	last, err := r.Last()
	require.NoError(t, err)
	assert.Zero(t, last)
	entries := someJobs(t, l) // run 1: 1, 2; N-1 from 3 to 7; run 2: 8, 9; N-2 from 10 on
	last, err = r.Last()
	require.NoError(t, err)
	assert.Equal(t, int64(len(entries)), last)
	for seq, want := range map[int64]int64{1: 1, 2: 1, 3: 1, 7: 1, 8: 3, 9: 3, 10: 3, 11: 3, 99: 1} {
		from, err := r.FoldFrom(seq)
		require.NoError(t, err)
		assert.Equal(t, want, from, "entry %d", seq)
	}
}

// A job that was put aside may be resumed: the fold begins before it.
func TestFoldFromAJobThatWaited(t *testing.T) {
	l := mustOpen(t, logPath(t))
	s := &scribe{}
	entries := append(s.start(), s.job("N-1", 1)...) // 1, 2; 3, 4
	entries = append(entries, s.end("N-1")...)       // 5
	entries = append(entries, s.job("N-2", 1)...)    // 6, 7
	entries = append(entries, s.entry("N-2", session.PutAside{}))
	entries = append(entries, s.job("N-3", 1)...) // 9, 10
	entries = append(entries, s.end("N-3")...)    // 11
	entries = append(entries, s.start()...)       // 12, 13
	entries = append(entries, s.job("N-4", 1)...) // 14, 15
	require.NoError(t, l.Append(entries))
	r := review(t, l.path)
	for seq, want := range map[int64]int64{1: 1, 11: 1, 12: 6, 15: 6} {
		from, err := r.FoldFrom(seq)
		require.NoError(t, err)
		assert.Equal(t, want, from, "entry %d", seq)
	}
}

func TestStoredIsWhatIsStored(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	entries := someJobs(t, l)
	var seqs []int64
	err := review(t, path).Stored("N-1", 2, 99, func(seq int64, body []byte) error {
		seqs = append(seqs, seq)
		want, err := entries[seq-1].Encode()
		require.NoError(t, err)
		assert.Equal(t, string(want), string(body))
		return nil
	})
	require.NoError(t, err)
	assert.Equal(t, []int64{2, 3, 4, 5, 6, 7, 8, 9}, seqs, "its own and those of no job")
	err = review(t, path).Stored("N-1", 1, 99, func(int64, []byte) error { return fs.ErrClosed })
	require.ErrorIs(t, err, fs.ErrClosed)
}

func TestBackwards(t *testing.T) {
	l := mustOpen(t, logPath(t))
	someJobs(t, l)
	for kind, want := range map[string][]int64{"reading": {6, 5, 4}, "begin": {3}, "advice": nil} {
		var got []int64
		err := review(t, l.path).Backwards("N-1", kind, func(e session.Entry) error { got = append(got, e.Seq); return nil })
		require.NoError(t, err)
		assert.Equal(t, want, got, kind)
	}
}

func TestPlaces(t *testing.T) {
	for want, env := range map[string]map[string]string{
		"/s/shimwright":              {"XDG_STATE_HOME": "/s", "HOME": "/h"},
		"/h/.local/state/shimwright": {"HOME": "/h", "XDG_STATE_HOME": "not/from/the/root"},
		"shimwright-data":            {},
	} {
		assert.Equal(t, want, DefaultFolder(func(key string) string { return env[key] }))
	}
	assert.Equal(t, "/d/bench-1.log.db", PathOf("/d", "bench-1"))
}
