// Package devices turns the bytes of serial instruments into readings.
//
// # The road
//
//	port ─► reader goroutine ─► chunk, stamped on arrival ─► Decoder ─► session.Reading ─► Sink
//
// An Instrument runs the life of one port. A Decoder is the byte loop: it has no
// clock and no goroutine; bytes and times go in, readings come out. The wire
// formats are the table in wires.go, one file each with its layout drawn.
// SimulatedInstrument is the other end of the cable, on a pseudo-terminal.
//
// # Resynchronising
//
// ASCII line. A frame ends at CR or LF, and neither occurs inside one. So after
// any garbage the next terminator puts the decoder back at a frame boundary: at
// most the frame that the garbage touches is lost. Half a second without a byte
// is a boundary too, so the rest of a broken frame never joins the next press.
// The whole line must match the pattern; nothing is searched for inside a line.
//
// Binary frame whose fixed bits contradict themselves at every shift by whole
// bytes. Where a true frame begins inside a window, the window's fixed bits
// cannot all be met, so no window that straddles the beginning of a true frame is
// ever accepted. The decoder slides byte by byte and reads every whole frame,
// also right behind garbage or behind a frame that was cut.
//
// Binary frame without such bits. Only the silence between frames marks them. The
// bytes between two silences must be whole frames, each with its fixed bits, or
// nothing of them is read. That costs one gap of delay, and lets no frame through
// that lost or gained a byte.
//
// What no format without a check sum can show is a digit that became another
// digit; testdata/survivors lists these cases for the example profiles.
//
// # Faults
//
// A frame that gives no value is a Reading with a Fault and takes the same road.
//
//	code            meaning
//	no match        the line does not match the pattern of the profile
//	line too long   more than 64 bytes without CR or LF
//	bad status      the instrument says that its value is not sound
//	bad unit        the frame names a unit that the profile does not know
//	bad number      the number is not plain decimal, too long, or beyond ±10 m
//	broken frame    a frame was cut, or its fixed bits are wrong
//	noise           many unreadable bytes, or several faults summed into one
//	no answer       nothing sound came within 2 s of a take
//
// Fault.Bytes counts every byte concerned, Reading.Raw holds the first 64. After
// four faults in quick succession further ones are summed and reported once a
// second, so a bad line cannot flood the log; no byte is lost from the count.
package devices
