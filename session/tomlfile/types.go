package tomlfile

import (
	"encoding"
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"
)

var (
	durationType = reflect.TypeFor[time.Duration]()
	decimalType  = reflect.TypeFor[decimal.Decimal]()
	textType     = reflect.TypeFor[encoding.TextUnmarshaler]()
)

// field is what the tags of a struct's field say.
type field struct {
	index            int
	key              string
	typ              reflect.Type
	required, unique bool
	oneof            []string
	example          string
	mistake          string // in the tags
}

// structs remembers the fields of the struct types of one run.
type structs map[reflect.Type][]field

func (s structs) of(t reflect.Type) []field {
	if fields, ok := s[t]; ok {
		return fields
	}
	fields := []field{}
	for i := range t.NumField() {
		if f, ok := newField(t.Field(i)); ok {
			f.index = i
			fields = append(fields, f)
		}
	}
	s[t] = fields
	return fields
}

// newField reads the tags of a field; false for one that takes no part.
func newField(sf reflect.StructField) (field, bool) {
	key := sf.Tag.Get("toml")
	if key == "" || key == "-" {
		return field{}, false
	}
	f := field{key: key, typ: sf.Type, example: sf.Tag.Get("example")}
	rules := sf.Tag.Get("strict")
	if before, values, ok := strings.Cut(rules, "oneof="); ok {
		rules, f.oneof = before, strings.Split(values, "|")
	}
	for _, rule := range strings.Split(rules, ",") {
		switch rule {
		case "required":
			f.required = true
		case "unique":
			f.unique = true
		case "":
		default:
			f.mistake = "unknown strict rule " + rule
		}
	}
	if f.unique && !isString(base(f.typ)) || len(f.oneof) > 0 && !isString(innermost(f.typ)) {
		f.mistake = "a strict rule for strings"
	}
	return f, true
}

func isString(t reflect.Type) bool { return t.Kind() == reflect.String && !isText(t) }

// innermost takes pointers, slices and maps off a type.
func innermost(t reflect.Type) reflect.Type {
	for t.Kind() == reflect.Pointer || !isText(t) && (t.Kind() == reflect.Slice || t.Kind() == reflect.Map) {
		t = t.Elem()
	}
	return t
}

// element is the field as it applies to one key of a map.
func (f *field) element(name string) *field {
	e := *f
	e.key, e.typ, e.example = name, base(f.typ).Elem(), ""
	return &e
}

// base takes the pointers off a type.
func base(t reflect.Type) reflect.Type {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	return t
}

func isText(t reflect.Type) bool { return reflect.PointerTo(t).Implements(textType) }

// isDecimal finds decimal.Decimal, types made from it, and structs built on it.
func isDecimal(t reflect.Type) bool {
	if t.ConvertibleTo(decimalType) {
		return true
	}
	if t.Kind() != reflect.Struct {
		return false
	}
	for i := range t.NumField() {
		if sf := t.Field(i); sf.Anonymous && isDecimal(sf.Type) {
			return true
		}
	}
	return false
}

// checkTarget tells whether into can hold a document, and gives its struct.
func checkTarget(into any) (target reflect.Value, wrong, right string) {
	v := reflect.ValueOf(into)
	if v.Kind() != reflect.Pointer || v.IsNil() || v.Elem().Kind() != reflect.Struct {
		return v, fmt.Sprintf("the program wants to read into %T", into), "give a pointer to a struct"
	}
	if wrong := unfit(v.Elem().Type(), map[reflect.Type]bool{}); wrong != "" {
		return v, "the program wants to read into " + wrong,
			"use string, bool, int, int64, time.Duration, decimal.Decimal, a TextUnmarshaler, or structs, slices and maps of these"
	}
	return v.Elem(), "", ""
}

