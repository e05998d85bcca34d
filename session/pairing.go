package session

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// maxPages bounds how many pages can be paired at a time.
const maxPages = 50

// Paired lets a page of the display give commands. It holds the hash of the page's
// token, never the token.
type Paired struct {
	Page  string    `json:"page"` // its name, unique among those paired
	Token string    `json:"token_sha256"`
	Since time.Time `json:"since"`
}

// Revoked takes from a page the right to give commands.
type Revoked struct {
	Page string `json:"page"`
}

func (Paired) kind() string  { return "paired" }
func (Revoked) kind() string { return "revoked" }

// A Desk is what a face that gives commands needs to know besides the snapshot.
type Desk struct {
	Pages []Paired // in the order in which they were paired
	Parts []Part   // of the open job's plan: what can have a temperature
	Tools []Tool   // the instruments of this run
}

// A Tool is an instrument with what it can be used for, the usual first.
type Tool struct {
	Name string
	Kind Kind
	Uses []Use
}

// Desk returns the latest.
func (b *Bench) Desk() Desk {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.desk
}

// desk shares nothing that is ever changed.
func (s *State) desk() Desk {
	d := Desk{Pages: slices.Clone(s.pages)}
	if s.job != nil && !s.job.ended {
		d.Parts = s.job.plan.Parts
	}
	for _, in := range s.instruments {
		d.Tools = append(d.Tools, Tool{in.profile.Name, in.profile.Kind, usesOf(in.profile.Kind)})
	}
	return d
}

// pair folds a pairing. The start of a run repeats those in force, so a name may come
// again.
func (s *State) pair(b Paired) {
	s.revoke(b.Page)
	s.pages = append(slices.Clip(s.pages), b)
}

// revoke folds a revocation. A fold that began after the pairing finds nothing.
func (s *State) revoke(page string) {
	s.pages = slices.DeleteFunc(slices.Clone(s.pages), func(p Paired) bool { return p.Page == page })
}

// paired tells whether a page of that name is paired.
func (s *State) paired(page string) bool {
	return slices.ContainsFunc(s.pages, func(p Paired) bool { return p.Page == page })
}

// pair pairs a page under the hash of a token that was made for it.
func (t *turn) pair(c Command) (Receipt, *Refusal) {
	sum, err := hex.DecodeString(c.Token)
	switch {
	case strings.TrimSpace(c.Page) == "":
		return Receipt{}, refuse("no page named", "a page is paired under a name", "give it one, such as tablet")
	case err != nil || len(sum) != 32 || strings.ToLower(c.Token) != c.Token:
		return Receipt{}, refuse("bad token", "that is not the hash of a token", "make a new code with logctl pair")
	case t.state.paired(c.Page):
		return Receipt{}, refuse("name taken", fmt.Sprintf("a page %q is paired already", c.Page), "give another name, or revoke that page first", "page", c.Page)
	case len(t.state.pages) >= maxPages:
		return Receipt{}, refuse("too many pages", fmt.Sprintf("%d pages are paired already", maxPages), "revoke one that is not used any more", "most", strconv.Itoa(maxPages))
	}
	t.add(Paired{c.Page, c.Token, t.at.UTC()})
	return Receipt{Seq: t.state.seq}, nil
}

// unpair revokes a page.
func (t *turn) unpair(c Command) (Receipt, *Refusal) {
	if !t.state.paired(c.Page) {
		names := make([]string, len(t.state.pages))
		for i, p := range t.state.pages {
			names[i] = p.Page
		}
		if len(names) == 0 {
			return Receipt{}, refuse("no page paired", fmt.Sprintf("no page %q is paired", c.Page), "none is paired", "page", c.Page)
		}
		return Receipt{}, nameOneOf(names, "no such page", fmt.Sprintf("no page %q is paired", c.Page), "page", c.Page)
	}
	t.add(Revoked{c.Page})
	return Receipt{Seq: t.state.seq}, nil
}
