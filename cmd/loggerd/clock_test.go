package main

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// handedClock tells each time that it is handed, one after the other.
type handedClock chan hands

type hands struct {
	wall time.Time
	mono time.Duration
}

func (c handedClock) Now() (time.Time, time.Duration) { h := <-c; return h.wall, h.mono }

func TestAClockThatIsSetIsAnEntry(t *testing.T) {
	start, today := time.Date(1970, 1, 1, 0, 0, 9, 0, time.UTC), time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	clock, ticks, stepped := make(handedClock), make(chan time.Time), make(chan session.ClockStepped, 9)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		watchClock(ctx, clock, ticks, func(s session.ClockStepped) { stepped <- s })
	}()
	clock <- hands{start, 0}
	ticks <- start
	clock <- hands{start.Add(11 * time.Second), 10 * time.Second} // a second in ten is no step
	ticks <- start
	clock <- hands{today, 20 * time.Second}
	require.Equal(t, session.ClockStepped{Was: start.Add(21 * time.Second), Is: today}, <-stepped)
	stop()
	<-ended
	require.Empty(t, stepped)
}

func TestTheRunClockIsMonotonic(t *testing.T) {
	c := newRunClock()
	wall, first := c.Now()
	_, second := c.Now()
	require.GreaterOrEqual(t, second, first)
	require.Equal(t, time.UTC, wall.Location())
}
