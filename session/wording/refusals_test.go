package wording

import (
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// A refusing is a place in the code that refuses, with the parameters that it gives.
type refusing struct {
	at     string
	params []string
}

// refusers are the functions that make a refusal, by where in their arguments the code
// stands and where the parameters begin; nameOneOf gives its list besides.
var refusers = map[string]struct{ code, params int }{
	"session.refuse":    {0, 3},
	"session.nameOneOf": {1, 3},
	"control.refuse":    {2, 5},
}

// refusals finds every place that refuses, by its code.
func refusals(t *testing.T) map[string][]refusing {
	t.Helper()
	found := map[string][]refusing{}
	set := token.NewFileSet()
	for _, folder := range []string{"..", "../../cmd/loggerd", "../../cmd/loggerd/*"} {
		files, err := filepath.Glob(filepath.Join(folder, "*.go"))
		require.NoError(t, err)
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			file, err := parser.ParseFile(set, name, nil, 0)
			require.NoError(t, err)
			ast.Inspect(file, func(n ast.Node) bool {
				var code ast.Expr
				var params []string
				switch x := n.(type) {
				case *ast.CallExpr:
					name := file.Name.Name + "." + calledName(x)
					by, known := refusers[name]
					if !known {
						return true
					}
					code = x.Args[by.code]
					for i := by.params; i < len(x.Args); i += 2 {
						if text, ok := literal(x.Args[i]); ok {
							params = append(params, text)
						}
					}
					if name == "session.nameOneOf" {
						params = append(params, "names")
					}
				case *ast.CompositeLit:
					code, params = composed(x)
				}
				if text, ok := literal(code); ok {
					found[text] = append(found[text], refusing{set.Position(n.Pos()).String(), params})
				}
				return true
			})
		}
	}
	return found
}

func calledName(call *ast.CallExpr) string {
	switch f := call.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	}
	return ""
}

func literal(e ast.Expr) (string, bool) {
	switch x := e.(type) {
	case *ast.BasicLit:
		if text, err := strconv.Unquote(x.Value); x.Kind == token.STRING && err == nil {
			return text, true
		}
	case *ast.Ident: // a constant of the same file
		if x.Obj != nil {
			if spec, ok := x.Obj.Decl.(*ast.ValueSpec); ok && x.Obj.Kind == ast.Con {
				return literal(spec.Values[0])
			}
		}
	}
	return "", false
}

// composed reads a literal of a Refusal.
func composed(lit *ast.CompositeLit) (code ast.Expr, params []string) {
	switch x := lit.Type.(type) {
	case *ast.Ident:
		if x.Name != "Refusal" {
			return nil, nil
		}
	case *ast.SelectorExpr:
		if x.Sel.Name != "Refusal" {
			return nil, nil
		}
	default:
		return nil, nil
	}
	for _, e := range lit.Elts {
		pair := e.(*ast.KeyValueExpr)
		switch pair.Key.(*ast.Ident).Name {
		case "Code":
			code = pair.Value
		case "Params":
			given, ok := pair.Value.(*ast.CompositeLit)
			if !ok {
				continue
			}
			for _, p := range given.Elts {
				if text, ok := literal(p.(*ast.KeyValueExpr).Key); ok {
					params = append(params, text)
				}
			}
		}
	}
	return code, params
}

var slot = regexp.MustCompile(`\{(\w+)(?::(\w+))?\}`)

func TestEveryLanguageRefuses(t *testing.T) {
	all, err := Load()
	require.NoError(t, err)
	known := refusals(t)
	require.Greater(t, len(known), 80)
	for tag, l := range all {
		if tag == "en" {
			continue
		}
		for _, code := range slices.Sorted(maps.Keys(l.words.Refusals)) {
			assert.Contains(t, known, code, "%s translates a refusal that is never made", tag)
		}
		for code, places := range known {
			said, ok := l.words.Refusals[code]
			if !assert.True(t, ok && said.Message != "" && said.Instead != "", "%s lacks the refusal %q of %s", tag, code, places[0].at) {
				continue
			}
			for _, place := range places {
				params := map[string]string{}
				for _, name := range place.params {
					params[name] = "7"
				}
				for _, s := range slot.FindAllStringSubmatch(said.Message+said.Instead, -1) {
					assert.Contains(t, params, s[1], "%s asks for a parameter that is not given at %s", tag, place.at)
				}
				r := l.Refusal(session.Refusal{Code: code, Params: params, Message: "message", Instead: "instead"})
				assert.NotEqual(t, "message", r.Message, code)
				assert.NotContains(t, r.Message+r.Instead, "{", code)
			}
		}
	}
}

func TestRefusalsInGerman(t *testing.T) {
	all, err := Load()
	require.NoError(t, err)
	de := all["de"]
	for want, r := range map[string]session.Refusal{
		"der Schritt „Gehäuse warm“ läuft noch 2 min 5 s; abwarten oder mit einer Bemerkung abkürzen, die sagt, warum": {
			Code: "still waiting", Params: map[string]string{"title": "Gehäuse warm", "left_s": "125"}},
		"„“ ist keine Temperatur, die an einem Prüfplatz vorkommt; einfache Zahlen schreiben: die Temperatur, wie das Thermometer sie zeigt (ohne Angabe der Einheit in °C), die Unsicherheit in Kelvin": {
			Code: "bad temperature", Params: map[string]string{"text": ""}},
		"job 3 has no reading 9; look": {Code: "no such reading", Params: map[string]string{"reading": "9"}, Message: "job 3 has no reading 9", Instead: "look"},
	} {
		r = de.Refusal(r)
		assert.Equal(t, want, r.Error())
	}
}
