// Package tomlfile reads a TOML document strictly into a Go struct and reports
// every mistake in it at once, each as one line that says where, what is wrong
// and what would be right:
//
//	bench.toml:3:1: unknown key "prot" in [link]; write "port" (known here: name, port)
//
// The document's grammar is TOML 1.1 as read by github.com/pelletier/go-toml/v2;
// this package adds what a hand-written file needs: no unknown key, no key
// twice, no wrong type, nothing required left out, exact decimals.
//
// # Fields
//
// A field takes part when it has a toml tag; its key is matched letter for
// letter. Types: string, bool, int, int64, time.Duration (from a string like
// "0.7s"), any encoding.TextUnmarshaler (given the exact text of a TOML string,
// integer or float), structs (a [table], an inline table or dotted keys), and
// pointers, slices and maps with string keys of these. float64 is refused: a
// length is a decimal.Decimal, which keeps 0.10 as it was written.
//
// Further tags:
//
//	strict:"required"     the key must be there, and a string must not be empty;
//	                      within a table that is absent nothing is required
//	strict:"unique"       on a string: no two tables of one array share its value
//	strict:"oneof=a|b c"  on a string: one of the values between the bars
//	example:"0.10"        the value to show when this key is missing or wrong
//
// Several strict rules are separated by commas; oneof, whose values may hold
// anything but a bar, comes last.
//
// # Numbers
//
// A number given to a TextUnmarshaler is digits with at most one point and a
// sign, at most 40 characters; exponents, inf, nan, underscores and other bases
// are refused. For decimal.Decimal (and types made from it) the same holds for
// a number in quotes.
//
// # Limits
//
// A document is at most 1 MiB, a dotted key at most 32 parts. After 1000
// mistakes the rest are counted, not shown. Syntax has at most one mistake
// reported: the first.
package tomlfile

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"sort"
	"strings"
	"unicode/utf8"
)

const (
	maxBytes    = 1 << 20 // size of a document
	maxParts    = 32      // parts of a dotted key
	maxNumber   = 40      // characters of a number
	maxProblems = 1000    // mistakes shown
)

// Problem is one mistake in a document. Line and Column count from 1, columns in
// characters. Wrong says what is wrong, Right what would be right.
type Problem struct {
	File         string
	Line, Column int
	Wrong, Right string
}

// String gives "file:line:column: wrong; right" on one line.
func (p Problem) String() string {
	return fmt.Sprintf("%s:%d:%d: %s; %s", p.File, p.Line, p.Column, p.Wrong, p.Right)
}

// Problems are the mistakes of one or more documents. An empty list is not an
// error: ask len(problems) > 0 before using it as one.
type Problems []Problem

// Error gives one line a problem, in order of position.
func (ps Problems) Error() string {
	sorted := slices.Clone(ps)
	sorted.sort()
	lines := make([]string, len(sorted))
	for i, p := range sorted {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

func (ps Problems) sort() {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}

// Doc is a parsed document with the position of every key, so that the caller
// can report mistakes of meaning at the place where they were written. The
// methods of a nil Doc answer as for an empty document.
type Doc struct {
	file  string
	data  []byte
	lines []int // offset of each line's first byte
	root  *node
}

// Decode reads the document data, called file in every problem, into the struct
// that into points to. It returns every mistake, sorted by position; what is
// sound is filled in even then, and what the document does not name keeps the
// value it had, so that defaults can be set beforehand. The Doc is nil only when the text itself cannot
// be read (syntax, encoding, size) or into is not fit to hold a document, which
// is a mistake of the program and is reported in the same way.
func Decode(file string, data []byte, into any) (*Doc, Problems) {
	doc := newDoc(file, data)
	w := &walker{doc: doc, structs: structs{}}
	target, wrong, right := checkTarget(into)
	if wrong != "" {
		w.add(0, wrong, right)
		return nil, w.problems()
	}
	if !w.parse() {
		return nil, w.problems()
	}
	w.table(doc.root, target, "")
	return doc, w.problems()
}

// Has tells whether the document holds the value at path: keys as string,
// places in an array as int from 0.
func (d *Doc) Has(path ...any) bool {
	_, whole := d.find(path)
	return whole
}

// Line gives the line and column of the key at path; for a table with a header
// that of the header, for an element of an array that of the element. Where the
// path does not exist it is that of the nearest part that does.
func (d *Doc) Line(path ...any) (line, column int) {
	n, _ := d.find(path)
	if n == nil {
		return 1, 1
	}
	return d.position(n.at)
}

// Problem makes a problem at path, placed as by Line.
func (d *Doc) Problem(wrong, right string, path ...any) Problem {
	p := Problem{Wrong: wrong, Right: right}
	if d != nil {
		p.File = d.file
	}
	p.Line, p.Column = d.Line(path...)
	return p
}

func newDoc(file string, data []byte) *Doc {
	d := &Doc{file: file, data: slices.Clip(bytes.Clone(data)), root: newTable(0, byHeader), lines: []int{0}}
	for i, c := range d.data {
		if c == '\n' {
			d.lines = append(d.lines, i+1)
		}
	}
	return d
}

// find follows path as far as it exists and tells whether that was all of it.
func (d *Doc) find(path []any) (n *node, whole bool) {
	if d == nil {
		return nil, false
	}
	n = d.root
	for _, step := range path {
		next := n.child(step)
		if next == nil {
			return n, false
		}
		n = next
	}
	return n, true
}

// line gives the line of a byte offset.
func (d *Doc) line(offset int) int {
	return sort.SearchInts(d.lines, offset+1)
}

// position gives line and column, in characters, of a byte offset.
func (d *Doc) position(offset int) (line, column int) {
	line = d.line(offset)
	return line, utf8.RuneCount(d.data[d.lines[line-1]:offset]) + 1
}
