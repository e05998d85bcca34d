package operators

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

func TestAHashFitsItsPINAndNoOther(t *testing.T) {
	for _, pin := range []string{"2718", "größer", strings.Repeat("9", MostPIN)} {
		h, err := HashPIN(pin)
		require.NoError(t, err)
		require.NoError(t, h.Check())
		assert.True(t, h.fits(pin))
		assert.False(t, h.fits(pin+"1"))
		assert.False(t, h.fits(""))
		assert.NotContains(t, string(h), pin)
		again, err := HashPIN(pin)
		require.NoError(t, err)
		assert.NotEqual(t, h, again, "the salt is its own")
	}
	for _, pin := range []string{"", "123", " 1234", "1234 ", strings.Repeat("9", MostPIN+1)} {
		_, err := HashPIN(pin)
		assert.EqualError(t, err, "a PIN has 4 to 64 characters and no spaces around it", pin)
	}
}

// The text is the usual one: hashes of another program are read. (The reference
// implementation's command line, for the password "password" and the salt "somesalt";
// its test.c, value from memory and agreeing with the algorithm here.)
func TestAHashOfAnotherProgram(t *testing.T) {
	h := Hash("$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc")
	require.NoError(t, h.Check())
	assert.True(t, h.fits("password"))
	assert.False(t, h.fits("Password"))
}

func TestAHashThatCannotBeUsed(t *testing.T) {
	const salt, end = "$c29tZXNhbHQ", "$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	for _, c := range []struct{ text, says string }{
		{"", "it is not an Argon2id hash"},
		{"1234", "it is not an Argon2id hash"},
		{"$argon2i$v=19$m=65536,t=2,p=1" + salt + end, "it is not an Argon2id hash"},
		{"$argon2id$v=16$m=65536,t=2,p=1" + salt + end, "its version is not 19"},
		{"$argon2id$v=19$m=x" + salt + end, "its parameters cannot be read"},
		{"$argon2id$v=19$m=999999999,t=2,p=1" + salt + end, "its parameters are out of bounds"},
		{"$argon2id$v=19$m=65536,t=0,p=1" + salt + end, "its parameters are out of bounds"},
		{"$argon2id$v=19$m=65536,t=2,p=0" + salt + end, "its parameters are out of bounds"},
		{"$argon2id$v=19$m=65536,t=2,p=1$?" + end, "its salt cannot be read"},
		{"$argon2id$v=19$m=65536,t=2,p=1" + salt + "$abc", "its end cannot be read"},
	} {
		assert.EqualError(t, Hash(c.text).Check(), c.says, c.text)
		assert.False(t, Hash(c.text).fits("1234"))
	}
}

type fakeClock struct {
	mu   sync.Mutex
	mono time.Duration
}

func (c *fakeClock) Now() (time.Time, time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Time{}, c.mono
}

func (c *fakeClock) move(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.mono += d
}

// through is what came through a gate.
type through struct{ items []any }

func (b *through) Submit(_ context.Context, item any) (session.Receipt, error) {
	b.items = append(b.items, item)
	return session.Receipt{Seq: 1}, nil
}

func newGate(t *testing.T) (*Gate, *through, *fakeClock) {
	t.Helper()
	h, err := HashPIN("2718")
	require.NoError(t, err)
	b, clock := &through{}, &fakeClock{}
	return NewGate(b.Submit, []Operator{{"ada", h}, {"bo", h}}, []session.Verb{session.Begin, session.End}, clock), b, clock
}

