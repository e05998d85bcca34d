package tomlfile

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// job uses every feature of the package.
type job struct {
	Name   string                     `toml:"name" strict:"required" example:"north bench"`
	Order  string                     `toml:"order" strict:"oneof=even|drive side first|centred"`
	Dry    bool                       `toml:"dry"`
	Count  int                        `toml:"count"`
	Big    int64                      `toml:"big"`
	Pause  time.Duration              `toml:"pause" example:"0.7s"`
	Aim    *decimal.Decimal           `toml:"aim" example:"0.10"`
	Unit   unit                       `toml:"unit" example:"mm"`
	Notes  []string                   `toml:"notes"`
	Sizes  []decimal.Decimal          `toml:"sizes"`
	Places []int                      `toml:"places"`
	Marks  []string                   `toml:"marks" strict:"oneof=ok|spare"`
	Window window                     `toml:"window"`
	Link   *link                      `toml:"link"`
	Step   []step                     `toml:"step"`
	Chain  []*chain                   `toml:"chain"`
	Alpha  map[string]decimal.Decimal `toml:"alpha"`
	Label  map[string]string          `toml:"label"`
	Sides  map[string]window          `toml:"sides"`
	Length length                     `toml:"length"`
	Silent string                     // takes no part
}

type window struct {
	Low  decimal.Decimal `toml:"low" strict:"required" example:"0.05"`
	High decimal.Decimal `toml:"high"`
}

type link struct {
	Port  string `toml:"port" strict:"required" example:"/dev/tty-bench"`
	Speed int    `toml:"speed"`
	Next  *link  `toml:"next"`
}

type step struct {
	Name  string  `toml:"name" strict:"required,unique" example:"case depth"`
	Range *window `toml:"range"`
}

type chain struct {
	Name string `toml:"name" strict:"required"`
	Term []term `toml:"term" strict:"required"`
}

type term struct {
	Step string `toml:"step" strict:"unique"`
	Sign int    `toml:"sign"`
}

// unit accepts two words.
type unit string

func (u *unit) UnmarshalText(text []byte) error {
	if s := string(text); s != "mm" && s != "in" {
		return fmt.Errorf("no such unit:\n%s", s)
	}
	*u = unit(text)
	return nil
}

// length is a decimal of our own that keeps its text.
type length struct {
	decimal.Decimal
	text string
}

func (l *length) UnmarshalText(text []byte) error {
	l.text = string(text)
	return l.Decimal.UnmarshalText(text)
}

// sound is a document with every feature and no mistake.
const sound = `# a bench
name = "north"
order = "drive side first"
dry = true
count = 3
big = 0x7fffffffffffffff
pause = "0.7s"
aim = 0.10
unit = "in"
notes = ["a", 'b', """
c"""]
sizes = [0.1, 0.20, 1] # whole and broken numbers are one kind
places = [
  1, # first
  2,
]
marks = ["ok"]
window = { low = 0.05, high = "0.15" }
link.port = "/dev/tty1"
link.next.port = "/dev/tty2"
length = +12.3400

[[step]]
name = "depth"
range.low = 4
range.high = 5.0

[[step]]
name = "width"
[step.range]
low = 1

[[chain]]
name = "first"
[[chain.term]]
step = "depth"
sign = -1
[[chain.term]]
step = "width"
sign = 1

[[chain]]
name = "second"
term = [{ step = "depth" }]

[alpha]
steel = 0.0000115
"light alloy" = "0.000023"

[label]
x = "y"

[sides.drive]
low = 1
`

