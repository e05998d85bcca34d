package tomlfile

import (
	"strconv"
	"strings"
	"unicode/utf8"
)

const maxShown = 60 // characters of the document shown in a message

// cut shortens a text for a message.
func cut(s string) string {
	if utf8.RuneCountInString(s) <= maxShown {
		return s
	}
	return string([]rune(s)[:maxShown]) + "..."
}

func quote(s string) string { return strconv.Quote(cut(s)) }

func quoteAll(list []string) string {
	quoted := make([]string, len(list))
	for i, s := range list {
		quoted[i] = quote(s)
	}
	return strings.Join(quoted, ", ")
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// bare writes a key as TOML wants it: in quotes only where needed.
func bare(key string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_'
	}
	if key == "" || strings.IndexFunc(key, func(r rune) bool { return !plain(r) }) >= 0 {
		return quote(key)
	}
	return cut(key)
}

// join adds a key to the path of a table; "[]" at its end marks an array's element.
func join(path, key string) string {
	path = strings.TrimSuffix(path, "[]")
	if path == "" {
		return bare(key)
	}
	return path + "." + bare(key)
}

// tableLabel names a table as its header would.
func tableLabel(path string) string {
	if path == "" {
		return "the top level"
	}
	if name, ok := strings.CutSuffix(path, "[]"); ok {
		return "[[" + cut(strings.ReplaceAll(name, "[]", "")) + "]]"
	}
	return "[" + cut(path) + "]"
}

// class is the kind of a value in words; whole and broken numbers are one.
func (k kind) class() string {
	switch k {
	case tableKind:
		return "tables"
	case arrayKind:
		return "arrays"
	case stringKind:
		return "strings"
	case boolKind:
		return "true and false"
	case timeKind:
		return "dates"
	}
	return "numbers"
}

// describe says what a value is, with its text.
func (n *node) describe() string {
	switch n.kind {
	case tableKind:
		return "a table"
	case arrayKind:
		return "an array"
	case stringKind:
		return "the string " + quote(n.text)
	case boolKind:
		return "the word " + n.text
	case timeKind:
		return "the date or time " + cut(n.text)
	}
	return "the number " + cut(n.text)
}

// notPlain says why s is not a plain decimal number, or "".
func notPlain(s string) string {
	if len(s) > maxNumber {
		return "which is longer than " + strconv.Itoa(maxNumber) + " characters"
	}
	digits := strings.TrimLeft(s, "+-")
	whole, fraction, point := strings.Cut(digits, ".")
	if len(s)-len(digits) > 1 || !allDigits(whole) || point && !allDigits(fraction) {
		return "which is not a plain decimal number"
	}
	return ""
}

func allDigits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// nearest gives the known word that is most likely meant, whatever its capitals,
// or "".
func nearest(word string, known []string) string {
	if len(word) > maxShown {
		return ""
	}
	letters := []rune(strings.ToLower(word))
	best, bestAt := "", 2+len(letters)/3
	for _, k := range known {
		target := []rune(strings.ToLower(k))
		if at := distance(letters, target); at < bestAt && at < len(target) {
			best, bestAt = k, at
		}
	}
	return best
}

// distance is the smallest number of characters to insert, remove or replace
// to make one word of the other.
func distance(a, b []rune) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		corner := row[0]
		row[0] = i + 1
		for j := range len(b) {
			replace := corner
			if a[i] != b[j] {
				replace++
			}
			corner = row[j+1]
			row[j+1] = min(replace, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// syntaxAdvice says what to do about a message of the parser.
func syntaxAdvice(message string) string {
	advice := []struct{ part, right string }{
		{"strings must be quoted", `put text in quotes, for example "0.7s"`},
		{"expected newline", "start each key = value on its own line, with text in quotes and remarks after #"},
		{"start of key", "write key = value, [table] or [[table]]; a key has letters, digits, - and _, others in quotes"},
		{"keyword", "put text in quotes; true and false are written in small letters, without quotes"},
		{"nested", "nest arrays and tables less deeply"},
		{"expected key", "write a key here"},
		{"expected '='", "write key = value; a key with anything but letters, digits, - and _ goes in quotes"},
		{"start of value", `write a string in quotes, a number, true, false, [array] or { table }`},
		{"expected value", "write a value after the ="},
		{"table name", "close the header with as many brackets as open it"},
		{"leading zeroes", "write the number without leading zeros, or in quotes"},
		{"decimal point", "write a digit before and after the point"},
		{"escape", `write \\ for a backslash, or use single quotes`},
		{"new lines", "close the string with its quote on the same line"},
		{"terminated", "close the string with the quotes that open it"},
		{"inline table", "separate the entries with commas and close the table with }"},
		{"array", "separate the elements with commas and close the array with ]"},
		{"control characters", "remove the control character"},
		{"digit", "write a number in plain digits, or text in quotes"},
		{"underscores", "write the number without underscores"},
	}
	for _, a := range advice {
		if strings.Contains(message, a.part) {
			return a.right
		}
	}
	return "write key = value, [table] or [[table]], with text in quotes"
}
