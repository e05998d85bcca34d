package sqlite

import (
	"crypto/ed25519"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"shimwright/session"
)

// Seed, public key and signature of the first test of RFC 8032, section 7.1, which
// signs an empty message: what we write as a key is read as that very key.
func TestKeyTextHoldsAnEd25519Key(t *testing.T) {
	const (
		seed      = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
		public    = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
		signature = "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
	)
	raw, err := hex.DecodeString(seed)
	require.NoError(t, err)
	text, err := secretText("shimwright/north/0", ed25519.NewKeyFromSeed(raw))
	require.NoError(t, err)
	k, err := parseKey(text)
	require.NoError(t, err)
	got, err := k.signer.Sign(nil)
	require.NoError(t, err)
	assert.Equal(t, signature, hex.EncodeToString(got))
	assert.True(t, k.verifier.Verify(nil, got))
	rawPublic, err := hex.DecodeString(public)
	require.NoError(t, err)
	want, err := note.NewEd25519VerifierKey("shimwright/north/0", rawPublic)
	require.NoError(t, err)
	assert.Equal(t, want, k.public)
}

// The key and the note of the documentation of golang.org/x/mod/sumdb/note.
func TestNotesAreThoseOfTheLibrary(t *testing.T) {
	k, err := parseKey("PRIVATE+KEY+PeterNeumann+c74f20a3+AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz")
	require.NoError(t, err)
	assert.Equal(t, "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW", k.public)
	n, err := note.Sign(&note.Note{Text: "If you think cryptography is the answer to your problem,\nthen you don't know what your problem is.\n"}, k.signer)
	require.NoError(t, err)
	assert.Contains(t, string(n), "\n\n— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n")
}

func TestCheckpointsAreMadeWhenSomethingCloses(t *testing.T) {
	l := mustOpen(t, logPath(t))
	s := &scribe{}
	for _, c := range []struct {
		name    string
		entries []session.Entry
		signs   bool
	}{
		{"a start", s.start(), false},
		{"a job begun", s.job("N-1", 3), false},
		{"a step closed", []session.Entry{s.entry("N-1", session.StepClosed{Step: "case width"}), s.entry("N-1", session.Opened{})}, true},
		{"readings", s.readings("N-1", 2), false},
		{"a job ended", s.end("N-1"), true},
	} {
		before := l.Checkpoint()
		require.NoError(t, l.Append(c.entries))
		assert.Equal(t, c.signs, before != l.Checkpoint(), c.name)
		if !c.signs {
			continue
		}
		root, size := l.tree.root(), c.entries[len(c.entries)-1].Seq
		assert.Equal(t, []string{l.key.signer.Name(), fmt.Sprint(size), root.String(), ""}, strings.Split(l.Checkpoint(), "\n")[:4], c.name)
		verifier, err := note.NewVerifier(l.PublicKey())
		require.NoError(t, err)
		signed, err := openCheckpoint(l.Checkpoint(), note.VerifierList(verifier))
		require.NoError(t, err)
		assert.Equal(t, checkpoint{l.key.signer.Name(), size, root}, signed)
	}
	assert.Len(t, column(t, l.db, `SELECT text FROM checkpoints`), 2)
	latest := l.Checkpoint()
	require.NoError(t, l.Close())
	again := mustOpen(t, l.path)
	assert.Equal(t, latest, again.Checkpoint())
	assert.Equal(t, l.PublicKey(), again.PublicKey(), "the key is the same after a restart")
}

func TestNameOfALog(t *testing.T) {
	for path, want := range map[string]string{
		"/state/north.log.db": "/state/north.key", "/state/north.log": "/state/north.key", "/state/copy.db": "/state/copy.key",
		"/state/north": "/state/north.key", "/state/.log": "/state/.log.key", "/state/a b+c.log.db": "/state/a b+c.key",
	} {
		assert.Equal(t, want, KeyPath(path))
	}
	path := filepath.Join(t.TempDir(), "Bänk 1+2.log.db")
	l := mustOpen(t, path)
	assert.Regexp(t, `^shimwright/B-nk-1-2/[0-9a-f]{16}$`, l.key.signer.Name())
}

func TestParseBody(t *testing.T) {
	root := strings.Repeat("A", 43) + "="
	for _, c := range []struct{ name, text, want string }{
		{"good", "a\n0\n" + root + "\n", ""},
		{"with a line more", "a\n12\n" + root + "\nmore\n", ""},
		{"no line feed at the end", "a\n12\n" + root, "three lines"},
		{"no origin", "\n12\n" + root + "\n", "three lines"},
		{"leading zero", "a\n012\n" + root + "\n", `size "012"`},
		{"plus", "a\n+12\n" + root + "\n", `size "+12"`},
		{"negative", "a\n-1\n" + root + "\n", `size "-1"`},
		{"too large", "a\n99999999999999999999\n" + root + "\n", "size"},
		{"short root", "a\n12\nAAAA\n", "root"},
		{"long root", "a\n12\n" + root[:43] + "AAAA=\n", "root"},
		{"loose bits", "a\n12\n" + strings.Repeat("A", 42) + "B=\n", "root"},
	} {
		_, err := parseBody(c.text)
		if c.want == "" {
			assert.NoError(t, err, c.name)
		} else {
			assert.ErrorContains(t, err, c.want, c.name)
		}
	}
}