func TestSoundDocument(t *testing.T) {
	var j job
	doc, problems := Decode("a.toml", []byte(sound), &j)
	require.Empty(t, problems)
	require.NotNil(t, doc)

	assert.Equal(t, "north", j.Name)
	assert.Equal(t, "drive side first", j.Order)
	assert.True(t, j.Dry)
	assert.Equal(t, 3, j.Count)
	assert.Equal(t, int64(1<<63-1), j.Big)
	assert.Equal(t, 700*time.Millisecond, j.Pause)
	assert.Equal(t, "0.10", exact(*j.Aim))
	assert.Equal(t, unit("in"), j.Unit)
	assert.Equal(t, []string{"a", "b", "c"}, j.Notes)
	assert.Equal(t, []int{1, 2}, j.Places)
	assert.Equal(t, []string{"ok"}, j.Marks)
	assert.Equal(t, "0.05 0.15", exact(j.Window.Low)+" "+exact(j.Window.High))
	assert.Equal(t, &link{Port: "/dev/tty1", Next: &link{Port: "/dev/tty2"}}, j.Link)
	assert.Equal(t, "+12.3400", j.Length.text)
	require.Len(t, j.Step, 2)
	assert.Equal(t, "4 5.0", exact(j.Step[0].Range.Low)+" "+exact(j.Step[0].Range.High))
	assert.Equal(t, "1", exact(j.Step[1].Range.Low))
	require.Len(t, j.Chain, 2)
	assert.Equal(t, []term{{"depth", -1}, {"width", 1}}, j.Chain[0].Term)
	assert.Equal(t, []term{{"depth", 0}}, j.Chain[1].Term)
	assert.Equal(t, "0.0000115", exact(j.Alpha["steel"]))
	assert.Equal(t, "0.000023", exact(j.Alpha["light alloy"]))
	assert.Equal(t, map[string]string{"x": "y"}, j.Label)
	assert.Equal(t, "1", exact(j.Sides["drive"].Low))
}

// exact writes a decimal with the scale it was read with.
func exact(d decimal.Decimal) string { return d.StringFixed(-d.Exponent()) }

func TestDecimalsKeepTheirScale(t *testing.T) {
	for _, text := range []string{"0.10", "0.1", "10.00", "-0.00", "4", "0.000000000000000000000000000000000001"} {
		for _, doc := range []string{"aim = " + text, `aim = "` + text + `"`} {
			var j struct {
				Aim decimal.Decimal `toml:"aim"`
			}
			_, problems := Decode("a", []byte(doc), &j)
			require.Empty(t, problems, doc)
			assert.Equal(t, strings.TrimPrefix(text, "-"), strings.TrimPrefix(exact(j.Aim), "-"), doc)
		}
	}
}

