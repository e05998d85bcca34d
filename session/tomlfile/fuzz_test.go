package tomlfile

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The outside oracle of this file is go-toml/v2's own Unmarshal into maps, which
// has its own decoder and its own rules for keys given twice. It stands for TOML
// 1.1 (toml.io/en/v1.1.0).

// FuzzDecode looks for panics, for positions outside the document, and for
// documents that the oracle refuses and we accept.
func FuzzDecode(f *testing.F) {
	for _, doc := range seeds() {
		f.Add([]byte(doc))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		checkAgainstOracle(t, data)
		checkPositions(t, data)
	})
}

// TestOracleOnSeeds runs the same comparison where no fuzzing is done, and makes
// sure that it sees accepted documents as well as refused ones.
func TestOracleOnSeeds(t *testing.T) {
	accepted, refused := 0, 0
	for _, doc := range seeds() {
		checkAgainstOracle(t, []byte(doc))
		checkPositions(t, []byte(doc))
		if _, problems := Decode("f", []byte(doc), &job{}); len(problems) == 0 {
			accepted++
		} else {
			refused++
		}
	}
	assert.GreaterOrEqual(t, accepted, 3)
	assert.GreaterOrEqual(t, refused, 30)
}

func seeds() []string {
	return []string{
		sound, strings.ReplaceAll(sound, "\n", "\r\n"), `name = "a"`, "name = 'a'\n[window]\nlow = 1",
		"", "\n", "\r", "#", "[", "[[", "]", "=", ".", "a", "a=", "a=1", "a.b=1\na.c=2", "a.b=1\n[a]\nc=2", "a.b=1\n[a.c]\nd=2",
		"[a]\n[a]", "[a.b]\n[a]\n[a.b]", "[[a]]\n[[a]]\n[a.b]\n[[a.c]]\n[[a.c]]", "[a]\n[[a]]", "[[a]]\n[a]", "[a.b]\n[[a]]",
		"a=[]\n[[a]]", "a={}\n[a.b]", "a={b={c=1}}\na.b.d=2", "[a.b.c]\n[a]\nb.d=1", "[a]\nb.c=1\n[a.b.d]\ne=1", "[a]\nb.c=1\n[a.b]\ne=1",
		"a=[{b=1,b=2}]", "a=[[{b=1}],[{b=1}]]", "a = [ # x ]\n 1, [ ], [2,], { }, {q=[]}, ]", "a={b.c=1,b.d=2}", "a={b.c=1,b={}}",
		`"" = 1`, `"a.b" = 1`, `'a' . "b" = 1`, "a=\"\\u00e9\\U0001F600\\e\\x41\"", "a='''\n''q'''''", "a=\"\"\"\\\n  b\"\"\"",
		"a=0x_1", "a=1__0", "a=1_0", "a=-0", "a=+0.0e0", "a=-inf", "a=nan", "a=0o17", "a=0b1", "a=01", "a=1.e1",
		"a=2024-02-30", "a=2024-01-01T00:00:00Z", "a=12:30", "a=9223372036854775808", "name=\"a\"\naim=99999999999999999999",
		"name=\"a\"\nstep=[{name=\"s\"},{name=\"s\"}]", "name=\"a\"\nlink={port=\"p\",next={port=\"q\"}}", "name=\"\\u0000\"", "\x00", "\xff", "\xef\xbb\xbfa=1",
		strings.Repeat("a.", 40) + "a=1", "a=" + strings.Repeat("[", 100) + strings.Repeat("]", 100), "a=\"", "a='''", "a={", "a=[", "a=[{", "é=1", "\"é\" = 'é' é",
	}
}

// checkAgainstOracle compares acceptance, and the tree of values, with the oracle.
func checkAgainstOracle(t *testing.T, data []byte) {
	var want map[string]any
	err := toml.Unmarshal(data, &want)
	doc, problems := Decode("f", data, &job{})
	if len(problems) == 0 {
		require.NoError(t, err, "we accept what the oracle refuses")
	}
	if err != nil {
		require.NotEmpty(t, problems)
	}

	w := &walker{doc: newDoc("f", data)}
	read := w.parse()
	require.Equal(t, doc != nil, read)
	sound := len(w.found) == 0
	loose := map[string]any{}
	if read && !plainMap(w.doc.root, loose) {
		return // dates and numbers out of range, which only the oracle looks into
	}
	switch {
	case err == nil && sound:
		require.Equal(t, len(want), len(loose))
		if len(want) > 0 {
			require.Equal(t, want, loose)
		}
	case err == nil:
		require.Contains(t, w.found[0].wrong, " parts", "the oracle accepts what we refuse: %v", w.found)
	default:
		require.False(t, sound, "the oracle refuses: %v", err)
	}
}

// checkPositions wants every problem on one line, inside the document, in order.
func checkPositions(t *testing.T, data []byte) {
	doc, problems := Decode("f", data, &job{})
	if doc != nil {
		for _, key := range doc.root.keys {
			checkNode(t, data, key, doc.root.table[key])
		}
	}
	lines := strings.Split(string(data), "\n")
	last := Problem{}
	for _, p := range problems {
		require.NotContains(t, p.String(), "\n")
		require.NotEmpty(t, p.Wrong)
		require.NotEmpty(t, p.Right)
		require.True(t, p.Line >= 1 && p.Line <= len(lines) && p.Column >= 1, p)
		require.LessOrEqual(t, p.Column, len([]rune(lines[p.Line-1]))+1, p)
		require.True(t, last.Line < p.Line || last.Line == p.Line && last.Column <= p.Column, p)
		last = p
	}
}

// checkNode wants the document to hold, where a value is said to be, what it
// begins with, and its key where the key is said to be.
func checkNode(t *testing.T, data []byte, key string, n *node) {
	name, value := string(data[n.at:]), string(data[n.val:])
	begins := map[kind]string{arrayKind: "[", tableKind: "{", stringKind: "\"'"}[n.kind]
	switch {
	case n.how == byHeader || n.how == byTables:
		require.Equal(t, byte('['), name[0])
	case n.at != n.val || n.how != byValue: // with a key
		require.True(t, strings.HasPrefix(name, key) || strings.ContainsAny(name[:1], "\"'"), name)
	}
	if n.how == byValue {
		require.True(t, begins == "" && strings.HasPrefix(value, n.text) || begins != "" && strings.ContainsAny(value[:1], begins), value)
	}
	for _, k := range n.keys {
		checkNode(t, data, k, n.table[k])
	}
	for _, item := range n.items {
		checkNode(t, data, "", item)
	}
}

// plainMap writes a table as the oracle does; false where it holds something
// that the two look at differently.
func plainMap(n *node, into map[string]any) bool {
	for _, key := range n.keys {
		v, ok := plain(n.table[key])
		if !ok {
			return false
		}
		into[key] = v
	}
	return true
}

func plain(n *node) (any, bool) {
	switch n.kind {
	case tableKind:
		m := map[string]any{}
		return m, plainMap(n, m)
	case arrayKind:
		list := []any{}
		for _, item := range n.items {
			v, ok := plain(item)
			if !ok {
				return nil, false
			}
			list = append(list, v)
		}
		return list, true
	case stringKind:
		return n.text, true
	case boolKind:
		return n.text == "true", true
	case integerKind:
		x, err := strconv.ParseInt(n.text, 0, 64)
		return x, err == nil
	case floatKind:
		x, err := strconv.ParseFloat(strings.ReplaceAll(n.text, "_", ""), 64)
		return x, err == nil && !math.IsNaN(x)
	}
	return nil, false
}
