package sqlite

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/tlog"

	"shimwright/calc"
	"shimwright/session"
)

// Verifying a log file beside bare hashing of the same bytes with tlog, in turns. Bare
// hashing is one goroutine over bytes that lie in memory: tlog.StoredHashes of each
// entry, so its leaf and the hashes above it, and nothing read, compared or looked at.
// quick is the file read, columns, hashes and signatures; whole also decodes and encodes
// every entry anew, and folds them, which no amount of hashing stands for. Verifying uses
// two processors if they are free: best-of-bare compares the fastest turns of each, which
// other work on the machine spoils least, and of-bare-cpu what the turns cost.
func BenchmarkVerifyBesideHashing(b *testing.B) {
	path, bodies := repeatedJob(b, 20_000)
	for _, quick := range []bool{true, false} {
		b.Run(fmt.Sprintf("quick=%v", quick), func(b *testing.B) {
			var verify, hash lap
			for b.Loop() {
				verify.time(func() {
					report, err := Verify(path, VerifyOptions{Quick: quick, Fold: session.NewState(calc.NewMethod()).Apply})
					must(b, err)
					require.Empty(b, report.Damage)
				})
				hash.time(func() { hashBare(b, bodies) })
			}
			n := float64(b.N * len(bodies))
			b.ReportMetric(n/verify.sum.Seconds(), "entries/s")
			b.ReportMetric(n/hash.sum.Seconds(), "bare-entries/s")
			b.ReportMetric(hash.sum.Seconds()/verify.sum.Seconds(), "of-bare")
			b.ReportMetric(hash.best.Seconds()/verify.best.Seconds(), "best-of-bare")
			b.ReportMetric(hash.cpu.Seconds()/verify.cpu.Seconds(), "of-bare-cpu")
		})
	}
}

// A lap is what turns took: all together, the fastest, and of the processors.
type lap struct{ sum, best, cpu time.Duration }

func (l *lap) time(do func()) {
	spent := func() time.Duration {
		var u syscall.Rusage
		syscall.Getrusage(syscall.RUSAGE_SELF, &u)
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	start, before := time.Now(), spent()
	do()
	took := time.Since(start)
	if l.sum == 0 || took < l.best {
		l.best = took
	}
	l.sum += took
	l.cpu += spent() - before
}

// hashBare hashes as tlog does of its own.
func hashBare(b *testing.B, bodies [][]byte) {
	var stored []tlog.Hash
	reader := tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		hashes := make([]tlog.Hash, len(indexes))
		for i, index := range indexes {
			hashes[i] = stored[index]
		}
		return hashes, nil
	})
	for n, body := range bodies {
		hashes, err := tlog.StoredHashes(int64(n), body, reader)
		must(b, err)
		stored = append(stored, hashes...)
	}
}

// repeatedJob makes a log of a recorded job over and over, with other job numbers,
// until it has size entries.
func repeatedJob(b *testing.B, size int) (path string, bodies [][]byte) {
	path = filepath.Join(b.TempDir(), "north.log.db")
	l, err := Open(path)
	require.NoError(b, err)
	job := jobEntries(b)
	seq, run := int64(0), int64(0)
	for n := 1; len(bodies) < size; n++ {
		batch := slices.Clone(job)
		first := batch[0].Run
		for i := range batch {
			e := &batch[i]
			shift := seq
			e.Seq += shift
			e.Run += run - first + 1
			if e.Job != "" {
				e.Job = fmt.Sprint(n)
			}
			e.Body = shifted(e.Body, shift)
			body, err := e.Encode()
			require.NoError(b, err)
			bodies = append(bodies, body)
		}
		seq += int64(len(batch))
		run = batch[len(batch)-1].Run
		for chunk := range slices.Chunk(batch, 8) {
			require.NoError(b, l.Append(chunk))
		}
	}
	require.NoError(b, l.Close())
	return path, bodies
}

func jobEntries(b *testing.B) (entries []session.Entry) {
	text, err := os.ReadFile("../testdata/jobs/gearbox-shaft/entries.jsonl")
	require.NoError(b, err)
	for line := range slices.Values(splitLines(text)) {
		e, err := session.DecodeEntry(line)
		require.NoError(b, err)
		entries = append(entries, e)
	}
	return entries
}

func splitLines(text []byte) (lines [][]byte) {
	for len(text) > 0 {
		i := slices.Index(text, '\n')
		lines = append(lines, text[:i])
		text = text[i+1:]
	}
	return lines
}

// shifted lets what points to an entry point to it where it is now.
func shifted(body session.Body, by int64) session.Body {
	move := func(seqs []int64) []int64 {
		seqs = slices.Clone(seqs)
		for i := range seqs {
			seqs[i] += by
		}
		return seqs
	}
	switch v := body.(type) {
	case session.StepClosed:
		v.Counted = move(v.Counted)
		if v.LeftOut != nil {
			v.LeftOut = move(v.LeftOut)
		}
		return v
	case session.HeldDecided:
		v.Reading += by
		return v
	case session.Struck:
		v.Reading += by
		return v
	case session.Restored:
		v.Reading += by
		return v
	}
	return body
}

// How long it takes to verify a log of a million entries, and to find one edited
// value in it.
func BenchmarkVerifyAMillion(b *testing.B) {
	path := filepath.Join(b.TempDir(), "north.log.db")
	fill(b, path, 1_000_000)
	for _, quick := range []bool{true, false} {
		b.Run(fmt.Sprintf("sound/quick=%v", quick), func(b *testing.B) {
			for b.Loop() {
				report, err := Verify(path, VerifyOptions{Quick: quick})
				must(b, err)
				require.Empty(b, report.Damage)
			}
		})
	}
	db := connectTo(path, nil, nil)
	_, err := db.Exec(`DROP TRIGGER entries_not_updated; UPDATE entries SET body = CAST(replace(body, '21.40', '21.44') AS BLOB) WHERE seq = 700000`)
	require.NoError(b, err)
	require.NoError(b, db.Close())
	b.Run("edited", func(b *testing.B) {
		for b.Loop() {
			report, err := Verify(path, VerifyOptions{Quick: true})
			must(b, err)
			require.Equal(b, int64(700000), report.Damage[0].First)
		}
	})
}
