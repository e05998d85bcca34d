package devices

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"shimwright/session"
)

// A capture is what an instrument sent, in a text file that a person can read and
// write:
//
//	# what: two presses, then the cable is pulled
//	# from: written by hand after the example profile
//	# profile: caliper-1
//	0 unread "V+0"
//	1000 "V+012.34 mm\r\n"
//	2500 take
//	3000 "\x00" x 500
//	4000 lost
//
// First a header of lines "# key: text". Of its keys only two have a meaning here:
// profile, the name of the instrument's profile, and profile in full, the same as
// JSON, so that a recorded capture needs no other file. Further lines that begin
// with # are remarks. Then one line for each thing that came: milliseconds since
// the beginning, and
//
//	"…"          bytes, quoted as in Go source; "x N" behind it: N times, one a millisecond
//	unread "…"   bytes that came before the port was live
//	take         the instrument was asked
//	gather N     a window of the stream began, of N milliseconds; without N until it is ended
//	end          it was ended
//	lost         the port was lost
type Capture struct {
	Header []string          // "key: text"
	Events []CaptureEvent    // in order of time
	Full   *session.Profile  // the profile in full; nil if it is only named
	keys   map[string]string // of the header
}

// A CaptureEvent is one thing that came.
type CaptureEvent struct {
	At    time.Duration // since the beginning, in whole milliseconds
	Do    CaptureAct
	Bytes []byte        // of Sent and Unread
	For   time.Duration // of Gathered: the length of the window; 0 until Ended
}

// A CaptureAct says what a CaptureEvent is.
type CaptureAct string

// What can stand in a capture.
const (
	Sent    CaptureAct = ""
	Unread  CaptureAct = "unread"
	Asked   CaptureAct = "take"
	WasLost CaptureAct = "lost"

	Gathered CaptureAct = "gather"
	Ended    CaptureAct = "end"
)

// Bounds of a capture: of a line, of one chunk's repetitions, and of all.
const (
	longestLine    = 1 << 20
	mostRepeats    = 1 << 20
	longestCapture = 64 << 20
)

// Key returns what the header says under a key; empty if nothing.
func (c Capture) Key(key string) string { return c.keys[key] }

// ReadCapture reads a capture. The error names the line and what is wrong with it.
func ReadCapture(r io.Reader) (Capture, error) {
	c := Capture{keys: map[string]string{}}
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, longestLine)
	last, size := time.Duration(0), 0
	for n := 1; lines.Scan(); n++ {
		row := strings.TrimRight(lines.Text(), "\r")
		if row == "" || strings.HasPrefix(row, "#") {
			if err := c.head(row); err != nil {
				return Capture{}, fmt.Errorf("cannot read line %d of the capture: %w", n, err)
			}
			continue
		}
		event, times, err := readEvent(row)
		if err == nil && event.At < last {
			err = errors.New("it is earlier than the line before")
		}
		if size += max(1, times) * (64 + len(event.Bytes)); err == nil && size > longestCapture {
			err = errors.New("the capture is too long")
		}
		if err != nil {
			return Capture{}, fmt.Errorf("cannot read line %d of the capture: %w", n, err)
		}
		for range times {
			c.Events = append(c.Events, event)
			last = event.At
			event.At += time.Millisecond
		}
	}
	if err := lines.Err(); err != nil {
		return Capture{}, fmt.Errorf("cannot read the capture: %w", err)
	}
	return c, nil
}

// head reads a line of the header, or a remark.
func (c *Capture) head(row string) error {
	text := strings.TrimSpace(strings.TrimPrefix(row, "#"))
	key, value, ok := strings.Cut(text, ": ")
	if !ok || len(c.Events) > 0 {
		return nil
	}
	c.Header = append(c.Header, text)
	c.keys[key] = value
	if key == "profile in full" {
		c.Full = &session.Profile{}
		dec := json.NewDecoder(strings.NewReader(value))
		dec.DisallowUnknownFields()
		if err := dec.Decode(c.Full); err != nil {
			return fmt.Errorf("the profile is not what a profile is: %w", err)
		}
	}
	return nil
}

