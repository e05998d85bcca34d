package drawing

import (
	"encoding/xml"
	"strings"
	"unicode"
)

// longest is how many characters of a text are looked at; no picture has room
// for more.
const longest = 300

// clean makes a text one line of visible characters: controls, marks that change
// the direction of writing and broken UTF-8 do not reach the picture.
func clean(s string) string {
	var b strings.Builder
	space, n := false, 0
	for _, r := range s {
		switch {
		case n == longest:
			return b.String() + "…"
		case unicode.IsSpace(r) || unicode.IsControl(r):
			space = b.Len() > 0
			continue
		case unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Co, r) || r == unicode.ReplacementChar:
			continue
		}
		if space {
			b.WriteByte(' ')
			space = false
		}
		b.WriteRune(r)
		n++
	}
	return b.String()
}

// escape writes a text so that XML reads it as text.
func escape(s string) string {
	var b strings.Builder
	// A strings.Builder does not fail.
	_ = xml.EscapeText(&b, []byte(s))
	return b.String()
}

// em is how wide a character is at most, in ems, in the usual sans-serif fonts.
func em(r rune) float64 {
	switch {
	case strings.ContainsRune("iljI.,:;'|!", r):
		return 0.34
	case strings.ContainsRune(" ftr()[]-/\"", r):
		return 0.42
	case strings.ContainsRune("mwMW%@", r):
		return 1.0
	case strings.ContainsRune("ÆŒæœ", r):
		return 1.05
	case r < 0x250 && unicode.IsUpper(r):
		return 0.74
	case r < 0x250:
		return 0.64
	case r >= 0xFD00 && r <= 0xFDFF, r >= 0x12000 && r <= 0x12FFF:
		return 4 // ligatures of whole phrases, long signs
	}
	if unicode.IsUpper(r) {
		return 1.25 // of Cyrillic some are wider than any of the Latin ones
	}
	return 1.05
}

// textWidth is the room that a text takes at most.
func textWidth(s string, size float64, bold bool) float64 {
	sum := 0.0
	for _, r := range s {
		sum += em(r)
	}
	if bold {
		sum *= 1.1
	}
	return sum * size
}

// shorten cuts a text to a width and marks the cut with an ellipsis.
func shorten(s string, size, width float64, bold bool) string {
	if textWidth(s, size, bold) <= width {
		return s
	}
	used := textWidth("…", size, bold)
	for i, r := range s {
		used += textWidth(string(r), size, bold)
		if used > width {
			return strings.TrimRight(s[:i], " ") + "…"
		}
	}
	return s
}

// wrap breaks a text into at most the given number of lines; what has no room is
// cut with an ellipsis.
func wrap(s string, size, width float64, lines int, bold bool) []string {
	var out []string
	words := strings.Fields(s)
	for len(words) > 0 {
		if len(out) == lines-1 {
			return append(out, shorten(strings.Join(words, " "), size, width, bold))
		}
		n := 1
		for n < len(words) && textWidth(strings.Join(words[:n+1], " "), size, bold) <= width {
			n++
		}
		out = append(out, shorten(strings.Join(words[:n], " "), size, width, bold))
		words = words[n:]
	}
	return out
}

// balance wraps a text to at most two lines of about the same length.
func balance(s string, size, width float64, bold bool) []string {
	lines := wrap(s, size, width, 2, bold)
	for try := width * 0.95; len(lines) == 2 && try > width/2; try -= width * 0.05 {
		better := wrap(s, size, try, 2, bold)
		if strings.Join(better, " ") != strings.Join(lines, " ") {
			break
		}
		lines = better
	}
	return lines
}

// fitSize is the largest size, at most want and at least least, at which a text
// has room; ok tells whether it has.
func fitSize(s string, want, least, width float64, bold bool) (size float64, ok bool) {
	size = want
	if w := textWidth(s, want, bold); w > width {
		size = want * width / w
	}
	return max(size, least), size >= least
}
