package control

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"shimwright/session"
)

// Pages is what the socket needs of the display page.
type Pages interface {
	// Invite makes a one-time code for a page; its error is a *session.Refusal if no
	// page of that name can be paired. An empty name means a free one.
	Invite(page string) (Invitation, error)
	// Pages lists the pages that are paired.
	Pages() []PairedPage
}

// An Invitation is a one-time code for one page.
type Invitation struct {
	Page    string  `json:"page"` // the name that the page will have
	Code    string  `json:"code"`
	Seconds float64 `json:"seconds"` // how long it can be used
	Address string  `json:"address"` // where the page is served
}

// A PairedPage is a page that may give commands.
type PairedPage struct {
	Page  string    `json:"page"`
	Since time.Time `json:"since"`
}

// pageRoute finds what answers at an address of the pages.
func (s *Server) pageRoute(path string) (method string, handle http.HandlerFunc) {
	if s.cfg.Pages == nil {
		return "", nil
	}
	switch path {
	case "/v1/pair":
		return http.MethodPost, s.invite
	case "/v1/pages":
		return http.MethodGet, func(w http.ResponseWriter, _ *http.Request) { s.answer(w, http.StatusOK, s.cfg.Pages.Pages()) }
	}
	return "", nil
}

// invite answers with a one-time code.
func (s *Server) invite(w http.ResponseWriter, r *http.Request) {
	var ask struct {
		Page string `json:"page"`
	}
	dec := json.NewDecoder(io.LimitReader(r.Body, maxHeader))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&ask); err != nil {
		s.refuse(w, http.StatusBadRequest, "bad input", "the request cannot be read", `send one JSON object like {"page":"tablet"}`)
		return
	}
	v, err := s.cfg.Pages.Invite(ask.Page)
	var no *session.Refusal
	if errors.As(err, &no) {
		s.answer(w, http.StatusConflict, no)
		return
	}
	if err != nil {
		s.cfg.Log.Error("cannot make a code", "err", err)
		s.refuse(w, http.StatusInternalServerError, "failed", fmt.Sprintf("no code could be made: %v", err), "look at the daemon's messages", "error", err.Error())
		return
	}
	s.answer(w, http.StatusOK, v)
}
