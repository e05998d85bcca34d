// Package operators proves who gives a command: by a PIN of which the configuration
// holds no more than a hash.
package operators

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// A Hash is what the configuration holds of a PIN: an Argon2id hash (RFC 9106) in the
// usual text with its parameters, $argon2id$v=19$m=19456,t=2,p=1$salt$hash, both in
// base64 without padding.
type Hash string

// The parameters of a new hash: about 19 MiB and some ten milliseconds, which a small
// bench computer has to spare.
const (
	memory    = 19 * 1024 // KiB
	passes    = 2
	lanes     = 1
	saltSize  = 16
	digestLen = 32
)

// The length of a PIN, in characters.
const (
	LeastPIN = 4
	MostPIN  = 64
)

// HashPIN makes the hash of a PIN with a salt of its own. It refuses one that is too
// short or too long.
func HashPIN(pin string) (Hash, error) {
	if n := utf8.RuneCountInString(pin); n < LeastPIN || n > MostPIN || strings.TrimSpace(pin) != pin {
		return "", fmt.Errorf("a PIN has %d to %d characters and no spaces around it", LeastPIN, MostPIN)
	}
	salt := make([]byte, saltSize)
	rand.Read(salt) // never fails
	digest := argon2.IDKey([]byte(pin), salt, passes, memory, lanes, digestLen)
	b64 := base64.RawStdEncoding
	return Hash(fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memory, passes, lanes, b64.EncodeToString(salt), b64.EncodeToString(digest))), nil
}

// parameters are what a hash says.
type parameters struct {
	memory, passes uint32
	lanes          uint8
	salt, digest   []byte
}

// Check says whether a hash can be used.
func (h Hash) Check() error {
	_, err := h.parse()
	return err
}

func (h Hash) parse() (p parameters, err error) {
	parts := strings.Split(string(h), "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" {
		return p, errors.New("it is not an Argon2id hash")
	}
	var version int
	if n, err := fmt.Sscanf(parts[2], "v=%d", &version); n != 1 || err != nil || version != argon2.Version {
		return p, fmt.Errorf("its version is not %d", argon2.Version)
	}
	if n, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &p.memory, &p.passes, &p.lanes); n != 3 || err != nil {
		return p, errors.New("its parameters cannot be read")
	}
	// Beyond these, one PIN would hold up the bench computer.
	if p.memory < 8*uint32(p.lanes) || p.memory > 256*1024 || p.passes < 1 || p.passes > 16 || p.lanes < 1 || p.lanes > 16 {
		return p, errors.New("its parameters are out of bounds")
	}
	b64 := base64.RawStdEncoding.Strict()
	if p.salt, err = b64.DecodeString(parts[4]); err != nil || len(p.salt) < 8 || len(p.salt) > 64 {
		return p, errors.New("its salt cannot be read")
	}
	if p.digest, err = b64.DecodeString(parts[5]); err != nil || len(p.digest) < 16 || len(p.digest) > 64 {
		return p, errors.New("its end cannot be read")
	}
	return p, nil
}

// fits says whether pin is the one that the hash was made of.
func (h Hash) fits(pin string) bool {
	p, err := h.parse()
	if err != nil {
		return false
	}
	digest := argon2.IDKey([]byte(pin), p.salt, p.passes, p.memory, p.lanes, uint32(len(p.digest)))
	return subtle.ConstantTimeCompare(digest, p.digest) == 1
}
