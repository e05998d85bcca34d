package main

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/sqlite"
)

// kept is a log of the recorded job change-of-mind in a folder of its own, beside
// it what its bench gave away.
type kept struct {
	dir         string
	key         string
	checkpoints []string
	read, last  int64 // the sequence of a width's reading, and of the last entry
}

// numbered puts sequences for $READ and $LAST, since the recorded job may be
// recorded anew.
func (k kept) numbered(text string) string {
	return strings.NewReplacer("$READ", fmt.Sprint(k.read), "$LAST", fmt.Sprint(k.last)).Replace(text)
}

// keepLog makes bench-1.log.db, first.card (its first checkpoint), last.card (its
// last one, and the public key) and bench.pub (the key).
func keepLog(t *testing.T) kept {
	t.Helper()
	k := kept{dir: t.TempDir()}
	l, err := sqlite.Open(k.file("bench-1.log.db"))
	require.NoError(t, err)
	text, err := os.ReadFile("../../testdata/jobs/change-of-mind/entries.jsonl")
	require.NoError(t, err)
	var entries []session.Entry
	for _, line := range bytes.Split(bytes.TrimSpace(text), []byte("\n")) {
		e, err := session.DecodeEntry(line)
		require.NoError(t, err)
		entries = append(entries, e)
		if r, ok := e.Body.(session.ReadingTaken); ok && k.read == 0 && r.Ruling == session.Filed {
			k.read = e.Seq
		}
		k.last = e.Seq
	}
	for i := 0; i < len(entries); i += 4 {
		require.NoError(t, l.Append(entries[i:min(i+4, len(entries))]))
		if c := l.Checkpoint(); c != "" && (len(k.checkpoints) == 0 || k.checkpoints[len(k.checkpoints)-1] != c) {
			k.checkpoints = append(k.checkpoints, c)
		}
	}
	k.key = l.PublicKey()
	require.NoError(t, l.Close())
	k.write(t, "first.card", k.checkpoints[0])
	k.write(t, "last.card", "Job 1\n\n"+k.checkpoints[len(k.checkpoints)-1]+"\nPublic key: "+k.key+"\n")
	k.write(t, "bench.pub", k.key+"\n")
	k.write(t, "nothing.txt", "hello\n")
	return k
}

func (k kept) file(name string) string { return filepath.Join(k.dir, name) }

func (k kept) write(t *testing.T, name, text string) {
	t.Helper()
	require.NoError(t, os.WriteFile(k.file(name), []byte(text), 0o600))
}

// copied makes a file with the bytes of another.
func (k kept) copied(t *testing.T, from, to string) {
	t.Helper()
	text, err := os.ReadFile(k.file(from))
	require.NoError(t, err)
	k.write(t, to, string(text))
}

// tamper changes the log as somebody does who drops the triggers first.
func (k kept) tamper(t *testing.T, do string) {
	t.Helper()
	db, err := sql.Open("sqlite3", k.file("bench-1.log.db"))
	require.NoError(t, err)
	defer db.Close()
	var drops []string
	rows, err := db.Query(`SELECT 'DROP TRIGGER ' || name FROM sqlite_schema WHERE type = 'trigger'`)
	require.NoError(t, err)
	for rows.Next() {
		var drop string
		require.NoError(t, rows.Scan(&drop))
		drops = append(drops, drop)
	}
	require.NoError(t, rows.Close())
	_, err = db.Exec(strings.Join(append(drops, do), "; "))
	require.NoError(t, err)
}

// olderCopy puts back what the log was after n entries.
func (k kept) olderCopy(t *testing.T, n int) {
	t.Helper()
	k.tamper(t, fmt.Sprintf(`DELETE FROM open_jobs; DELETE FROM entries WHERE seq > %d; DELETE FROM checkpoints WHERE size > %d;
		INSERT INTO open_jobs SELECT job, seq FROM entries WHERE kind = 'begin';
		DELETE FROM hashes WHERE start >= (SELECT 2 * %d - 3)`, n, n, n))
}

// cutWholly takes the end off as somebody does who takes all that tells of it too.
const cutWholly = `DELETE FROM entries WHERE seq > 28; DELETE FROM checkpoints WHERE size > 28; DELETE FROM hashes WHERE start >= 53;
	INSERT INTO open_jobs SELECT job, seq FROM entries WHERE kind = 'begin'`

