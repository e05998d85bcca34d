package sqlite

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"shimwright/calc"
	"shimwright/session"
)

// filledLog makes a file of a recorded job, closed.
func filledLog(t *testing.T, job string) string {
	t.Helper()
	l := mustOpen(t, filepath.Join(t.TempDir(), "north.log.db"))
	entries := recordedEntries(t, job)
	for i := 0; i < len(entries); i += 5 {
		require.NoError(t, l.Append(entries[i:min(i+5, len(entries))]))
	}
	require.NoError(t, l.Close())
	return l.path
}

const untrigger = `DROP TRIGGER entries_not_updated; DROP TRIGGER entries_not_deleted; DROP TRIGGER entries_in_sequence;
	DROP TRIGGER hashes_not_updated; DROP TRIGGER hashes_not_deleted; DROP TRIGGER hashes_in_sequence;
	DROP TRIGGER checkpoints_not_updated; DROP TRIGGER checkpoints_not_deleted; DROP TRIGGER checkpoints_in_sequence; `

// Sequences in a test that stand for the reading of a width and for the last entry,
// of a recorded job that may be recorded anew; $READ and $LAST in SQL.
const (
	theReading = -1
	theLast    = -2
	pastLast   = -3
)

// actual puts sequences in.
func (d Damage) actual(read, last int64) Damage {
	for _, n := range []*int64{&d.First, &d.Last, &d.Of} {
		switch *n {
		case theReading:
			*n = read
		case theLast:
			*n = last
		case pastLast:
			*n = last + 1
		}
	}
	d.Was = strings.Replace(d.Was, "$LAST", fmt.Sprint(last), 1)
	d.Detail = strings.Replace(d.Detail, "$LAST", fmt.Sprint(last), 1)
	return d
}

const previous = -4 // after the checkpoint before the last

// What is done to a real file with a database tool is named.
func TestVerifyAFile(t *testing.T) {
	for _, c := range []struct {
		name, do string
		want     Damage
	}{
		{"a value edited", `UPDATE entries SET body = CAST(replace(body, '"value_mm":"52.5', '"value_mm":"52.9') AS BLOB) WHERE seq = $READ`,
			Damage{Change: Edited, First: theReading, Last: theReading, Field: "value_mm", Was: `"52.54"`, Is: `"52.94"`}},
		{"operator edited", `UPDATE entries SET body = CAST(replace(body, '"operator":"ada"', '"operator":"mo"') AS BLOB) WHERE seq = $LAST`,
			Damage{Change: Edited, First: theLast, Last: theLast, Field: "operator", Was: `"ada"`, Is: `"mo"`}},
		{"removed", `DELETE FROM entries WHERE seq IN (40, 41)`, Damage{Change: Removed, First: 40, Last: 41}},
		{"tail cut", `DELETE FROM entries WHERE seq > 60`, Damage{Change: TailCut, First: 61, Last: theLast}},
		{"a column", `UPDATE entries SET run = 7 WHERE seq = 20`, Damage{Change: Column, First: 20, Last: 20, Field: "run", Was: "1", Is: "7"}},
		{"another column", `UPDATE entries SET seq = 999 WHERE seq = $LAST`, Damage{Change: Column, First: 999, Last: 999, Field: "seq", Was: "$LAST", Is: "999"}},
		{"swapped", `CREATE TABLE t AS SELECT * FROM entries WHERE seq IN (30, 31);
			UPDATE entries SET body = (SELECT body FROM t WHERE t.seq = 61 - entries.seq) WHERE seq IN (30, 31)`,
			Damage{Change: Reordered, First: 30, Last: 31}},
		{"doubled at the end", `INSERT INTO entries SELECT $LAST + 1, run, job, kind, body FROM entries WHERE seq = $READ`,
			Damage{Change: Duplicated, First: pastLast, Last: pastLast, Of: theReading}},
		{"appended", `INSERT INTO entries SELECT $LAST + 1, run, job, kind, CAST('{"seq":' || ($LAST + 1) || ',"run":1,"at":"2026-03-02T08:00:57.000000000Z","mono_ns":57000000000,"door":"bench","kind":"port","body":{"instrument":"x","state":"live"}}' AS BLOB) FROM entries WHERE seq = $READ`,
			Damage{Change: Inserted, First: pastLast, Last: pastLast}},
		{"a hash", `UPDATE hashes SET nodes = CAST(zeroblob(32) || substr(nodes, 33) AS BLOB) WHERE start = 0`,
			Damage{Change: HashEdited, First: 1, Last: 1}},
		{"all hashes", `DELETE FROM hashes`, Damage{Change: HashLost, First: 1, Last: theLast}},
		{"a checkpoint", `UPDATE checkpoints SET text = replace(text, char(10) || '$LAST' || char(10), char(10) || '1' || char(10)) WHERE size = $LAST`,
			Damage{Change: NoteEdited, Last: theLast, Detail: "its signature does not fit its text"}},
		{"size of a checkpoint", `UPDATE checkpoints SET size = 990 WHERE size = $LAST`,
			Damage{Change: NoteEdited, Last: 990, Detail: "its text covers $LAST entries"}},
		{"the key of a checkpoint", `UPDATE checkpoints SET signer = replace(signer, 'north', 'south') WHERE size = $LAST`,
			Damage{Change: NoteEdited, Last: theLast, Detail: "the key beside it is not the one that signed it"}},
		{"the last checkpoint removed", `DELETE FROM checkpoints WHERE size = $LAST`, Damage{Change: NoteLost, First: previous, Last: theLast}},
		{"all checkpoints removed", `DELETE FROM checkpoints`, Damage{Change: NoteLost, First: 1, Last: theLast}},
		{"open jobs", `INSERT INTO open_jobs VALUES ('1', 5)`, Damage{Change: Index, Is: "1"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filledLog(t, "change-of-mind")
			p := paperOf(t, path)
			read, last := p.reading(), p.size()
			write(t, path, untrigger+strings.NewReplacer("$READ", fmt.Sprint(read), "$LAST", fmt.Sprint(last)).Replace(c.do))
			before, err := os.ReadFile(path)
			require.NoError(t, err)
			report, err := Verify(path, VerifyOptions{Fold: session.NewState(calc.NewMethod()).Apply})
			require.NoError(t, err)
			assert.False(t, report.Sound())
			want := c.want.actual(read, last)
			if want.First == previous {
				want.First = p.notes[len(p.notes)-2].size + 1
			}
			assert.Contains(t, unnamed(report.Damage), want, summary(report))
			after, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, before, after, "nothing is written")
		})
	}
}

