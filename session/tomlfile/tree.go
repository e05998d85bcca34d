package tomlfile

import (
	"bytes"
	"errors"
	"fmt"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2/unstable"
)

// kind is what a value is in the document.
type kind int

const (
	tableKind kind = iota
	arrayKind
	stringKind
	integerKind
	floatKind
	boolKind
	timeKind
)

// origin is how a value came to be, which decides what may be added to it later.
type origin int

const (
	byValue   origin = iota // key = value: closed
	byDots                  // a table made by a dotted key: grows by dotted keys and by headers below it
	byPassing               // a table passed through by the header of another one: may get its own header
	byHeader                // [table]: its header is given
	byTables                // [[table]]: an array that grows by further headers
)

// node is one value of the document.
type node struct {
	kind  kind
	how   origin
	at    int    // offset of what names it: key, header or, in an array, itself
	val   int    // offset of the value
	text  string // scalars: a string's content, otherwise the text as written
	keys  []string
	table map[string]*node
	items []*node
}

func newTable(at int, how origin) *node {
	return &node{kind: tableKind, how: how, at: at, val: at, table: map[string]*node{}}
}

// child gives the value under a key (string) or place (int), or nil.
func (n *node) child(step any) *node {
	switch s := step.(type) {
	case string:
		return n.table[s]
	case int:
		if s >= 0 && s < len(n.items) {
			return n.items[s]
		}
	}
	return nil
}

func (n *node) set(name string, child *node) {
	n.table[name] = child
	n.keys = append(n.keys, name)
}

// part is one part of a dotted key: data[at:end] in the document.
type part struct {
	name    string
	at, end int
}

// builder turns the parser's expressions into the tree of the document.
type builder struct {
	*walker
	parser  unstable.Parser
	data    []byte
	current *node // the table that key = value lines go to
}

// parse fills the document's tree. It reports whether the text could be read.
func (w *walker) parse() bool {
	data := w.doc.data
	if at, wrong, right := unreadable(data); wrong != "" {
		w.add(at, wrong, right)
		return false
	}
	b := &builder{walker: w, data: data, current: w.doc.root}
	b.parser.Reset(data)
	for b.parser.NextExpression() {
		switch e := b.parser.Expression(); e.Kind {
		case unstable.KeyValue:
			b.keyValue(b.current, e)
		case unstable.Table, unstable.ArrayTable:
			b.header(e)
		}
	}
	return b.syntax(b.parser.Error())
}

// unreadable finds what no TOML parser should be given: too much, or not text.
func unreadable(data []byte) (at int, wrong, right string) {
	if len(data) > maxBytes {
		return 0, fmt.Sprintf("the file has %d bytes", len(data)), fmt.Sprintf("keep it to %d bytes (1 MiB)", maxBytes)
	}
	if bytes.HasPrefix(data, []byte("\uFEFF")) {
		return 0, "the file begins with a byte order mark", "save it as UTF-8 without a byte order mark"
	}
	for i := 0; i < len(data); {
		r, size := utf8.DecodeRune(data[i:])
		switch {
		case r == utf8.RuneError && size == 1:
			return i, fmt.Sprintf("byte 0x%02X is not UTF-8", data[i]), "save the file as UTF-8"
		case r == 0:
			return i, "a NUL byte", "remove it; a TOML file is plain text"
		}
		i += size
	}
	return 0, "", ""
}

// syntax reports the parser's error, if any, and whether there was none.
func (b *builder) syntax(err error) bool {
	if err == nil {
		return true
	}
	at := 0
	var perr *unstable.ParserError
	if errors.As(err, &perr) {
		at = int(b.parser.Range(perr.Highlight).Offset)
	}
	for at > 0 && at < len(b.data) && !utf8.RuneStart(b.data[at]) {
		at-- // at the end of the text the parser points at its last byte
	}
	b.add(at, err.Error(), syntaxAdvice(err.Error()))
	return false
}

func (b *builder) parts(e *unstable.Node) []part {
	var parts []part
	for it := e.Key(); it.Next(); {
		k := it.Node()
		at := int(k.Raw.Offset)
		parts = append(parts, part{name: string(k.Data), at: at, end: at + int(k.Raw.Length)})
	}
	return parts
}

// tooDeep reports a key of too many parts.
func (b *builder) tooDeep(parts []part) bool {
	if len(parts) <= maxParts {
		return false
	}
	b.add(parts[0].at, fmt.Sprintf("a key of %d parts", len(parts)), fmt.Sprintf("use at most %d parts", maxParts))
	return true
}

