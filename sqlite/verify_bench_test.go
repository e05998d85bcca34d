package sqlite

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/tlog"

	"shimwright/calc"
	"shimwright/session"
)

// Verifying a log file beside bare hashing of the same bytes in memory with tlog, in
// turns. quick is bytes, columns, hashes and signatures; whole also decodes and
// encodes every entry anew, and folds them.
func BenchmarkVerifyBesideHashing(b *testing.B) {
	path, bodies := repeatedJob(b, 20_000)
	for _, quick := range []bool{true, false} {
		b.Run(fmt.Sprintf("quick=%v", quick), func(b *testing.B) {
			var verify, hash time.Duration
			n := 0
			for b.Loop() {
				start := time.Now()
				report, err := Verify(path, VerifyOptions{Quick: quick, Fold: session.NewState(calc.NewMethod()).Apply})
				middle := time.Now()
				must(b, err)
				require.Empty(b, report.Damage)
				hashBare(b, bodies)
				verify += middle.Sub(start)
				hash += time.Since(middle)
				n += len(bodies)
			}
			b.ReportMetric(float64(n)/verify.Seconds(), "entries/s")
			b.ReportMetric(float64(n)/hash.Seconds(), "bare-entries/s")
			b.ReportMetric(hash.Seconds()/verify.Seconds(), "of-bare")
		})
	}
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
