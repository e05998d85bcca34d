package display

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"
	"time"

	"shimwright/session"
)

const (
	maxBody  = 64 << 10         // bytes of a request
	workTime = 15 * time.Second // for the bench to record a command
)

// A Plan is one that a job can begin with from the page.
type Plan struct {
	File    string `json:"file"` // what the page calls it by; unique
	Title   string `json:"title"`
	Steps   int    `json:"steps"`
	Problem string `json:"problem,omitempty"` // why no job can begin with it
	Text    string `json:"-"`

	Asks []session.Ask `json:"asks,omitempty"` // what it has to be told first
}

// choices is what a page that gives commands can choose from.
type choices struct {
	Page        string   `json:"page"`
	Plans       []Plan   `json:"plans"`
	Parts       []choice `json:"parts"` // that can have a temperature
	Instruments []tool   `json:"instruments"`
}

type choice struct {
	Name  string `json:"name"`
	Title string `json:"title"`
}

type tool struct {
	Name string        `json:"name"`
	Kind session.Kind  `json:"kind"`
	Uses []session.Use `json:"uses"`
}

// done is the answer to a command that was carried out.
type done struct {
	Receipt session.Receipt `json:"receipt"`
	Said    []string        `json:"said"` // what to tell at once
}

// commands answers what only a paired page, and pairing, may ask; ok is false for any
// other address.
func (s *Server) commands(w http.ResponseWriter, r *http.Request) (ok bool) {
	routes := map[string]struct {
		method string
		handle http.HandlerFunc
	}{
		"/pair": {http.MethodPost, s.pair}, "/command": {http.MethodPost, s.command}, "/choices": {http.MethodGet, s.choices},
	}
	route, ok := routes[r.URL.Path]
	switch {
	case !ok || s.cfg.Do == nil:
		return false
	case r.Method != route.method:
		w.Header().Set("Allow", route.method)
		http.Error(w, "Use "+route.method+" here.", http.StatusMethodNotAllowed)
	case s.foreign(r):
		s.refuse(w, r, http.StatusForbidden, &session.Refusal{Code: "other site", Message: "this did not come from the bench's own page", Instead: "open the page at the bench's address and use its buttons"})
	case r.Method == http.MethodPost && !isJSON(r):
		s.refuse(w, r, http.StatusUnsupportedMediaType, &session.Refusal{Code: "bad input", Message: "only JSON is taken here", Instead: "use the buttons of the page"})
	default:
		route.handle(w, r)
	}
	return true
}

// foreign tells whether a request came from a page of another site, or does not say
// where from though it could change something. Browsers set both headers themselves;
// the second only where they trust the address, such as loopback.
func (s *Server) foreign(r *http.Request) bool {
	if site := r.Header.Get("Sec-Fetch-Site"); site != "" && site != "same-origin" {
		return true
	}
	origin := r.Header.Get("Origin")
	if origin == "" {
		return r.Method != http.MethodGet
	}
	return origin != "http://"+r.Host
}

func isJSON(r *http.Request) bool {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	return err == nil && kind == "application/json"
}

// body reads the JSON of a request strictly, or answers why it cannot.
func (s *Server) body(w http.ResponseWriter, r *http.Request, into any) bool {
	text, ok := s.read(w, r)
	if !ok {
		return false
	}
	dec := json.NewDecoder(strings.NewReader(string(text)))
	dec.DisallowUnknownFields()
	if err := dec.Decode(into); err != nil {
		s.refuse(w, r, http.StatusBadRequest, &session.Refusal{Code: "bad input", Message: "the request cannot be read", Instead: "load the page again"})
		return false
	}
	return true
}

func (s *Server) read(w http.ResponseWriter, r *http.Request) (text []byte, ok bool) {
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	if err == nil {
		return text, true
	}
	status, no := http.StatusBadRequest, &session.Refusal{Code: "bad input", Message: "the request broke off", Instead: "do it again"}
	if tooLong := (*http.MaxBytesError)(nil); errors.As(err, &tooLong) {
		status, no = http.StatusRequestEntityTooLarge, &session.Refusal{Code: "bad input", Message: fmt.Sprintf("the request is longer than %d bytes", maxBody), Instead: "write less"}
	}
	s.refuse(w, r, status, no)
	return nil, false
}