func TestProblems(t *testing.T) {
	const known = "aim, alpha, big, chain, count, dry, label, length, link, marks, name, notes, order, pause, places, sides, sizes, step, unit, window"
	for _, c := range []struct{ doc, want string }{
		// keys
		{"nme = \"a\"\nname = \"b\"", `1:1: unknown key "nme" in the top level; write "name" (known here: ` + known + `)`},
		{"name = \"b\"\nzzzzzzzz = 1", `2:1: unknown key "zzzzzzzz" in the top level; remove it (known here: ` + known + `)`},
		{"name = \"b\"\n[link]\nport = \"p\"\n  sped = 3", `4:3: unknown key "sped" in [link]; write "speed" (known here: next, port, speed)`},
		{"name = \"b\"\n[[step]]\nname = \"s\"\n[step.range]\nlow = 1\nhihg = 2", `6:1: unknown key "hihg" in [step.range]; write "high" (known here: high, low)`},
		{"name = \"b\"\nwindow = { low = 1, höh = 2 }", "2:22: expected '=' after key; write key = value; a key with anything but letters, digits, - and _ goes in quotes"},
		{"name = \"b\"\nNAME = \"c\"", `2:1: unknown key "NAME" in the top level; write "name" (known here: ` + known + `)`},
		// given twice
		{"name = \"a\"\nname = \"b\"", `2:1: key "name" is given twice, first at line 1; keep one of them`},
		{"name = \"a\"\n[link]\nport = \"p\"\n[link]\nspeed = 1", `4:1: table "link" is given twice, first at line 2; put all its keys in one place`},
		{"name = \"a\"\nlink.port = \"p\"\n[link]\nspeed = 1", `3:1: table "link" is given twice, first at line 2; put all its keys in one place`},
		{"name = \"a\"\nwindow = { low = 1, low = 2 }", `2:21: key "low" is given twice, first at line 2; keep one of them`},
		{"name = \"a\"\nwindow = { low = 1 }\nwindow.high = 2", `3:1: key "window" is given twice, first at line 2; keep one of them`},
		{"name = \"a\"\nwindow = { low = 1 }\n[window]\nhigh = 2", `3:1: table "window" is given twice, first at line 2; put all its keys in one place`},
		{"name = \"a\"\nlink = { port = \"p\" }\n[link.next]\nport = \"q\"", `3:2: key "link" is closed, its value is given at line 2; put these keys there, or name this table otherwise`},
		{"name = \"a\"\n[[step]]\nname = \"s\"\n[step]\nname = \"t\"", `4:1: table "step" is given twice, first at line 2; write [[step]] each time, or name one of them otherwise`},
		{"name = \"a\"\nstep = []\n[[step]]\nname = \"t\"", `3:1: table "step" is given twice, first at line 2; keep one of them`},
		{"name = \"a\"\n[link.next]\nport = \"p\"\n[link]\nport = \"q\"\nnext.port = \"r\"", `6:1: key "next" is given twice, first at line 2; keep one of them`},
		// missing
		{"", `1:1: the top level lacks "name"; add name = "north bench"`},
		{"dry = true", `1:1: the top level lacks "name"; add name = "north bench"`},
		{"name = ''", `1:1: in the top level the value of "name" is empty; write name = "north bench"`},
		{"name = \"a\"\n  [window]\n", `2:3: [window] lacks "low"; add low = 0.05`},
		{"name = \"a\"\nwindow = {}", `2:1: [window] lacks "low"; add low = 0.05`},
		{"name = \"a\"\nwindow.high = 1", `2:1: [window] lacks "low"; add low = 0.05`},
		{"name = \"a\"\n[[ chain ]]\nname = \"c\"", `2:1: [[chain]] lacks "term"; add [[term]]`},
		{"name = \"a\"\nstep = [{name = \"s\"},\n {}]", `3:2: [[step]] lacks "name"; add name = "case depth"`},
		// wrong type
		{"name = 3", `1:8: "name" is the number 3; write a string in quotes, for example name = "north bench"`},
		{"name = [1]", `1:8: "name" is an array; write a string in quotes, for example name = "north bench"`},
		{"name = \"a\"\ncount = 3.0", `2:9: "count" is the number 3.0; write a whole number, for example count = 3`},
		{"name = \"a\"\ncount = \"3\"", `2:9: "count" is the string "3"; write a whole number, for example count = 3`},
		{"name = \"a\"\ndry = \"yes\"", `2:7: "dry" is the string "yes"; write true or false, for example dry = true`},
		{"name = \"a\"\npause = 0.7", `2:9: "pause" is the number 0.7; write a length of time in quotes, for example pause = "0.7s"`},
		{"name = \"a\"\naim = true", `2:7: "aim" is the word true; write a decimal number, for example aim = 0.10`},
		{"name = \"a\"\nunit = 2024-01-02", `2:8: "unit" is the date or time 2024-01-02; write a string or a number, for example unit = "mm"`},
		{"name = \"a\"\nnotes = \"n\"", `2:9: "notes" is the string "n"; write an array, for example notes = ["text"]`},
		{"name = \"a\"\nnotes = [\"n\"]\nplaces = [\n 1,\n 2.5]", `5:2: "places" is the number 2.5; write a whole number, for example 3`},
		{"name = \"a\"\nlink = 1", `2:8: "link" is the number 1; write a table, for example [link]`},
		{"name = \"a\"\nwindow = [{low = 1}]", `2:10: "window" is an array; write a table, for example [window]`},
		{"name = \"a\"\n[[link]]\nport = \"p\"", `2:1: "link" is an array; write a table, for example [link]`},
		{"name = \"a\"\n[step]\nname = \"s\"", `2:1: "step" is a table; write an array of tables, for example [[step]]`},
		{"name = \"a\"\n[label]\nx = 1", `3:5: "x" is the number 1; write a string in quotes, for example x = "text"`},
		// values
		{"name = \"a\"\nbig = 9223372036854775808", `2:7: "big" is out of range: 9223372036854775808; write a whole number from -9223372036854775808 to 9223372036854775807`},
		{"name = \"a\"\naim = 1e3", `2:7: "aim" is the number 1e3, which is not a plain decimal number; write digits with at most one point, for example aim = 0.10`},
		{"name = \"a\"\naim = \"1e3\"", `2:7: "aim" is the string "1e3", which is not a plain decimal number; write digits with at most one point, for example aim = 0.10`},
		{"name = \"a\"\naim = inf", `2:7: "aim" is the number inf, which is not a plain decimal number; write digits with at most one point, for example aim = 0.10`},
		{"name = \"a\"\naim = -nan", `2:7: "aim" is the number -nan, which is not a plain decimal number; write digits with at most one point, for example aim = 0.10`},
		{"name = \"a\"\naim = 0x10", `2:7: "aim" is the number 0x10, which is not a plain decimal number; write digits with at most one point, for example aim = 0.10`},
		{"name = \"a\"\naim = 1_000.0", `2:7: "aim" is the number 1_000.0, which is not a plain decimal number; write digits with at most one point, for example aim = 0.10`},
		{"name = \"a\"\naim = \"\"", `2:7: "aim" is the string "", which is not a plain decimal number; write digits with at most one point, for example aim = 0.10`},
		{"name = \"a\"\naim = \"0,1\"", `2:7: "aim" is the string "0,1", which is not a plain decimal number; write digits with at most one point, for example aim = 0.10`},
		{"name = \"a\"\nlength = \"1e3\"", `2:10: "length" is the string "1e3", which is not a plain decimal number; write digits with at most one point, for example length = 0.10`},
		{"name = \"a\"\naim = 0." + strings.Repeat("1", 39), `2:7: "aim" is the number 0.` + strings.Repeat("1", 39) + `, which is longer than 40 characters; write digits with at most one point, for example aim = 0.10`},
		{"name = \"a\"\naim = 9223372036854775808", `2:7: "aim" is out of TOML's range of whole numbers: 9223372036854775808; write it in quotes`},
		{"name = \"a\"\npause = \"0.7\"", `2:9: "pause" is "0.7", which is not a length of time; write a number with its unit (ms, s, m, h), for example pause = "0.7s"`},
		{"name = \"a\"\nunit = \"ell\"", `2:8: "unit" cannot be the string "ell": no such unit: ell; write for example unit = "mm"`},
		{"name = \"a\"\norder = \"evn\"", `2:9: "order" cannot be "evn"; write "even" (allowed: "even", "drive side first", "centred")`},
		{"name = \"a\"\norder = \"\"", `2:9: "order" cannot be ""; write one of "even", "drive side first", "centred"`},
		{"name = \"a\"\nmarks = [\"ok\", \"bad\"]", `2:16: "marks" cannot be "bad"; write one of "ok", "spare"`},
		{"name = \"a\\u0000b\"", `1:8: a NUL character in "a\x00b"; remove it`},
		{"name = \"a\"\n[label]\n\"\\u0000\" = \"x\"", `3:1: a NUL character in "\x00"; remove it`},
		// arrays
		{"name = \"a\"\nsizes = [0.1, 1, \"0.2\"]", `2:18: the array "sizes" mixes numbers and strings; write all its elements alike`},
		{"name = \"a\"\nsizes = [0.1, [1]]", `2:15: the array "sizes" mixes numbers and arrays; write all its elements alike`},
		{"name = \"a\"\nstep = [{name = \"s\"}, true]", `2:23: the array "step" mixes tables and true and false; write all its elements alike`},
		{"name = \"a\"\nnotes = [\"x\", 2024-01-02]", `2:15: the array "notes" mixes strings and dates; write all its elements alike`},
		{"name = \"a\"\nplaces = [\n # [\n [1, [2]],\n [], ]", `4:2: "places" is an array; write a whole number, for example 3` + "\n" + `5:2: "places" is an array; write a whole number, for example 3`},
		// unique
		{"name = \"a\"\n[[step]]\nname = \"s\"\n[[step]]\nname = \"s\"", `5:1: name "s" is used twice, first at line 3; give each [[step]] its own name`},
		{"name = \"a\"\n[[chain]]\nname = \"c\"\nterm = [{step = \"s\"}, {step = \"t\"}, {step = \"s\"}]", `4:38: step "s" is used twice, first at line 4; give each [[chain.term]] its own step`},
		// positions
		{"name = \"a\"\r\n[window]\r\nlow = 1\r\nhihg = 2\r\n", `4:1: unknown key "hihg" in [window]; write "high" (known here: high, low)`},
		{"name = \"µ\" \n\"µµ\" . x = 1", `2:1: unknown key "µµ" in the top level; remove it (known here: ` + known + `)`},
		{"name = \"a\"\nwindow = { low = 1, \"höch\" = 2 , hig=1}", `2:21: unknown key "höch" in [window]; write "high" (known here: high, low)` + "\n" + `2:34: unknown key "hig" in [window]; write "high" (known here: high, low)`},
		{"name = \"a\"\n" + strings.Repeat("a.", 32) + "a = 1", `2:1: a key of 33 parts; use at most 32 parts`},
		{"name = \"a\"\n[" + strings.Repeat("a.", 32) + "a]\nq = 1", `2:2: a key of 33 parts; use at most 32 parts`},
	} {
		_, problems := Decode("f", []byte(c.doc), &job{})
		assert.Equal(t, "f:"+strings.ReplaceAll(c.want, "\n", "\nf:"), problems.Error(), c.doc)
	}
}

