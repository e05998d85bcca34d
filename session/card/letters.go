package card

import (
	"fmt"
	"strings"
	"unicode"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// visible writes characters that cannot be seen, or that change the direction of
// writing, as their number: nobody can hide anything in a name.
func visible(s string) string {
	return spelledOut(s, func(r rune) bool {
		return r == '\n' || unicode.IsPrint(r) && !unicode.Is(unicode.Co, r)
	})
}

// spelledOut writes the characters that fit does not have as their number.
func spelledOut(s string, fit func(rune) bool) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '\t':
			b.WriteByte(' ')
		case fit(r):
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}

// letters measures texts in the fonts of the PDF.
type letters struct {
	regular, bold *sfnt.Font
	buffer        sfnt.Buffer
	known         [2]map[rune]float64 // advances of the regular and the bold font, in ems
}

func newLetters() (*letters, error) {
	regular, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		return nil, fmt.Errorf("cannot read the font: %w", err)
	}
	bold, err := sfnt.Parse(gobold.TTF)
	if err != nil {
		return nil, fmt.Errorf("cannot read the bold font: %w", err)
	}
	return &letters{regular: regular, bold: bold, known: [2]map[rune]float64{{}, {}}}, nil
}

// has tells whether the fonts have a character.
func (l *letters) has(r rune) bool {
	i, err := l.regular.GlyphIndex(&l.buffer, r)
	return err == nil && i != 0
}

// width is how wide a text is at a size, in the unit of the size.
func (l *letters) width(s string, size float64, bold bool) float64 {
	sum := 0.0
	for _, r := range s {
		sum += l.advance(r, bold)
	}
	return sum * size
}

// advance is how wide a character is, in ems; 0 if the font cannot say.
func (l *letters) advance(r rune, bold bool) float64 {
	f, known := l.regular, l.known[0]
	if bold {
		f, known = l.bold, l.known[1]
	}
	if wide, ok := known[r]; ok {
		return wide
	}
	const unit = 1000
	wide := 0.0
	if i, err := f.GlyphIndex(&l.buffer, r); err == nil {
		if a, err := f.GlyphAdvance(&l.buffer, i, fixed.I(unit), font.HintingNone); err == nil {
			wide = float64(a) / 64 / unit
		}
	}
	known[r] = wide
	return wide
}

// broken breaks a text at spaces so that no line is wider than room; a word that is
// wider is broken anywhere.
func (l *letters) broken(s string, size, room float64, bold bool) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		if line != "" && l.width(line+" "+word, size, bold) <= room {
			line += " " + word
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		line = word
		for head := l.head(line, size, room, bold); head < len(line); head = l.head(line, size, room, bold) {
			lines, line = append(lines, line[:head]), line[head:]
		}
	}
	return append(lines, line)
}

// head is how many bytes of a word have room: at least one character.
func (l *letters) head(word string, size, room float64, bold bool) int {
	wide := 0.0
	for i, r := range word {
		wide += l.advance(r, bold) * size
		if i > 0 && wide > room {
			return i
		}
	}
	return len(word)
}

// shortened cuts a text to a room and marks the cut.
func (l *letters) shortened(s string, size, room float64, bold bool) string {
	if l.width(s, size, bold) <= room {
		return s
	}
	return strings.TrimRight(s[:l.head(s, size, room-l.width("…", size, bold), bold)], " ") + "…"
}
