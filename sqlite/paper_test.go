package sqlite

import (
	"bytes"

	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/tlog"

	"shimwright/calc"
	"shimwright/session"
)

// A paper is a whole log in memory, for those who tamper with it.
type paper struct {
	all    []row
	hashes []piece
	notes  []signed
	jobs   []string
}

func (p *paper) rows(first, last int64, yield func(row) error) error {
	for _, r := range p.all {
		if r.seq < first || r.seq > last {
			continue
		}
		if err := yield(r); err != nil {
			return err
		}
	}
	return nil
}

func (p *paper) count() (int64, error)          { return int64(len(p.all)), nil }
func (p *paper) hasHashes() bool                { return true }
func (p *paper) pieces() ([]piece, error)       { return p.hashes, nil }
func (p *paper) checkpoints() ([]signed, error) { return p.notes, nil }
func (p *paper) structure() ([]string, error)   { return nil, nil }
func (p *paper) openJobs() ([]string, error)    { return p.jobs, nil }
func (p *paper) latest() string                 { return p.notes[len(p.notes)-1].text }
func (p *paper) outside() []Outside             { return []Outside{{Name: "the card", Text: p.latest()}} }
func (p *paper) public() string                 { return p.notes[len(p.notes)-1].public }
func (p *paper) size() int64                    { return int64(len(p.all)) }
func (p *paper) at(seq int64) row               { return p.all[seq-1] }
func (p *paper) examine(t *testing.T) Report    { t.Helper(); return p.against(t, VerifyOptions{}) }
func (p *paper) signedUpTo() int64              { return p.notes[len(p.notes)-1].size }
func (p *paper) nodes() (all []byte)            { return slices.Concat(bodiesOf(p.hashes)...) }
func bodiesOf(pieces []piece) (all [][]byte) {
	for _, p := range pieces {
		all = append(all, p.nodes)
	}
	return all
}

// against verifies the paper, with the fold.
func (p *paper) against(t *testing.T, o VerifyOptions) Report {
	t.Helper()
	if !o.Quick {
		o.Fold = session.NewState(calc.NewMethod()).Apply
	}
	report, err := examine(p, o)
	require.NoError(t, err)
	return report
}

// copy is a paper of its own; bodies are shared until they are replaced.
func (p *paper) copy() *paper {
	return &paper{slices.Clone(p.all), slices.Clone(p.hashes), slices.Clone(p.notes), slices.Clone(p.jobs)}
}

// paperOf reads a log into memory.
func paperOf(t *testing.T, path string) *paper {
	t.Helper()
	r := review(t, path)
	f, err := openEvidence(r)
	require.NoError(t, err)
	defer f.close()
	p := &paper{}
	require.NoError(t, f.rows(leastSeq, mostSeq, func(r row) error {
		p.all = append(p.all, r)
		return nil
	}))
	for _, err := range []error{
		second(&p.hashes, f.pieces), second(&p.notes, f.checkpoints), second(&p.jobs, f.openJobs),
	} {
		require.NoError(t, err)
	}
	return p
}

func second[T any](into *T, get func() (T, error)) (err error) {
	*into, err = get()
	return err
}

// write puts the paper into a file as somebody would who drops the triggers first.
func (p *paper) write(t *testing.T, path string) {
	t.Helper()
	require.NoError(t, os.RemoveAll(path))
	require.NoError(t, disk{}.create(path))
	db := connectTo(path, nil, writerPragmas())
	defer db.Close()
	for i, m := range migrations() {
		require.NoError(t, migrateTo(db, i+1, migration{schema: m.schema}, nil))
	}
	for _, name := range column(t, db, `SELECT name FROM sqlite_schema WHERE type = 'trigger'`) {
		_, err := db.Exec(`DROP TRIGGER ` + name)
		require.NoError(t, err)
	}
	tx, err := db.Begin()
	require.NoError(t, err)
	for _, r := range p.all {
		_, err := tx.Exec(`INSERT INTO entries VALUES (?, ?, ?, ?, ?)`, r.seq, r.run, r.job, r.kind, r.body)
		require.NoError(t, err)
	}
	for _, h := range p.hashes {
		require.NoError(t, storePiece(tx, h))
	}
	for _, n := range p.notes {
		require.NoError(t, storeCheckpoint(tx, n))
	}
	for _, job := range p.jobs {
		_, err := tx.Exec(`INSERT INTO open_jobs VALUES (?, (SELECT max(seq) FROM entries WHERE kind = 'begin' AND job = ?))`, job, job)
		require.NoError(t, err)
	}
	require.NoError(t, tx.Commit())
}

