package display

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"

	"shimwright/session/wording"
)

// A reader is what a request says of who will read the answer.
type reader struct {
	language string
	inches   bool
}

// vocabulary is the answer to GET /words.
type vocabulary struct {
	Language    string          `json:"language"`
	Name        string          `json:"name"`
	Unit        string          `json:"unit"` // of lengths: mm or in
	DecimalMark string          `json:"decimal_mark"`
	Sentences   json.RawMessage `json:"sentences"`
	Languages   []languageName  `json:"languages"`
}

type languageName struct {
	Language string `json:"language"`
	Name     string `json:"name"`
}

// teach makes the languages for all readers that there can be.
func (s *Server) teach() error {
	if s.cfg.Languages == nil {
		all, err := wording.Load()
		if err != nil {
			return err
		}
		s.cfg.Languages = all
	}
	s.cfg.Language = cmp.Or(s.cfg.Language, wording.English.Tag())
	if s.cfg.Languages[s.cfg.Language] == nil {
		return fmt.Errorf("the display has no language %q; choose one of %s, or add its catalogue",
			s.cfg.Language, strings.Join(slices.Sorted(maps.Keys(s.cfg.Languages)), ", "))
	}
	s.readers = map[reader]*wording.Language{}
	for tag, l := range s.cfg.Languages {
		s.readers[reader{tag, false}], s.readers[reader{tag, true}] = l.Inches(false), l.Inches(true)
	}
	return nil
}

// reader is the language of who made a request. What is not known is that of the
// configuration.
func (s *Server) reader(r *http.Request) *wording.Language {
	who := reader{r.URL.Query().Get("language"), s.cfg.Inches}
	if s.cfg.Languages[who.language] == nil {
		who.language = s.cfg.Language
	}
	switch r.URL.Query().Get("unit") {
	case "mm":
		who.inches = false
	case "in":
		who.inches = true
	}
	return s.readers[who]
}

// words answers GET /words.
func (s *Server) words(w http.ResponseWriter, r *http.Request) {
	l := s.reader(r)
	sentences, err := l.Page()
	if err != nil {
		s.cfg.Log.Error("cannot encode the words of a language", "err", err)
	}
	v := vocabulary{Language: l.Tag(), Name: l.Name(), Unit: l.LengthUnit(), DecimalMark: l.DecimalMark(), Sentences: sentences}
	for _, tag := range slices.Sorted(maps.Keys(s.cfg.Languages)) {
		v.Languages = append(v.Languages, languageName{tag, s.cfg.Languages[tag].Name()})
	}
	s.answer(w, http.StatusOK, v)
}