// unfit names the first type within t that cannot be read into, or "".
func unfit(t reflect.Type, seen map[reflect.Type]bool) string {
	if seen[t] || isText(t) {
		return ""
	}
	seen[t] = true
	switch t.Kind() {
	case reflect.String, reflect.Bool, reflect.Int, reflect.Int64:
		return ""
	case reflect.Pointer, reflect.Slice:
		return unfit(t.Elem(), seen)
	case reflect.Map:
		if t.Key().Kind() == reflect.String {
			return unfit(t.Elem(), seen)
		}
	case reflect.Struct:
		return unfitField(t, seen)
	}
	return t.String()
}

func unfitField(t reflect.Type, seen map[reflect.Type]bool) string {
	keys := map[string]bool{}
	for i := range t.NumField() {
		sf := t.Field(i)
		f, ok := newField(sf)
		switch {
		case !ok:
			continue
		case !sf.IsExported():
			return fmt.Sprintf("the unexported field %s of %s", sf.Name, t)
		case f.mistake != "":
			return fmt.Sprintf("%s (field %s of %s)", f.mistake, sf.Name, t)
		case keys[f.key]:
			return fmt.Sprintf("two fields for the key %s (field %s of %s)", f.key, sf.Name, t)
		}
		keys[f.key] = true
		if wrong := unfit(f.typ, seen); wrong != "" {
			return fmt.Sprintf("%s (field %s of %s)", wrong, sf.Name, t)
		}
	}
	return ""
}

// sample is a line that would be right for the field.
func (f *field) sample() string {
	_, sample := expects(f.typ, f)
	return sample
}

// instead advises on a value that the field's own type refused.
func (f *field) instead() string {
	if f.example == "" {
		return "correct the value"
	}
	return "write for example " + f.sample()
}

// expects says in words what a type takes, with a line that would be right.
func expects(t reflect.Type, f *field) (wants, sample string) {
	t = base(t)
	wants, value := wanted(t)
	key := bare(f.key)
	if len(f.oneof) > 0 && t.Kind() == reflect.String {
		value = strconv.Quote(f.oneof[0])
	}
	switch {
	case t != base(f.typ):
		return wants, value // an element of an array
	case f.example != "":
		return wants, withExample(t, f, key)
	case isTable(t):
		return wants, "[" + key + "]"
	case t.Kind() == reflect.Slice && !isText(t) && isTable(base(t.Elem())):
		return wants, "[[" + key + "]]"
	}
	return wants, key + " = " + value
}

func isTable(t reflect.Type) bool {
	return !isText(t) && (t.Kind() == reflect.Struct || t.Kind() == reflect.Map)
}

// withExample writes the example tag as a line, adding quotes where the type
// needs them and the tag has none.
func withExample(t reflect.Type, f *field, key string) string {
	e := f.example
	if strings.HasPrefix(e, key+" =") || strings.HasPrefix(e, "["+key+"]") || strings.HasPrefix(e, "[["+key+"]]") {
		return e
	}
	quoted := strings.HasPrefix(e, `"`) || strings.HasPrefix(e, "'")
	switch {
	case quoted || isTable(t):
	case t.Kind() == reflect.String, t == durationType, isText(t) && notPlain(e) != "":
		e = strconv.Quote(e)
	}
	return key + " = " + e
}

// wanted says in words what a type takes, with a value.
func wanted(t reflect.Type) (wants, value string) {
	switch {
	case isDecimal(t):
		return "a decimal number", "0.10"
	case isText(t):
		return "a string or a number", `"text"`
	case t == durationType:
		return "a length of time in quotes", `"0.7s"`
	case isTable(t):
		return "a table", "{ }"
	}
	switch t.Kind() {
	case reflect.Bool:
		return "true or false", "true"
	case reflect.Int, reflect.Int64:
		return "a whole number", "3"
	case reflect.Slice:
		_, value := wanted(base(t.Elem()))
		if isTable(base(t.Elem())) {
			return "an array of tables", "[" + value + "]"
		}
		return "an array", "[" + value + "]"
	}
	return "a string in quotes", `"text"`
}