func readEvent(row string) (e CaptureEvent, times int, err error) {
	ms, what, _ := strings.Cut(row, " ")
	at, err := strconv.ParseInt(ms, 10, 40)
	if err != nil || at < 0 {
		return e, 0, fmt.Errorf("%q is no number of milliseconds", ms)
	}
	e.At = time.Duration(at) * time.Millisecond
	switch CaptureAct(what) {
	case Asked, WasLost, Ended:
		e.Do = CaptureAct(what)
		return e, 1, nil
	}
	if strings.HasPrefix(what, string(Gathered)) {
		window, err := gatherEvent(what)
		window.At = e.At
		return window, 1, err
	}
	if rest, ok := strings.CutPrefix(what, string(Unread)+" "); ok {
		e.Do, what = Unread, rest
	}
	quoted, err := strconv.QuotedPrefix(what)
	if err != nil || quoted[0] != '"' {
		return e, 0, fmt.Errorf(`%q is neither bytes in quotes, unread "…", take, gather, end nor lost`, brief64(what))
	}
	text, err := strconv.Unquote(quoted)
	if err != nil {
		return e, 0, fmt.Errorf("%s is not quoted as in Go source", brief64(quoted))
	}
	e.Bytes, times = []byte(text), 1
	if rest := what[len(quoted):]; rest != "" {
		many, ok := strings.CutPrefix(rest, " x ")
		times, err = strconv.Atoi(many)
		if !ok || err != nil || times < 1 || times > mostRepeats {
			return e, 0, fmt.Errorf(`%q does not say how many times; write x and a number up to %d`, brief64(rest), mostRepeats)
		}
	}
	return e, times, nil
}

// gatherEvent reads "gather", "gather N" with the milliseconds of the window, or "end".
func gatherEvent(what string) (CaptureEvent, error) {
	if what == string(Ended) {
		return CaptureEvent{Do: Ended}, nil
	}
	e := CaptureEvent{Do: Gathered}
	act, ms, long := strings.Cut(what, " ")
	if !long && act == string(Gathered) {
		return e, nil
	}
	n, err := strconv.ParseInt(ms, 10, 32)
	if act != string(Gathered) || err != nil || n < 1 {
		return e, fmt.Errorf("%q is no window; write gather, or gather 10000 for ten seconds", brief64(what))
	}
	e.For = time.Duration(n) * time.Millisecond
	return e, nil
}

// brief64 cuts a text for a message.
func brief64(text string) string { return text[:min(len(text), 64)] }

// String writes the event as a line of a capture, without its line end.
func (e CaptureEvent) String() string {
	ms := strconv.FormatInt(e.At.Milliseconds(), 10)
	switch e.Do {
	case Sent:
		return ms + " " + strconv.QuoteToASCII(string(e.Bytes))
	case Unread:
		return ms + " " + string(Unread) + " " + strconv.QuoteToASCII(string(e.Bytes))
	case Gathered:
		return ms + " " + gatherFor(e.For)
	}
	return ms + " " + string(e.Do)
}

// Replay decodes a capture as the instrument of the profile would have been read,
// waking the decoder as a live port does, and gives every reading to see. wall is
// the time at which the capture began.
func (c Capture) Replay(p session.Profile, wall time.Time, see func(session.Reading)) (Counters, error) {
	d, err := NewDecoder(p)
	if err != nil {
		return Counters{}, err
	}
	give := func(readings []session.Reading) {
		for _, r := range readings {
			see(r)
		}
	}
	until := func(at time.Duration) {
		for wake, ok := d.Next(); ok && wake <= at; wake, ok = d.Next() {
			give(d.Silence(wall.Add(wake), wake))
		}
	}
	now := time.Duration(0)
	for _, e := range c.Events {
		now = e.At
		until(now)
		switch e.Do {
		case Asked:
			if err := d.Take(now, now); err != nil {
				return d.Counters(), fmt.Errorf("cannot take at %d ms: %w", now.Milliseconds(), err)
			}
		case Gathered:
			if err := d.Gather(now, now, e.For); err != nil {
				return d.Counters(), fmt.Errorf("cannot begin a window at %d ms: %w", now.Milliseconds(), err)
			}
		case Ended:
			readings, err := d.EndGather(wall.Add(now), now)
			if err != nil {
				return d.Counters(), fmt.Errorf("cannot end a window at %d ms: %w", now.Milliseconds(), err)
			}
			give(readings)
		case Unread:
			give(d.Discard(e.Bytes, wall.Add(now), now))
		case WasLost:
			give(d.Lost(wall.Add(now), now))
		default:
			give(d.Feed(e.Bytes, wall.Add(now), now))
		}
	}
	until(now + 3*time.Second)
	return d.Counters(), nil
}