func TestVerifySoundLogs(t *testing.T) {
	path := filledLog(t, "change-of-mind")
	size := paperOf(t, path).size()
	var done []int64
	report, err := Verify(path, VerifyOptions{Fold: session.NewState(calc.NewMethod()).Apply,
		Progress: func(n, all int64) { assert.Equal(t, size, all); done = append(done, n) }})
	require.NoError(t, err)
	assert.Equal(t, []int64{size}, done)
	assert.True(t, report.Sound(), summary(report))
	assert.Equal(t, size, report.Entries)
	assert.Equal(t, size, report.Signed)
	assert.False(t, report.KeysGiven)
	assert.Len(t, report.Keys, 1)

	copied := filepath.Join(t.TempDir(), "usb", "any name")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.Mkdir(filepath.Dir(copied), 0o700))
	require.NoError(t, os.WriteFile(copied, text, 0o400))
	require.NoError(t, os.Chmod(filepath.Dir(copied), 0o500))
	defer os.Chmod(filepath.Dir(copied), 0o700)
	again, err := Verify(copied, VerifyOptions{Keys: report.Keys})
	require.NoError(t, err)
	assert.True(t, again.Sound())
	assert.True(t, again.KeysGiven)
	assert.Equal(t, []string{"any name"}, files(t, filepath.Dir(copied)), "no file appears")

	empty := mustOpen(t, logPath(t))
	report, err = Verify(empty.path, VerifyOptions{})
	require.NoError(t, err, "also while its daemon is on")
	assert.True(t, report.Sound())
	assert.Zero(t, report.Entries)

	old := logPath(t)
	oldLog(t, old, 3, true)
	report, err = Verify(old, VerifyOptions{})
	require.NoError(t, err)
	assert.True(t, report.Sound(), summary(report))
	assert.Zero(t, report.Signed, "it has nothing that proves anything")
	write(t, old, `DROP TRIGGER entries_not_deleted; DELETE FROM entries WHERE seq = 4`)
	report, err = Verify(old, VerifyOptions{})
	require.NoError(t, err)
	assert.Equal(t, []Damage{{Change: Removed, First: 4, Last: 4}}, unnamed(report.Damage))
}