// recorded makes a log of a recorded job, in transactions of random sizes.
func recorded(t *testing.T, job string, random *rand.Rand) *paper {
	t.Helper()
	return inked(t, newKey(t), recordedEntries(t, job), func() int { return 1 + random.IntN(6) })
}

// inked makes the paper that Append writes, without a disk.
func inked(t *testing.T, k *key, entries []session.Entry, size func() int) *paper {
	t.Helper()
	l, p := &Log{key: k}, &paper{}
	for len(entries) > 0 {
		n := min(size(), len(entries))
		b, err := l.encode(entries[:n])
		require.NoError(t, err)
		for i, e := range b.entries {
			p.all = append(p.all, row{e.Seq, e.Run, e.Job, e.Kind(), b.bodies[i]})
		}
		p.hashes = append(p.hashes, b.piece)
		if b.checkpoint != "" {
			p.notes = append(p.notes, signed{b.tree.size, b.checkpoint, k.public})
		}
		l.adopt(b)
		entries = entries[n:]
	}
	return p.listed()
}

// The paper is what lies in the file.
func TestPaperIsWhatLiesInTheFile(t *testing.T) {
	l := mustOpen(t, filepath.Join(t.TempDir(), "north.log.db"))
	entries := recordedEntries(t, "change-of-mind")
	for i := 0; i < len(entries); i += 5 {
		require.NoError(t, l.Append(entries[i:min(i+5, len(entries))]))
	}
	p := paperOf(t, l.path)
	assert.Equal(t, inked(t, l.key, entries, func() int { return 5 }), p)
	path := filepath.Join(t.TempDir(), "copy.db")
	p.write(t, path)
	assert.Equal(t, p, paperOf(t, path))
}

func recordedEntries(t *testing.T, job string) (entries []session.Entry) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("../testdata/jobs", job, "entries.jsonl"))
	require.NoError(t, err)
	for _, line := range bytes.Split(bytes.TrimSpace(text), []byte("\n")) {
		e, err := session.DecodeEntry(line)
		require.NoError(t, err)
		entries = append(entries, e)
	}
	return entries
}

// What a tamperer can do to a paper. Each returns a changed copy.

func (p *paper) withBody(seq int64, body []byte) *paper {
	c := p.copy()
	c.all[seq-1].body = body
	return c
}

// reading is the first reading of 52.54 mm.
func (p *paper) reading() int64 {
	return p.all[slices.IndexFunc(p.all, func(r row) bool { return bytes.Contains(r.body, []byte(`"value_mm":"52.54"`)) })].seq
}

// without takes entries out.
func (p *paper) without(first, last int64) *paper {
	c := p.copy()
	c.all = slices.Delete(c.all, int(first)-1, int(last))
	return c
}

// with puts a row in before seq; its own columns are as they are.
func (p *paper) with(seq int64, r row) *paper {
	c := p.copy()
	c.all = slices.Insert(c.all, int(seq)-1, r)
	return c
}

// numbered counts the column anew from 1, and on demand the entries too.
func (p *paper) numbered(bodies bool) *paper {
	c := p.copy()
	for i := range c.all {
		c.all[i].seq = int64(i) + 1
		if bodies {
			c.all[i].body, _ = renumber(c.all[i].body, int64(i)+1)
		}
	}
	return c
}

// swapped lets an entry and the next change places.
func (p *paper) swapped(seq int64, bodies bool) *paper {
	c := p.copy()
	c.all[seq-1], c.all[seq] = c.all[seq], c.all[seq-1]
	return c.numbered(bodies)
}

// commit is the last entry of the transaction that wrote an entry.
func (p *paper) commit(seq int64) int64 {
	for _, h := range p.hashes {
		end := seq
		for ; tlog.StoredHashCount(end) < h.start+h.hashes(); end++ {
		}
		if h.start <= tlog.StoredHashIndex(0, seq-1) && tlog.StoredHashIndex(0, seq-1) < h.start+h.hashes() {
			return end
		}
	}
	return p.size()
}

