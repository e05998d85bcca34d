package session

import (
	"fmt"
	"math"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// A Movement is what an indicator showed over a window while the shaft was turned or
// pushed, spikes of a single frame removed: the total indicator movement is Peak − Trough.
type Movement struct {
	Peak   Number        `json:"peak_mm"`
	Trough Number        `json:"trough_mm"`
	Frames int           `json:"frames"`
	Bad    int           `json:"bad_frames,omitempty"` // that came in between and could not be read
	Span   time.Duration `json:"span_ns"`              // from the first frame to the last
}

// spikeWidth is the width of the median that removes spikes of one frame.
const spikeWidth = 3

// MovementOf reduces a window. The error says that it has fewer than three values.
func MovementOf(values []Number) (Movement, error) {
	if len(values) < spikeWidth {
		return Movement{}, fmt.Errorf("a movement needs at least %d frames", spikeWidth)
	}
	stream, places := make([]decimal.Decimal, len(values)), int32(0)
	for i, v := range values {
		stream[i], places = v.Decimal, min(places, v.Exponent())
	}
	swing, err := calc.Movement(stream, spikeWidth)
	if err != nil {
		return Movement{}, fmt.Errorf("cannot find the movement: %w", err)
	}
	kept := func(d decimal.Decimal) Number { return Num(d.Add(decimal.New(0, places))) }
	return Movement{Peak: kept(swing.Peak), Trough: kept(swing.Trough), Frames: len(values)}, nil
}

// ReduceMovement is how a step reduces a window of a stream.
const ReduceMovement = "movement"

// What a take does with a window.
const (
	GatherStart = "start"
	GatherStop  = "stop"
)

// moved is how far a movement scatters where one indication scatters by s: it is the
// difference of two.
func moved(s Number) Number {
	return Num(s.Mul(decimal.NewFromFloat(math.Sqrt2)).RoundCeil(6))
}

// notAsMoved says why a reading does not fit how its step reduces; nil if it does.
func (s *Step) notAsMoved(r Reading) *Reason {
	var why Reason
	switch {
	case s.Reduce != "" && r.Movement == nil && !r.Typed:
		why = reason("movement wanted", "step", s.Name)
	case s.Reduce == "" && r.Movement != nil:
		why = reason("movement not wanted", "step", s.Name)
	default:
		return nil
	}
	return &why
}

// gather begins the window of a step that wants a movement, or ends it.
func (t *turn) gather(step *Step, in *instrument) (Receipt, *Refusal) {
	if in.profile.Trigger != Streaming {
		return Receipt{}, refuse("no stream", fmt.Sprintf("%s does not stream", in.profile.Name), "enter the movement that it shows by hand", "instrument", in.profile.Name)
	}
	b := Asked{Instrument: in.profile.Name, Gather: GatherStart, Window: step.Window}
	if in.gathering {
		b.Gather, b.Window = GatherStop, 0
	}
	t.add(b)
	return Receipt{Ask: b.Instrument, Gather: b.Gather, Window: b.Window}, nil
}

// Bounds of a window that a plan may ask for.
const (
	shortestWindow = time.Second
	longestWindow  = 2 * time.Minute
)

// movement checks how step i reduces.
func (c *planCheck) movement(i int, s Step) {
	switch {
	case s.Reduce == "" && s.Window != 0:
		c.wrong(fmt.Sprintf("step %q has a window and no reduce", s.Name), `write reduce = "movement", or leave the window out`, "step", i, "window")
	case s.Reduce == "":
	case s.Reduce != ReduceMovement:
		c.wrong(fmt.Sprintf("step %q cannot reduce to %q", s.Name, s.Reduce), `write reduce = "movement", and half = true for half of it`, "step", i, "reduce")
	case s.Instrument != DialIndicator:
		c.wrong(fmt.Sprintf("step %q wants a movement of a %s", s.Name, s.Instrument), `only a dial indicator shows one: instrument = "dial indicator"`, "step", i, "reduce")
	case s.Reference != nil:
		c.wrong(fmt.Sprintf("step %q checks an instrument and wants a movement", s.Name), "leave reduce out", "step", i, "reduce")
	case s.Window != 0 && (s.Window < shortestWindow || s.Window > longestWindow):
		c.wrong(fmt.Sprintf("a window of %s is not sensible", s.Window), fmt.Sprintf(`give a time from %s to %s, like "10s", or leave it out: then a second take ends it`, shortestWindow, longestWindow), "step", i, "window")
	}
}
