package main

import "time"

// runClock is the clock of one run of the daemon.
type runClock struct{ start time.Time }

func newRunClock() runClock { return runClock{time.Now()} }

// Now gives the wall clock and the monotonic time since the run began.
func (c runClock) Now() (time.Time, time.Duration) {
	now := time.Now()
	return now.Round(0).UTC(), now.Sub(c.start)
}