// cut takes the tail off everything, as if it had never been.
func (p *paper) cut(last int64) *paper {
	c := p.copy()
	c.all = c.all[:last]
	count := tlog.StoredHashCount(last)
	c.hashes = nil
	for _, h := range p.hashes {
		if left := count - h.start; left > 0 {
			c.hashes = append(c.hashes, piece{h.start, h.nodes[:min(left*tlog.HashSize, int64(len(h.nodes)))]})
		}
	}
	c.notes = slices.DeleteFunc(c.notes, func(s signed) bool { return s.size > last })
	return c.listed()
}

// rebuilt makes hashes that agree with the entries.
func (p *paper) rebuilt() *paper {
	c := p.copy()
	var t tree
	var nodes []tlog.Hash
	for _, r := range c.all {
		nodes = t.add(tlog.RecordHash(r.body), nodes)
	}
	c.hashes = []piece{pieceOf(0, nodes)}
	return c.listed()
}

// listed makes the list of open jobs agree with the entries.
func (p *paper) listed() *paper {
	open := map[string]bool{}
	for _, r := range p.all {
		if r.kind == "begin" {
			open[r.job] = true
		} else if r.kind == "end" {
			delete(open, r.job)
		}
	}
	p.jobs = nil
	for job := range open {
		p.jobs = append(p.jobs, job)
	}
	slices.Sort(p.jobs)
	return p
}

// resigned is rebuilt, and all checkpoints are signed anew.
func (p *paper) resigned(t *testing.T, k *key) *paper {
	t.Helper()
	c := p.rebuilt()
	var grown tree
	at := 0
	for i, n := range c.notes {
		size := min(n.size, c.size())
		for ; at < int(size); at++ {
			grown.add(tlog.RecordHash(c.all[at].body), nil)
		}
		text, err := k.sign(&grown)
		require.NoError(t, err)
		c.notes[i] = signed{size, text, k.public}
	}
	c.notes = slices.CompactFunc(c.notes, func(a, b signed) bool { return a.size == b.size })
	return c
}

// newKey makes a key for a log of the bench north.
func newKey(t *testing.T) *key {
	t.Helper()
	k, err := makeKey(disk{}, filepath.Join(t.TempDir(), "north.log.db"))
	require.NoError(t, err)
	return k
}

// edits are what can be done to each value of an entry, by its path.
func edits(body []byte, random *rand.Rand) map[string][]byte {
	all := map[string][]byte{}
	for _, t := range tokensOf(body) {
		was := t.text
		is := was
		for is == was {
			is = edit(was, random)
		}
		all[t.path] = slices.Concat(body[:t.from], []byte(is), body[t.to:])
	}
	return all
}

// edit changes a value a little, so that it stays one of its kind.
func edit(text string, random *rand.Rand) string {
	digits := func(r rune) bool { return '0' <= r && r <= '9' }
	switch {
	case text == "true" || text == "false":
		return map[string]string{"true": "false", "false": "true"}[text]
	case text == "null":
		return "1"
	case text == `""`:
		return `"x"`
	case strings.ContainsFunc(text, digits) && !strings.Contains(text, `\n`):
		changed := []byte(text)
		for range 1 + random.IntN(2) {
			i := random.IntN(len(changed))
			for !digits(rune(changed[i])) {
				i = random.IntN(len(changed))
			}
			changed[i] = byte('1' + random.IntN(9))
		}
		return string(changed)
	default:
		return text[:len(text)-1] + string(rune('a'+random.IntN(26))) + `"`
	}
}

func describe(d Damage) string {
	text, _ := json.Marshal(d)
	return string(text)
}

// covers says whether a report names a change at entries.
func covers(r Report, change Change, first, last int64) bool {
	return slices.ContainsFunc(r.Damage, func(d Damage) bool { return d.Change == change && d.First == first && d.Last == last })
}

func summary(r Report) string {
	lines := []string{fmt.Sprintf("%d entries, signed %d, anchored %d", r.Entries, r.Signed, r.Anchored)}
	for _, d := range r.Damage {
		lines = append(lines, describe(d))
	}
	return strings.Join(lines, "\n")
}
