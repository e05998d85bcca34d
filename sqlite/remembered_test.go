package sqlite

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// aJobMore appends a job that ends, so that a checkpoint is signed.
func aJobMore(t *testing.T, path, number string) {
	t.Helper()
	l := mustOpen(t, path)
	s := startAgain(l)
	require.NoError(t, l.Append(s.start()))
	require.NoError(t, l.Append(s.job(number, 3)))
	require.NoError(t, l.Append(s.end(number)))
	require.NoError(t, l.Close())
}

func contentOf(t *testing.T, path string) []byte {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	return text
}

func put(t *testing.T, path string, text []byte) {
	t.Helper()
	require.NoError(t, os.WriteFile(path, text, 0o600))
}

// The checkpoint beside the key is the one that was signed last, always.
func TestTheCheckpointBesideTheKey(t *testing.T) {
	path := logPath(t)
	aJobMore(t, path, "N-1")
	first := string(contentOf(t, CheckpointPath(path)))
	c, err := unsignedCheckpoint(first)
	require.NoError(t, err)
	assert.EqualValues(t, 7, c.size)
	aJobMore(t, path, "N-2")
	assert.NotEqual(t, first, string(contentOf(t, CheckpointPath(path))))

	// One that lags is brought up to date, and so is one that is missing.
	put(t, CheckpointPath(path), []byte(first))
	l := mustOpen(t, path)
	assert.Equal(t, l.Checkpoint(), string(contentOf(t, CheckpointPath(path))))
	require.NoError(t, l.Close())
	require.NoError(t, os.Remove(CheckpointPath(path)))
	l = mustOpen(t, path)
	assert.Equal(t, l.Checkpoint(), string(contentOf(t, CheckpointPath(path))))
}

// A log that contradicts what its key has signed is not gone on with; with a new key it
// is, and the old one is set aside.
func TestALogThatItsKeyContradicts(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(t *testing.T, path string, older []byte)
		says string
	}{
		{"an older copy", func(t *testing.T, path string, older []byte) { put(t, path, older) },
			"its key has signed 14 entries and only 7 are here, so this is an older copy of it"},
		{"an older copy without checkpoints in it", func(t *testing.T, path string, older []byte) {
			put(t, path, older)
			write(t, path, `DROP TRIGGER checkpoints_not_deleted; DELETE FROM checkpoints`)
		}, "its key has signed 14 entries and only 7 are here"},
		{"an older copy that grew elsewhere", func(t *testing.T, path string, older []byte) {
			put(t, path, older)
			newest := contentOf(t, CheckpointPath(path))
			require.NoError(t, os.Remove(CheckpointPath(path)))
			aJobMore(t, path, "N-3")
			aJobMore(t, path, "N-4")
			put(t, CheckpointPath(path), newest)
		}, "its entries 1 to 14 are not those that its key has signed"},
		{"a checkpoint of another log", func(t *testing.T, path string, _ []byte) {
			other := logPath(t)
			aJobMore(t, other, "N-1")
			put(t, CheckpointPath(path), contentOf(t, CheckpointPath(other)))
		}, `of the checkpoint beside its key, "bench.checkpoint", neither its key nor an earlier one that this log names is the signer`},
		{"a checkpoint that is damaged", func(t *testing.T, path string, _ []byte) {
			put(t, CheckpointPath(path), []byte(strings.Replace(string(contentOf(t, CheckpointPath(path))), "\n14\n", "\n13\n", 1)))
		}, "its signature does not fit its text"},
		{"a checkpoint that is empty", func(t *testing.T, path string, _ []byte) { put(t, CheckpointPath(path), nil) }, "it is not a signed note"},
		{"its key is lost too", func(t *testing.T, path string, older []byte) {
			put(t, path, older)
			require.NoError(t, os.Remove(KeyPath(path)))
		}, "its key has signed 14 entries and only 7 are here"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := logPath(t)
			aJobMore(t, path, "N-1")
			older := contentOf(t, path)
			aJobMore(t, path, "N-2")
			c.do(t, path, older)
			old := contentOf(t, CheckpointPath(path))
			for range 2 { // and it stays so
				_, err := Open(path)
				require.ErrorContains(t, err, c.says)
				require.ErrorContains(t, err, `; put the newest copy back, or, if there is none, go on with a new key and say why: loggerd --new-key "REASON"`)
			}
			l, err := OpenWith(path, Options{NewKey: true})
			require.NoError(t, err)
			assert.Equal(t, string(old), l.SetAside())
			assert.Equal(t, old, contentOf(t, CheckpointPath(path)+".old-1"))
			require.NoError(t, l.Close())
			aJobMore(t, path, "N-5")
			report, err := Verify(path, VerifyOptions{})
			require.NoError(t, err)
			assert.Empty(t, report.Damage)
		})
	}
}

