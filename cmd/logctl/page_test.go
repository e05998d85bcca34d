package main

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestWrap(t *testing.T) {
	for name, c := range map[string]struct {
		text, first, rest string
		width             int
		want              string
	}{
		"fits":             {"a bc", "", "", 4, "a bc"},
		"breaks":           {"a bc d", "", "  ", 4, "a bc|  d"},
		"indents":          {"aa bb cc", "> ", "  ", 7, "> aa bb|  cc"},
		"a long word":      {"a bbbbbbbb c", "", "", 4, "a|bbbbbbbb|c"},
		"long at the head": {"bbbbbbbb c", "", "", 4, "bbbbbbbb|c"},
		"below a label":    {"bbbbbbbb c", "label ", "  ", 10, "label|  bbbbbbbb|  c"},
		"spaces and lines": {" a\n b ", "", "", 9, "a b"},
		"nothing":          {"", "x", "", 9, "x"},
		"not bytes":        {"äöü äöü", "", "", 7, "äöü äöü"},
	} {
		t.Run(name, func(t *testing.T) {
			lines := wrap(c.text, c.first, c.rest, c.width)
			for i := range lines {
				lines[i] = strings.TrimRight(lines[i], " ")
			}
			assert.Equal(t, c.want, strings.Join(lines, "|"))
		})
	}
}

func FuzzWrap(f *testing.F) {
	f.Add("a bb ccc dddd", 5)
	f.Add("\x1b[31m", 1)
	f.Fuzz(func(t *testing.T, text string, width int) {
		lines := wrap(text, "", "", width)
		assert.Equal(t, strings.Join(strings.Fields(text), ""), strings.ReplaceAll(strings.Join(lines, ""), " ", ""))
		for _, line := range lines {
			assert.True(t, runes(line) <= width || !strings.Contains(line, " "))
		}
	})
}

// What came down a wire must not reach the terminal as a command.
func TestClean(t *testing.T) {
	for text, want := range map[string]string{
		"plain, äöü 0°": "plain, äöü 0°", "\x1b[2J": "?[2J", "a\rb": "a?b", "two\nlines\t": "two lines ", "\u009b2J": "?2J", "\xff": "?", "a\u202eb": "a?b", "bell\a": "bell?",
	} {
		assert.Equal(t, want, clean(text))
	}
}

func TestTable(t *testing.T) {
	var out bytes.Buffer
	p := &page{w: &out, width: 30}
	p.table("  ", [][]string{{"a", "1.5", "short"}, {"bbb", "22", "a longer text that wraps"}, {"a name of great length", "3", "beside nothing"}})
	assert.Equal(t, `  a                       1.5
      short
  bbb                     22
      a longer text that wraps
  a name of great length  3
      beside nothing
`, out.String())
	out.Reset()
	p.table("", [][]string{{"a", "1.5", "short"}, {"bbb", "22", "a longer text that wraps"}})
	assert.Equal(t, "a    1.5  short\nbbb  22   a longer text that\n          wraps\n", out.String())
}

func TestAlignPoint(t *testing.T) {
	rows := [][]string{{"27.43"}, {"0.351"}, {"?"}, {"-5"}}
	alignPoint(rows, 0)
	assert.Equal(t, [][]string{{"27.43 "}, {" 0.351"}, {" ?    "}, {"-5    "}}, rows)
}

func TestThePageKeepsItsFirstError(t *testing.T) {
	gone := errors.New("gone")
	p := &page{w: brokenPipe{gone}, width: 80}
	p.para("", "", "a")
	p.w = &bytes.Buffer{}
	p.para("", "", "b")
	assert.Equal(t, gone, p.err)
}

func TestNegatives(t *testing.T) {
	for args, want := range map[string]string{
		"enter 1 --instrument c":             "enter 1 --instrument c",
		"enter -1.5 --instrument c":          "enter --instrument c -- -1.5",
		"enter --instrument -1":              "enter --instrument -1",
		"enter --instrument=c -1":            "enter --instrument=c -- -1",
		"enter --json -1 --instrument c":     "enter --json --instrument c -- -1",
		"enter --instrument c -- -1":         "enter --instrument c -- -1",
		"enter -x":                           "enter -x",
		"enter --passes -0.1 --stops 0.2":    "enter --passes -0.1 --stops 0.2",
		"enter -1e5 --instrument c":          "enter -1e5 --instrument c",
		"enter --instrument c -12345.678900": "enter --instrument c -- -12345.678900",
	} {
		assert.Equal(t, want, strings.Join(negatives(strings.Fields(args)), " "), args)
	}
}
