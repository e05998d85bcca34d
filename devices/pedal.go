package devices

import (
	"errors"
	"time"

	"shimwright/session"
)

// The pedal byte.
//
//	any byte, or several close together  =  one press
//	50    "P": a press
//
// A press is over after a pause of 50 ms, so a pedal that sends a line, that
// bounces, or that is stuck and repeats itself is pressed once.

// pedalPause separates two presses.
const pedalPause = 50 * time.Millisecond

type pedalWire struct {
	last  time.Duration
	begun bool       // a byte has come at all
	tail  frameClass // how bytes of a press that goes on count
}

func newPedalWire(session.Profile) wire { return &pedalWire{} }

func (w *pedalWire) feed(b []byte, mono time.Duration, out func(frame)) {
	if len(b) > 0 && (!w.begun || mono-w.last >= pedalPause) {
		out(frame{class: sound, bytes: 1, raw: b[:1], began: mono, ended: mono})
		b, w.tail = b[1:], trailing
	}
	w.last, w.begun = mono, true
	if len(b) > 0 {
		out(frame{class: w.tail, bytes: len(b)})
	}
}

func (w *pedalWire) discard(b []byte, mono time.Duration, out func(frame)) {
	w.last, w.begun, w.tail = mono, true, empty
	out(frame{class: empty, bytes: len(b)})
}

func (w *pedalWire) silence(time.Duration, func(frame)) {}
func (w *pedalWire) deadline() (time.Duration, bool)    { return 0, false }
func (w *pedalWire) flush(func(frame))                  { w.begun = false }
func (w *pedalWire) pending() int                       { return 0 }

func newPedalEncoder(session.Profile) encoder {
	return func(shown session.Number, _ session.Unit) ([]byte, error) {
		if !shown.IsZero() {
			return nil, errors.New("cannot encode a value: a pedal has none")
		}
		return []byte("P"), nil
	}
}
