package display

import (
	"encoding/json"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"shimwright/session"
	"shimwright/session/wording"
)

var (
	sayings = regexp.MustCompile(`\bt\("((?:[^"\\]|\\.)*)"`)
	calls   = regexp.MustCompile(`\bt\(`)
	named   = regexp.MustCompile(`\{\w+\}`)
)

// pageSays is everything that the page says, by the file that says it.
func pageSays(t *testing.T) map[string]string {
	t.Helper()
	says := map[string]string{}
	require.NoError(t, fs.WalkDir(files, ".", func(name string, _ fs.DirEntry, err error) error {
		require.NoError(t, err)
		var found []string
		switch filepath.Ext(name) {
		case ".js":
			text, err := fs.ReadFile(files, name)
			require.NoError(t, err)
			literal := sayings.FindAllStringSubmatch(string(text), -1)
			assert.Len(t, calls.FindAll(text, -1), len(literal), "%s: t wants its pattern as it stands in the catalogues; use its for words that are not known here", name)
			for _, m := range literal {
				found = append(found, m[1])
			}
		case ".html":
			found = htmlSays(t, name)
		}
		for _, text := range found {
			says[text] = name
		}
		return nil
	}))
	for _, word := range sessionWords() {
		says[word] = "package session"
	}
	return says
}

// sessionWords are the words of package session that the page shows.
func sessionWords() []string {
	all := slices.Concat(shared(), []string{string(session.NoStep), string(session.Unreadable), "to step", "set aside"})
	for _, use := range []session.Use{session.Outside, session.Inside, session.Depth, session.StepUse, session.GapCheck} {
		all = append(all, string(use))
	}
	return all
}

// shared are those that the bench says too.
func shared() []string {
	all := []string{
		string(session.Counted), string(session.LeftOut), string(session.StruckOut),
		string(session.Filed), string(session.TooSoon), string(session.Held), string(session.WrongInstrument), string(session.OutOfRange),
		"shown inside", "not shown inside", "shown outside",
	}
	for _, kind := range session.Kinds() {
		all = append(all, string(kind))
	}
	return all
}

// htmlSays are the texts of a page as it is served, and its attributes that are read.
func htmlSays(t *testing.T, name string) (found []string) {
	t.Helper()
	file, err := files.Open(name)
	require.NoError(t, err)
	defer file.Close()
	for tokens := html.NewTokenizer(file); ; {
		switch tokens.Next() {
		case html.ErrorToken:
			require.Equal(t, io.EOF, tokens.Err(), name)
			return found
		case html.TextToken:
			if text := strings.TrimSpace(tokens.Token().Data); text != "" {
				found = append(found, text)
			}
		case html.StartTagToken, html.SelfClosingTagToken:
			for _, a := range tokens.Token().Attr {
				if slices.Contains([]string{"aria-label", "placeholder", "title"}, a.Key) {
					found = append(found, a.Val)
				}
			}
		}
	}
}

// pageCatalogues are the page's own sections of the catalogues, by language.
func pageCatalogues(t *testing.T) map[string]map[string]any {
	t.Helper()
	names, err := filepath.Glob("../../../session/wording/catalogue/*.json")
	require.NoError(t, err)
	all := map[string]map[string]any{}
	for _, name := range names {
		text, err := os.ReadFile(name)
		require.NoError(t, err)
		var file struct {
			Language string         `json:"language"`
			Page     map[string]any `json:"page"`
		}
		require.NoError(t, json.Unmarshal(text, &file), name)
		if all[file.Language] == nil {
			all[file.Language] = map[string]any{}
		}
		for key := range file.Page {
			assert.NotContains(t, all[file.Language], key, "%s says it again", name)
		}
		maps.Copy(all[file.Language], file.Page)
	}
	return all
}

func TestThePageSaysEverythingInEveryLanguage(t *testing.T) {
	says := pageSays(t)
	require.Greater(t, len(says), 200)
	for language, page := range pageCatalogues(t) {
		for key, said := range page {
			assert.Contains(t, says, key, "%s translates what the page never says", language)
			forms, plural := said.(map[string]any)
			if !plural {
				forms = map[string]any{"other": said}
			}
			for form, text := range forms {
				for _, value := range named.FindAllString(text.(string), -1) {
					assert.Contains(t, key, value, "%s, %s of %q", language, form, key)
				}
			}
		}
		if language == "en" {
			continue
		}
		for _, key := range slices.Sorted(maps.Keys(says)) {
			assert.Contains(t, page, key, "%s lacks what %s says", language, says[key])
		}
	}
}

// The page and the bench have one word for one thing; on the page it may have soft hyphens.
func TestThePageAndTheBenchUseTheSameWords(t *testing.T) {
	all, err := wording.Load()
	require.NoError(t, err)
	for language, page := range pageCatalogues(t) {
		for _, word := range shared() {
			if said := all[language].Text(word); said != word || language == "en" {
				assert.Equal(t, said, strings.ReplaceAll(oneOf(page, word), "\u00ad", ""), language)
			}
		}
	}
}

// oneOf is what a section makes of a word.
func oneOf(page map[string]any, word string) string {
	if said, ok := page[word].(string); ok {
		return said
	}
	return word
}