// A key that is lost, or a copy gone on with elsewhere, gets a new key as before: the
// checkpoint that lies there is one that the log has.
func TestALostKeyIsReplacedBesideItsCheckpoint(t *testing.T) {
	path := logPath(t)
	aJobMore(t, path, "N-1")
	require.NoError(t, os.Remove(KeyPath(path)))
	aJobMore(t, path, "N-2")
	aJobMore(t, path, "N-3")
	report, err := Verify(path, VerifyOptions{})
	require.NoError(t, err)
	assert.Empty(t, report.Damage)
	assert.Len(t, report.Keys, 2)
}

// A checkpoint that cannot be kept beside the key ends recording until it can be.
func TestACheckpointThatCannotBeKept(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	s := &scribe{}
	require.NoError(t, l.Append(s.start()))
	require.NoError(t, os.MkdirAll(CheckpointPath(path)+"/in the way", 0o700))
	require.NoError(t, l.Append(append(s.job("N-1", 1), s.end("N-1")...)), "these are on disk")
	next := s.readings("", 1)
	assert.ErrorContains(t, l.Append(next), "cannot keep its checkpoint beside its key")
	assert.Error(t, l.Append(nil))
	require.NoError(t, os.RemoveAll(CheckpointPath(path)))
	require.NoError(t, l.Append(nil))
	require.NoError(t, l.Append(next))
	assert.Equal(t, l.Checkpoint(), string(contentOf(t, CheckpointPath(path))))
}

// Every key that was set aside stays.
func TestKeysThatAreSetAsideStay(t *testing.T) {
	path := logPath(t)
	for range 3 {
		l, err := OpenWith(path, Options{NewKey: true})
		require.NoError(t, err)
		require.NoError(t, l.Close())
	}
	assert.FileExists(t, KeyPath(path)+".old-1")
	assert.FileExists(t, KeyPath(path)+".old-2")
}

func TestTheReserve(t *testing.T) {
	path := logPath(t)
	open := func() *Log {
		l, err := OpenWith(path, Options{Reserve: 10_000})
		require.NoError(t, err)
		t.Cleanup(func() { l.Close() })
		return l
	}
	l := open()
	info, err := os.Stat(ReservePath(path))
	require.NoError(t, err)
	assert.EqualValues(t, 10_000, info.Size())
	s := &scribe{}
	require.NoError(t, l.Append(s.start()))
	_, err = l.db.Exec(`PRAGMA max_page_count = 1`)
	require.NoError(t, err)
	require.ErrorContains(t, l.Append(s.readings("", 100)), "database or disk is full")
	assert.NoFileExists(t, ReservePath(path), "it is given up for the last words")

	// While it cannot be made again only last words are taken.
	require.NoError(t, os.MkdirAll(ReservePath(path)+".new/in the way", 0o700))
	s = startAgain(l)
	assert.ErrorContains(t, l.Append(s.readings("", 1)), "there is no room for its reserve of 10000 bytes")
	assert.ErrorContains(t, l.Append(nil), "make room on its disk, recording then goes on by itself")
	s = startAgain(l)
	require.NoError(t, l.Append(s.stopped()))
	require.NoError(t, l.Append(append(s.job("N-1", 1), s.end("N-1")...)), "the end of a job is taken")
	require.NoError(t, os.RemoveAll(ReservePath(path)+".new"))
	require.NoError(t, l.Append(s.readings("", 1)))
	assert.FileExists(t, ReservePath(path))
}

// To open a log on a full disk takes a little room, which the reserve gives.
func TestOpeningOnAFullDisk(t *testing.T) {
	path := logPath(t)
	packed := disk{around: func(step, file string, _ []byte, do func() error) error {
		if step == "create" && file == path && exists(ReservePath(path)) {
			return &os.PathError{Op: "open", Path: file, Err: syscall.ENOSPC}
		}
		return do()
	}}
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o700))
	require.NoError(t, os.WriteFile(ReservePath(path), make([]byte, 10_000), 0o600))
	l, err := OpenWith(path, Options{Reserve: 10_000, disk: packed})
	require.NoError(t, err)
	assert.FileExists(t, ReservePath(path), "there was room for it again")
	require.NoError(t, l.Close())

	path = logPath(t)
	packed.around = func(step, file string, _ []byte, do func() error) error {
		if step == "create" {
			return &os.PathError{Op: "open", Path: "x", Err: syscall.ENOSPC}
		}
		return do()
	}
	_, err = OpenWith(path, Options{Reserve: 10_000, disk: packed})
	require.EqualError(t, err, fmt.Sprintf("cannot open log %q: there is no room on its disk (open x: no space left on device); make room there, then start again", path))
	again, err := Open(path)
	require.NoError(t, err, "it holds nothing that is in the way")
	require.NoError(t, again.Close())
}
