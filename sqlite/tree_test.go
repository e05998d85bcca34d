package sqlite

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"golang.org/x/mod/sumdb/tlog"

	"shimwright/session"
)

// grow makes the tree over leaves, and the hashes it stores.
func grow(leaves [][]byte) (tree, []tlog.Hash) {
	var t tree
	var nodes []tlog.Hash
	for _, leaf := range leaves {
		nodes = t.add(tlog.RecordHash(leaf), nodes)
	}
	return t, nodes
}

func inMemory(nodes []tlog.Hash) tlog.HashReader {
	return tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		hashes := make([]tlog.Hash, len(indexes))
		for i, index := range indexes {
			hashes[i] = nodes[index]
		}
		return hashes, nil
	})
}

// Leaves, roots and proofs as the certificate transparency project's tests have
// them: testdata/reference/rfc6962_vectors.json, where its README names the source.
func TestTreeAgainstPublishedVectors(t *testing.T) {
	text, err := os.ReadFile("../testdata/reference/rfc6962_vectors.json")
	require.NoError(t, err)
	var v struct {
		Leaves     []string `json:"leaves_hex"`
		LeafHashes []string `json:"leaf_hashes_hex"`
		Roots      []string `json:"roots_by_size_hex"`
		Inclusion  []struct {
			Index int64    `json:"leaf_index"`
			Size  int64    `json:"tree_size"`
			Proof []string `json:"proof"`
		} `json:"inclusion"`
		Consistency []struct {
			Size1 int64    `json:"size1"`
			Size2 int64    `json:"size2"`
			Proof []string `json:"proof"`
		} `json:"consistency"`
	}
	require.NoError(t, json.Unmarshal(text, &v))
	var leaves [][]byte
	for i, text := range v.Leaves {
		leaf, err := hex.DecodeString(text)
		require.NoError(t, err)
		leaves = append(leaves, leaf)
		hash := tlog.RecordHash(leaf)
		assert.Equal(t, v.LeafHashes[i], hex.EncodeToString(hash[:]))
	}
	for size, want := range v.Roots {
		tree, _ := grow(leaves[:size])
		root := tree.root()
		assert.Equal(t, want, hex.EncodeToString(root[:]), "size %d", size)
	}
	_, nodes := grow(leaves)
	for _, c := range v.Inclusion {
		got, err := tlog.ProveRecord(c.Size, c.Index, inMemory(nodes))
		require.NoError(t, err)
		assert.Equal(t, c.Proof, inHex(got))
	}
	for _, c := range v.Consistency {
		got, err := tlog.ProveTree(c.Size2, c.Size1, inMemory(nodes))
		require.NoError(t, err)
		assert.Equal(t, c.Proof, inHex(got))
	}
	assert.Len(t, v.Inclusion, 34)
	assert.Len(t, v.Consistency, 34)
}

func inHex(hashes []tlog.Hash) []string {
	texts := []string{}
	for _, h := range hashes {
		texts = append(texts, hex.EncodeToString(h[:]))
	}
	return texts
}

// Every inclusion and consistency proof that a log of up to 300 entries can give is
// verified by a library that shares no code with ours: transparency-dev/merkle.
func TestEveryProofHoldsForAForeignVerifier(t *testing.T) {
	const most = 300
	l := mustOpen(t, logPath(t))
	s := &scribe{run: 1}
	var roots [most + 1]tlog.Hash
	var leaves [most][]byte
	for n := range int64(most) {
		roots[n] = l.tree.root()
		leaf := rfc6962.DefaultHasher.HashLeaf(bodyOf(t, s, l))
		leaves[n] = leaf
	}
	roots[most] = l.tree.root()
	stored, err := l.nodesFrom(0)
	require.NoError(t, err)
	nodes := make([]tlog.Hash, len(stored)/tlog.HashSize)
	for i := range nodes {
		copy(nodes[i][:], stored[i*tlog.HashSize:])
	}
	reader := inMemory(nodes)
	for size := int64(1); size <= most; size++ {
		for n := range size {
			p, err := tlog.ProveRecord(size, n, reader)
			if err == nil {
				err = proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(n), uint64(size), leaves[n], slicesOf(p), roots[size][:])
			}
			c, err2 := tlog.ProveTree(size, n+1, reader)
			if err2 == nil {
				err2 = proof.VerifyConsistency(rfc6962.DefaultHasher, uint64(n+1), uint64(size), slicesOf(c), roots[n+1][:], roots[size][:])
			}
			if err != nil || err2 != nil {
				t.Fatalf("leaf %d of %d: %v, %v", n, size, err, err2)
			}
		}
	}
}

