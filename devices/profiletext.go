package devices

import (
	"encoding"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"shimwright/session"
)

// WriteProfile writes a profile as the configuration has it: a table [[instrument]]
// in TOML, which reads back as the same profile. Keys are those of the struct's tags.
func WriteProfile(p session.Profile) string {
	var b strings.Builder
	b.WriteString("[[instrument]]\n")
	writeTable(&b, "instrument", reflect.ValueOf(p))
	return b.String()
}

// writeTable writes what a struct or a map holds: first the plain values, then the
// tables in it. Zero values are left out; they mean the same as nothing.
func writeTable(b *strings.Builder, path string, v reflect.Value) {
	type table struct {
		head string
		path string
		of   reflect.Value
	}
	var tables []table
	for _, f := range entriesOf(v) {
		inner := f.value
		for inner.Kind() == reflect.Pointer {
			inner = inner.Elem()
		}
		path := path + "." + f.key
		_, plain := inner.Interface().(encoding.TextMarshaler)
		switch {
		case !plain && (inner.Kind() == reflect.Struct || inner.Kind() == reflect.Map):
			tables = append(tables, table{"[" + path + "]\n", path, inner})
		case inner.Kind() == reflect.Slice && inner.Type().Elem().Kind() == reflect.Struct:
			for i := range inner.Len() {
				tables = append(tables, table{"[[" + path + "]]\n", path, inner.Index(i)})
			}
		default:
			b.WriteString(f.key + " = " + plainTOML(inner) + "\n")
		}
	}
	for _, t := range tables {
		b.WriteString(t.head)
		writeTable(b, t.path, t.of)
	}
}

// An entryOf is one key of a table.
type entryOf struct {
	key   string
	value reflect.Value
}

// entriesOf lists what is set in a struct, in its order, or in a map, sorted.
func entriesOf(v reflect.Value) []entryOf {
	var out []entryOf
	if v.Kind() == reflect.Map {
		for _, k := range v.MapKeys() {
			key := k.String()
			if strings.Trim(key, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-") != "" || key == "" {
				key = quoteTOML(key)
			}
			out = append(out, entryOf{key, v.MapIndex(k)})
		}
		slices.SortFunc(out, func(a, b entryOf) int { return strings.Compare(a.key, b.key) })
		return out
	}
	for i := range v.NumField() {
		key := v.Type().Field(i).Tag.Get("toml")
		must := strings.Contains(v.Type().Field(i).Tag.Get("strict"), "required")
		if key != "" && key != "-" && (must || !v.Field(i).IsZero()) {
			out = append(out, entryOf{key, v.Field(i)})
		}
	}
	return out
}

// plainTOML writes a value that is no table.
func plainTOML(v reflect.Value) string {
	switch x := v.Interface().(type) {
	case time.Duration:
		return quoteTOML(x.String())
	case session.Number:
		return quoteTOML(x.String())
	case session.Unit:
		return quoteTOML(x.Word())
	case encoding.TextMarshaler:
		text, err := x.MarshalText()
		if err == nil {
			return quoteTOML(string(text))
		}
	}
	switch v.Kind() {
	case reflect.String:
		return quoteTOML(v.String())
	case reflect.Bool:
		return strconv.FormatBool(v.Bool())
	case reflect.Int, reflect.Int64:
		return strconv.FormatInt(v.Int(), 10)
	case reflect.Slice:
		parts := make([]string, v.Len())
		for i := range parts {
			parts[i] = plainTOML(v.Index(i))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	return quoteTOML(fmt.Sprint(v.Interface()))
}

// quoteTOML quotes a text: as it is in single quotes where it has a backslash and can
// be, else with escapes.
func quoteTOML(text string) string {
	plain := strings.IndexFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }) < 0
	if plain && strings.Contains(text, `\`) && !strings.Contains(text, "'") {
		return "'" + text + "'"
	}
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range text {
		switch {
		case r == '"' || r == '\\':
			b.WriteString(`\` + string(r))
		case r == '\r':
			b.WriteString(`\r`)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
