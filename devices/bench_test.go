package devices

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// BenchmarkDecode measures bytes a second and allocations a frame of each wire
// format, beside a bare scan of the same bytes.
func BenchmarkDecode(b *testing.B) {
	stream := exampleCaliper()
	stream.Name, stream.Trigger = "caliper-streaming", session.Streaming
	for _, p := range []session.Profile{exampleCaliper(), stream, exampleDepthGauge(), loneProfile(), ExampleProfiles()[3]} {
		length := decimals(1234, 2)
		if p.Kind == session.Pedal {
			length = session.Number{}
		}
		one, err := encode(p, length)
		require.NoError(b, err)
		fed := bytes.Repeat(one, 256)
		b.Run(p.Name+"/decode", func(b *testing.B) { benchDecode(b, p, one) })
		b.Run(p.Name+"/scan", func(b *testing.B) {
			b.SetBytes(int64(len(fed)))
			n := 0
			for b.Loop() {
				for _, c := range fed {
					if c == '\n' {
						n++
					}
				}
			}
			require.GreaterOrEqual(b, n, 0)
		})
	}
	b.Run("noise/decode", func(b *testing.B) {
		d := decoder(b, exampleCaliper())
		noise := bytes.Repeat([]byte{0xFF}, 4096)
		b.SetBytes(4096)
		b.ReportAllocs()
		for b.Loop() {
			d.Feed(noise, noon, time.Second)
		}
	})
}

// benchDecode decodes one frame each time, a second after the one before.
func benchDecode(b *testing.B, p session.Profile, one []byte) {
	d := decoder(b, p)
	b.SetBytes(int64(len(one)))
	b.ReportAllocs()
	at := time.Duration(0)
	for b.Loop() {
		at += time.Second
		d.Feed(one, noon, at)
	}
	require.Positive(b, d.Counters().Frames)
	require.LessOrEqual(b, d.Counters().Bad, int64(1))
}