// command answers POST /command: a session.Command as at the control socket, whose
// begin names a plan of the list.
func (s *Server) command(w http.ResponseWriter, r *http.Request) {
	page, ok := s.page(w, r)
	if !ok {
		return
	}
	text, ok := s.read(w, r)
	if !ok {
		return
	}
	c, no := session.ReadCommand(text)
	if no == nil {
		no = s.complete(&c, page)
	}
	if no != nil {
		s.refuse(w, r, http.StatusBadRequest, no)
		return
	}
	// A page that goes away does not undo what it asked for.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), workTime)
	defer cancel()
	receipt, err := s.cfg.Do(ctx, c)
	if err != nil {
		s.failed(w, r, err)
		return
	}
	answer := done{Receipt: receipt, Said: []string{}}
	for _, p := range receipt.Prospects {
		answer.Said = append(answer.Said, s.reader(r).Prospect(p))
	}
	s.answer(w, http.StatusOK, answer)
}

// complete sets what a page cannot say: its door, its own name, a plan's text.
func (s *Server) complete(c *session.Command, page string) *session.Refusal {
	c.Door = session.FromPage
	switch c.Do {
	case session.Unpair:
		c.Page = page
	case session.Begin:
		if c.Plan != "" {
			return &session.Refusal{Code: "bad input", Message: "a page begins with a plan of the list", Instead: "choose one there"}
		}
		plans, err := s.plans()
		if err != nil {
			return &session.Refusal{Code: "no plans", Params: map[string]string{"error": err.Error()}, Message: err.Error(), Instead: "mend that, or begin with logctl"}
		}
		for _, p := range plans {
			if p.File == c.PlanFile {
				c.Plan = p.Text
				return nil
			}
		}
		return &session.Refusal{Code: "no such plan", Params: map[string]string{"file": c.PlanFile}, Message: fmt.Sprintf("there is no plan %q any more", c.PlanFile), Instead: "choose one of the list"}
	}
	return nil
}

func (s *Server) plans() ([]Plan, error) {
	if s.cfg.Plans == nil {
		return nil, nil
	}
	return s.cfg.Plans()
}

// choices answers GET /choices.
func (s *Server) choices(w http.ResponseWriter, r *http.Request) {
	page, ok := s.page(w, r)
	if !ok {
		return
	}
	plans, err := s.plans()
	if err != nil {
		s.refuse(w, r, http.StatusInternalServerError, &session.Refusal{Code: "no plans", Params: map[string]string{"error": err.Error()}, Message: err.Error(), Instead: "mend that, or begin with logctl"})
		return
	}
	desk := s.desk()
	c := choices{Page: page, Plans: append([]Plan{}, plans...), Parts: []choice{}, Instruments: []tool{}}
	for _, p := range desk.Parts {
		c.Parts = append(c.Parts, choice{p.Name, cmp.Or(p.Title, p.Name)})
	}
	for _, in := range desk.Tools {
		c.Instruments = append(c.Instruments, tool{in.Name, in.Kind, append([]session.Use{}, in.Uses...)})
	}
	s.answer(w, http.StatusOK, c)
}

// refuse answers a refusal in the reader's language.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, no *session.Refusal) {
	s.answer(w, status, s.reader(r).Refusal(*no))
}

// answer writes v as JSON.
func (s *Server) answer(w http.ResponseWriter, status int, v any) {
	text, err := encode(v)
	if err != nil {
		s.cfg.Log.Error("cannot encode an answer", "err", err)
		http.Error(w, "The daemon cannot write its answer; look at its messages.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.WriteHeader(status)
	// A page that has gone needs no answer.
	_, _ = w.Write(text)
}
