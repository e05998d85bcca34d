package devices

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// loneProfile is a binary gauge whose frames only silence separates.
func loneProfile() session.Profile {
	p := exampleDepthGauge()
	p.Name = "lone-gauge"
	p.Binary = &session.BinaryFrame{Bits: 24, Order: lowestFirst, Value: []int{4, 16}, Sign: signTwos,
		Scale: decimals(1, 2), Fixed: "1111 .... .... .... .... 0000"}
	return p
}

func binaryProfile(change func(*session.BinaryFrame)) session.Profile {
	p := exampleDepthGauge()
	p.Binary = &session.BinaryFrame{Bits: 16, Order: highestFirst, Value: []int{0, 16}, Scale: decimals(1, 2)}
	change(p.Binary)
	return p
}

func TestBinaryReadings(t *testing.T) {
	bit := func(n int) *int { return &n }
	for _, c := range []struct {
		name    string
		profile session.Profile
		bytes   string
		mm      string
		text    string
		unit    session.Unit
	}{
		{"example", exampleDepthGauge(), "\x80\x09\xA5", "12.34", "12.34", "mm"},
		{"negative", exampleDepthGauge(), "\xC0\x09\xA5", "-12.34", "-12.34", "mm"},
		{"inch, exactly", exampleDepthGauge(), "\xA0\x07\x99", "12.34440", "0.4860", "[in_i]"},
		{"zero", exampleDepthGauge(), "\x80\x00\x01", "0.00", "0.00", "mm"},
		{"all counts", exampleDepthGauge(), "\x80\x7F\xFF", "163.83", "163.83", "mm"},
		{"a fixed bit wrong", exampleDepthGauge(), "\x80\x89\xA5", "broken frame", "", ""},
		{"last bit wrong", exampleDepthGauge(), "\x80\x09\xA4", "broken frame", "", ""},
		{"too short", exampleDepthGauge(), "\x80\x09", "broken frame", "", ""},
		{"highest first", binaryProfile(func(*session.BinaryFrame) {}), "\x04\xD2", "12.34", "12.34", "mm"},
		{"lowest first", binaryProfile(func(b *session.BinaryFrame) { b.Order = lowestFirst }), "\xD2\x04", "12.34", "12.34", "mm"},
		{"twos complement", binaryProfile(func(b *session.BinaryFrame) { b.Sign = signTwos }), "\xFB\x2E", "-12.34", "-12.34", "mm"},
		{"lowest twos complement", binaryProfile(func(b *session.BinaryFrame) { b.Sign = signTwos }), "\x80\x00", "-327.68", "-327.68", "mm"},
		{"unsigned", binaryProfile(func(b *session.BinaryFrame) { b.Sign = signNone }), "\xFB\x2E", "643.02", "643.02", "mm"},
		{"field in the middle", binaryProfile(func(b *session.BinaryFrame) { b.Value = []int{4, 8} }), "\xF1\x2F", "0.18", "0.18", "mm"},
		{"sign bit behind", binaryProfile(func(b *session.BinaryFrame) { b.Value, b.Sign, b.SignBit = []int{0, 15}, signBit, bit(15) }), "\x00\x0D", "-0.06", "-0.06", "mm"},
		{"coarse scale", binaryProfile(func(b *session.BinaryFrame) { b.Scale = decimals(5, 1) }), "\x00\x03", "1.5", "1.5", "mm"},
		{"at 10 m", binaryProfile(func(b *session.BinaryFrame) { b.Scale = decimals(1, 0) }), "\x27\x10", "10000", "10000", "mm"},
		{"beyond 10 m", binaryProfile(func(b *session.BinaryFrame) { b.Scale = decimals(1, 0) }), "\x27\x11", "bad number", "", ""},
		{"48 bits beyond 10 m", binaryProfile(func(b *session.BinaryFrame) { b.Bits, b.Value, b.Sign = 48, []int{0, 48}, signTwos }), "\x80\x00\x00\x00\x00\x00", "bad number", "", ""},
		{"lone", loneProfile(), "\x2F\x4D\x00", "12.34", "12.34", "mm"},
		{"lone, two in one burst", loneProfile(), "\x2F\x4D\x00\x2F\x4D\x00", "12.34 12.34", "12.34", "mm"},
		{"lone, one byte more", loneProfile(), "\x2F\x4D\x00\x2F", "broken frame", "", ""},
		{"lone, second wrong", loneProfile(), "\x2F\x4D\x00\x2F\x4D\x80", "broken frame", "", ""},
		{"lone, a long burst", loneProfile(), "\x2F\x4D\x00\x2F\x4D\x00\x2F\x4D\x00\x2F\x4D\x00\x2F\x4D\x00\x2F\x4D\x00\x2F\x4D\x00\x2F\x4D\x00\x2F\x4D\x00", "noise", "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := decoder(t, c.profile)
			got := append(feed(d, c.bytes, time.Second), quiet(d, 2*time.Second)...)
			want := []string{c.mm}
			if c.mm == "12.34 12.34" {
				want = []string{"12.34", "12.34"}
			}
			require.Equal(t, want, brief(got))
			assert.Equal(t, c.text, got[0].Text)
			assert.Equal(t, c.unit, got[0].Unit)
			if got[0].Fault != nil {
				assert.Equal(t, len(c.bytes), got[0].Fault.Bytes)
				assert.Equal(t, session.Raw(c.bytes), got[0].Raw)
			}
			n := d.Counters()
			assert.Equal(t, n.Bytes, n.SoundBytes+n.Dropped)
		})
	}
}

