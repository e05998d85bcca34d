package devices

import (
	"context"
	"fmt"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// tale writes what was heard in short lines.
func tale(h Heard) string {
	switch {
	case h.Bytes != nil && h.Unread:
		return "unread " + strconv.Quote(string(h.Bytes))
	case h.Bytes != nil:
		return "bytes " + strconv.Quote(string(h.Bytes))
	case h.Take:
		return "take"
	case h.Frame != nil && h.Frame.Fault != "":
		return "faulty frame " + h.Frame.Fault
	case h.Frame != nil && h.Frame.Other:
		return "frame of another channel"
	case h.Frame != nil:
		return fmt.Sprintf("frame %s %s of %d bytes", h.Frame.Text, h.Frame.Unit.Word(), h.Frame.Bytes)
	case h.Reading != nil && h.Reading.Fault != nil:
		return "reading without a value: " + h.Reading.Fault.Code
	case h.Reading != nil:
		return "reading " + h.Reading.Value.String()
	}
	return "port " + string(h.Port.State)
}

// hears takes what is heard until it is as many things as it should be.
func hears(t *testing.T, heard <-chan Heard, want ...string) {
	t.Helper()
	var got []string
	for range want {
		select {
		case h := <-heard:
			got = append(got, tale(h))
		case <-time.After(5 * time.Second):
			require.Equal(t, want, got)
		}
	}
	assert.Equal(t, want, got)
}

func TestListening(t *testing.T) {
	c := newCable()
	r := newRig(t, streaming(), give(c))
	r.waits(settleTime)
	heard, stop := r.Listen(16)
	c.send(next)
	hears(t, heard, `unread "V+056.78 mm\r\n"`)
	r.goLive()
	c.send(good)
	hears(t, heard, "port live", `bytes "V+012.34 mm\r\n"`, "frame 012.34 mm of 12 bytes")
	r.pass(time.Millisecond)
	require.NoError(t, r.Take(context.Background()))
	c.send(bad + good)
	hears(t, heard, "take", `bytes "V+0x2.34 mm\r\nV+012.34 mm\r\n"`, "faulty frame no match: the line does not match the pattern",
		"frame 012.34 mm of 12 bytes", "reading 12.34")
	stop()
	stop()
	_, open := <-heard
	assert.False(t, open)
	c.send(good) // nobody listens
	eventually(t, func() bool { return r.Counters().Frames == 3 })
}

func TestListeningToOtherChannelsAndFaults(t *testing.T) {
	c := newCable()
	r := newRig(t, exampleMicrometer(), give(c))
	r.goLive()
	heard, stop := r.Listen(16)
	defer stop()
	require.NoError(t, r.Take(context.Background()))
	c.send("02  24.998 ok\r\n01  24.998 lo\r\n")
	hears(t, heard, "take", `bytes "02  24.998 ok\r\n01  24.998 lo\r\n"`, "frame of another channel",
		`faulty frame bad status: the instrument says "lo"`, "reading without a value: bad status")
}

// Who does not take what is heard delays nothing, and is told how much was lost.
func TestSlowListener(t *testing.T) {
	c := newCable()
	r := newRig(t, exampleCaliper(), give(c))
	r.goLive()
	heard, stop := r.Listen(2)
	defer stop()
	for range 10 {
		c.send(good)
	}
	eventually(t, func() bool { return len(r.values()) == 10 })
	hears(t, heard, `bytes "V+012.34 mm\r\n"`, "frame 012.34 mm of 12 bytes")
	c.send(next)
	eventually(t, func() bool { return len(r.values()) == 11 })
	h := <-heard
	assert.Equal(t, 28, h.Lost)
	assert.Equal(t, `bytes "V+056.78 mm\r\n"`, tale(h))
}

func TestListeningEndsWithTheRun(t *testing.T) {
	h := &heard{}
	i, err := New(Config{Profile: exampleCaliper(), Clock: &fakeTime{}, Sink: h.sink(), Open: func(session.Profile) (Port, error) { return newCable(), nil }})
	require.NoError(t, err)
	before, stop := i.Listen(8)
	defer stop()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	require.NoError(t, i.Run(ctx))
	_, open := <-before
	assert.False(t, open)
	after, stopToo := i.Listen(8)
	stopToo()
	_, open = <-after
	assert.False(t, open)
}

func TestHealth(t *testing.T) {
	c := newCable()
	r := newRig(t, linked(t, exampleCaliper()), give(c))
	r.goLive()
	assert.Equal(t, session.PortLive, r.Health().Port.State)
	assert.True(t, r.Health().Seen.IsZero())
	r.pass(time.Second)
	c.send(good + bad)
	eventually(t, func() bool { return r.Health().Bad == 1 })
	h := r.Health()
	assert.Equal(t, noon.Add(r.sofar()), h.Seen)
	assert.EqualValues(t, 1, h.Frames)
	assert.EqualValues(t, 13, h.Dropped)
}