func TestUnreadable(t *testing.T) {
	for _, c := range []struct{ doc, want string }{
		{"name = north", `1:8: expected keyword "nan"; put text in quotes; true and false are written in small letters, without quotes`},
		{"name = 0.7s", `1:11: strings must be quoted; put text in quotes, for example "0.7s"`},
		{"name = \"a", `1:9: unterminated basic string; close the string with the quotes that open it`},
		{"name = \"a\nb\"", `1:10: basic strings cannot have new lines; close the string with its quote on the same line`},
		{"name = \"a\"\n[link\nport = 1", `2:6: expected ']' to close table name; close the header with as many brackets as open it`},
		{"name = \"é", `1:9: unterminated basic string; close the string with the quotes that open it`},
		{"name = \"a\" dry = true", `1:12: expected newline but got U+0064 'd'; start each key = value on its own line, with text in quotes and remarks after #`},
		{"name \"a\"", `1:6: expected '=' after key; write key = value; a key with anything but letters, digits, - and _ goes in quotes`},
		{"name = \"a\"\r\ndry =\r\n", `2:6: unexpected character U+000D at start of value; write a string in quotes, a number, true, false, [array] or { table }`},
		{"name = \"é\" x", `1:12: expected newline but got U+0078 'x'; start each key = value on its own line, with text in quotes and remarks after #`},
		{"name = \"\\q\"", `1:9: invalid escape character U+0071 'q'; write \\ for a backslash, or use single quotes`},
		{"count = 007", `1:9: integers cannot have leading zeroes; write the number without leading zeros, or in quotes`},
		{"aim = .5", `1:7: unexpected character U+002E '.' at start of value; write a string in quotes, a number, true, false, [array] or { table }`},
		{"aim = 5.", `1:8: decimal point must be followed by a digit; write a digit before and after the point`},
		{"sizes = [1, 2", `1:13: array is incomplete; separate the elements with commas and close the array with ]`},
		{"name = \"a\"\n\xff", `2:1: byte 0xFF is not UTF-8; save the file as UTF-8`},
		{"name = \"é\xc3\"", `1:10: byte 0xC3 is not UTF-8; save the file as UTF-8`},
		{"na\x00me = 1", `1:3: a NUL byte; remove it; a TOML file is plain text`},
		{"\xef\xbb\xbfname = \"a\"", `1:1: the file begins with a byte order mark; save it as UTF-8 without a byte order mark`},
		{strings.Repeat("#", 1<<20) + "\n", `1:1: the file has 1048577 bytes; keep it to 1048576 bytes (1 MiB)`},
		{"sizes = " + strings.Repeat("[", 20000), `1:10009: arrays and inline tables are nested more than the maximum of 10000 levels deep; nest arrays and tables less deeply`},
	} {
		doc, problems := Decode("f", []byte(c.doc), &job{})
		assert.Nil(t, doc)
		assert.Equal(t, "f:"+c.want, problems.Error())
	}
}

