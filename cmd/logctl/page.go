package main

import (
	"io"
	"os"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/term"
)

// The width of a page: 80 where there is no terminal, and bounds where there is.
const (
	plainWidth  = 80
	leastWidth  = 40
	widestWidth = 120
)

// A page is text for a person: wrapped to its width, free of control characters,
// with emphasis only where a terminal shows it.
type page struct {
	w        io.Writer
	width    int
	zone     *time.Location // of clock times; UTC if nil
	emphasis bool           // can be shown
	loud     bool           // is on
	err      error          // the first write that failed
}

// newPage makes the page for w. Emphasis needs a terminal, and no NO_COLOR.
func newPage(w io.Writer, env func(string) string) *page {
	p := &page{w: w, width: plainWidth}
	if width, _, ok := terminal(w, env); ok {
		p.width = min(max(width, leastWidth), widestWidth)
		p.emphasis = env("NO_COLOR") == ""
	}
	return p
}

// terminal tells whether w is a terminal that can move its cursor, and its size.
func terminal(w io.Writer, env func(string) string) (width, height int, ok bool) {
	f, isFile := w.(*os.File)
	if !isFile || env("TERM") == "dumb" {
		return 0, 0, false
	}
	width, height, err := term.GetSize(int(f.Fd()))
	return width, height, err == nil
}

// plain writes a line as it is, whatever its length.
func (p *page) plain(text string) { p.write(clean(text)) }

// gap writes an empty line.
func (p *page) gap() { p.write("") }

// para writes a text wrapped, with one indent for its first line and one for the
// rest.
func (p *page) para(first, rest, text string) {
	for _, line := range wrap(clean(text), clean(first), rest, p.width) {
		p.write(line)
	}
}

// strong is para with emphasis.
func (p *page) strong(first, rest, text string) {
	p.loudly(func() { p.para(first, rest, text) })
}

// loudly puts emphasis on the lines that show writes.
func (p *page) loudly(show func()) {
	p.loud = p.emphasis
	show()
	p.loud = false
}

// table writes rows with columns aligned; the last column takes what is left and
// wraps. Cells that hold numbers may be padded by the caller.
func (p *page) table(indent string, rows [][]string) {
	var widths []int
	for _, row := range rows {
		for i, cell := range row[:len(row)-1] {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], runes(clean(cell)))
		}
	}
	for _, row := range rows {
		first := indent
		for i, cell := range row[:len(row)-1] {
			first += pad(clean(cell), widths[i]) + "  "
		}
		rest := strings.Repeat(" ", runes(first))
		if len(rest) > p.width*2/3 { // too little is left beside it
			rest = indent + "    "
		}
		p.para(first, rest, row[len(row)-1])
	}
}

func (p *page) write(line string) {
	if p.err != nil {
		return
	}
	line = strings.TrimRight(line, " ")
	if p.loud {
		line = "\x1b[1m" + line + "\x1b[0m"
	}
	_, p.err = io.WriteString(p.w, line+"\n")
}

// wrap breaks text at spaces so that no line is wider than width. A word that is
// wider than a line stays whole.
func wrap(text, first, rest string, width int) []string {
	var lines []string
	line, empty := first, true
	for _, word := range strings.Fields(text) {
		if !empty && runes(line)+1+runes(word) > width || empty && len(lines) == 0 && runes(line)+runes(word) > width && runes(first) > runes(rest) {
			lines = append(lines, line)
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	return append(lines, line)
}

// clean takes out what could move a terminal's cursor or change its colours.
func clean(text string) string {
	return strings.Map(func(r rune) rune {
		if r == '\n' || r == '\t' {
			return ' '
		}
		if r == utf8.RuneError || unicode.IsControl(r) || unicode.Is(unicode.Cf, r) {
			return '?'
		}
		return r
	}, text)
}

func runes(text string) int { return utf8.RuneCountInString(text) }

func pad(text string, width int) string {
	return text + strings.Repeat(" ", max(width-runes(text), 0))
}

func padLeft(text string, width int) string {
	return strings.Repeat(" ", max(width-runes(text), 0)) + text
}
