package sqlite

import (
	"bufio"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// Some tests need a process of their own. They start this test binary again with
// the name of a role and the path of a log in its environment.
const (
	roleKey = "SQLITE_TEST_ROLE"
	pathKey = "SQLITE_TEST_LOG"
)

var kills = flag.Int("kills", 5, "how often TestKilledAtAnyInstant kills the process that appends")

func TestMain(m *testing.M) {
	roles := map[string]func(path string) error{
		"append for ever": appendForEver,
		"short of room":   appendShortOfRoom,
		"review":          reviewAloud,
	}
	role, ok := roles[os.Getenv(roleKey)]
	if !ok {
		os.Exit(m.Run())
	}
	if err := role(os.Getenv(pathKey)); err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
}

// child makes the command that plays role on the log at path. The link works for
// any user, wherever the binary is.
func child(t *testing.T, role, path string) *exec.Cmd {
	cmd := exec.CommandContext(t.Context(), "/proc/self/exe")
	cmd.Env = append(os.Environ(), roleKey+"="+role, pathKey+"="+path)
	cmd.Stderr = os.Stderr
	return cmd
}

// appendForEver appends jobs in batches of every size from 1 to 32. It prints the
// last sequence of each batch once the log has acknowledged it.
func appendForEver(path string) error {
	l, err := Open(path)
	if err != nil {
		return err
	}
	s := startAgain(l)
	batch := s.start()
	for size := 1; ; size = size%32 + 1 {
		for i := range batch {
			batch[i].Operator = fmt.Sprintf("%d of %d", i+1, len(batch))
		}
		if err := l.Append(batch); err != nil {
			return err
		}
		fmt.Println(s.seq)
		number := fmt.Sprintf("N-%d", s.seq)
		batch = s.job(number, size)
		if size%3 != 0 {
			batch = append(batch, s.end(number)...)
		}
	}
}

func TestKilledAtAnyInstant(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	var path string
	for n := range *kills {
		if n%10 == 0 {
			path = logPath(t) // a new log now and then keeps the checks short
		}
		acknowledged := appendAndKill(t, path, random)

		r, err := OpenForReview(path)
		require.NoError(t, err, "it can be reviewed as it was left")
		next := int64(1)
		require.NoError(t, r.Entries(1, func(e session.Entry) error {
			assert.Equal(t, next, e.Seq)
			next++
			return nil
		}))
		require.NoError(t, r.Close())

		l := mustOpen(t, path)
		last, _ := l.Last()
		require.GreaterOrEqual(t, last, acknowledged, "nothing acknowledged is lost")
		assert.Equal(t, last, next-1)
		checkWhole(t, l)
		require.NoError(t, l.Close())
		assert.Equal(t, []string{"bench.checkpoint", "bench.key", "bench.log"}, files(t, filepath.Dir(path)))
	}
}

// appendAndKill lets a process append and kills it at a random instant. It returns
// the last sequence that the process had said was acknowledged.
func appendAndKill(t *testing.T, path string, random *rand.Rand) (acknowledged int64) {
	cmd := child(t, "append for ever", path)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	lines := bufio.NewScanner(out)
	batches, delay := 1+random.IntN(60), time.Duration(random.Int64N(int64(3*time.Millisecond)))
	for n := 1; lines.Scan(); n++ {
		_, err := fmt.Sscan(lines.Text(), &acknowledged)
		require.NoError(t, err, lines.Text())
		if n == batches {
			time.AfterFunc(delay, func() { cmd.Process.Kill() })
		}
	}
	assert.ErrorContains(t, cmd.Wait(), "killed")
	require.Positive(t, acknowledged)
	return acknowledged
}

// checkWhole checks what holds after any commit of appendForEver.
func checkWhole(t *testing.T, l *Log) {
	t.Helper()
	checkIntegrity(t, l.db)

	var end session.Entry
	last, _ := l.Last()
	require.NoError(t, each(l.db, func(e session.Entry) error { end = e; return nil },
		`SELECT seq, run, job, kind, body FROM entries WHERE seq = ?`, last))
	place, size, _ := strings.Cut(end.Operator, " of ")
	assert.Equal(t, size, place, "a batch is kept whole or not at all")

	listed := column(t, l.db, `SELECT job FROM open_jobs ORDER BY job`)
	assert.Equal(t, column(t, l.db, `SELECT job FROM entries WHERE kind = 'begin'
		EXCEPT SELECT job FROM entries WHERE kind = 'end' ORDER BY job`), listed, "the open jobs are those without an end")
}

// appendShortOfRoom appends under a limit to the size of files, so that a write
// fails or is cut short at another place each time. It lifts the limit, appends
// again, and at the end prints how many entries count and how it came to them.
func appendShortOfRoom(path string) error {
	signal.Ignore(syscall.SIGXFSZ)
	l, err := Open(path)
	if err != nil {
		return err
	}
	s := &scribe{}
	if err := l.Append(s.start()); err != nil {
		return err
	}
	var failed, kept int
	for room := range uint64(60) {
		info, err := os.Stat(path + "-wal")
		if err != nil {
			return err
		}
		batch := startAgain(l).readings("", 40)
		limit(uint64(info.Size()) + room*1500)
		if err := l.Append(batch); err != nil {
			failed++
			if !strings.HasPrefix(err.Error(), "cannot append to log") || !strings.Contains(err.Error(), "recording") {
				return fmt.Errorf("a failure that is not explained: %w", err)
			}
		}
		limit(^uint64(0))
		var k *KeptError
		switch err := l.Append(nil); {
		case errors.As(err, &k):
			kept++
		case err != nil:
			return fmt.Errorf("it did not recover: %w", err)
		}
	}
	fmt.Println(failed, kept)
	last, _ := l.Last()
	fmt.Println(last)
	return l.Close()
}

func limit(bytes uint64) {
	hard := ^uint64(0)
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: bytes, Max: hard}); err != nil {
		panic(err)
	}
}

func TestWritesThatFailForRealAndRecover(t *testing.T) {
	path := logPath(t)
	out, err := child(t, "short of room", path).Output()
	require.NoError(t, err, string(out))
	var failed, kept, last int
	_, err = fmt.Sscan(string(out), &failed, &kept, &last)
	require.NoError(t, err, string(out))
	t.Logf("%d of 60 writes failed, %d of these were kept", failed, kept)
	assert.Greater(t, failed, 10)
	l := mustOpen(t, path)
	assert.Equal(t, last, count(t, l))
	assert.Equal(t, 2+40*(60-failed+kept), last)
	checkIntegrity(t, l.db)
}

func checkIntegrity(t *testing.T, db *sql.DB) {
	t.Helper()
	var text string
	require.NoError(t, db.QueryRow(`PRAGMA integrity_check`).Scan(&text))
	assert.Equal(t, "ok", text)
}

// reviewAloud prints how much of a log it could read.
func reviewAloud(path string) error {
	r, err := OpenForReview(path)
	if err != nil {
		return err
	}
	defer r.Close()
	n := 0
	if err := r.Entries(1, func(session.Entry) error { n++; return nil }); err != nil {
		return err
	}
	jobs, err := r.Jobs()
	fmt.Printf("%d entries, %d jobs\n", n, len(jobs))
	return err
}
