package session

import (
	"maps"
	"slices"
	"time"
)

// A HealthView is how the line of an instrument has been since the run began, as it was
// when last looked at. It is no part of the log.
type HealthView struct {
	LastSeen   *time.Time `json:"last_seen,omitempty"` // when the last sound frame came
	Frames     int64      `json:"frames"`              // sound ones
	Bad        int64      `json:"bad_frames"`
	Dropped    int64      `json:"bytes_dropped"` // in no sound frame
	Reconnects int64      `json:"reconnects"`
}

func (h HealthView) same(o HealthView) bool {
	seen := h.LastSeen == o.LastSeen || h.LastSeen != nil && o.LastSeen != nil && h.LastSeen.Equal(*o.LastSeen)
	h.LastSeen, o.LastSeen = nil, nil
	return seen && h == o
}

// Observe shows the health of instruments, by name: at once if it changed, and in every
// snapshot from then on. Call it now and then, not with each frame.
func (b *Bench) Observe(health map[string]HealthView) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if maps.EqualFunc(b.health, health, HealthView.same) {
		return
	}
	b.health = maps.Clone(health)
	s := b.latest
	s.Instruments = slices.Clone(s.Instruments)
	b.show(s)
}

// show puts a snapshot into every mailbox in place of what is there. mu is held.
func (b *Bench) show(s Snapshot) {
	for i := range s.Instruments {
		if h, ok := b.health[s.Instruments[i].Name]; ok {
			s.Instruments[i].Health = &h
		}
	}
	b.latest = s
	for box := range b.readers {
		select {
		case <-box:
		default:
		}
		box <- s
	}
}