func TestAllMistakesAtOnce(t *testing.T) {
	var j job
	doc, problems := Decode("plan.toml", []byte(`nmae = "north"
count = "three"
pause = "0.7s"
[window]
low = 0.05
low = 0.06
[[step]]
name = "depth"
[[step]]
name = "depth"
range = { high = 1e2 }
[[step]]
`), &j)
	require.NotNil(t, doc)
	assert.Equal(t, strings.TrimSpace(`
plan.toml:1:1: unknown key "nmae" in the top level; write "name" (known here: aim, alpha, big, chain, count, dry, label, length, link, marks, name, notes, order, pause, places, sides, sizes, step, unit, window)
plan.toml:1:1: the top level lacks "name"; add name = "north bench"
plan.toml:2:9: "count" is the string "three"; write a whole number, for example count = 3
plan.toml:6:1: key "low" is given twice, first at line 5; keep one of them
plan.toml:10:1: name "depth" is used twice, first at line 8; give each [[step]] its own name
plan.toml:11:1: [step.range] lacks "low"; add low = 0.05
plan.toml:11:18: "high" is the number 1e2, which is not a plain decimal number; write digits with at most one point, for example high = 0.10
plan.toml:12:1: [[step]] lacks "name"; add name = "case depth"
`), problems.Error())
	assert.Equal(t, 700*time.Millisecond, j.Pause, "what is sound is filled in")
}