// Each case is a whole command: what was done to the log before, its arguments, in
// testdata/verify its output and exit code.
var verifications = []struct{ name, do, args string }{
	{"help", "", "verify --help"},
	{"help-prove", "", "prove --help"},
	{"sound", "", "verify bench-1.log.db"},
	{"sound-key", "", "verify --key bench.pub bench-1.log.db"},
	{"sound-quick", "", "verify --quick bench-1.log.db"},
	{"sound-card", "", "verify --checkpoint last.card bench-1.log.db"},
	{"sound-older-card", "", "verify --checkpoint first.card bench-1.log.db"},
	{"sound-beside", "", "verify beside.log.db"},
	{"beside-no-checkpoint", "", "verify strange.log.db"},
	{"edited", `UPDATE entries SET body = CAST(replace(body, '"value_mm":"52.5', '"value_mm":"52.9') AS BLOB) WHERE seq = $READ`, "verify bench-1.log.db"},
	{"edited-json", `UPDATE entries SET body = CAST(replace(body, '"value_mm":"52.5', '"value_mm":"52.9') AS BLOB) WHERE seq = $READ`, "verify --json bench-1.log.db"},
	{"edited-wholly", `UPDATE entries SET body = CAST('{"seq":$READ}' AS BLOB) WHERE seq = $READ`, "verify bench-1.log.db"},
	{"several", `DELETE FROM entries WHERE seq BETWEEN 40 AND 42; UPDATE entries SET run = 3 WHERE seq = 20; DELETE FROM checkpoints WHERE size > 70`, "verify bench-1.log.db"},
	{"cut", `DELETE FROM entries WHERE seq > 60`, "verify bench-1.log.db"},
	{"cut-card", `DELETE FROM entries WHERE seq > 60`, "verify --checkpoint last.card bench-1.log.db"},
	{"cut-wholly", cutWholly, "verify bench-1.log.db"},
	{"cut-wholly-card", cutWholly, "verify --checkpoint last.card bench-1.log.db"},
	{"removed-first", `DELETE FROM open_jobs; DELETE FROM entries WHERE seq = 1`, "verify bench-1.log.db"},
	{"moved", `CREATE TABLE t AS SELECT * FROM entries WHERE seq BETWEEN 30 AND 34;
		UPDATE entries SET body = (SELECT body FROM t WHERE t.seq = CASE entries.seq WHEN 34 THEN 30 ELSE entries.seq + 1 END) WHERE seq BETWEEN 30 AND 34`, "verify bench-1.log.db"},
	{"never-written", `INSERT INTO entries SELECT $LAST + 1, run, job, kind, CAST(replace(replace(body, '"seq":$READ', '"seq":' || ($LAST + 1)), '52.5', '52.6') AS BLOB) FROM entries WHERE seq = $READ`, "verify bench-1.log.db"},
	{"swapped", `CREATE TABLE t AS SELECT * FROM entries WHERE seq IN (30, 31);
		UPDATE entries SET body = (SELECT body FROM t WHERE t.seq = 61 - entries.seq) WHERE seq IN (30, 31)`, "verify bench-1.log.db"},
	{"put-in", `INSERT INTO entries SELECT $LAST + 1, run, job, kind, CAST(replace(body, '"seq":$READ', '"seq":' || ($LAST + 1)) AS BLOB) FROM entries WHERE seq = $READ`, "verify bench-1.log.db"},
	{"checkpoint-edited", `UPDATE checkpoints SET text = replace(text, char(10) || '$LAST' || char(10), char(10) || '1' || char(10)) WHERE size = $LAST`, "verify bench-1.log.db"},
	{"signed-anew", "", "verify other.log.db"},
	{"signed-anew-card", "", "verify --checkpoint last.card other.log.db"},
	{"signed-anew-key", "", "verify --key bench.pub other.log.db"},
	{"signed-anew-beside", "", "verify anew.log.db"},
	{"other-card", "", "verify --checkpoint other.card bench-1.log.db"},
	{"no-card", "", "verify --checkpoint nothing.txt bench-1.log.db"},
	{"no-key", "", "verify --key nothing.txt bench-1.log.db"},
	{"missing", "", "verify nonesuch.log.db"},
	{"missing-card", "", "verify --checkpoint nonesuch.card bench-1.log.db"},
	{"no-log", "", "verify nothing.txt"},
	{"two", "", "verify a b"},
	{"prove", "", "prove 1 -o job.tlog-proof --log bench-1.log.db"},
	{"prove-entry", "", "prove --entry $READ -o entry.tlog-proof --log bench-1.log.db"},
	{"prove-json", "", "prove 1 --json -o job.tlog-proof --log bench-1.log.db"},
	{"prove-all", "", "prove 1 --all -o job.tlog-proof --log bench-1.log.db"},
	{"prove-nowhere", "", "prove 1 --log bench-1.log.db"},
	{"prove-over", "", "prove 1 -o nothing.txt --log bench-1.log.db"},
	{"prove-no-folder", "", "prove 1 -o none/x.tlog-proof --log bench-1.log.db"},
	{"prove-no-job", "", "prove 9 -o x.tlog-proof --log bench-1.log.db"},
	{"prove-no-entry", "", "prove --entry 99 -o x.tlog-proof --log bench-1.log.db"},
	{"prove-no-number", "", "prove --entry x -o x.tlog-proof --log bench-1.log.db"},
	{"prove-not-covered", "DELETE FROM checkpoints WHERE size > 40", "prove 1 -o x.tlog-proof --log bench-1.log.db"},
	{"proof", "", "verify --key bench.pub entry.tlog-proof"},
	{"proof-json", "", "verify --key last.card --json entry.tlog-proof"},
	{"proof-no-key", "", "verify entry.tlog-proof"},
	{"proof-other-key", "", "verify --checkpoint other.card entry.tlog-proof"},
	{"proof-edited", "", "verify --key bench.pub edited.tlog-proof"},
	{"proof-cut", "", "verify --key bench.pub cut.tlog-proof"},
}

