package session

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func hashOf(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

func pages(b *Bench) (names []string) {
	for _, p := range b.Desk().Pages {
		names = append(names, p.Page)
	}
	return names
}

func TestPairingLivesOverRestartsUntilItIsRevoked(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: Pair, Page: "tablet", Token: hashOf("a"), Operator: "mo"})
	r.do(Command{Do: Pair, Page: "phone", Token: hashOf("b"), Operator: "mo"})
	since := r.bench.Desk().Pages[0].Since
	for range 3 { // each run hands it on to the next
		r.start()
		r.checkReplay()
		require.Equal(t, []string{"tablet", "phone"}, pages(r.bench))
		require.Equal(t, hashOf("a"), r.bench.Desk().Pages[0].Token)
		require.Equal(t, since, r.bench.Desk().Pages[0].Since)
	}
	r.do(Command{Do: Unpair, Page: "tablet", Operator: "mo"})
	require.Equal(t, []string{"phone"}, pages(r.bench))
	r.start()
	require.Equal(t, []string{"phone"}, pages(r.bench))
}

// The daemon folds no more of what concerns the bench than its last run; see
// sqlite.Log.Replay.
func TestPairingIsInTheEntriesOfTheLastRunAlone(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: Pair, Page: "tablet", Token: hashOf("a")})
	r.start()
	s := NewState(theMethod)
	require.NoError(t, r.log.replay(-1)(func(e Entry) error {
		if e.Run < 2 {
			return nil
		}
		return s.Apply(e)
	}))
	require.Equal(t, "tablet", s.desk().Pages[0].Page)
}

func TestPairingIsRefused(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: Pair, Page: "tablet", Token: hashOf("a")})
	for _, c := range []struct {
		command Command
		code    string
	}{
		{Command{Do: Pair, Page: " ", Token: hashOf("b")}, "no page named"},
		{Command{Do: Pair, Page: "phone"}, "bad token"},
		{Command{Do: Pair, Page: "phone", Token: "xyz"}, "bad token"},
		{Command{Do: Pair, Page: "phone", Token: strings.ToUpper(hashOf("b"))}, "bad token"},
		{Command{Do: Pair, Page: "tablet", Token: hashOf("b")}, "name taken"},
		{Command{Do: Pair, Page: "a\nb", Token: hashOf("b")}, "bad text"},
		{Command{Do: Unpair, Page: "phone"}, "no such page"},
	} {
		require.Equal(t, c.code, r.refused(c.command), "%+v", c.command)
	}
	for i := range maxPages - 1 {
		r.do(Command{Do: Pair, Page: fmt.Sprint(i), Token: hashOf(fmt.Sprint(i))})
	}
	require.Equal(t, "too many pages", r.refused(Command{Do: Pair, Page: "phone", Token: hashOf("b")}))
}

// Pairing is the bench's, not the job's, and needs none.
func TestPairingIsOutsideTheJob(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end.toml")
	r.do(Command{Do: Pair, Page: "tablet", Token: hashOf("a"), Operator: "mo"})
	e, err := DecodeEntry(r.log.texts[len(r.log.texts)-1])
	require.NoError(t, err)
	require.Equal(t, Entry{Seq: e.Seq, Run: e.Run, At: e.At, Mono: e.Mono, Operator: "mo", Door: FromTerminal, Body: Paired{"tablet", hashOf("a"), e.At}}, e)
	require.NotContains(t, string(r.log.texts[len(r.log.texts)-1]), `"a"`)
}

func TestTheDesk(t *testing.T) {
	r := newRig(t)
	require.Empty(t, r.bench.Desk().Parts)
	require.Equal(t, Tool{"caliper-1", Caliper, []Use{Outside, Inside, Depth, StepUse}}, r.bench.Desk().Tools[0])
	r.begin("pump-bottom-end.toml")
	require.NotEmpty(t, r.bench.Desk().Parts)
	r.do(Command{Do: End, Note: "enough"})
	require.Empty(t, r.bench.Desk().Parts)
}