func TestDefaultsStay(t *testing.T) {
	j := job{Count: 3, Pause: time.Second, Window: window{High: decimal.New(5, 0)}, Notes: []string{"n"}, Places: []int{1, 2}}
	_, problems := Decode("f", []byte("name = \"a\"\ncount = true\nplaces = [9]\nwindow.low = 1"), &j)
	assert.Len(t, problems, 1)
	assert.Equal(t, 3, j.Count, "a mistaken value changes nothing")
	assert.Equal(t, time.Second, j.Pause)
	assert.Equal(t, []string{"n"}, j.Notes)
	assert.Equal(t, []int{9}, j.Places, "an array is replaced, not added to")
	assert.Equal(t, "1 5", j.Window.Low.String()+" "+j.Window.High.String())
}

func TestManyMistakesAreCounted(t *testing.T) {
	var doc strings.Builder
	doc.WriteString("name = \"a\"\n")
	for i := range 1500 {
		fmt.Fprintf(&doc, "x%d = 1\n", i)
	}
	_, problems := Decode("f", []byte(doc.String()), &job{})
	require.Len(t, problems, maxProblems+1)
	assert.Equal(t, "f:1001:1: and 500 further mistakes; correct those above first", problems[maxProblems].String())
}

func TestDoc(t *testing.T) {
	doc, problems := Decode("f", []byte(sound), &job{})
	require.Empty(t, problems)
	for _, c := range []struct {
		path []any
		has  bool
		want string // the text at the position
	}{
		{nil, true, "# a bench"},
		{[]any{"name"}, true, "name = "},
		{[]any{"none"}, false, "# a bench"},
		{[]any{"window"}, true, "window = "},
		{[]any{"window", "high"}, true, "high = "},
		{[]any{"window", "aim"}, false, "window = "},
		{[]any{"link"}, true, "link.port"},
		{[]any{"link", "port"}, true, "port = \"/dev/tty1"},
		{[]any{"link", "next", "port"}, true, "port = \"/dev/tty2"},
		{[]any{"places", 1}, true, "2,\n]"},
		{[]any{"places", 2}, false, "places"},
		{[]any{"places", -1}, false, "places"},
		{[]any{"places", "x"}, false, "places"},
		{[]any{"step"}, true, "[[step]]\nname = \"depth\""},
		{[]any{"step", 1}, true, "[[step]]\nname = \"width\""},
		{[]any{"step", 1, "range"}, true, "[step.range]"},
		{[]any{"step", 1, "range", "low"}, true, "low = 1\n\n[[chain]]"},
		{[]any{"step", 1, "range", "high"}, false, "[step.range]"},
		{[]any{"step", 2, "range"}, false, "[[step]]\nname = \"depth\""},
		{[]any{"chain", 0, "term", 1, "step"}, true, "step = \"width\""},
		{[]any{"chain", 1, "term", 0}, true, "{ step"},
		{[]any{"alpha", "light alloy"}, true, "\"light alloy\" ="},
		{[]any{"sides"}, true, "sides.drive"},
		{[]any{3.5}, false, "# a bench"},
	} {
		line, column := doc.Line(c.path...)
		rest := strings.Join(strings.Split(sound, "\n")[line-1:], "\n")[column-1:]
		assert.True(t, strings.HasPrefix(rest, c.want), "%v is at %d:%d", c.path, line, column)
		assert.Equal(t, c.has, doc.Has(c.path...), c.path)
		assert.Equal(t, Problem{"f", line, column, "w", "r"}, doc.Problem("w", "r", c.path...))
	}
}