func TestVerifications(t *testing.T) {
	ours, other := keepLog(t), keepLog(t)
	ours.copied(t, "bench-1.log.db", "whole.log.db")
	code, _, stderr := logctl(environment(nil), "", "prove", "--entry", fmt.Sprint(ours.read), "-o", ours.file("whole.tlog-proof"), "--log", ours.file("whole.log.db"))
	require.Equal(t, exitOK, code, stderr)
	proof, err := os.ReadFile(ours.file("whole.tlog-proof"))
	require.NoError(t, err)
	card, err := os.ReadFile(other.file("last.card"))
	require.NoError(t, err)
	anew, err := os.ReadFile(other.file("bench-1.log.db"))
	require.NoError(t, err)
	key := regexp.MustCompile(`bench-1/[0-9a-f]{16}`)
	theirs := regexp.MustCompile(`bench-1/[0-9a-f]{16}`).FindString(other.key)
	hash := regexp.MustCompile(`\+[0-9a-f]{8}\+[A-Za-z0-9+/]{44}`)
	for _, v := range verifications {
		t.Run(v.name, func(t *testing.T) {
			k := kept{dir: t.TempDir()}
			t.Chdir(k.dir)
			for _, name := range []string{"first.card", "last.card", "bench.pub", "nothing.txt"} {
				text, err := os.ReadFile(ours.file(name))
				require.NoError(t, err)
				k.write(t, name, string(text))
			}
			whole, err := os.ReadFile(ours.file("whole.log.db"))
			require.NoError(t, err)
			k.write(t, "bench-1.log.db", string(whole))
			k.write(t, "other.card", string(card))
			if !strings.HasPrefix(v.args, "prove") {
				k.write(t, "entry.tlog-proof", string(proof))
				k.write(t, "edited.tlog-proof", strings.Replace(string(proof), fmt.Sprintf("index %d", ours.read-1), fmt.Sprintf("index %d", ours.read), 1))
				k.write(t, "cut.tlog-proof", string(proof[:200]))
			}
			k.write(t, "other.log.db", string(anew))
			k.write(t, "anew.log.db", string(anew))
			k.write(t, "anew.checkpoint", ours.checkpoints[len(ours.checkpoints)-1])
			k.copied(t, "bench-1.log.db", "beside.log.db")
			k.write(t, "beside.checkpoint", ours.checkpoints[len(ours.checkpoints)-1])
			k.copied(t, "bench-1.log.db", "strange.log.db")
			k.write(t, "strange.checkpoint", "hello\n")
			if v.do != "" {
				k.tamper(t, ours.numbered(v.do))
			}
			code, stdout, stderr := logctl(environment(nil), "", strings.Fields(ours.numbered(v.args))...)
			got := fmt.Sprintf("$ logctl %s\n%s--- stderr\n%s--- exit %d\n", ours.numbered(v.args), stdout, stderr, code)
			got = strings.ReplaceAll(got, theirs, "bench-1/THE-OTHER-KEY")
			got = hash.ReplaceAllString(key.ReplaceAllString(got, "bench-1/0123456789abcdef"), "+KEY")
			checkGolden(t, v.name, got, strings.Contains(v.args, "--json"))
		})
	}
}

