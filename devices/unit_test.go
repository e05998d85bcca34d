package devices

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// mayBeSilent is the example caliper, whose frame may leave its unit out.
func mayBeSilent() session.Profile {
	p := exampleCaliper()
	p.ASCII = &session.ASCIILine{Pattern: `V(?P<sign>[+-])(?P<value>[0-9.]+)( (?P<unit>mm|in))?`}
	return p
}

// A frame without a unit is in the profile's, until a frame has said one: from then on
// nobody knows.
func TestAFrameWithoutUnitAfterFramesWithUnit(t *testing.T) {
	d := decoder(t, mayBeSilent())
	at := time.Second
	for _, c := range []struct{ bytes, want string }{
		{"V+12.34\r\n", "12.34"},
		{"V+1.0000 in\r\n", "25.40000"},
		{"V+12.34\r\n", "bad unit"},
		{"V+12.34 mm\r\n", "12.34"},
		{"V+12.35\r\n", "bad unit"},
	} {
		at += time.Second
		assert.Equal(t, []string{c.want}, brief(feed(d, c.bytes, at)), "%q", c.bytes)
	}
	d.Lost(noon, at)
	assert.Equal(t, []string{"bad unit"}, brief(feed(d, "V+12.34\r\n", at+time.Second)), "it may have been switched while its cable was out")
	n := d.Counters()
	assert.Equal(t, n.Bytes, n.SoundBytes+n.Dropped)
}

func TestStatusBits(t *testing.T) {
	p := exampleDepthGauge()
	p.Binary.Fixed = "1... 0000 0... .... .... ...1"
	p.Binary.StatusBits = []int{3}
	require.Empty(t, Check(p))
	sound, err := encode(p, decimals(1234, 2))
	require.NoError(t, err)
	weak := append([]byte(nil), sound...)
	setBit(weak, highestFirst, 3)
	d := decoder(t, p)
	got := append(feed(d, string(weak)+string(sound), time.Second), quiet(d, 2*time.Second)...)
	require.Equal(t, []string{"bad status", "12.34"}, brief(got))
	assert.Contains(t, got[0].Fault.Detail, "bit 3")

	p.Binary.StatusBits = []int{1}
	assert.ErrorContains(t, Check(p)[0], "bit 1 belongs to binary.sign_bit already")
	p.Binary.StatusBits = []int{24}
	assert.ErrorContains(t, Check(p)[0], "bit 24 is not in a frame")
	p.Binary.StatusBits, p.Binary.Fixed = []int{3}, exampleDepthGauge().Binary.Fixed
	assert.ErrorContains(t, Check(p)[0], "bit 3 is fixed and belongs to binary.status_bits")
}