// keyValue adds `key = value` to table t and returns the offset after it.
func (b *builder) keyValue(t *node, e *unstable.Node) int {
	parts := b.parts(e)
	last := parts[len(parts)-1]
	start := b.skip(last.end, " \t=")
	value, end := b.value(e.Value(), start)
	value.at = parts[0].at
	if b.tooDeep(parts) {
		return end
	}
	for _, p := range parts[:len(parts)-1] {
		next := t.table[p.name]
		if next == nil {
			next = newTable(p.at, byDots)
			t.set(p.name, next)
		}
		if next.how != byDots {
			b.twice(p.at, "key", p.name, next)
			return end
		}
		t = next
	}
	value.at = last.at
	if first := t.table[last.name]; first != nil {
		b.twice(last.at, "key", last.name, first)
		return end
	}
	t.set(last.name, value)
	return end
}

// value makes the node of a value that starts at offset start, and returns the
// offset after it. Arrays carry no position in the parser's tree, hence start.
func (b *builder) value(e *unstable.Node, start int) (*node, int) {
	n := &node{at: start, val: start, how: byValue}
	switch e.Kind {
	case unstable.Array:
		n.kind = arrayKind
		end := start + 1
		for it := e.Children(); it.Next(); {
			var item *node
			item, end = b.value(it.Node(), b.gap(end))
			n.items = append(n.items, item)
		}
		return n, b.gap(end) + 1
	case unstable.InlineTable:
		n.kind, n.table = tableKind, map[string]*node{}
		end := start + 1
		for it := e.Children(); it.Next(); {
			end = b.keyValue(n, it.Node())
		}
		return n, b.gap(end) + 1
	}
	n.kind, n.text = scalarKind(e.Kind), string(e.Data)
	return n, start + int(e.Raw.Length)
}

func scalarKind(k unstable.Kind) kind {
	switch k {
	case unstable.String:
		return stringKind
	case unstable.Integer:
		return integerKind
	case unstable.Float:
		return floatKind
	case unstable.Bool:
		return boolKind
	}
	return timeKind
}

// skip gives the first offset from at on that holds none of the given bytes.
func (b *builder) skip(at int, of string) int {
	for at < len(b.data) && bytes.IndexByte([]byte(of), b.data[at]) >= 0 {
		at++
	}
	return at
}

// gap skips what may stand between the elements of an array or inline table.
func (b *builder) gap(at int) int {
	for {
		at = b.skip(at, " \t\r\n,")
		if at >= len(b.data) || b.data[at] != '#' {
			return at
		}
		for at < len(b.data) && b.data[at] != '\n' {
			at++
		}
	}
}

// header opens the table of a [header] or [[header]]. After a mistake the lines
// below it go to the table that was there first, or else to one that is dropped.
func (b *builder) header(e *unstable.Node) {
	parts := b.parts(e)
	b.current = newTable(parts[0].at, byHeader)
	if b.tooDeep(parts) {
		return
	}
	at := parts[0].at - 1
	for b.data[at] != '[' {
		at--
	}
	t := b.doc.root
	for _, p := range parts[:len(parts)-1] {
		if t = b.pass(t, p); t == nil {
			return
		}
	}
	last := parts[len(parts)-1]
	if e.Kind == unstable.ArrayTable {
		b.openItem(t, last, at-1)
		return
	}
	b.openTable(t, last, at)
}

// pass goes through one part of a header on the way to its last; nil if it
// cannot.
func (b *builder) pass(t *node, p part) *node {
	next := t.table[p.name]
	switch {
	case next == nil:
		next = newTable(p.at, byPassing)
		t.set(p.name, next)
	case next.how == byTables:
		return next.items[len(next.items)-1]
	case next.how == byValue:
		b.add(p.at, fmt.Sprintf("key %s is closed, its value is given at line %d", quote(p.name), b.doc.line(next.at)),
			"put these keys there, or name this table otherwise")
		return nil
	}
	return next
}

func (b *builder) openTable(t *node, p part, at int) {
	first := t.table[p.name]
	switch {
	case first == nil:
		first = newTable(at, byHeader)
		t.set(p.name, first)
	case first.how == byPassing:
		first.how, first.at, first.val = byHeader, at, at
	case first.how == byHeader || first.how == byDots:
		b.twice(at, "table", p.name, first)
	default:
		b.twice(at, "table", p.name, first)
		return
	}
	b.current = first
}

func (b *builder) openItem(t *node, p part, at int) {
	array := t.table[p.name]
	if array == nil {
		array = &node{kind: arrayKind, how: byTables, at: at, val: at}
		t.set(p.name, array)
	}
	if array.how != byTables {
		b.twice(at, "table", p.name, array)
		return
	}
	b.current = newTable(at, byHeader)
	array.items = append(array.items, b.current)
}

// twice reports a name that is taken.
func (b *builder) twice(at int, what, name string, first *node) {
	right := "keep one of them"
	switch {
	case first.how == byTables:
		right = fmt.Sprintf("write [[%s]] each time, or name one of them otherwise", bare(name))
	case what == "table" && first.kind == tableKind:
		right = "put all its keys in one place"
	}
	b.add(at, fmt.Sprintf("%s %s is given twice, first at line %d", what, quote(name), b.doc.line(first.at)), right)
}
