package display

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

// shouting is a language for tests.
func shouting(t *testing.T) wording.Languages {
	t.Helper()
	all, err := wording.Load(fstest.MapFS{"x.json": {Data: []byte(`{"language": "nl", "name": "Nederlands", "decimal_mark": ",",
		"sentences": {"Step %d of %d: %s.": "STAP %d / %d: %s.", "counted": "GETELD"},
		"refusals": {"no job": {"message": "er is geen {what}", "instead": "x"}, "no such plan": {"message": "GEEN PLAN", "instead": "KIES"}},
		"page": {"Menu": "MENU!"},
		"plans": {"Width across the two webs": "BREEDTE"}}`)}})
	require.NoError(t, err)
	return all
}

func TestEachReaderHasALanguageAndAUnit(t *testing.T) {
	s, err := New(Config{Mailbox: newBench().subscribe, Languages: shouting(t), Language: "nl", Inches: true})
	require.NoError(t, err)
	v := bottomEnd(t, 1)
	v.Step.Title = "Width across the two webs"
	for query, want := range map[string]struct{ step, unit string }{
		"":                           {"STAP 2 / 7: BREEDTE.", "in"},
		"?language=en":               {"Step 2 of 7: Width across the two webs.", "in"},
		"?language=en&unit=mm":       {"Step 2 of 7: Width across the two webs.", "mm"},
		"?unit=mm":                   {"STAP 2 / 7: BREEDTE.", "mm"},
		"?language=tlh&unit=cubit":   {"STAP 2 / 7: BREEDTE.", "in"},
		"?language=nl&unit=in&x=y%%": {"STAP 2 / 7: BREEDTE.", "in"},
	} {
		l := s.reader(httptest.NewRequest(http.MethodGet, "http://localhost/events"+query, nil))
		v.Step.Number, v.Step.Of = 2, 7
		e := s.event(l, v)
		assert.Contains(t, e.Words.Step, want.step, query)
		assert.Equal(t, want.unit, e.Words.Unit, query)
		assert.Equal(t, want.unit, e.Words.Last.Unit, query)
	}
}

func TestWordsOfAPage(t *testing.T) {
	s, err := New(Config{Mailbox: newBench().subscribe, Languages: shouting(t)})
	require.NoError(t, err)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://localhost/words?language=nl&unit=in", nil))
	var got struct {
		vocabulary
		Sentences map[string]string `json:"sentences"`
	}
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &got))
	assert.Equal(t, []string{"nl", "Nederlands", "in", ","}, []string{got.Language, got.Name, got.Unit, got.DecimalMark})
	assert.Equal(t, map[string]string{"Menu": "MENU!", "Width across the two webs": "BREEDTE"}, got.Sentences)
	assert.Contains(t, got.Languages, languageName{"en", "English"})
}

func TestAHubDrawsOnceForEachLanguage(t *testing.T) {
	drawn := map[*wording.Language]int{}
	h := newHub(func(l *wording.Language, v int) ([]byte, error) {
		drawn[l]++
		return []byte(l.LengthUnit()), nil
	})
	in := wording.English.Inches(true)
	require.NoError(t, h.show(1))
	assert.Empty(t, drawn, "nobody looks")
	one, leave, err := h.join(wording.English)
	require.NoError(t, err)
	two, _, err := h.join(in)
	require.NoError(t, err)
	_, _, err = h.join(in)
	require.NoError(t, err)
	assert.Equal(t, "mm", string(<-one))
	assert.Equal(t, "in", string(<-two))
	assert.Equal(t, map[*wording.Language]int{wording.English: 1, in: 1}, drawn)
	leave()
	require.NoError(t, h.show(2))
	assert.Equal(t, map[*wording.Language]int{wording.English: 1, in: 2}, drawn, "only where somebody looks")
	assert.Equal(t, "in", string(<-two))
}

func TestRefusalsAreInTheReadersLanguage(t *testing.T) {
	l := shouting(t)["nl"]
	assert.Equal(t, session.Refusal{Code: "no such plan", Message: "GEEN PLAN", Instead: "KIES"}, l.Refusal(session.Refusal{Code: "no such plan", Message: "there is no plan", Instead: "choose"}))
	plain := session.Refusal{Code: "no job", Message: "no job is open", Instead: "begin one"}
	assert.Equal(t, plain, l.Refusal(plain), "what its translation asks for is not there")
	other := session.Refusal{Code: "else", Message: "m", Instead: "i"}
	assert.Equal(t, other, l.Refusal(other))
}

func TestALanguageThatIsNotThere(t *testing.T) {
	_, err := New(Config{Mailbox: newBench().subscribe, Languages: shouting(t), Language: "fr"})
	require.ErrorContains(t, err, `the display has no language "fr"; choose one of `)
}