func TestNilDoc(t *testing.T) {
	var doc *Doc
	assert.False(t, doc.Has("a"))
	assert.Equal(t, "f:1:1: w; r", "f"+doc.Problem("w", "r", "a").String())
}

func TestProblemsAreSorted(t *testing.T) {
	ps := Problems{{"b", 1, 1, "w", "r"}, {"a", 2, 1, "w", "r"}, {"a", 1, 9, "w", "r"}}
	var err error = ps
	assert.EqualError(t, err, "a:1:9: w; r\na:2:1: w; r\nb:1:1: w; r")
	assert.Equal(t, "b", ps[0].File, "Error leaves the list as it is")
	var found Problems
	assert.True(t, errors.As(fmt.Errorf("cannot read plan: %w", err), &found))
}

func TestDataMayBeUsedAgain(t *testing.T) {
	data := []byte("name = \"a\"\n\n[window]\nlow = 1\n")
	doc, problems := Decode("f", data, &job{})
	require.Empty(t, problems)
	clear(data)
	line, column := doc.Line("window", "low")
	assert.Equal(t, [2]int{4, 1}, [2]int{line, column})
}

func TestUnfitTargets(t *testing.T) {
	var nothing *job
	for _, c := range []struct {
		into any
		want string
	}{
		{job{}, "tomlfile.job"},
		{nothing, "*tomlfile.job"},
		{nil, "<nil>"},
		{new(int), "*int"},
		{&struct {
			F float64 `toml:"f"`
		}{}, "float64 (field F of"},
		{&struct {
			S []struct {
				F float32 `toml:"f"`
			} `toml:"s"`
		}{}, "float32 (field F of"},
		{&struct {
			M map[int]string `toml:"m"`
		}{}, "map[int]string (field M of"},
		{&struct {
			A any `toml:"a"`
		}{}, "interface {} (field A of"},
		{&struct {
			B string `toml:"b" strict:"requierd"`
		}{}, "unknown strict rule requierd (field B of"},
		{&struct {
			N int `toml:"n" strict:"unique"`
		}{}, "a strict rule for strings (field N of"},
		{&struct {
			U unit `toml:"u" strict:"oneof=mm|in"`
		}{}, "a strict rule for strings (field U of"},
		{&struct {
			A string `toml:"a"`
			B string `toml:"a"`
		}{}, "two fields for the key a (field B of"},
		{&struct {
			hidden int `toml:"hidden"`
		}{}, "the unexported field hidden of"},
	} {
		doc, problems := Decode("f", nil, c.into)
		assert.Nil(t, doc)
		require.Len(t, problems, 1)
		assert.True(t, strings.HasPrefix(problems[0].Wrong, "the program wants to read into "+c.want), problems[0].Wrong)
	}
}

