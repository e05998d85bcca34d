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
	return &letters{regular: regular, bold: bold}, nil
}

// has tells whether the fonts have a character.
func (l *letters) has(r rune) bool {
	i, err := l.regular.GlyphIndex(&l.buffer, r)
	return err == nil && i != 0
}

// width is how wide a text is at a size, in the unit of the size.
func (l *letters) width(s string, size float64, bold bool) float64 {
	f := l.regular
	if bold {
		f = l.bold
	}
	const unit = 1000
	sum := 0.0
	for _, r := range s {
		i, err := f.GlyphIndex(&l.buffer, r)
		if err != nil {
			continue
		}
		advance, err := f.GlyphAdvance(&l.buffer, i, fixed.I(unit), font.HintingNone)
		if err == nil {
			sum += float64(advance) / 64
		}
	}
	return sum * size / unit
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
		for l.width(line, size, bold) > room {
			head := l.head(line, size, room, bold)
			lines, line = append(lines, line[:head]), line[head:]
		}
	}
	return append(lines, line)
}

// head is how many bytes of a word have room: at least one character.
func (l *letters) head(word string, size, room float64, bold bool) int {
	fits := 0
	for i, r := range word {
		end := i + len(string(r))
		if fits > 0 && l.width(word[:end], size, bold) > room {
			break
		}
		fits = end
	}
	return fits
}

// shortened cuts a text to a room and marks the cut.
func (l *letters) shortened(s string, size, room float64, bold bool) string {
	if l.width(s, size, bold) <= room {
		return s
	}
	return strings.TrimRight(s[:l.head(s, size, room-l.width("…", size, bold), bold)], " ") + "…"
}
