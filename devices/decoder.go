package devices

import (
	"errors"
	"fmt"
	"time"

	"shimwright/session"
)

// Counters count what came from one instrument since the start of the run.
// Bytes = SoundBytes + Dropped + the bytes of a frame that is not yet whole.
type Counters struct {
	Bytes      int64 // all bytes that came
	SoundBytes int64 // of them in sound frames
	Dropped    int64 // of them in no sound frame: faulty, empty, or before the port was live
	Frames     int64 // sound frames
	Bad        int64 // faulty frames; a run of noise is one
	NotAsked   int64 // sound frames that no take asked for, or of another channel
	Gathered   int64 // sound frames of a window
	Readings   int64 // readings given, with and without a fault
	Opened     int64 // times the port was opened
}

// Errors of a take. Each says that nothing was asked of the instrument.
var (
	ErrOnPress = errors.New("the instrument sends by its own button; press it")
	ErrNotLive = errors.New("the port of the instrument is not live; see to its cable")
	ErrAsked   = errors.New("the instrument was asked already; wait for its answer")
)

const (
	answerTime  = 2 * time.Second // a take that is not answered by then has failed
	faultBurst  = 4               // faults reported one by one before they are summed
	faultPeriod = time.Second     // how often summed faults are reported
)

// A Decoder makes readings of the bytes of one instrument. It has no clock: the
// caller passes wall and monotonic time. It is not safe for concurrent use.
type Decoder struct {
	profile session.Profile
	wire    wire
	handle  func(frame)                   // d.frame, made once
	hear    func(f frame, wall time.Time) // is told of every frame; may be nil
	counts  Counters

	out  []session.Reading
	wall time.Time     // of the call in progress
	mono time.Duration // of the call in progress

	armed  bool          // a take waits for its answer
	asked  time.Duration // frames that began earlier do not answer it
	until  time.Duration // when it fails
	misses int           // faulty frames since the take
	window *gathering    // that is open; nil if none is
	miss   session.Reading

	bounce time.Duration // see Config
	row    int           // frames that came without a pause of that
	rowEnd time.Duration // when the last of them came

	tokens   float64 // faults that may be reported at once
	tokensAt time.Duration
	sum      session.Reading // faults not yet reported
	sumCount int
	sumFrom  time.Duration
}

// NewDecoder returns the decoder of a profile. The error lists what Check found.
func NewDecoder(p session.Profile) (*Decoder, error) {
	if found := Check(p); len(found) > 0 {
		errs := make([]error, len(found))
		for i, m := range found {
			errs[i] = m
		}
		return nil, fmt.Errorf("cannot use profile %q: %w", p.Name, errors.Join(errs...))
	}
	for _, w := range wires {
		if w.of(p) {
			d := &Decoder{profile: p, wire: w.decode(p), tokens: faultBurst}
			d.handle = d.frame
			return d, nil
		}
	}
	return nil, fmt.Errorf("cannot use profile %q: it has neither an ascii nor a binary table", p.Name)
}

// Feed takes bytes that arrived at the given time and returns the readings they
// complete, in order. The readings do not share memory with chunk.
func (d *Decoder) Feed(chunk []byte, wall time.Time, mono time.Duration) []session.Reading {
	d.begin(wall, mono)
	d.counts.Bytes += int64(len(chunk))
	d.wire.feed(chunk, mono, d.handle)
	return d.end()
}

// Silence tells that nothing more came until the given time. It ends frames that
// silence ends, reports what was summed, and lets a take fail.
func (d *Decoder) Silence(wall time.Time, mono time.Duration) []session.Reading {
	d.begin(wall, mono)
	d.wire.silence(mono, d.handle)
	return d.end()
}

// Next returns when Silence should be called if no bytes come; false if never.
func (d *Decoder) Next() (time.Duration, bool) {
	at, ok := d.wire.deadline()
	if d.sumCount > 0 && (!ok || d.sumFrom+faultPeriod < at) {
		at, ok = d.sumFrom+faultPeriod, true
	}
	if d.armed && (!ok || d.until < at) {
		at, ok = d.until, true
	}
	if w := d.window; w != nil && (!ok || w.until < at) {
		at, ok = w.until, true
	}
	return at, ok
}

// Discard takes bytes that must not be read. The frame they are part of is not
// read either, though its rest may come by Feed.
func (d *Decoder) Discard(chunk []byte, wall time.Time, mono time.Duration) []session.Reading {
	d.begin(wall, mono)
	d.counts.Bytes += int64(len(chunk))
	d.wire.discard(chunk, mono, d.handle)
	return d.end()
}

// Lost gives up what is pending because the port is gone: a frame in part is
// broken, a take fails now.
func (d *Decoder) Lost(wall time.Time, mono time.Duration) []session.Reading {
	d.begin(wall, mono)
	d.wire.flush(d.handle)
	d.flushSum()
	if d.armed {
		d.noAnswer("the port was lost before the answer came")
	}
	if d.window != nil {
		d.endWindow("the port was lost")
	}
	return d.end()
}

// Take arms the decoder: the first whole frame whose first byte arrives at asked
// or later becomes a reading. now starts the time to answer, which is 2 s.
func (d *Decoder) Take(asked, now time.Duration) error {
	switch {
	case d.profile.Trigger == session.OnPress || d.profile.Trigger == "":
		return ErrOnPress
	case d.armed || d.window != nil:
		return ErrAsked
	}
	d.armed, d.asked, d.until, d.misses = true, asked, now+answerTime, 0
	return nil
}

// Counters returns the counts so far.
func (d *Decoder) Counters() Counters { return d.counts }