var here, _ = os.Getwd()

// checkGolden compares with a file of testdata/verify, and looks at its form.
func checkGolden(t *testing.T, name, got string, machine bool) {
	t.Helper()
	path := filepath.Join(here, "testdata", "verify", name+".txt")
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
	for _, line := range strings.Split(got, "\n")[1:] {
		if !machine {
			assert.LessOrEqual(t, runes(line), 80, line)
		}
	}
	if !strings.HasSuffix(got, "--- exit 0\n") {
		_, errs, _ := strings.Cut(got, "--- stderr\n")
		assert.Contains(t, errs, "logctl: ")
		assert.Contains(t, errs, ";", "it says what to do")
	}
}

// What only a checkpoint from elsewhere shows is not claimed without one.
func TestVerifyAgainstWhatWasKept(t *testing.T) {
	k := keepLog(t)
	var sizes []int
	for _, c := range k.checkpoints {
		var size int
		_, err := fmt.Sscan(strings.Split(c, "\n")[1], &size)
		require.NoError(t, err)
		sizes = append(sizes, size)
	}
	require.EqualValues(t, k.last, sizes[len(sizes)-1])
	k.olderCopy(t, sizes[0])
	path := k.file("bench-1.log.db")

	code, stdout, _ := logctl(environment(nil), "", "verify", path)
	assert.Equal(t, exitUnverified, code)
	assert.Contains(t, joined(stdout), fmt.Sprintf("entries %d to %d are missing, as the checkpoint in bench-1.checkpoint covers %d entries", sizes[0]+1, k.last, k.last))

	require.NoError(t, os.Remove(sqlite.CheckpointPath(path)))
	code, stdout, stderr := logctl(environment(nil), "", "verify", path)
	assert.Equal(t, exitOK, code, stdout+stderr)
	assert.Contains(t, joined(stdout), fmt.Sprintf("this proves entries 1 to %d only", sizes[0]))

	code, stdout, _ = logctl(environment(nil), "", "verify", "--checkpoint", k.file("first.card"), path)
	assert.Equal(t, exitOK, code)
	assert.Contains(t, joined(stdout), fmt.Sprintf("Whether entries after %d were cut off", sizes[0]), "it claims no more")

	code, stdout, _ = logctl(environment(nil), "", "verify", "--checkpoint", k.file("last.card"), path)
	assert.Equal(t, exitUnverified, code)
	assert.Contains(t, joined(stdout), fmt.Sprintf("An older copy was put back, or the end was cut off: entries %d to %d are missing, as the checkpoint in %s covers %d entries", sizes[0]+1, k.last, k.file("last.card"), k.last))

	code, stdout, _ = logctl(environment(nil), "", "verify", "--json", "--checkpoint", k.file("last.card"), path)
	assert.Equal(t, exitUnverified, code)
	var v verified
	require.NoError(t, json.Unmarshal([]byte(stdout), &v))
	assert.False(t, v.Sound)
	assert.Equal(t, sqlite.Older, v.Damage[0].Change)
	assert.EqualValues(t, sizes[0], v.Signed)
}

func joined(text string) string { return strings.Join(strings.Fields(text), " ") }

