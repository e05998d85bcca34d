package sqlite

import (
	"database/sql"
	"errors"
	"fmt"
	"math/bits"

	"golang.org/x/mod/sumdb/tlog"
)

// A tree is the right edge of the Merkle tree (RFC 6962) over the stored bytes of
// the first size entries: all that it takes to go on and to tell the root. Entry n
// is leaf n-1. Its zero value is the empty tree; a copy is independent.
type tree struct {
	size int64
	// edge[l] is the root of the perfect subtree of 2^l leaves that ends the tree
	// to the left of all smaller ones; it counts if bit l of size is set.
	edge [63]tlog.Hash
}

// add appends a leaf. It appends to nodes the hashes that the leaf completes, its
// own and those above it, in the order that tlog stores them in.
func (t *tree) add(leaf tlog.Hash, nodes []tlog.Hash) []tlog.Hash {
	h, level := leaf, 0
	nodes = append(nodes, h)
	for ; t.size>>level&1 == 1; level++ {
		h = tlog.NodeHash(t.edge[level], h)
		nodes = append(nodes, h)
	}
	t.edge[level] = h
	t.size++
	return nodes
}

// root is the hash of the whole tree.
func (t *tree) root() tlog.Hash {
	if t.size == 0 {
		empty, _ := tlog.TreeHash(0, nil) // reads nothing
		return empty
	}
	level := bits.TrailingZeros64(uint64(t.size))
	h := t.edge[level]
	for level++; t.size>>level != 0; level++ {
		if t.size>>level&1 == 1 {
			h = tlog.NodeHash(t.edge[level], h)
		}
	}
	return h
}

// A piece is what the table hashes holds in one row: stored hashes that follow one
// another, of the entries of one transaction.
type piece struct {
	start int64 // index of the first, as tlog counts them
	nodes []byte
}

// hashes is how many a piece holds.
func (p piece) hashes() int64 { return int64(len(p.nodes)) / tlog.HashSize }

func pieceOf(start int64, nodes []tlog.Hash) piece {
	p := piece{start, make([]byte, 0, len(nodes)*tlog.HashSize)}
	for _, h := range nodes {
		p.nodes = append(p.nodes, h[:]...)
	}
	return p
}

// A querier is a database or a transaction on it.
type querier interface {
	QueryRow(query string, args ...any) *sql.Row
	Query(query string, args ...any) (*sql.Rows, error)
}

// storedHashes reads hashes of the log by their index.
func storedHashes(db querier) tlog.HashReader {
	return tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		hashes := make([]tlog.Hash, len(indexes))
		for i, index := range indexes {
			var raw sql.RawBytes
			if err := readHash(db, index, &raw, &hashes[i]); err != nil {
				return nil, err
			}
		}
		return hashes, nil
	})
}

func readHash(db querier, index int64, raw *sql.RawBytes, into *tlog.Hash) error {
	rows, err := db.Query(`SELECT substr(nodes, 1 + (?1 - start) * 32, 32) FROM hashes WHERE start <= ?1 ORDER BY start DESC LIMIT 1`, index)
	if err != nil {
		return explain(err)
	}
	defer rows.Close()
	if rows.Next() {
		if err := rows.Scan(raw); err != nil {
			return explain(err)
		}
	}
	if err := rows.Err(); err != nil {
		return explain(err)
	}
	if copy(into[:], *raw) != tlog.HashSize {
		return fmt.Errorf("hash %d is missing", index)
	}
	return nil
}

// treeAt reads the edge of the tree over the first size entries.
func treeAt(size int64, reader tlog.HashReader) (tree, error) {
	t := tree{size: size}
	for level := range t.edge {
		if size>>level&1 == 0 {
			continue
		}
		h, err := reader.ReadHashes([]int64{tlog.StoredHashIndex(level, size>>level-1)})
		if err != nil {
			return tree{}, err
		}
		t.edge[level] = h[0]
	}
	return t, nil
}

// hashCount is how many hashes the log holds, by its last piece.
func hashCount(db querier) (count int64, err error) {
	err = db.QueryRow(`SELECT start + length(nodes) / 32 FROM hashes ORDER BY start DESC LIMIT 1`).Scan(&count)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return count, explain(err)
}