// A frame that silence ends has the time of its last byte, not of the silence.
func TestBinaryLoneTime(t *testing.T) {
	d := decoder(t, loneProfile())
	require.Empty(t, feed(d, "\x2F\x4D", time.Second))
	require.Empty(t, feed(d, "\x00", time.Second+5*time.Millisecond))
	at, ok := d.Next()
	require.True(t, ok)
	require.Equal(t, time.Second+25*time.Millisecond, at)
	got := quiet(d, at+3*time.Millisecond)
	require.Len(t, got, 1)
	assert.Equal(t, time.Second+5*time.Millisecond, got[0].Mono)
	assert.Equal(t, noon.Add(got[0].Mono), got[0].At)
}

// Where the fixed bits mark the frame, it is read behind garbage without a pause.
func TestBinaryFrameBehindGarbage(t *testing.T) {
	d := decoder(t, exampleDepthGauge())
	got := feed(d, "\x00\xFF\x80\x09\x80\x09\xA5\x13\xC0\x00\x03", time.Second)
	assert.Equal(t, []string{"broken frame", "12.34", "broken frame", "-0.01"}, brief(got))
	assert.Equal(t, 4, got[0].Fault.Bytes)
	assert.Equal(t, session.Raw("\x00\xFF\x80\x09"), got[0].Raw)
	assert.Equal(t, Counters{Bytes: 11, SoundBytes: 6, Dropped: 5, Frames: 2, Bad: 2, Readings: 4}, d.Counters())
}

func TestBinaryDiscard(t *testing.T) {
	for _, p := range []session.Profile{exampleDepthGauge(), loneProfile()} {
		d := decoder(t, p)
		b, err := encode(p, decimals(1234, 2))
		require.NoError(t, err)
		require.Empty(t, d.Discard(b[:2], noon, time.Second))
		require.Empty(t, feed(d, string(b[2:]), time.Second), p.Name)
		require.Empty(t, quiet(d, 2*time.Second))
		require.Empty(t, feed(d, string(b[:1]), 3*time.Second))
		require.Equal(t, []string{"12.34"}, brief(append(feed(d, string(b[1:]), 3*time.Second), quiet(d, 4*time.Second)...)))
		assert.Equal(t, Counters{Bytes: 6, SoundBytes: 3, Dropped: 3, Frames: 1, Readings: 1}, d.Counters())
	}
}

// A press is one press, however many bytes it sends.
func TestPedal(t *testing.T) {
	d := decoder(t, ExampleProfiles()[3])
	ms := time.Millisecond
	assert.Equal(t, []string{"press"}, brief(feed(d, "P", 0)))
	assert.Empty(t, feed(d, "\r\n", 20*ms))
	assert.Empty(t, feed(d, "P", 69*ms))
	assert.Equal(t, []string{"press"}, brief(feed(d, "\x00", 119*ms)))
	assert.Equal(t, Counters{Bytes: 5, SoundBytes: 5, Frames: 2, Readings: 2}, d.Counters())
	d = decoder(t, ExampleProfiles()[3])
	assert.Empty(t, d.Discard([]byte("P"), noon, 0))
	assert.Empty(t, feed(d, "P", 20*ms))
	assert.Equal(t, []string{"press"}, brief(feed(d, "P", 90*ms)))
	assert.Equal(t, Counters{Bytes: 3, SoundBytes: 1, Dropped: 2, Frames: 1, Readings: 1}, d.Counters())
}