func TestVerifyFilesThatAreNoLogs(t *testing.T) {
	path := logPath(t)
	_, err := Verify(path, VerifyOptions{})
	assert.ErrorIs(t, err, fs.ErrNotExist)
	assert.ErrorContains(t, err, fmt.Sprintf("cannot verify log %q: ", path))
	require.NoError(t, os.WriteFile(path, bytes.Repeat([]byte("garbage "), 1000), 0o600))
	report, err := Verify(path, VerifyOptions{})
	require.NoError(t, err)
	assert.Equal(t, []Damage{{Change: Unreadable, Detail: "file is not a database"}}, report.Damage)

	full := filledLog(t, "change-of-mind")
	_, err = Verify(full, VerifyOptions{Keys: []string{"x"}})
	assert.ErrorContains(t, err, "the key that was given is not a verifier key; copy it whole")
}

// Bytes changed in the file itself, past SQLite, never pass unseen where they change
// what the log says. (Unused parts of pages may hold anything.)
func TestVerifyAFileWithFlippedBytes(t *testing.T) {
	random := seeded(t)
	path := filledLog(t, "gearbox-shaft")
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	want := paperOf(t, path)
	changed := 0
	for range 60 {
		file := slices.Clone(whole)
		file[100+random.IntN(len(file)-100)] ^= 1 << random.IntN(8)
		bad := logPath(t)
		require.NoError(t, os.WriteFile(bad, file, 0o600))
		report, err := Verify(bad, VerifyOptions{})
		if err != nil || !report.Sound() {
			changed++
			continue
		}
		got := paperOf(t, bad)
		assert.Equal(t, want.all, got.all)
		assert.Equal(t, want.notes, got.notes)
	}
	assert.Positive(t, changed)
}

func TestVerifyAfterAKeyWasReplaced(t *testing.T) {
	l := mustOpen(t, logPath(t))
	someJobs(t, l)
	old := l.PublicKey()
	card := Outside{Name: "an old card", Text: l.Checkpoint()}
	require.NoError(t, l.Close())
	require.NoError(t, os.Remove(KeyPath(l.path)))
	l = mustOpen(t, l.path)
	require.NoError(t, l.Append(startAgain(l).end("N-2")))
	require.NoError(t, l.Close())

	report, err := Verify(l.path, VerifyOptions{Outside: []Outside{card}})
	require.NoError(t, err)
	assert.True(t, report.Sound(), summary(report))
	assert.Equal(t, []string{old, l.PublicKey()}, report.Keys)
	report, err = Verify(l.path, VerifyOptions{Keys: []string{old}})
	require.NoError(t, err)
	assert.Equal(t, []Damage{{Change: OtherKey, First: 12, Last: 12, Detail: l.key.signer.Name()}}, report.Damage)
	assert.EqualValues(t, 11, report.Signed)
	report, err = Verify(l.path, VerifyOptions{Keys: []string{old, l.PublicKey()}})
	require.NoError(t, err)
	assert.True(t, report.Sound())
}

func TestOutsideCheckpointsThatAreNotGenuine(t *testing.T) {
	path := filledLog(t, "change-of-mind")
	p := paperOf(t, path)
	other := paperOf(t, filledLog(t, "gearbox-shaft"))
	stranger := mustOpen(t, filepath.Join(t.TempDir(), "south.log.db"))
	someJobs(t, stranger)
	for _, c := range []struct {
		name, text string
		want       Damage
	}{
		{"changed", strings.Replace(p.latest(), fmt.Sprintf("\n%d\n", p.size()), "\n7\n", 1), Damage{Change: BadOutside, Detail: "its signature does not fit its text", Source: "card"}},
		{"no note", "hello", Damage{Change: BadOutside, Detail: "it is not a signed note", Source: "card"}},
		{"of another bench", stranger.Checkpoint(), Damage{Change: Foreign, Detail: stranger.key.signer.Name(), Source: "card"}},
		{"another key of this bench", other.latest(), Damage{Change: OtherKey, First: 1, Last: other.size(), Detail: strings.Split(other.latest(), "\n")[0], Source: "card"}},
	} {
		report, err := Verify(path, VerifyOptions{Outside: []Outside{{Name: "card", Text: c.text}}})
		require.NoError(t, err)
		assert.Equal(t, []Damage{c.want}, report.Damage, c.name)
		assert.False(t, report.Outside[0].Matches)
	}
}

