package devices

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// Every frame of every format, whole and cut at every byte, comes to the decoder of every
// other format, joined with a frame of its own: an adapter that was swapped, or two
// instruments on one line. Nothing panics, every byte is counted, a frame that follows
// after a pause is read, and no value comes but the own one: each of these formats shows
// that the others' frames are foreign.
func TestForeignFramesJoined(t *testing.T) {
	profiles := append(cutProfiles(), exampleThermometer(), exampleWrench(), streamingDial())
	var list strings.Builder
	for _, own := range profiles {
		for _, other := range profiles {
			if own.Name == other.Name {
				continue
			}
			read := []string{}
			for _, value := range []session.Number{decimals(0, 2), decimals(124, 1), decimals(222, 1)} {
				foreign, err := encode(onPress(other), value)
				require.NoError(t, err, other.Name)
				for cut := 1; cut <= len(foreign); cut++ {
					read = append(read, foreignJoined(t, onPress(own), foreign[:cut])...)
					read = append(read, foreignJoined(t, onPress(own), foreign[len(foreign)-cut:])...)
				}
			}
			slices.Sort(read)
			if read = slices.Compact(read); len(read) > 0 {
				fmt.Fprintf(&list, "%s takes of %s: %s\n", own.Name, other.Name, strings.Join(read, ", "))
			}
		}
	}
	require.Empty(t, list.String())
}

// foreignJoined feeds foreign bytes, at once followed by an own frame and after a pause by
// another, and returns the values that are not the own one.
func foreignJoined(t *testing.T, own session.Profile, foreign []byte) (others []string) {
	t.Helper()
	want := decimals(98, 1)
	b, err := encode(own, want)
	require.NoError(t, err)
	for _, pause := range []time.Duration{0, time.Second} {
		d := decoder(t, own)
		got := append(feed(d, string(foreign), time.Second), feed(d, string(b), time.Second+pause)...)
		got = append(got, quiet(d, 3*time.Second)...)
		last := append(feed(d, string(b), 4*time.Second), quiet(d, 5*time.Second)...)
		accountFor(t, d, len(foreign)+2*len(b))
		require.Len(t, last, 1, "%s: %q then %q", own.Name, foreign, b)
		require.True(t, last[0].Fault == nil && last[0].Value.Equal(want.Decimal), "%s: %q then %q", own.Name, foreign, b)
		for _, r := range got {
			if r.Fault == nil && !r.Value.Equal(want.Decimal) {
				others = append(others, r.Value.String())
			}
		}
	}
	return others
}
