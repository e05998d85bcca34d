package sqlite

import (
	"database/sql"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// Append and plain inserts write entries of the same bodies in transactions of the
// same sizes under the same pragmas. Append also encodes them, checks the sequence
// and keeps indexes and triggers. On a busy disk only the last of these three
// benchmarks compares them fairly: it takes turns.

func BenchmarkAppend(b *testing.B) {
	eachSize(b, func(b *testing.B, size int) {
		measure(b, appender(b), size)
	})
}

func BenchmarkPlainBatchedInserts(b *testing.B) {
	eachSize(b, func(b *testing.B, size int) {
		measure(b, plainInserter(b), size)
	})
}

func BenchmarkAppendBesidePlain(b *testing.B) {
	eachSize(b, func(b *testing.B, size int) {
		ours, plain := appender(b), plainInserter(b)
		s := &scribe{run: 1}
		var first, second time.Duration
		for b.Loop() {
			entries := s.readings("N-1", size)
			start := time.Now()
			must(b, ours(entries))
			middle := time.Now()
			must(b, plain(entries))
			first += middle.Sub(start)
			second += time.Since(middle)
		}
		n := float64(s.seq)
		b.ReportMetric(n/first.Seconds(), "entries/s")
		b.ReportMetric(n/second.Seconds(), "plain-entries/s")
		b.ReportMetric(second.Seconds()/first.Seconds(), "of-plain")
	})
}

func eachSize(b *testing.B, run func(b *testing.B, size int)) {
	for _, size := range []int{1, 16, 256} {
		b.Run(fmt.Sprint(size), func(b *testing.B) { run(b, size) })
	}
}

func measure(b *testing.B, write func([]session.Entry) error, size int) {
	s := &scribe{run: 1}
	before := written(b)
	for b.Loop() {
		must(b, write(s.readings("N-1", size)))
	}
	b.ReportMetric(float64(s.seq)/b.Elapsed().Seconds(), "entries/s")
	b.ReportMetric(float64(written(b)-before)/float64(s.seq), "written-B/entry")
}

// What a reading costs the disk: a recorded job, in the transactions in which its bench
// wrote it, with everything that follows from a reading, in a log that is closed at the
// end of the job.
func BenchmarkWrittenPerReading(b *testing.B) {
	job := jobEntries(b)
	var readings, entries, size, bytes int64
	for b.Loop() {
		l, err := Open(b.TempDir() + "/bench.log")
		must(b, err)
		before := written(b)
		for from := 0; from < len(job); {
			to := from + 1
			for to < len(job) && job[to].At.Equal(job[from].At) {
				to++
			}
			must(b, l.Append(job[from:to]))
			from = to
		}
		must(b, l.Close())
		bytes += written(b) - before
		for _, e := range job {
			text, err := e.Encode()
			must(b, err)
			size += int64(len(text))
			if e.Kind() == "reading" {
				readings++
			}
		}
		entries += int64(len(job))
	}
	b.ReportMetric(float64(bytes)/float64(readings), "written-B/reading")
	b.ReportMetric(float64(bytes)/float64(entries), "written-B/entry")
	b.ReportMetric(float64(size)/float64(entries), "B/entry")
}

func must(b *testing.B, err error) {
	if err != nil {
		b.Fatal(err)
	}
}

func appender(b *testing.B) func([]session.Entry) error {
	l, err := Open(b.TempDir() + "/bench.log")
	require.NoError(b, err)
	b.Cleanup(func() { l.Close() })
	return l.Append
}

func plainInserter(b *testing.B) func([]session.Entry) error {
	db := connectTo(b.TempDir()+"/plain.db", map[string][]string{"_txlock": {"immediate"}}, writerPragmas())
	b.Cleanup(func() { db.Close() })
	db.SetMaxOpenConns(1)
	_, err := db.Exec(`CREATE TABLE plain (seq INTEGER PRIMARY KEY, run INTEGER, job TEXT, kind TEXT, body BLOB)`)
	require.NoError(b, err)
	insert, err := db.Prepare(`INSERT INTO plain VALUES (?, ?, ?, ?, ?)`)
	require.NoError(b, err)
	body, err := (&scribe{}).readings("N-1", 1)[0].Encode()
	require.NoError(b, err)
	return func(entries []session.Entry) error { return plainly(db, insert, entries, body) }
}

func plainly(db *sql.DB, insert *sql.Stmt, entries []session.Entry, body []byte) error {
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	stmt := tx.Stmt(insert)
	for _, e := range entries {
		if _, err := stmt.Exec(e.Seq, e.Run, e.Job, "reading", body); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// written is how many bytes this process has handed to write calls.
func written(b *testing.B) (bytes int64) {
	text, err := os.ReadFile("/proc/self/io")
	require.NoError(b, err)
	_, after, _ := strings.Cut(string(text), "wchar: ")
	_, err = fmt.Sscan(after, &bytes)
	require.NoError(b, err)
	return bytes
}

// Start-up must not grow with the entries of ended jobs.
func BenchmarkStart(b *testing.B) {
	for _, size := range []int{10_000, 100_000, 1_000_000} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			path := b.TempDir() + "/bench.log"
			fill(b, path, size)
			for b.Loop() {
				l, err := Open(path)
				require.NoError(b, err)
				n := 0
				require.NoError(b, l.Replay(func(session.Entry) error { n++; return nil }))
				require.Less(b, n, 100)
				require.NoError(b, l.Close())
			}
		})
	}
}

// fill makes a log of jobs of 48 readings, each job in a run of its own; the last
// but one is open.
func fill(b *testing.B, path string, size int) {
	l, err := Open(path)
	require.NoError(b, err)
	s := &scribe{}
	for n := 0; s.seq < int64(size); n++ {
		number := fmt.Sprintf("N-%d", n)
		entries := append(s.start(), s.job(number, 48)...)
		if s.seq < int64(size) {
			entries = append(entries, s.end(number)...)
		}
		require.NoError(b, l.Append(entries))
	}
	require.NoError(b, l.Close())
}

// Opening a log for review, reading its jobs and the last of them must not grow with
// its entries.
func BenchmarkReview(b *testing.B) {
	for _, size := range []int{10_000, 1_000_000} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			path := b.TempDir() + "/bench.log"
			fill(b, path, size)
			for b.Loop() {
				r, err := OpenForReview(path)
				must(b, err)
				last, err := r.Last()
				must(b, err)
				n := 0
				must(b, r.Job(fmt.Sprintf("N-%d", last/52-2), func(session.Entry) error { n++; return nil }))
				require.Positive(b, n)
				must(b, r.Close())
			}
		})
	}
}
