package sqlite

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// A Proof shows that one entry is in a log. Its text is that of C2SP tlog-proof: the
// line c2sp.org/tlog-proof@v1; extra and in base64 what was proved, here the bytes
// of the entry, without which nothing could be checked; index and the entry's
// number from 0; the hashes of the inclusion proof of RFC 6962, from the leaf
// upwards, one a line in base64; an empty line; the checkpoint as it was signed.
type Proof struct {
	Entry      []byte // the stored bytes
	Seq        int64  // index + 1
	Path       []tlog.Hash
	Checkpoint string
}

const proofHead = "c2sp.org/tlog-proof@v1\n"

// Text writes the proof.
func (p Proof) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%sextra %s\nindex %d\n", proofHead, base64.StdEncoding.EncodeToString(p.Entry), p.Seq-1)
	for _, h := range p.Path {
		b.WriteString(h.String() + "\n")
	}
	return b.String() + "\n" + p.Checkpoint
}

// IsProof says whether a text begins as a proof does.
func IsProof(text []byte) bool { return bytes.HasPrefix(text, []byte(proofHead)) }

// ReadProofs reads one proof or several, one after another, as Text writes them. An
// error names the proof, from 1, and what is wrong with it.
func ReadProofs(text string) (proofs []Proof, err error) {
	if !strings.HasPrefix(text, proofHead) {
		return nil, errors.New("it does not begin with the line c2sp.org/tlog-proof@v1; name a file that logctl prove wrote")
	}
	parts := strings.Split("\n"+text, "\n"+proofHead)[1:]
	for i, part := range parts {
		if i < len(parts)-1 {
			part += "\n" // which the split took
		}
		p, err := readProof(part)
		if err != nil {
			return nil, fmt.Errorf("proof %d of %d %w", i+1, len(parts), err)
		}
		proofs = append(proofs, p)
	}
	return proofs, nil
}

// readProof reads what follows the head of a proof.
func readProof(text string) (p Proof, err error) {
	above, checkpoint, ok := strings.Cut(text, "\n\n")
	if !ok {
		return Proof{}, errors.New("is cut off; copy it whole")
	}
	p.Checkpoint = checkpoint
	lines := strings.Split(above, "\n")
	extra, ok := strings.CutPrefix(lines[0], "extra ")
	if !ok {
		return Proof{}, errors.New("lacks the entry that it proves")
	}
	if p.Entry, err = base64.StdEncoding.Strict().DecodeString(extra); err != nil {
		return Proof{}, errors.New("has an entry that is not in base64")
	}
	if len(lines) < 2 {
		return Proof{}, errors.New("is cut off; copy it whole")
	}
	index, ok := strings.CutPrefix(lines[1], "index ")
	n, err := strconv.ParseInt(index, 10, 64)
	if !ok || err != nil || n < 0 || decimal(n) != index {
		return Proof{}, fmt.Errorf("has no index, but the line %q", lines[1])
	}
	p.Seq = n + 1
	for _, line := range lines[2:] {
		h, err := tlog.ParseHash(line)
		if err != nil {
			return Proof{}, fmt.Errorf("has a line that is no hash: %q", line)
		}
		p.Path = append(p.Path, h)
	}
	return p, nil
}

// A Proved is what a proof shows.
type Proved struct {
	Seq     int64  `json:"seq"`
	Origin  string `json:"origin"`  // of the log
	Entries int64  `json:"entries"` // that the checkpoint covers
}

// Check checks the proof with the verifier keys of the one who must have signed it,
// as golang.org/x/mod/sumdb/note writes them. It needs nothing else. The error says
// what does not hold.
func (p Proof) Check(keys []string) (Proved, error) {
	var verifiers []note.Verifier
	for _, k := range keys {
		v, err := note.NewVerifier(k)
		if err != nil {
			return Proved{}, errors.New("the key that was given is not a verifier key; copy it whole, as logctl status shows it")
		}
		verifiers = append(verifiers, v)
	}
	c, err := openCheckpoint(p.Checkpoint, note.VerifierList(verifiers...))
	if err != nil {
		return Proved{}, fmt.Errorf("its checkpoint does not hold: %w", err)
	}
	if p.Seq > c.size {
		return Proved{}, fmt.Errorf("its checkpoint covers %d entries, and this is entry %d", c.size, p.Seq)
	}
	if err := tlog.CheckRecord(p.Path, c.size, c.root, p.Seq-1, tlog.RecordHash(p.Entry)); err != nil {
		return Proved{}, errors.New("the entry is not the one that the log had, or not at this place: its hashes do not lead to the checkpoint")
	}
	if h, ok := readHeader(p.Entry); !ok || h.seq != p.Seq {
		return Proved{}, fmt.Errorf("the entry carries another number than %d", p.Seq)
	}
	return Proved{p.Seq, c.origin, c.size}, nil
}

// ErrNotCovered says that no checkpoint covers an entry yet.
var ErrNotCovered = errors.New("no checkpoint covers it yet; one is made when the next step closes or the job ends")

// Prove makes proofs of entries, by rising sequence, all under the latest
// checkpoint. It does not look whether the log as a whole is sound, but what it
// returns was checked. An error wraps ErrNotCovered where that is the reason, or
// reads `cannot prove an entry of log "path": reason`.
func (r *Reader) Prove(seqs ...int64) (proofs []Proof, err error) {
	f, err := openEvidence(r)
	if err == nil {
		defer f.close()
		proofs, err = f.prove(seqs)
	}
	if changed := r.changed(); err == nil {
		err = changed
	}
	if err != nil {
		return nil, fmt.Errorf("cannot prove an entry of log %q: %w", r.path, err)
	}
	return proofs, nil
}

func (f *filed) prove(seqs []int64) (proofs []Proof, err error) {
	if !f.hashed {
		return nil, errors.New("it has no hashes, because an older version wrote it; open it once with this version of the daemon")
	}
	latest, ok, err := latestSigned(f.tx)
	if err != nil {
		return nil, err
	}
	if last := slices.Max(append(slices.Clone(seqs), 0)); !ok || last > latest.size {
		return nil, fmt.Errorf("entry %d cannot be proved: %w", last, ErrNotCovered)
	}
	for _, seq := range seqs {
		p := Proof{Seq: seq, Checkpoint: latest.text}
		if p.Path, err = tlog.ProveRecord(latest.size, seq-1, storedHashes(f.tx)); err != nil {
			return nil, fmt.Errorf("entry %d cannot be proved: %w", seq, err)
		}
		if err := f.rows(seq, seq, func(r row) error { p.Entry = r.body; return nil }); err != nil {
			return nil, err
		}
		if _, err := p.Check([]string{latest.public}); err != nil {
			return nil, fmt.Errorf("entry %d cannot be proved: %w; see what is wrong with: logctl verify", seq, err)
		}
		proofs = append(proofs, p)
	}
	return proofs, nil
}
