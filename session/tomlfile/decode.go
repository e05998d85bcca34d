package tomlfile

import (
	"cmp"
	"encoding"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// walker carries the document's values into the struct and collects mistakes.
type walker struct {
	doc     *Doc
	structs structs
	found   []mistake
	more    int // mistakes beyond maxProblems
}

// mistake is a Problem at a byte offset.
type mistake struct {
	at           int
	wrong, right string
}

func (w *walker) add(at int, wrong, right string) {
	if w.full() {
		w.more++
		return
	}
	w.found = append(w.found, mistake{at, wrong, right})
}

// full tells that further mistakes are only counted, so that their messages
// need no care.
func (w *walker) full() bool { return len(w.found) == maxProblems }

// problems gives the mistakes in order, with line and column. It counts the
// characters of each line once, however many mistakes the line has.
func (w *walker) problems() Problems {
	slices.SortStableFunc(w.found, func(a, b mistake) int { return cmp.Compare(a.at, b.at) })
	var ps Problems
	before, p := 0, Problem{File: w.doc.file, Line: 1, Column: 1}
	for _, m := range w.found {
		if line := w.doc.line(m.at); line != p.Line {
			before, p.Line, p.Column = w.doc.lines[line-1], line, 1
		}
		p.Column += utf8.RuneCount(w.doc.data[before:m.at])
		before, p.Wrong, p.Right = m.at, m.wrong, m.right
		ps = append(ps, p)
	}
	if w.more > 0 {
		p.Wrong, p.Right = fmt.Sprintf("and %d further mistakes", w.more), "correct those above first"
		ps = append(ps, p)
	}
	return ps
}

// value carries n into v, the field f or an element of it. path names the table
// it would be, for messages.
func (w *walker) value(n *node, v reflect.Value, f *field, path string) {
	t := v.Type()
	switch {
	case t.Kind() == reflect.Pointer:
		v.Set(reflect.New(t.Elem()))
		w.value(n, v.Elem(), f, path)
	case isText(t):
		w.text(n, v, f)
	case t == durationType:
		w.duration(n, v, f)
	case t.Kind() == reflect.Struct && n.kind == tableKind:
		w.table(n, v, path)
	case t.Kind() == reflect.Map && n.kind == tableKind:
		w.mapping(n, v, f, path)
	case t.Kind() == reflect.Slice && n.kind == arrayKind:
		w.array(n, v, f, path)
	case t.Kind() == reflect.String && n.kind == stringKind:
		w.str(n, v, f)
	case t.Kind() == reflect.Bool && n.kind == boolKind:
		v.SetBool(n.text == "true")
	case (t.Kind() == reflect.Int || t.Kind() == reflect.Int64) && n.kind == integerKind:
		w.integer(n, v, f)
	default:
		w.wrongType(n, t, f)
	}
}

// table carries a table into a struct.
func (w *walker) table(n *node, v reflect.Value, path string) {
	fields := w.structs.of(v.Type())
	label := tableLabel(path)
	for _, name := range n.keys {
		i := slices.IndexFunc(fields, func(f field) bool { return f.key == name })
		if i < 0 {
			w.unknown(n.table[name], name, label, fields)
			continue
		}
		f := &fields[i]
		w.value(n.table[name], v.Field(f.index), f, join(path, name))
	}
	for i := range fields {
		f := &fields[i]
		given := n.table[f.key]
		if !f.required {
			continue
		}
		if given == nil {
			w.add(n.at, fmt.Sprintf("%s lacks %s", label, quote(f.key)), "add "+f.sample())
		} else if given.kind == stringKind && given.text == "" && base(f.typ).Kind() == reflect.String {
			w.add(n.at, fmt.Sprintf("in %s the value of %s is empty", label, quote(f.key)), "write "+f.sample())
		}
	}
}

func (w *walker) unknown(n *node, name, label string, fields []field) {
	if w.full() {
		w.more++
		return
	}
	known := make([]string, len(fields))
	for i, f := range fields {
		known[i] = f.key
	}
	slices.Sort(known)
	right := "remove it"
	if near := nearest(name, known); near != "" {
		right = "write " + quote(near)
	}
	if len(known) > 0 {
		right += " (known here: " + strings.Join(known, ", ") + ")"
	}
	w.add(n.at, fmt.Sprintf("unknown key %s in %s", quote(name), label), right)
}

func (w *walker) mapping(n *node, v reflect.Value, f *field, path string) {
	v.Set(reflect.MakeMapWithSize(v.Type(), len(n.keys)))
	for _, name := range n.keys {
		if !w.noNUL(n.table[name].at, name) {
			continue
		}
		elem := reflect.New(v.Type().Elem()).Elem()
		w.value(n.table[name], elem, f.element(name), join(path, name))
		v.SetMapIndex(reflect.ValueOf(name).Convert(v.Type().Key()), elem)
	}
}

func (w *walker) array(n *node, v reflect.Value, f *field, path string) {
	for _, item := range n.items {
		if a, b := n.items[0].kind.class(), item.kind.class(); a != b {
			w.add(item.val, fmt.Sprintf("the array %s mixes %s and %s", quote(f.key), a, b), "write all its elements alike")
			return
		}
	}
	v.Set(reflect.MakeSlice(v.Type(), len(n.items), len(n.items)))
	for i, item := range n.items {
		w.value(item, v.Index(i), f, path+"[]")
	}
	if elem := base(v.Type().Elem()); elem.Kind() == reflect.Struct && !isText(elem) {
		w.unique(n, elem, path)
	}
}

// unique reports elements of an array of tables that share what must differ.
func (w *walker) unique(n *node, elem reflect.Type, path string) {
	for _, f := range w.structs.of(elem) {
		if !f.unique {
			continue
		}
		first := map[string]int{}
		for _, item := range n.items {
			given := item.table[f.key]
			if given == nil || given.kind != stringKind || given.text == "" {
				continue
			}
			at, taken := first[given.text]
			if !taken {
				first[given.text] = given.at
				continue
			}
			w.add(given.at, fmt.Sprintf("%s %s is used twice, first at line %d", f.key, quote(given.text), w.doc.line(at)),
				fmt.Sprintf("give each %s its own %s", tableLabel(path+"[]"), f.key))
		}
	}
}

func (w *walker) noNUL(at int, text string) bool {
	if !strings.ContainsRune(text, 0) {
		return true
	}
	w.add(at, "a NUL character in "+quote(text), "remove it")
	return false
}

func (w *walker) str(n *node, v reflect.Value, f *field) {
	if !w.noNUL(n.val, n.text) {
		return
	}
	empty := n.text == "" && f.required // reported at the table
	if len(f.oneof) > 0 && !empty && !slices.Contains(f.oneof, n.text) {
		right := "write one of " + quoteAll(f.oneof)
		if near := nearest(n.text, f.oneof); near != "" {
			right = fmt.Sprintf("write %s (allowed: %s)", quote(near), quoteAll(f.oneof))
		}
		w.add(n.val, fmt.Sprintf("%s cannot be %s", quote(f.key), quote(n.text)), right)
		return
	}
	v.SetString(n.text)
}

func (w *walker) integer(n *node, v reflect.Value, f *field) {
	x, err := strconv.ParseInt(n.text, 0, v.Type().Bits())
	if err != nil {
		limit := int64(1)<<(v.Type().Bits()-1) - 1
		w.add(n.val, fmt.Sprintf("%s is out of range: %s", quote(f.key), cut(n.text)),
			fmt.Sprintf("write a whole number from %d to %d", -limit-1, limit))
		return
	}
	v.SetInt(x)
}

func (w *walker) duration(n *node, v reflect.Value, f *field) {
	if n.kind != stringKind {
		w.wrongType(n, v.Type(), f)
		return
	}
	d, err := time.ParseDuration(n.text)
	if err != nil {
		w.add(n.val, fmt.Sprintf("%s is %s, which is not a length of time", quote(f.key), quote(n.text)),
			"write a number with its unit (ms, s, m, h), for example "+f.sample())
		return
	}
	v.SetInt(int64(d))
}

// text hands the exact text of n to the field's UnmarshalText.
func (w *walker) text(n *node, v reflect.Value, f *field) {
	number := n.kind == integerKind || n.kind == floatKind
	if !number && n.kind != stringKind {
		w.wrongType(n, v.Type(), f)
		return
	}
	if !w.noNUL(n.val, n.text) {
		return
	}
	if number || isDecimal(v.Type()) {
		if wrong := notPlain(n.text); wrong != "" {
			w.add(n.val, fmt.Sprintf("%s is %s, %s", quote(f.key), n.describe(), wrong),
				"write digits with at most one point, for example "+f.sample())
			return
		}
	}
	if _, err := strconv.ParseInt(n.text, 10, 64); n.kind == integerKind && err != nil {
		w.add(n.val, fmt.Sprintf("%s is out of TOML's range of whole numbers: %s", quote(f.key), n.text), "write it in quotes")
		return
	}
	if err := v.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(n.text)); err != nil {
		w.add(n.val, fmt.Sprintf("%s cannot be %s: %s", quote(f.key), n.describe(), oneLine(err.Error())), f.instead())
	}
}

func (w *walker) wrongType(n *node, t reflect.Type, f *field) {
	wants, sample := expects(t, f)
	w.add(n.val, fmt.Sprintf("%s is %s", quote(f.key), n.describe()), fmt.Sprintf("write %s, for example %s", wants, sample))
}