func TestOpenCheckpointSaysWhatIsWrong(t *testing.T) {
	ours, err := parseKey("PRIVATE+KEY+PeterNeumann+c74f20a3+AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz")
	require.NoError(t, err)
	good, err := ours.sign(&tree{})
	require.NoError(t, err)
	other := mustOpen(t, logPath(t))
	theirs, err := other.key.sign(&tree{})
	require.NoError(t, err)
	unlike, err := note.Sign(&note.Note{Text: "another\n0\n" + tlog.Hash{}.String() + "\n"}, ours.signer)
	require.NoError(t, err)
	for _, c := range []struct{ name, text, want string }{
		{"good", good, ""},
		{"changed", strings.Replace(good, "\n0\n", "\n1\n", 1), "its signature does not fit its text"},
		{"another key", theirs, "it is signed by another key"},
		{"no note", "hello", "it is not a signed note"},
		{"of another log", string(unlike), `it is of "another", but signed by "PeterNeumann"`},
	} {
		_, err := openCheckpoint(c.text, note.VerifierList(ours.verifier))
		if c.want == "" {
			assert.NoError(t, err, c.name)
		} else {
			assert.EqualError(t, err, c.want, c.name)
		}
	}
}

func TestKeysThatCannotBeUsed(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(t *testing.T, file string)
		want string
	}{
		{"garbage", func(t *testing.T, file string) { require.NoError(t, os.WriteFile(file, []byte("hello"), 0o600)) },
			`its key "bench.key" cannot be read (it is not a key); put the key back from a copy`},
		{"empty", func(t *testing.T, file string) { require.NoError(t, os.Truncate(file, 0)) },
			`its key "bench.key" cannot be read (it is not a key); put the key back from a copy`},
		{"for all to read", func(t *testing.T, file string) { require.NoError(t, os.Chmod(file, 0o644)) },
			`its key "bench.key" can be used by others (mode 0644); make it yours alone with chmod 600`},
		{"a folder", func(t *testing.T, file string) {
			require.NoError(t, os.Remove(file))
			require.NoError(t, os.Mkdir(file, 0o700))
		}, "is a directory"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := mustOpen(t, logPath(t))
			someJobs(t, l)
			require.NoError(t, l.Close())
			c.do(t, KeyPath(l.path))
			_, err := Open(l.path)
			assert.ErrorContains(t, err, c.want)
		})
	}
}

// A log whose key was lost goes on with a new one; what the old one signed stays.
func TestALostKeyIsReplaced(t *testing.T) {
	l := mustOpen(t, logPath(t))
	someJobs(t, l)
	old, first := l.PublicKey(), l.Checkpoint()
	require.NoError(t, l.Close())
	require.NoError(t, os.Remove(KeyPath(l.path)))
	l = mustOpen(t, l.path)
	assert.NotEqual(t, old, l.PublicKey())
	assert.Equal(t, first, l.Checkpoint())
	s := startAgain(l)
	require.NoError(t, l.Append(s.end("N-2")))
	assert.NotEqual(t, first, l.Checkpoint())
	assert.Equal(t, []string{old, l.PublicKey()}, column(t, l.db, `SELECT signer FROM checkpoints ORDER BY size`))
	require.NoError(t, l.Close())
	assert.NoError(t, mustOpen(t, l.path).Close())
}

// Nothing is signed that does not go on from what was signed before.
func TestOpenRefusesALogThatDoesNotGoOn(t *testing.T) {
	const free = `DROP TRIGGER entries_not_updated; DROP TRIGGER entries_not_deleted; DROP TRIGGER hashes_not_updated;
		DROP TRIGGER hashes_not_deleted; DROP TRIGGER checkpoints_not_updated; DROP TRIGGER entries_in_sequence; `
	for _, c := range []struct{ name, do, want string }{
		{"nothing changed", ``, ""},
		{"tail cut", `DELETE FROM open_jobs; DELETE FROM entries WHERE seq > 5`, "its checkpoint covers 7 entries, and it has 5"},
		{"tail cut after the checkpoint", `DELETE FROM open_jobs; DELETE FROM entries WHERE seq > 8`, "its hashes do not end where its entries end"},
		{"an entry more", `INSERT INTO entries VALUES (12, 2, '', 'port', x'7b7d')`, "entry 12 is not what was hashed when it was written"},
		{"an entry after the checkpoint edited", `UPDATE entries SET body = x'7b7d' WHERE seq = 9`, "entry 9 is not what was hashed when it was written"},
		{"an entry after the checkpoint removed", `DELETE FROM entries WHERE seq = 9`, "entry 10 is not what was hashed when it was written"},
		{"hashes changed", `UPDATE hashes SET nodes = zeroblob(length(nodes))`, "it is no longer what was signed as its entries 1 to 7"},
		{"hashes removed", `DELETE FROM hashes`, "is missing"},
		{"the checkpoint edited", `UPDATE checkpoints SET text = replace(text, '7', '6')`, "its checkpoint of 7 entries is damaged"},
		{"its key edited", `UPDATE checkpoints SET signer = 'x'`, "the key of its checkpoint of 7 entries is damaged"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := mustOpen(t, logPath(t))
			entries := func() []session.Entry {
				s := &scribe{}
				return append(s.start(), append(s.job("N-1", 3), s.end("N-1")...)...)
			}()
			require.NoError(t, l.Append(entries))
			s := startAgain(l)
			require.NoError(t, l.Append(append(s.start(), s.job("N-2", 1)...)))
			require.NoError(t, l.Close())
			write(t, l.path, free+c.do)
			_, err := Open(l.path)
			if c.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, fmt.Sprintf("cannot open log %q: somebody changed it: ", l.path))
			assert.ErrorContains(t, err, c.want)
			assert.ErrorContains(t, err, "see what changed with: logctl verify")
		})
	}
}