// bodyOf appends an entry of its own content and returns its stored bytes.
func bodyOf(t *testing.T, s *scribe, l *Log) []byte {
	entries := s.readings("N-1", 1)
	require.NoError(t, l.Append(entries))
	body, err := entries[0].Encode()
	require.NoError(t, err)
	return body
}

func slicesOf(hashes []tlog.Hash) [][]byte {
	out := make([][]byte, len(hashes))
	for i := range hashes {
		out[i] = hashes[i][:]
	}
	return out
}

// The tree that we grow is the one that tlog grows, hash by hash.
func TestTreeIsThatOfTlog(t *testing.T) {
	var ours tree
	var nodes, theirs []tlog.Hash
	for n := range int64(1100) {
		data := fmt.Appendf(nil, "entry %d", n)
		nodes = ours.add(tlog.RecordHash(data), nodes)
		more, err := tlog.StoredHashes(n, data, inMemory(theirs))
		require.NoError(t, err)
		theirs = append(theirs, more...)
		root, err := tlog.TreeHash(n+1, inMemory(theirs))
		require.NoError(t, err)
		require.Equal(t, root, ours.root())
	}
	require.Equal(t, theirs, nodes)
	for _, size := range []int64{0, 1, 2, 3, 255, 256, 257, 1000} {
		at, err := treeAt(size, inMemory(nodes))
		require.NoError(t, err)
		root, err := tlog.TreeHash(size, inMemory(nodes))
		require.NoError(t, err)
		assert.Equal(t, root, at.root(), "size %d", size)
	}
}

// However entries are cut into batches, the stored hashes are the same, and each is
// read back by its index.
func TestStoredHashesDoNotDependOnBatches(t *testing.T) {
	want := ""
	for _, batch := range []int{1, 2, 7, 64, 100} {
		l := mustOpen(t, logPath(t))
		s := &scribe{run: 1}
		for s.seq < 700 {
			require.NoError(t, l.Append(s.readings("N-1", min(batch, 700-int(s.seq)))))
		}
		stored, err := l.nodesFrom(0)
		require.NoError(t, err)
		if want == "" {
			want = string(stored)
		}
		assert.Equal(t, want, string(stored), "batches of %d", batch)
		for index := range tlog.StoredHashCount(700) {
			h, err := storedHashes(l.db).ReadHashes([]int64{index})
			require.NoError(t, err)
			require.Equal(t, want[index*32:index*32+32], string(h[0][:]), "hash %d in batches of %d", index, batch)
		}
		_, err = storedHashes(l.db).ReadHashes([]int64{tlog.StoredHashCount(700)})
		assert.ErrorContains(t, err, "is missing")
		for _, from := range []int64{1, 63, 64, 65, 200} {
			tail, err := l.nodesFrom(from)
			require.NoError(t, err)
			assert.Equal(t, want[from*32:], string(tail))
		}
	}
}

