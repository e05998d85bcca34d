package main

import (
	"context"
	"time"

	"shimwright/session"
)

// runClock is the clock of one run of the daemon.
type runClock struct{ start time.Time }

func newRunClock() runClock { return runClock{time.Now()} }

// Now gives the wall clock and the monotonic time since the run began.
func (c runClock) Now() (time.Time, time.Duration) {
	now := time.Now()
	return now.Round(0).UTC(), now.Sub(c.start)
}

// How often the wall clock is compared with the monotonic one, and the least
// difference that counts as a step. A clock that is only slewed stays below it.
const (
	clockLook = 10 * time.Second
	clockStep = 2 * time.Second
)

// watchClock submits an entry when the wall clock was set while the run went on,
// at the next of ticks.
func watchClock(ctx context.Context, clock session.Clock, ticks <-chan time.Time, submit func(session.ClockStepped)) {
	wall, mono := clock.Now()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticks:
		}
		nextWall, nextMono := clock.Now()
		was := wall.Add(nextMono - mono)
		if nextWall.Sub(was).Abs() >= clockStep {
			submit(session.ClockStepped{Was: was, Is: nextWall})
		}
		wall, mono = nextWall, nextMono
	}
}
