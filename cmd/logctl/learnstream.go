package main

import (
	"bytes"
	"math/bits"
	"time"

	"shimwright/cmd/loggerd/control"
)

// When frames come as a stream: so many, this near to each other, for so long.
const (
	manyChunks  = 8
	nearChunks  = 400 * time.Millisecond
	longChunks  = 1500 * time.Millisecond
	frameGap    = 5 * time.Millisecond // silence between frames that no line end marks
	keptChunks  = 64
	longestLine = 64
)

// A stream is what came last from an instrument.
type stream struct {
	chunks []control.Heard
	gone   bool          // the port is
	since  time.Duration // when a row of chunks near to each other began
	row    int           // how many chunks the row has
}

func (s *stream) add(h control.Heard) {
	if n := len(s.chunks); n == 0 || h.Mono-s.chunks[n-1].Mono > nearChunks {
		s.chunks, s.since, s.row = nil, h.Mono, 0
	}
	s.row++
	s.chunks = append(s.chunks, h)
	if len(s.chunks) > keptChunks {
		s.chunks = s.chunks[1:]
	}
}

// endless tells that nobody presses so fast for so long.
func (s *stream) endless() bool {
	n := len(s.chunks)
	return n >= manyChunks && s.chunks[n-1].Mono-s.since >= longChunks
}

// last is the last whole frame: a line, or what came between two silences. The frame
// that comes just now may be half there.
func (s *stream) last() []byte {
	var all []byte
	var starts []int // of frames that silence marks
	for i, c := range s.chunks {
		if i == 0 || c.Mono-s.chunks[i-1].Mono >= frameGap {
			starts = append(starts, len(all))
		}
		all = append(all, c.Raw...)
	}
	if end := bytes.LastIndexAny(all, "\r\n") + 1; end > 0 {
		text := bytes.TrimRight(all[:end], "\r\n")
		begin := bytes.LastIndexAny(text, "\r\n") + 1
		if end-begin <= longestLine+2 {
			return all[begin:end]
		}
	}
	switch n := len(starts); {
	case n == 0:
		return nil
	case n == 1:
		return all
	default:
		return all[starts[n-2]:starts[n-1]]
	}
}

// parityOf is the parity with which bytes are text of 7 bits; empty if they are not.
func parityOf(raw []byte) string {
	even, odd, mark := true, true, true
	for _, c := range raw {
		if low := c & 0x7f; (low < ' ' || low == 0x7f) && low != '\r' && low != '\n' {
			return ""
		}
		ones := bits.OnesCount8(c)
		even, odd, mark = even && ones%2 == 0, odd && ones%2 == 1, mark && c >= 0x80
	}
	high := bytes.ContainsFunc(raw, func(r rune) bool { return r >= 0x80 })
	switch {
	case !high || len(raw) < 4:
		return ""
	case mark:
		return "mark"
	case even:
		return "even"
	case odd:
		return "odd"
	}
	return ""
}
