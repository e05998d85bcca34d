package wording

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/history"
)

// patternFuncs give patterns, or words that are looked up as they are.
var patternFuncs = []string{"reasonText", "findingText", "kindReason", "kindFinding", "actText", "faultText"}

// sentences are the English patterns of the package, by where each stands.
func sentences(t *testing.T) map[string]string {
	t.Helper()
	found := map[string]string{}
	var files []string
	for _, folder := range []string{".", "../drawing", "../card", "../../cmd/loggerd/display"} {
		some, err := filepath.Glob(filepath.Join(folder, "*.go"))
		require.NoError(t, err)
		files = append(files, some...)
	}
	set := token.NewFileSet()
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(set, name, nil, 0)
		require.NoError(t, err)
		take := func(e ast.Expr) {
			if lit, ok := e.(*ast.BasicLit); ok && lit.Kind == token.STRING {
				text, err := strconv.Unquote(lit.Value)
				require.NoError(t, err)
				if text != "" {
					found[text] = set.Position(lit.Pos()).String()
				}
			}
		}
		ast.Inspect(file, func(n ast.Node) bool {
			switch x := n.(type) {
			case *ast.CallExpr:
				if sel, ok := x.Fun.(*ast.SelectorExpr); ok && strings.EqualFold(sel.Sel.Name, "say") && len(x.Args) > 0 {
					if arg, ok := x.Args[0].(*ast.Ident); ok && arg.Name == "english" {
						return true // Say itself
					}
					if _, literal := x.Args[0].(*ast.BasicLit); !literal {
						t.Errorf("%s: say wants its pattern as it stands in the catalogues; use Text for words that are not known here", set.Position(x.Pos()))
					}
					take(x.Args[0])
				}
			case *ast.FuncDecl:
				if slices.Contains(patternFuncs, x.Name.Name) {
					ast.Inspect(x, func(n ast.Node) bool {
						if r, ok := n.(*ast.ReturnStmt); ok {
							take(r.Results[0])
						}
						return true
					})
				}
			}
			return true
		})
	}
	for _, word := range words() {
		found[word] = "words of package session"
	}
	return found
}

// words are those of package session that are shown as they are.
func words() []string {
	all := []string{
		string(session.Counted), string(session.LeftOut), string(session.StruckOut),
		string(session.Filed), string(session.TooSoon), string(session.Held), string(session.WrongInstrument), string(session.OutOfRange), string(session.NoStep), string(session.Unreadable),
		string(session.Done), string(session.NotDone), string(session.NotApplicable),
		"shown inside", "shown outside", "not shown", "not evaluated", "check gap", "trial build", "known scatter", "grubbs", "generalised esd", history.BuiltEngine, "set aside", "above", "below",
		"zero", "certificate", "none", "use: outside", "use: inside", "use: depth", "use: step", "use: gap",
	}
	for _, k := range session.Kinds() {
		all = append(all, string(k))
	}
	return all
}

func TestEveryLanguageSaysEverything(t *testing.T) {
	all, err := Load()
	require.NoError(t, err)
	known := sentences(t)
	require.Greater(t, len(known), 250)
	for tag, l := range all {
		for key := range l.words.Sentences {
			if _, ok := known[key]; !ok {
				t.Errorf("%s translates a sentence that is said nowhere: %q", tag, key)
			}
		}
		if tag == "en" {
			continue
		}
		for _, key := range slices.Sorted(maps.Keys(known)) {
			if _, ok := l.words.Sentences[key]; !ok {
				t.Errorf("%s lacks the sentence of %s: %q", tag, known[key], key)
			}
		}
	}
}

func TestSentencesOfPlurals(t *testing.T) {
	l := &Language{tag: English.tag, words: catalogue{Sentences: map[string]pattern{
		"%d readings": {forms: map[string]string{"one": "%d Messung", "other": "%d Messungen"}},
		"%s of %s":    {text: "%[2]s, davon %[1]s"},
		"%s and %s":   {text: "nur %s"},
	}}}
	assert.Equal(t, "1 Messung", l.say("%d readings", 1))
	assert.Equal(t, "0 Messungen", l.say("%d readings", 0))
	assert.Equal(t, "b, davon a", l.say("%s of %s", "a", "b"))
	assert.Equal(t, "nur a", l.say("%s and %s", "a", "b"))
	assert.Equal(t, "not known", l.say("not known"), "what is missing is said in English")
}

