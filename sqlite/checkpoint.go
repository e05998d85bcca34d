package sqlite

import (
	"database/sql"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"shimwright/session"
)

// A checkpoint says what the log was when it had size entries. Its text is that of
// C2SP tlog-checkpoint: three lines, the name of the log (its origin), the size in
// decimal and the root hash in base64; then an empty line and the signatures, as
// in any signed note.
type checkpoint struct {
	origin string
	size   int64
	root   tlog.Hash
}

// body is the part that is signed.
func (c checkpoint) body() string {
	return fmt.Sprintf("%s\n%d\n%s\n", c.origin, c.size, c.root)
}

// parseBody reads the three lines, and lines of extension that may follow, which
// mean nothing to us.
func parseBody(text string) (checkpoint, error) {
	lines := strings.SplitN(text, "\n", 4)
	if len(lines) < 4 || lines[0] == "" {
		return checkpoint{}, errors.New("it does not have the three lines of a checkpoint")
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 0 || strconv.FormatInt(size, 10) != lines[1] {
		return checkpoint{}, fmt.Errorf("its size %q is not a number", lines[1])
	}
	c := checkpoint{origin: lines[0], size: size}
	root, err := base64.StdEncoding.Strict().DecodeString(lines[2])
	if err != nil || copy(c.root[:], root) != tlog.HashSize || len(root) != tlog.HashSize {
		return checkpoint{}, fmt.Errorf("its root %q is not a hash", lines[2])
	}
	return c, nil
}

// sign signs the tree as it is.
func (k *key) sign(t *tree) (string, error) {
	c := checkpoint{k.signer.Name(), t.size, t.root()}
	text, err := note.Sign(&note.Note{Text: c.body()}, k.signer)
	return string(text), err
}

// errOtherKey says that none of the known keys signed a checkpoint.
var errOtherKey = errors.New("it is signed by another key")

// openCheckpoint reads a checkpoint that one of the known keys must have signed.
// It returns the verifier key's name and hash with it.
func openCheckpoint(text string, known note.Verifiers) (checkpoint, error) {
	n, err := note.Open([]byte(text), known)
	var unsigned *note.UnverifiedNoteError
	var invalid *note.InvalidSignatureError
	switch {
	case errors.As(err, &unsigned):
		return checkpoint{}, errOtherKey
	case errors.As(err, &invalid):
		return checkpoint{}, errors.New("its signature does not fit its text")
	case err != nil:
		return checkpoint{}, errors.New("it is not a signed note")
	}
	c, err := parseBody(n.Text)
	if err == nil && c.origin != n.Sigs[0].Name {
		err = fmt.Errorf("it is of %q, but signed by %q", c.origin, n.Sigs[0].Name)
	}
	return c, err
}

// unsignedCheckpoint reads a checkpoint without regard to who signed it.
func unsignedCheckpoint(text string) (checkpoint, error) {
	body, _, ok := strings.Cut(text, "\n\n")
	if !ok {
		return checkpoint{}, errors.New("it is not a signed note")
	}
	return parseBody(body + "\n")
}

// closes says whether an entry calls for a checkpoint: it closes a step or ends a
// job.
func closes(e session.Entry) bool {
	switch e.Body.(type) {
	case session.StepClosed, session.Ended:
		return true
	}
	return false
}

// A signed is a checkpoint as the log keeps it.
type signed struct {
	size   int64
	text   string
	public string // the verifier key of the one who signed
}

// latestSigned reads the checkpoint signed last; false if there is none.
func latestSigned(db querier) (s signed, ok bool, err error) {
	err = db.QueryRow(`SELECT size, text, signer FROM checkpoints ORDER BY size DESC LIMIT 1`).Scan(&s.size, &s.text, &s.public)
	if errors.Is(err, sql.ErrNoRows) {
		return signed{}, false, nil
	}
	return s, err == nil, explain(err)
}
