package devices

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// streamingDial sends "+00.01" CR LF all the time.
func streamingDial() session.Profile {
	return session.Profile{
		Name: "dial-1", Kind: session.DialIndicator, Trigger: session.Streaming,
		Resolution: decimals(1, 2), Repeatability: decimals(4, 3),
		ASCII: &session.ASCIILine{Pattern: `(?P<sign>[+-])(?P<value>[0-9]{2}[.][0-9]{2})`},
	}
}

// stream feeds frames 20 ms apart and returns when the last has come.
func stream(d *Decoder, from time.Duration, hundredths ...int) (readings []session.Reading, at time.Duration) {
	at = from
	for _, n := range hundredths {
		at += 20 * time.Millisecond
		sign := "+"
		if n < 0 {
			sign, n = "-", -n
		}
		readings = append(readings, feed(d, fmt.Sprintf("%s%02d.%02d\r\n", sign, n/100, n%100), at)...)
	}
	return readings, at
}

func TestAWindowGivesPeakTroughAndMovement(t *testing.T) {
	d := decoder(t, streamingDial())
	_, at := stream(d, time.Second, 50, 50)
	require.NoError(t, d.Gather(at, at, 0))
	assert.ErrorIs(t, d.Gather(at, at, 0), ErrAsked)
	assert.ErrorIs(t, d.Take(at, at), ErrAsked)
	got, at := stream(d, at, 1, 3, 4, 4, 99, 3, 0, -2, -2, -3, -1) // 0.99 is a spike of one frame
	require.Empty(t, got)
	got, err := d.EndGather(noon, at)
	require.NoError(t, err)
	require.Len(t, got, 1)
	r := got[0]
	require.Nil(t, r.Fault)
	assert.Equal(t, "0.06", r.Value.String())
	assert.Equal(t, session.Movement{Peak: decimals(4, 2), Trough: decimals(-2, 2), Frames: 11, Span: 200 * time.Millisecond}, *r.Movement,
		"a median of three takes the single -0.03 as it takes the spike")
	assert.Equal(t, 11, strings.Count(string(r.Raw), "\n"))
	assert.Contains(t, string(r.Raw), "+00.99\n")
	assert.NotContains(t, string(r.Raw), "+00.50", "what came before the window is not in it")
	_, err = d.EndGather(noon, at)
	assert.ErrorIs(t, err, ErrNoWindow)
	n := d.Counters()
	assert.EqualValues(t, 11, n.Gathered)
	assert.Equal(t, n.Frames, n.Gathered+n.NotAsked)
	assert.Equal(t, n.Bytes, n.SoundBytes+n.Dropped)
}

func TestAWindowOfALengthEndsByItself(t *testing.T) {
	d := decoder(t, streamingDial())
	require.NoError(t, d.Gather(time.Second, time.Second, 100*time.Millisecond))
	wake, ok := d.Next()
	require.True(t, ok)
	require.Equal(t, 1100*time.Millisecond, wake)
	got, _ := stream(d, time.Second, 1, 2, 3, 4, 5, 6, 7)
	require.Len(t, got, 1)
	assert.Equal(t, 5, got[0].Movement.Frames, "the frame that came as the window ended is in it")
	assert.Equal(t, "0.02", got[0].Value.String(), "the ends of the median are left off")
}

func TestAWindowWithFaultsAndWithoutFrames(t *testing.T) {
	d := decoder(t, streamingDial())
	require.NoError(t, d.Gather(time.Second, time.Second, 0))
	got, at := stream(d, time.Second, 1, 2)
	require.Empty(t, append(got, feed(d, "+0x.0\r\n", at)...), "a faulty frame of a stream is counted")
	got, at = stream(d, at, 3)
	require.Empty(t, got)
	got, err := d.EndGather(noon, at)
	require.NoError(t, err)
	assert.Equal(t, 1, got[0].Movement.Bad)

	require.NoError(t, d.Gather(at, at, 0))
	_, at = stream(d, at, 1, 2)
	got, err = d.EndGather(noon, at)
	require.NoError(t, err)
	require.Equal(t, []string{"no movement"}, brief(got))
	assert.Equal(t, "a movement needs at least 3 frames; 2 frames came", got[0].Fault.Detail)

	require.NoError(t, d.Gather(at, at, time.Second))
	_, at = stream(d, at, 1, 2, 3, 4)
	got = d.Lost(noon, at)
	require.Equal(t, []string{"no movement"}, brief(got))
	assert.Equal(t, "the port was lost; 4 frames came", got[0].Fault.Detail)
	_, ok := d.Next()
	assert.False(t, ok)
}

func TestAWindowIsBounded(t *testing.T) {
	d := decoder(t, streamingDial())
	require.NoError(t, d.Gather(0, 0, 0))
	chunk := strings.Repeat("+00.01\r\n", 100)
	var got []session.Reading
	for i := range 200 {
		got = append(got, feed(d, chunk, time.Duration(i)*time.Millisecond)...)
	}
	require.Len(t, got, 1)
	assert.LessOrEqual(t, len(got[0].Raw), mostGathered)
	assert.Equal(t, mostFrames, got[0].Movement.Frames)
	require.NoError(t, d.Gather(time.Second, time.Second, time.Hour))
	wake, _ := d.Next()
	assert.Equal(t, time.Second+longestWindow, wake)
	require.ErrorIs(t, decoder(t, exampleCaliper()).Gather(0, 0, 0), ErrNoStream)
}

// A window of a running instrument, as a daemon opens and ends it.
func TestAWindowOfARunningInstrument(t *testing.T) {
	c := newCable()
	r := newRig(t, streamingDial(), give(c))
	r.goLive()
	assert.ErrorIs(t, r.EndGather(t.Context()), ErrNoWindow)
	heard, stop := r.Listen(16)
	defer stop()
	require.NoError(t, r.Gather(t.Context(), 0))
	for _, frame := range []string{"+00.01\r\n", "+00.05\r\n", "+00.05\r\n", "+00.01\r\n", "+00.01\r\n"} {
		c.send(frame)
	}
	eventually(t, func() bool { return r.Counters().Gathered == 5 })
	require.NoError(t, r.EndGather(t.Context()))
	assert.Equal(t, []string{"0.04"}, r.values())
	assert.Equal(t, "gather", (<-heard).Gather, "a recorder hears when it began")
}