// Polish has three forms, and pl is not among the languages that come with the program.
func TestAFolderAddsALanguageAndSentences(t *testing.T) {
	text := func(v any) *fstest.MapFile {
		data, err := json.Marshal(v)
		require.NoError(t, err)
		return &fstest.MapFile{Data: data}
	}
	all, err := Load(fstest.MapFS{
		"pl.json": text(map[string]any{"language": "pl", "name": "polski", "decimal_mark": ",",
			"sentences": map[string]any{"%d readings": map[string]string{"one": "%d odczyt", "few": "%d odczyty", "many": "%d odczytów", "other": "%d odczytu"}}}),
		"shop.json": text(map[string]any{"language": "en", "sentences": map[string]string{"ready": "there"}}),
	})
	require.NoError(t, err)
	var said []string
	for _, n := range []int{1, 2, 5, 22, 112} {
		said = append(said, all["pl"].say("%d readings", n))
	}
	assert.Equal(t, []string{"1 odczyt", "2 odczyty", "5 odczytów", "22 odczyty", "112 odczytów"}, said)
	assert.Equal(t, "0,25", all["pl"].number("0.25"))
	assert.Equal(t, "there", all["en"].say("ready"))
	assert.Equal(t, "1 reading", all["en"].say("%d readings", 1), "what was there stays")
	assert.Equal(t, "ready", English.say("ready"), "English itself is not changed")
}

func TestBadCatalogues(t *testing.T) {
	for text, want := range map[string]string{
		`{"language": "??"}`: `"language" is "??"; write a tag such as de or pt-BR`,
		`{"language": "nl", "name": "Nederlands", "sentence": {}}`:                                                   `unknown field "sentence"`,
		`{"language": "nl", "name": "Nederlands", "sentences": {"place %d": {"one": "plaats %d"}}}`:                  `a plural needs the form "other"`,
		`{"language": "nl", "name": "Nederlands", "sentences": {"place %d": {"single": "plaats %d", "other": "x"}}}`: `"single" is no form of the plural; write zero, one, two, few, many or other`,
		`{"language": "nl", "name": "Nederlands", "sentences": {"place %d": "plaats %d %s"}}`:                        `the sentence for "place %d" asks for what that does not give; it comes out as "plaats 2 %!s(MISSING)"`,
		`{"language": "nl", "name": "Nederlands", "sentences": {"ready": "klaar %s"}}`:                               `the sentence for "ready" asks for what that does not give; it comes out as "klaar %!s(MISSING)"`,
		`{"language": "nl", "name": "Nederlands", "sentences": {"{part} was moved": "{deel} verplaatst"}}`:           `the sentence for "{part} was moved" asks for {deel}, which that does not give`,
		`{"language": "nl", "name": "Nederlands", "sentences": {"place %d": "plaats %s"}}`:                           `it comes out as "plaats %!s(int=2)"`,
	} {
		_, err := Load(fstest.MapFS{"nl.json": {Data: []byte(text)}})
		require.ErrorContains(t, err, want, text)
		assert.ErrorContains(t, err, `cannot use the catalogue "nl.json"`)
	}
	_, err := Load(fstest.MapFS{"nl.json": {Data: []byte(`{"language": "nl"}`)}})
	require.EqualError(t, err, `the catalogues of "nl" do not say its name; write in "name" what its readers call the language`)
	_, err = Load(fstest.MapFS{"gone.json": {Mode: fs.ModeDir}})
	assert.Error(t, err)
}

func TestLengthsInInches(t *testing.T) {
	in := English.Inches(true)
	n := func(text string) session.Number {
		n, err := session.ParseNumber(text)
		require.NoError(t, err)
		return n
	}
	// 1 in = 25.4 mm exactly (international inch).
	for mm, want := range map[string]string{"25.4": "1.000", "52.54": "2.0685", "0.154": "0.00606", "-0.05": "-0.0020", "45": "1.772", "0.0004": "0.00000"} {
		assert.Equal(t, want, in.Decimals(n(mm)), mm)
	}
	u := n("0.046")
	assert.Equal(t, "0.0061 +/- 0.0019 in", in.Float(session.Fit{EndFloat: n("0.1544"), Expanded: &u}), "two digits of U, rounded up")
	u = n("0.010")
	assert.Equal(t, "0.00606 +/- 0.00040 in", in.Float(session.Fit{EndFloat: n("0.154"), Expanded: &u}))
	assert.Equal(t, "0.154 +/- 0.010 mm", English.Float(session.Fit{EndFloat: n("0.154"), Expanded: &u}))
	bar := n("8.1")
	assert.Equal(t, "8.1 N·m", in.Amount(&bar, session.OfTorque), "only lengths are meant")
}