func (d *Decoder) begin(wall time.Time, mono time.Duration) {
	d.out, d.wall, d.mono = nil, wall, mono
}

func (d *Decoder) end() []session.Reading {
	if d.sumCount > 0 && d.mono-d.sumFrom >= faultPeriod {
		d.flushSum()
	}
	if d.armed && d.mono >= d.until {
		d.noAnswer("nothing came within 2 s of the take")
	}
	if d.window != nil && d.mono >= d.window.until {
		d.endWindow("")
	}
	return d.out
}

// frame counts a frame and decides whether it becomes a reading.
func (d *Decoder) frame(f frame) {
	if d.hear != nil {
		d.hear(f, d.wall)
	}
	switch f.class {
	case sound:
		d.counts.Frames++
		d.counts.SoundBytes += int64(f.bytes)
		d.sound(f)
	case elsewhere:
		d.counts.Frames++
		d.counts.NotAsked++
		d.counts.SoundBytes += int64(f.bytes)
	case trailing:
		d.counts.SoundBytes += int64(f.bytes)
	case empty:
		d.counts.Dropped += int64(f.bytes)
	case faulty:
		d.counts.Bad++
		d.counts.Dropped += int64(f.bytes)
		d.faulty(f)
	}
}

func (d *Decoder) sound(f frame) {
	if d.gather(f) {
		return
	}
	if !d.everyFrame() {
		if !d.armed || f.began < d.asked {
			d.counts.NotAsked++
			return
		}
		d.armed = false
	}
	d.flushSum()
	r := d.reading(f)
	d.inRow(f)
	switch {
	case d.row > rushFrames:
		d.counts.NotAsked++
		return
	case d.row == rushFrames:
		r.Fault = &session.Fault{Code: "sends all the time", Detail: fmt.Sprintf("%d frames without a pause of %.1f s; more are not read until there is one", d.row, d.bounce.Seconds()), Bytes: f.bytes}
	default:
		r.Value, r.Text, r.Unit = f.value, f.text, f.unit
	}
	d.give(r)
}

// rushFrames in a row, each within the bounce time of the one before, are no presses.
const rushFrames = 16

// inRow counts the frames that came without a pause.
func (d *Decoder) inRow(f frame) {
	if !d.everyFrame() || f.began-d.rowEnd >= d.bounce {
		d.row = 0
	}
	d.row, d.rowEnd = d.row+1, f.ended
}

// faulty reports a faulty frame. Without a take only an instrument that sends on
// press is heard. A request has one answer, so a faulty one is it; of a stream a
// later frame may be sound.
func (d *Decoder) faulty(f frame) {
	answers := d.armed && f.began >= d.asked
	if d.window != nil {
		d.window.bad++
	}
	switch {
	case d.everyFrame():
		d.limit(d.reading(f))
	case answers && d.profile.Trigger == session.OnRequest:
		d.armed = false
		d.limit(d.reading(f))
	case answers:
		d.misses++
		d.miss = d.reading(f)
	}
}

func (d *Decoder) everyFrame() bool {
	return d.profile.Trigger == session.OnPress || d.profile.Trigger == ""
}

func (d *Decoder) reading(f frame) session.Reading {
	r := session.Reading{Instrument: d.profile.Name, Kind: d.profile.Kind, Raw: append(session.Raw(nil), f.raw...),
		At: d.wall.Add(f.ended - d.mono), Mono: f.ended}
	if f.class == faulty {
		r.Fault = &session.Fault{Code: f.code, Detail: f.why, Bytes: f.bytes}
	}
	return r
}

func (d *Decoder) give(r session.Reading) {
	d.counts.Readings++
	d.out = append(d.out, r)
}

// limit gives a faulty reading, or sums it when they come too fast.
func (d *Decoder) limit(r session.Reading) {
	d.tokens = min(faultBurst, d.tokens+max(0, float64(d.mono-d.tokensAt))/float64(faultPeriod))
	d.tokensAt = d.mono
	switch {
	case d.sumCount > 0:
		d.sumCount++
		d.sum.Fault.Bytes += r.Fault.Bytes
		d.sum.At, d.sum.Mono = r.At, r.Mono
		d.sum.Raw = append(d.sum.Raw, r.Raw...)
		d.sum.Raw = d.sum.Raw[:min(len(d.sum.Raw), maxRaw)]
	case d.tokens >= 1:
		d.tokens--
		d.give(r)
	default:
		d.sum, d.sumCount, d.sumFrom = r, 1, d.mono
	}
}

// flushSum gives the faults that were summed.
func (d *Decoder) flushSum() {
	if d.sumCount == 0 {
		return
	}
	if d.sumCount > 1 {
		d.sum.Fault.Detail = fmt.Sprintf("%d unreadable frames, the first: %s", d.sumCount, d.sum.Fault.Code)
		d.sum.Fault.Code = "noise"
	}
	d.sumCount, d.tokens = 0, 0
	d.tokensAt = d.mono
	d.give(d.sum)
}

// noAnswer lets the take fail, with the last faulty frame where there was one.
func (d *Decoder) noAnswer(why string) {
	d.armed = false
	r := session.Reading{Instrument: d.profile.Name, Kind: d.profile.Kind, At: d.wall, Mono: d.mono,
		Fault: &session.Fault{Code: "no answer", Detail: why}}
	if d.misses > 0 {
		r.Fault.Detail = fmt.Sprintf("%s but %d unreadable frames, the last: %s", why, d.misses, d.miss.Fault.Code)
		r.Fault.Bytes, r.Raw = d.miss.Fault.Bytes, d.miss.Raw
	}
	d.give(r)
}