func TestCheckpointsIn(t *testing.T) {
	p := paperOf(t, filledLog(t, "change-of-mind"))
	first, last := p.notes[0].text, p.latest()
	message, err := json.Marshal(map[string]any{"schema": 1, "log": map[string]any{"checkpoint": last, "key": p.public()}})
	require.NoError(t, err)
	for _, c := range []struct {
		name, text  string
		checkpoints []string
		keys        []string
	}{
		{"a note", last, []string{last}, nil},
		{"carriage returns", strings.ReplaceAll(last, "\n", "\r\n"), []string{last}, nil},
		{"two in a text, indented", "Checkpoint of job 1\n\n  " + strings.ReplaceAll(first, "\n", "\n  ") + "\nand\n" + last, []string{first, last}, nil},
		{"twice the same", last + last, []string{last}, nil},
		{"with the key", "Key: " + p.public() + "\n\n" + last, []string{last}, []string{p.public()}},
		{"a message", string(message), []string{last}, []string{p.public()}},
		{"a page", "<html><pre>" + strings.ReplaceAll(last, "+", "&#43;") + "</pre><p>" + p.public() + "</p></html>", []string{last}, []string{p.public()}},
		{"nothing", "hello\n12\nAAAA\n\n— x y\n", nil, nil},
		{"no signature", strings.SplitAfter(last, "\n\n")[0], nil, nil},
		{"a key with another hash", strings.Replace(p.public(), "+", "x+", 1), nil, nil},
	} {
		checkpoints, keys := CheckpointsIn(c.text)
		assert.Equal(t, c.checkpoints, checkpoints, c.name)
		assert.Equal(t, c.keys, keys, c.name)
	}
}

