package sqlite

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// A key signs the checkpoints of a log.
type key struct {
	signer   note.Signer
	verifier note.Verifier
	public   string // the verifier key, as note writes it
}

// algEd25519 stands before a key in the text of golang.org/x/mod/sumdb/note.
const algEd25519 = 1

// KeyPath is where the key of the log at path lies: beside it, named like it.
func KeyPath(path string) string {
	return filepath.Join(filepath.Dir(path), logName(path)+".key")
}

// logName is the file name of a log without what says that it is a log.
func logName(path string) string {
	name := strings.TrimSuffix(filepath.Base(path), ".db")
	if short := strings.TrimSuffix(name, ".log"); short != "" {
		return short
	}
	return name
}

// origin names a log and its key for good: the name of the bench and 16 digits of
// the key's SHA-256. A note's own hash of a key has only 8, which can be forged.
func origin(path string, public ed25519.PublicKey) string {
	plain := strings.Map(func(r rune) rune {
		if r == '.' || r == '_' || r == '-' || '0' <= r && r <= '9' || 'A' <= r && r <= 'Z' || 'a' <= r && r <= 'z' {
			return r
		}
		return '-'
	}, logName(path))
	return "shimwright/" + plain + "/" + fingerprint(public)
}

func fingerprint(public ed25519.PublicKey) string {
	return fmt.Sprintf("%x", sha256.Sum256(public))[:16]
}

// openKey reads the key of the log at path, or makes one if there is none. A log
// whose key was lost, or a copy that is gone on with elsewhere, so gets a new key:
// what the old one signed stays as it is, and the change shows in Verify.
func openKey(d disk, path string) (*key, error) {
	file := KeyPath(path)
	text, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return makeKey(d, path)
	}
	if err != nil {
		return nil, err
	}
	info, err := os.Stat(file)
	if err != nil {
		return nil, err
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 {
		return nil, fmt.Errorf("its key %q can be used by others (mode %04o); make it yours alone with chmod 600", filepath.Base(file), mode)
	}
	k, err := parseKey(strings.TrimSpace(string(text)))
	if err != nil {
		return nil, fmt.Errorf("its key %q cannot be read (%w); put the key back from a copy", filepath.Base(file), err)
	}
	return k, nil
}

// makeKey makes a key and puts it on disk whole or not at all.
func makeKey(d disk, path string) (*key, error) {
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	text, err := secretText(origin(path, public), private)
	if err != nil {
		return nil, err
	}
	file := KeyPath(path)
	if err := d.writeWhole(file+".new", file, []byte(text+"\n")); err != nil {
		return nil, fmt.Errorf("cannot keep its key: %w", err)
	}
	return parseKey(text)
}

// secretText writes a key as note reads it.
func secretText(name string, private ed25519.PrivateKey) (string, error) {
	public, err := note.NewEd25519VerifierKey(name, private.Public().(ed25519.PublicKey))
	if err != nil {
		return "", err
	}
	hash := strings.Split(public, "+")[1]
	secret := base64.StdEncoding.EncodeToString(append([]byte{algEd25519}, private.Seed()...))
	return "PRIVATE+KEY+" + name + "+" + hash + "+" + secret, nil
}

func parseKey(text string) (*key, error) {
	signer, err := note.NewSigner(text)
	if err != nil {
		return nil, errors.New("it is not a key")
	}
	// A name has no plus, but base64 may: the key is what follows the fourth one.
	secret, err := base64.StdEncoding.DecodeString(strings.SplitN(text, "+", 5)[4])
	if err != nil {
		return nil, err
	}
	private := ed25519.NewKeyFromSeed(secret[1:])
	public, err := note.NewEd25519VerifierKey(signer.Name(), private.Public().(ed25519.PublicKey))
	if err != nil {
		return nil, err
	}
	verifier, err := note.NewVerifier(public)
	if err != nil {
		return nil, err
	}
	return &key{signer, verifier, public}, nil
}