func TestNearest(t *testing.T) {
	known := []string{"port", "speed", "next"}
	for word, want := range map[string]string{
		"prt": "port", "ports": "port", "sped": "speed", "speeed": "speed", "nxt": "next", "": "", "x": "", "colour": "",
		strings.Repeat("port", 100): "",
	} {
		assert.Equal(t, want, nearest(word, known), word)
	}
}

func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"a", "", 1}, {"", "ab", 2}, {"abc", "abc", 0}, {"abc", "abd", 1}, {"port", "prot", 2}, {"höhe", "hohe", 1},
		{"kitten", "sitting", 3}, // the worked example usual in textbooks, from memory
	} {
		assert.Equal(t, c.want, distance([]rune(c.a), []rune(c.b)), c.a+" "+c.b)
		assert.Equal(t, c.want, distance([]rune(c.b), []rune(c.a)), c.b+" "+c.a)
	}
}

// hostile documents of the given size are made to be slow: an effort that grew
// with the square of the size would show in BenchmarkDecode.
func hostile(size int) map[string]string {
	fill := func(head, unit string) string { return head + strings.Repeat(unit, (size-len(head)-2)/len(unit)) }
	var keys strings.Builder
	for i := 0; keys.Len() < size-20; i++ {
		fmt.Fprintf(&keys, "x%d=1\n", i)
	}
	return map[string]string{
		"unknown keys":     keys.String(),
		"one key":          fill("", "a=1\n"),
		"one line":         fill("marks=[\"ok\"", ",\"µ\"") + "]",
		"tables":           fill("", "[[step]]\n"),
		"headers":          fill("", "[link]\n"),
		"long key":         fill("", "a.") + "a",
		"nested inline":    fill("", "{a="),
		"deep links":       "link=" + strings.Repeat("{next=", 5000) + "{}" + strings.Repeat("}", 5000),
		"unclosed strings": fill("a=[", "'',"),
		"remarks":          fill("places=[", "1,#\n") + "]",
		"blanks":           fill("a=1\n[", " ") + "]",
	}
}

func TestHostileDocuments(t *testing.T) {
	for name, doc := range hostile(maxBytes / 8) {
		require.LessOrEqual(t, len(doc), maxBytes, name)
		_, problems := Decode("f", []byte(doc), &job{})
		assert.NotEmpty(t, problems, name)
		assert.LessOrEqual(t, len(problems), maxProblems+1, name)
		for _, p := range problems {
			assert.Less(t, len(p.String()), 500, name)
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	docs := hostile(maxBytes)
	docs["sound"] = sound
	for name, doc := range docs {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(doc)))
			for b.Loop() {
				Decode("f", []byte(doc), &job{})
			}
		})
	}
}

func ExampleDecode() {
	var bench struct {
		Window struct {
			Low  decimal.Decimal `toml:"low" strict:"required" example:"0.05"`
			High decimal.Decimal `toml:"high" strict:"required" example:"0.15"`
		} `toml:"window" strict:"required"`
		Pause time.Duration `toml:"pause"`
	}
	text := "puase = \"1s\"\n[window]\nlow = 0.30\nhigh = 0.15\n"
	doc, problems := Decode("bench.toml", []byte(text), &bench)
	if doc != nil && bench.Window.Low.GreaterThan(bench.Window.High) {
		problems = append(problems, doc.Problem("the window is upside down", "let low be less than high", "window", "low"))
	}
	if len(problems) > 0 {
		fmt.Println(problems.Error())
	}
	// Output:
	// bench.toml:1:1: unknown key "puase" in the top level; write "pause" (known here: pause, window)
	// bench.toml:3:1: the window is upside down; let low be less than high
}