func TestReadHeader(t *testing.T) {
	for _, e := range slices.Concat(recordedEntries(t, "change-of-mind"), []session.Entry{
		{Seq: 1, Run: 2, Job: `a "b" \ <c> é`, Operator: "o\n\x01", Door: session.FromPage, Body: session.Ended{}},
	}) {
		body, err := e.Encode()
		require.NoError(t, err)
		h, ok := readHeader(body)
		require.True(t, ok, "%s", body)
		assert.Equal(t, []any{e.Seq, e.Run, int64(e.Mono), e.Job, string(e.Door), e.Kind()}, []any{h.seq, h.run, h.mono, string(h.job), string(h.door), string(h.kind)})
		for cut := range min(len(body), 120) {
			readHeader(body[:cut]) // no panic
		}
	}
	for _, text := range []string{``, `{`, `{"seq":x`, `{"seq":1,"run":1,"at":"`, `{"seq":1,"run":1,"at":"x\`, `{"run":1}`} {
		_, ok := readHeader([]byte(text))
		assert.False(t, ok, text)
	}
}

func TestTokensOf(t *testing.T) {
	const text = `{"a":{"b":[1,"x\"y\\",{"c":null}],"d":true}, "e" : -2.5e3}`
	var got []string
	for _, k := range tokensOf([]byte(text)) {
		assert.Equal(t, text[k.from:k.to], k.text)
		got = append(got, k.path+"="+k.text)
	}
	assert.Equal(t, []string{`a.b.1=1`, `a.b.2="x\"y\\"`, `a.b.3.c=null`, `a.d=true`, `e=-2.5e3`}, got)
	assert.Len(t, tokensOf([]byte(`{"a":1,"b":`)), 1, "as far as it can be read")
	assert.Empty(t, tokensOf([]byte(`}`)))
}

func TestProofs(t *testing.T) {
	path := filledLog(t, "change-of-mind")
	p := paperOf(t, path)
	r := review(t, path)
	all := make([]int64, p.size())
	for i := range all {
		all[i] = int64(i) + 1
	}
	proofs, err := r.Prove(all...)
	require.NoError(t, err)
	text := ""
	for i, got := range proofs {
		assert.Equal(t, p.all[i].body, got.Entry)
		// Checked by a foreign library too, from the text alone.
		c, err := unsignedCheckpoint(got.Checkpoint)
		require.NoError(t, err)
		require.NoError(t, proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(i), uint64(c.size), rfc6962.DefaultHasher.HashLeaf(got.Entry), slicesOf(got.Path), c.root[:]))
		text += got.Text()
		one, err := ReadProofs(got.Text())
		require.NoError(t, err)
		assert.Equal(t, []Proof{got}, one)
	}
	read, err := ReadProofs(text)
	require.NoError(t, err)
	assert.Equal(t, proofs, read)
	for i, got := range read {
		shown, err := got.Check([]string{p.public()})
		require.NoError(t, err)
		assert.Equal(t, Proved{int64(i) + 1, strings.Split(p.latest(), "\n")[0], p.size()}, shown)
	}
	lines := strings.Split(proofs[6].Text(), "\n")
	assert.Equal(t, "c2sp.org/tlog-proof@v1", lines[0])
	assert.Equal(t, "index 6", lines[2])
	assert.True(t, IsProof([]byte(text)))
	assert.False(t, IsProof([]byte(p.latest())))
}

func TestProofsThatDoNotHold(t *testing.T) {
	path := filledLog(t, "change-of-mind")
	p := paperOf(t, path)
	other := newKey(t)
	proofs, err := review(t, path).Prove(17, 18)
	require.NoError(t, err)
	for _, c := range []struct {
		name   string
		change func(*Proof)
		keys   []string
		want   string
	}{
		{"good", func(*Proof) {}, []string{p.public()}, ""},
		{"good, two keys", func(*Proof) {}, []string{other.public, p.public()}, ""},
		{"edited", func(q *Proof) { q.Entry = bytes.Replace(q.Entry, []byte("door"), []byte("dour"), 1) }, []string{p.public()}, "the entry is not the one that the log had"},
		{"another entry", func(q *Proof) { q.Entry = proofs[1].Entry }, []string{p.public()}, "the entry is not the one that the log had"},
		{"another place", func(q *Proof) { q.Seq++ }, []string{p.public()}, "the entry is not the one that the log had"},
		{"past the end", func(q *Proof) { q.Seq = 999 }, []string{p.public()}, "entries, and this is entry 999"},
		{"a shorter path", func(q *Proof) { q.Path = q.Path[1:] }, []string{p.public()}, "the entry is not the one that the log had"},
		{"another key", func(*Proof) {}, []string{other.public}, "its checkpoint does not hold: it is signed by another key"},
		{"no key", func(*Proof) {}, nil, "its checkpoint does not hold: it is signed by another key"},
		{"not a key", func(*Proof) {}, []string{"x"}, "is not a verifier key"},
		{"checkpoint edited", func(q *Proof) {
			q.Checkpoint = strings.Replace(q.Checkpoint, fmt.Sprintf("\n%d\n", p.size()), "\n7\n", 1)
		}, []string{p.public()}, "its signature does not fit its text"},
	} {
		q := proofs[0]
		q.Path = slices.Clone(q.Path)
		c.change(&q)
		_, err := q.Check(c.keys)
		if c.want == "" {
			assert.NoError(t, err, c.name)
		} else {
			assert.ErrorContains(t, err, c.want, c.name)
		}
	}
}

func TestProofTextsThatCannotBeRead(t *testing.T) {
	proofs, err := review(t, filledLog(t, "change-of-mind")).Prove(17)
	require.NoError(t, err)
	good := proofs[0].Text()
	hash := proofs[0].Path[0].String()
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "does not begin with the line"},
		{"another version", strings.Replace(good, "@v1", "@v2", 1), "does not begin with the line"},
		{"cut", good[:300], "proof 1 of 1 is cut off"},
		{"no entry", strings.Replace(good, "extra ", "other ", 1), "lacks the entry"},
		{"entry not in base64", strings.Replace(good, "extra ", "extra !", 1), "not in base64"},
		{"leading zero", strings.Replace(good, "index 16", "index 016", 1), `has no index, but the line "index 016"`},
		{"negative", strings.Replace(good, "index 16", "index -1", 1), "has no index"},
		{"no index", strings.Replace(good, "index 16\n", "", 1), "has no index"},
		{"a bad hash", strings.Replace(good, hash, hash[1:], 1), "has a line that is no hash"},
		{"the second one", good + "c2sp.org/tlog-proof@v1\n", "proof 2 of 2 is cut off"},
	} {
		_, err := ReadProofs(c.text)
		assert.ErrorContains(t, err, c.want, c.name)
	}
}

func TestProveSaysWhyNot(t *testing.T) {
	l := mustOpen(t, logPath(t))
	s := &scribe{}
	require.NoError(t, l.Append(s.start()))
	r := review(t, l.path)
	_, err := r.Prove(1)
	assert.ErrorIs(t, err, ErrNotCovered)
	require.NoError(t, l.Append(append(s.job("N-1", 1), s.end("N-1")...)))
	require.NoError(t, l.Append(s.start()))
	_, err = r.Prove(1, 5)
	assert.NoError(t, err)
	_, err = r.Prove(6)
	assert.ErrorIs(t, err, ErrNotCovered)
	require.NoError(t, l.Close())
	write(t, l.path, untrigger+`UPDATE entries SET body = CAST(replace(body, 'north', 'south') AS BLOB) WHERE seq = 1`)
	_, err = review(t, l.path).Prove(1)
	assert.ErrorContains(t, err, "the entry is not the one that the log had")
	old := logPath(t)
	oldLog(t, old, 3, true)
	_, err = review(t, old).Prove(1)
	assert.ErrorContains(t, err, "it has no hashes, because an older version wrote it")
}

// Whatever text is given, reading it ends with an answer.
func FuzzReadProofs(f *testing.F) {
	f.Add("c2sp.org/tlog-proof@v1\nextra aGVsbG8=\nindex 0\n\nx\n0\nAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n\n— x y\n")
	f.Add("c2sp.org/tlog-proof@v1\n\nc2sp.org/tlog-proof@v1\n")
	f.Fuzz(func(t *testing.T, text string) {
		proofs, err := ReadProofs(text)
		if err != nil {
			return
		}
		for _, p := range proofs {
			again, err := ReadProofs(p.Text())
			if err == nil && len(again) == 1 {
				assert.Equal(t, p, again[0])
			}
			_, err = p.Check(nil)
			assert.Error(t, err)
		}
	})
}

// What a tool can make of a signed note is found in it again.
func FuzzCheckpointsIn(f *testing.F) {
	f.Add("x\n0\nAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n\n— x y\n")
	f.Add(`{"checkpoint":["x\n0\nAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n\n— x y\n"]}`)
	f.Fuzz(func(t *testing.T, text string) {
		checkpoints, keys := CheckpointsIn(text)
		for _, c := range checkpoints {
			_, err := unsignedCheckpoint(c)
			assert.NoError(t, err)
		}
		for _, k := range keys {
			_, err := note.NewVerifier(k)
			assert.NoError(t, err)
		}
	})
}

// Whatever bytes stand in a log, verifying it ends with a report.
func FuzzExamine(f *testing.F) {
	f.Add([]byte(`{"seq":3,"run":1,"at":"x","mono_ns":0,"door":"bench","kind":"end","body":{}}`), int64(3), uint64(1))
	f.Add([]byte(`{"seq":`), int64(-5), uint64(2))
	f.Fuzz(func(t *testing.T, body []byte, seq int64, seed uint64) {
		random := rand.New(rand.NewPCG(seed, 0))
		p := recorded(t, "gearbox-shaft", random)
		at := 1 + random.Int64N(p.size())
		c := p.withBody(at, body)
		if random.IntN(2) == 0 && seq > 0 {
			c.all[at-1].seq = seq
			slices.SortFunc(c.all, func(a, b row) int { return int(a.seq - b.seq) })
		}
		report := c.examine(t)
		assert.Equal(t, bytes.Equal(body, p.at(at).body) && c.all[at-1].seq == at, report.Sound(), summary(report))
	})
}

var errFold = errors.New("it cannot follow")

// What folds no more is reported once, where nothing else explains it.
func TestVerifyFolds(t *testing.T) {
	p := recorded(t, "gearbox-shaft", rand.New(rand.NewPCG(1, 2)))
	calls := int64(0)
	report, err := examine(p, VerifyOptions{Fold: func(e session.Entry) error {
		if calls++; calls == 20 {
			return errFold
		}
		assert.Less(t, calls, int64(21))
		return nil
	}})
	require.NoError(t, err)
	assert.Equal(t, []Damage{{Change: Unfit, First: 20, Last: 20, Detail: "it cannot follow"}}, unnamed(report.Damage))
	assert.Equal(t, p.at(20).kind, report.Damage[0].Kind)
	assert.Equal(t, p.at(20).job, report.Damage[0].Job)
	report, err = examine(p, VerifyOptions{Quick: true, Fold: func(session.Entry) error { return errFold }})
	require.NoError(t, err)
	assert.True(t, report.Sound())
}

// What is told quickly is what is told with care: for entries as they are, and with
// columns that are not theirs.
func TestColumnsAreComparedAlike(t *testing.T) {
	p := recorded(t, "change-of-mind", seeded(t))
	for _, r := range p.all {
		assert.True(t, saysSo(r), "%s", r.body)
		for _, change := range []func(r *row){
			func(r *row) { r.seq++ }, func(r *row) { r.run++ }, func(r *row) { r.job += "1" }, func(r *row) { r.kind += "x" },
			func(r *row) { r.job = "" }, func(r *row) { r.kind = "" }, func(r *row) { r.job += `","operator":"mo` },
			func(r *row) { r.kind += `","body":{"x":"` }, func(r *row) { r.body = r.body[:20] }, func(r *row) { r.body = nil },
		} {
			other := r
			change(&other)
			if h, ok := readHeader(other.body); ok && h.seq == other.seq && h.run == other.run && string(h.job) == other.job && string(h.kind) == other.kind {
				continue // there was nothing to change
			}
			assert.False(t, saysSo(other), "%d %d %q %q %s", other.seq, other.run, other.job, other.kind, other.body)
			_, ok := columns(other)
			assert.False(t, ok)
		}
	}
}

// Rows that cannot be told apart when they are read together are read all the same.
func TestRowsWithLinesInTheirColumns(t *testing.T) {
	path := logPath(t)
	l := mustOpen(t, path)
	s := &scribe{}
	require.NoError(t, l.Append(s.start()))
	require.NoError(t, l.Append(s.job("N-1", 200)))
	require.NoError(t, l.Close())
	write(t, path, `DROP TRIGGER entries_not_updated; UPDATE entries SET job = 'N' || char(10) || '1' WHERE seq IN (5, 70, 203)`)
	report, err := Verify(path, VerifyOptions{Quick: true})
	require.NoError(t, err)
	require.Len(t, report.Damage, 3)
	for i, seq := range []int64{5, 70, 203} {
		assert.Equal(t, Damage{Change: Column, First: seq, Last: seq, Field: "job", Was: "N-1", Is: "N\n1"}, report.Damage[i])
	}
}

// An index that leaves out entries would hide them where a job is looked up.
func TestAnIndexThatLeavesOutEntries(t *testing.T) {
	path := logPath(t)
	aJobMore(t, path, "N-1")
	const whole, part = `CREATE INDEX entries_by_job ON entries (job, run)`, `CREATE INDEX entries_by_job ON entries (job, run) WHERE kind <> ''reading''`
	write(t, path, `PRAGMA writable_schema = ON; UPDATE sqlite_schema SET sql = '`+part+`' WHERE name = 'entries_by_job'`)
	write(t, path, `REINDEX entries_by_job`)
	write(t, path, `PRAGMA writable_schema = ON; UPDATE sqlite_schema SET sql = '`+whole+`' WHERE name = 'entries_by_job'`)
	report, err := Verify(path, VerifyOptions{})
	require.NoError(t, err)
	require.Len(t, report.Damage, 1)
	assert.Equal(t, Structure, report.Damage[0].Change)
	assert.Contains(t, report.Damage[0].Detail, "missing from index entries_by_job")
}

// A cut tail is told once: as far as the log itself shows it, and on by the checkpoint.
func TestACutTailAndAnOlderCheckpoint(t *testing.T) {
	p := recorded(t, "bottom-end-mishaps", seeded(t))
	cut := p.copy()
	cut.all = cut.all[:p.size()-3]
	cut.hashes = []piece{{0, p.nodes()[:tlog.StoredHashCount(p.size()-1)*tlog.HashSize]}}
	cut.notes = nil
	report := cut.listed().against(t, VerifyOptions{Outside: p.outside(), Keys: []string{p.public()}})
	assert.True(t, covers(report, TailCut, p.size()-2, max(p.size()-1, p.signedUpTo())), summary(report))
	assert.Zero(t, report.Signed)
}

// unnamed is damage without what the entries are.
func unnamed(damage []Damage) []Damage {
	damage = slices.Clone(damage)
	for i := range damage {
		d := &damage[i]
		d.Kind, d.Job, d.At, d.Before, d.After, d.There = "", "", time.Time{}, nil, nil, nil
	}
	return damage
}