// A third party with the proof and the key alone reads the job's decisions.
func TestProofOfAJobIsCheckedWithoutTheLog(t *testing.T) {
	k := keepLog(t)
	file := k.file("job.tlog-proof")
	code, _, stderr := logctl(environment(nil), "", "prove", "1", "-o", file, "--log", k.file("bench-1.log.db"))
	require.Equal(t, exitOK, code, stderr)
	require.NoError(t, os.Remove(k.file("bench-1.log.db")))
	code, stdout, stderr := logctl(environment(nil), "", "verify", "--json", "--key", k.key, file)
	require.Equal(t, exitOK, code, stderr)
	var v provenFile
	require.NoError(t, json.Unmarshal([]byte(stdout), &v))
	assert.True(t, v.Sound)
	kinds := map[string]int{}
	for _, s := range v.Entries {
		e, err := session.DecodeEntry([]byte(s.Entry))
		require.NoError(t, err)
		assert.Equal(t, s.Seq, e.Seq)
		assert.Equal(t, s.Seq, s.Proved.Seq)
		kinds[e.Kind()]++
	}
	assert.Equal(t, 1, kinds["begin"])
	assert.Equal(t, 1, kinds["end"])
	assert.Equal(t, 1, kinds["advice"], "the last one")
	assert.Positive(t, kinds["step closed"])
	assert.Positive(t, kinds["strike out"])
	assert.Zero(t, kinds["reading"])
}

// Every kind of damage has a sentence of its own.
func TestEveryDamageHasASentence(t *testing.T) {
	seen := map[string]sqlite.Change{}
	for _, c := range []sqlite.Change{sqlite.Edited, sqlite.Removed, sqlite.Inserted, sqlite.Duplicated, sqlite.Reordered, sqlite.TailCut,
		sqlite.Spliced, sqlite.Rebuilt, sqlite.Column, sqlite.Form, sqlite.Unfit, sqlite.Index, sqlite.HashEdited, sqlite.HashLost,
		sqlite.NoteEdited, sqlite.NoteLost, sqlite.OtherKey, sqlite.Older, sqlite.Rewritten, sqlite.Foreign, sqlite.BadOutside, sqlite.Unreadable} {
		for _, last := range []int64{3, 5} {
			text := damage(sqlite.Damage{Change: c, First: 3, Last: last, Of: 2, Field: "run", Was: "1", Is: "", Detail: "why", Source: "card"}, time.UTC)
			assert.True(t, strings.HasSuffix(text, "."), text)
			assert.NotEqual(t, string(c), text)
			other, ok := seen[text]
			assert.True(t, !ok || other == c, "%s says the same as %s", c, other)
			seen[text] = c
		}
	}
	assert.Contains(t, damage(sqlite.Damage{Change: sqlite.Rebuilt, First: 3, Last: 9, Fewer: 1}, time.UTC), "there is 1 entry fewer than were signed")
	assert.Contains(t, damage(sqlite.Damage{Change: sqlite.OtherKey, First: 3, Last: 9, Detail: "x"}, time.UTC), "Entries 3 to 9 are signed by another key than the one given: x.")
	assert.Contains(t, damage(sqlite.Damage{Change: sqlite.Unreadable, Detail: "x"}, time.UTC), "The file is damaged and cannot be read as a log: x.")
	long := damage(sqlite.Damage{Change: sqlite.Edited, First: 3, Last: 3, Field: "plan_text", Was: strings.Repeat("é", 500), Is: "x"}, time.UTC)
	assert.Less(t, runes(long), 300)
}

func TestBar(t *testing.T) {
	assert.Equal(t, "\r[........................................]   0 % of 1 entries", barText(0, 0))
	assert.Equal(t, "\r[####################....................]  50 % of 500 entries", barText(250, 500))
	assert.Equal(t, "\r[########################################] 100 % of 500 entries", barText(500, 500))
	var out bytes.Buffer
	b := newBar(&out, environment(nil))
	b.show(1, 2)
	b.clear()
	assert.Empty(t, out.String(), "no bar into a file")
	b.w = &out
	b.show(1, 2)
	assert.Empty(t, out.String(), "nor at once")
	b.since = b.since.Add(-1e9)
	b.show(1, 2)
	b.show(1, 2)
	b.clear()
	assert.Equal(t, barText(1, 2)+"\r\x1b[K", out.String(), "ten times a second at most")
}