// Hashes and checkpoints are in the transaction of their entries: what is kept or
// lost is kept or lost with them, and the tree goes on from there.
func TestFailedAppendsKeepTheTreeInStep(t *testing.T) {
	for pattern := range 1 << 4 {
		l := mustOpen(t, logPath(t))
		s := &scribe{run: 1}
		for i := range 4 {
			s.seq, _ = l.Last()
			batch := append(s.job(fmt.Sprint(i), 2), s.end(fmt.Sprint(i))...)
			failAppend(t, l, batch, pattern>>i&1 == 1)
			before := l.Checkpoint()
			err := l.Append(nil)
			assert.Equal(t, pattern>>i&1 == 1, err != nil)
			assert.Equal(t, err != nil, before != l.Checkpoint(), "a checkpoint counts once its entries do")
		}
		seq, _ := l.Last()
		require.NoError(t, l.Append((&scribe{seq: seq, run: 1}).readings("", 1)))
		latest := l.Checkpoint()
		require.NoError(t, l.Close())
		again := mustOpen(t, l.path)
		assert.Equal(t, l.tree.size, again.tree.size, "pattern %04b", pattern)
		assert.Equal(t, l.tree.root(), again.tree.root(), "pattern %04b", pattern)
		assert.Equal(t, latest, again.Checkpoint())
	}
}

// What the hashes and checkpoints refuse of their own.
func TestHashesAndCheckpointsAreAppendOnly(t *testing.T) {
	for _, c := range []struct{ name, do, want string }{
		{"update hashes", `UPDATE hashes SET nodes = x''`, "hashes are never changed"},
		{"delete hashes", `DELETE FROM hashes`, "hashes are never deleted"},
		{"hashes with a gap", `INSERT INTO hashes VALUES (999, x'')`, "hashes must follow those before"},
		{"replace hashes", `INSERT OR REPLACE INTO hashes VALUES (0, x'')`, "hashes must follow those before"},
		{"update a checkpoint", `UPDATE checkpoints SET text = ''`, "checkpoints are never changed"},
		{"delete a checkpoint", `DELETE FROM checkpoints`, "checkpoints are never deleted"},
		{"a second checkpoint", `INSERT OR REPLACE INTO checkpoints SELECT * FROM checkpoints`, "a checkpoint must cover more than the one before"},
		{"an earlier checkpoint", `INSERT INTO checkpoints VALUES (1, '', '')`, "a checkpoint must cover more than the one before"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := mustOpen(t, logPath(t))
			someJobs(t, l)
			_, err := l.db.Exec(c.do)
			assert.ErrorContains(t, err, c.want)
		})
	}
}

// A log of the format before gets its hashes when it is opened, and a checkpoint if
// a step or job was closed in it.
func TestALogWithoutHashesGetsThem(t *testing.T) {
	for _, ended := range []bool{false, true} {
		path := logPath(t)
		entries := oldLog(t, path, 1000, ended)
		l := mustOpen(t, path)
		assert.Equal(t, texts(t, entries), stored(t, l))
		var bodies [][]byte
		for _, text := range texts(t, entries) {
			bodies = append(bodies, []byte(text))
		}
		want, _ := grow(bodies)
		assert.Equal(t, want.size, l.tree.size)
		assert.Equal(t, want.root(), l.tree.root())
		assert.Equal(t, ended, l.Checkpoint() != "")
		require.NoError(t, l.Append(startAgain(l).start()), "it goes on")
		require.NoError(t, l.Close())
		assert.EqualValues(t, len(entries)+2, mustOpen(t, path).tree.size)
	}
}

// oldLog makes a log as the first format had it.
func oldLog(t *testing.T, path string, n int, ended bool) []session.Entry {
	t.Helper()
	require.NoError(t, disk{}.create(path))
	db := connectTo(path, nil, writerPragmas())
	defer db.Close()
	require.NoError(t, migrateTo(db, 1, migrations()[0], nil))
	s := &scribe{}
	entries := append(s.start(), s.job("N-1", n)...)
	if ended {
		entries = append(entries, s.end("N-1")...)
	}
	tx, err := db.Begin()
	require.NoError(t, err)
	for _, e := range entries {
		body, err := e.Encode()
		require.NoError(t, err)
		_, err = tx.Exec(`INSERT INTO entries VALUES (?, ?, ?, ?, ?)`, e.Seq, e.Run, e.Job, e.Kind(), body)
		require.NoError(t, err)
	}
	require.NoError(t, tx.Commit())
	return entries
}
