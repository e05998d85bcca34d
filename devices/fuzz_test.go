package devices

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// chunks feeds bytes in pieces and pauses that the fuzzer chooses: each byte of
// cuts gives the length of a piece (low six bits) and the pause before it (high
// two). It returns the readings and checks that every byte is accounted for.
func chunks(t *testing.T, p session.Profile, fed, cuts []byte) []session.Reading {
	d, err := NewDecoder(p)
	require.NoError(t, err)
	silent := 0 // bytes of which no reading tells
	d.handle = func(f frame) {
		if f.class == empty {
			silent += f.bytes
		}
		d.frame(f)
	}
	var got []session.Reading
	at := time.Second
	for rest, i := fed, 0; len(rest) > 0; i++ {
		n, pause := len(rest), time.Duration(0)
		if i < len(cuts) {
			n = min(n, int(cuts[i]&63)+1)
			pause = []time.Duration{0, 5 * time.Millisecond, 30 * time.Millisecond, 700 * time.Millisecond}[cuts[i]>>6]
		}
		at += pause
		got = append(got, d.Feed(rest[:n], noon.Add(at), at)...)
		rest = rest[n:]
		accountFor(t, d, len(fed)-len(rest))
	}
	at += 2 * time.Second
	got = append(got, quiet(d, at)...)
	got = append(got, quiet(d, at+2*time.Second)...)
	require.Zero(t, d.wire.pending())
	accountFor(t, d, len(fed))
	require.EqualValues(t, len(got), d.Counters().Readings)
	checkFaults(t, got, d.Counters().Dropped-int64(silent))
	return got
}

// checkFaults checks that faults are bounded and count each byte once.
func checkFaults(t *testing.T, got []session.Reading, want int64) {
	total := int64(0)
	for _, r := range got {
		require.LessOrEqual(t, len(r.Raw), maxRaw)
		if r.Fault != nil {
			require.NotEmpty(t, r.Fault.Code)
			require.True(t, r.Value.IsZero())
			total += int64(r.Fault.Bytes)
		}
		require.Empty(t, beyond(r.Value, r.Text, r.Unit))
	}
	require.Equal(t, want, total)
}

func FuzzASCII(f *testing.F) {
	for _, seed := range []string{good, good + next, "V+0" + good, "\r\n\n" + good, bad, "V+1e9 mm\r\n", "01  24.998 ok\r\n", "00001234\r", "-1.5 cm\n",
		strings.Repeat("9", 200) + "\n" + good, "\x00\xff\x80\r" + good} {
		f.Add([]byte(seed), []byte{})
		f.Add([]byte(seed), []byte{0, 0x41, 0x82, 0xC3, 7})
	}
	profiles := []session.Profile{exampleCaliper(), onPress(exampleMicrometer()), asciiProfile(plain), asciiProfile(`[^0-9]*(?P<value>[0-9]*).*`, implied(3)),
		asciiProfile(`(?P<sign>.?)(?P<value>[^ ]*) *(?P<unit>.*)`)}
	f.Fuzz(func(t *testing.T, fed, cuts []byte) {
		for _, p := range profiles {
			for _, r := range chunks(t, p, fed, cuts) {
				if r.Fault == nil {
					require.True(t, wasSent(fed, r.Text, p.ASCII.ImpliedDecimals), "%q of %q", r.Text, fed)
				}
			}
		}
	})
}

// wasSent tells whether the digits of a text are in what was fed.
func wasSent(fed []byte, text string, implied int) bool {
	text = strings.TrimPrefix(text, "-")
	if implied > 0 {
		text = strings.TrimLeft(strings.ReplaceAll(text, ".", ""), "0")
	}
	if fraction, led := strings.CutPrefix(strings.TrimLeft(text, "+-"), "0."); led && bytes.Contains(fed, []byte("."+fraction)) {
		return true // ".5" is read as 0.5
	}
	return bytes.Contains(fed, []byte(text))
}

func FuzzBinary(f *testing.F) {
	for _, seed := range []string{"\x80\x09\xA5", "\xC0\x09\xA5\x80\x00\x01", "\x80\x80\x09\xA5", "\x2F\x4D\x00", "\x2F\x4D\x00\x2F\x4D\x00", "\xFF\xFF\xFF\x00",
		strings.Repeat("\x0F\x00\x00", 30)} {
		f.Add([]byte(seed), []byte{})
		f.Add([]byte(seed), []byte{0, 0x41, 0x80, 0xC3, 7})
	}
	profiles := []session.Profile{exampleDepthGauge(), loneProfile(), binaryProfile(func(b *session.BinaryFrame) { b.Sign = signTwos }),
		binaryProfile(func(b *session.BinaryFrame) { b.Bits, b.Value, b.Fixed = 8, []int{0, 4}, "....0110" })}
	f.Fuzz(func(t *testing.T, fed, cuts []byte) {
		for _, p := range profiles {
			for _, r := range chunks(t, p, fed, cuts) {
				if r.Fault == nil {
					again, err := encode(p, r.Value)
					if r.Unit == session.Millimetre {
						require.NoError(t, err)
						require.True(t, bytes.Contains(fed, r.Raw))
						require.Equal(t, signless(p, r.Raw), signless(p, again))
					}
				}
			}
		}
	})
}

// signless clears the sign of zero and what the profile leaves open, which an
// encoder cannot know.
func signless(p session.Profile, frame []byte) []byte {
	b := bytes.Clone(frame)
	w := newBinaryWire(p).(*binaryWire)
	for i := range p.Binary.Bits {
		inValue := i >= p.Binary.Value[0] && i < p.Binary.Value[0]+p.Binary.Value[1]
		if !inValue && !hasBit(w.mask, p.Binary.Order, i) {
			b[i/8] &^= bitMask(p.Binary.Order, i)
		}
	}
	return b
}