func TestTheGate(t *testing.T) {
	for _, c := range []struct {
		name   string
		item   any
		says   string // the refusal; empty if it goes through
		proved bool
	}{
		{"a reading", session.Reading{Text: "1"}, "", false},
		{"a command that is not protected", session.Command{Do: session.Next}, "", false},
		{"one with a PIN all the same", session.Command{Do: session.Next, Operator: "ada", PIN: "2718"}, "", true},
		{"one with a wrong PIN", session.Command{Do: session.Next, Operator: "ada", PIN: "2719"}, "wrong pin: that is not the PIN of ada; try again", false},
		{"one with a PIN of nobody", session.Command{Do: session.Next, Operator: "cy", PIN: "2718"}, "", false},
		{"a protected one with its PIN", session.Command{Do: session.Begin, Operator: "ada", PIN: "2718"}, "", true},
		{"without a PIN", session.Command{Do: session.End, Operator: "ada"}, "pin needed: to end takes the PIN of ada; give it with the command", false},
		{"who claims to be proved", session.Command{Do: session.End, Operator: "ada", Proved: true}, "pin needed: to end takes the PIN of ada; give it with the command", false},
		{"by another", session.Command{Do: session.End, Operator: "cy", PIN: "2718"}, "not allowed: cy is not one of those who can end here; ask one of these: ada, bo", false},
		{"by nobody", session.Command{Do: session.End, PIN: "2718"}, "not allowed: whoever gives no name is not one of those who can end here; ask one of these: ada, bo", false},
	} {
		g, b, _ := newGate(t)
		_, err := g.Submit(t.Context(), c.item)
		if c.says != "" {
			var no *session.Refusal
			require.ErrorAs(t, err, &no, c.name)
			assert.Equal(t, c.says, no.Code+": "+no.Error(), c.name)
			assert.Empty(t, b.items, c.name)
			continue
		}
		require.NoError(t, err, c.name)
		require.Len(t, b.items, 1, c.name)
		if command, ok := b.items[0].(session.Command); ok {
			assert.Empty(t, command.PIN, "%s: the PIN goes no further", c.name)
			assert.Equal(t, c.proved, command.Proved, c.name)
		}
	}
}

// After a few wrong PINs each costs twice the wait of the one before, and the right one
// has to wait too; it ends that.
func TestWrongPINsCostTime(t *testing.T) {
	g, b, clock := newGate(t)
	try := func(operator, pin string) string {
		_, err := g.Submit(t.Context(), session.Command{Do: session.Begin, Operator: operator, PIN: pin})
		var no *session.Refusal
		if errors.As(err, &no) {
			return no.Code + ": " + no.Instead
		}
		require.NoError(t, err)
		return "ok"
	}
	assert.Equal(t, "wrong pin: try again", try("ada", "0000"))
	assert.Equal(t, "wrong pin: try again", try("ada", "0001"))
	assert.Equal(t, "too many tries: wait 1 s, then try again", try("ada", "0002"))
	assert.Equal(t, "too many tries: wait 1 s, then try again", try("ada", "2718"), "even the right one")
	assert.Equal(t, "ok", try("bo", "2718"), "the others do not wait")
	clock.move(time.Second)
	assert.Equal(t, "too many tries: wait 2 s, then try again", try("ada", "0003"))
	clock.move(2 * time.Second)
	for range 20 {
		try("ada", "0004")
		clock.move(mostWait)
	}
	assert.Equal(t, "too many tries: wait 300 s, then try again", try("ada", "0005"))
	clock.move(mostWait)
	assert.Equal(t, "ok", try("ada", "2718"))
	assert.Equal(t, "wrong pin: try again", try("ada", "0006"), "and it begins anew")
	assert.Len(t, b.items, 2)
}

// Many at once are looked at one after another, and a wait is kept among them.
func TestManyTriesAtOnce(t *testing.T) {
	g, b, _ := newGate(t)
	var all sync.WaitGroup
	for range 12 {
		all.Go(func() {
			_, err := g.Submit(t.Context(), session.Command{Do: session.Begin, Operator: "ada", PIN: "1111"})
			assert.Error(t, err)
		})
	}
	all.Wait()
	assert.Equal(t, free, g.wrong["ada"].count, "the others were not looked at")
	assert.Empty(t, b.items)
	g.hashing <- struct{}{}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := g.Submit(gone, session.Command{Do: session.Begin, Operator: "bo", PIN: "1111"})
	assert.ErrorIs(t, err, context.Canceled)
}
