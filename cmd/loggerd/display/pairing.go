package display

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"math/big"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"shimwright/session"
)

// The limits of a one-time code. One in 200,000 codes is guessed within them.
const (
	codeDigits = 6
	codeLife   = 5 * time.Minute
	codeTries  = 5 // wrong ones, then it is void
)

// An Invitation is a one-time code for one page.
type Invitation struct {
	Page string        // the name that the page will have
	Code string        // six digits
	Life time.Duration // how long it can be used
}

// codes holds the one code that can be used now.
type codes struct {
	mu    sync.Mutex // guards what follows
	page  string
	code  string // empty if there is none
	until time.Time
	wrong int
}

// issue puts a new code in place of the one before.
func (c *codes) issue(page, code string, now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.page, c.code, c.until, c.wrong = page, code, now.Add(codeLife), 0
}

// redeem uses the code up and gives the page's name, or says why not.
func (c *codes) redeem(code string, now time.Time) (page string, no *session.Refusal) {
	const again = "make a new one with logctl pair"
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.code == "" {
		return "", &session.Refusal{Code: "no code", Message: "no code is waiting to be typed here", Instead: again}
	}
	if !now.Before(c.until) {
		c.code = ""
		return "", &session.Refusal{Code: "code too old", Message: "that code is too old", Instead: again}
	}
	if subtle.ConstantTimeCompare([]byte(code), []byte(c.code)) != 1 {
		c.wrong++
		left := codeTries - c.wrong
		if left <= 0 {
			c.code = ""
			return "", &session.Refusal{Code: "code void", Message: "too many wrong codes were typed, so the code is void", Instead: again}
		}
		tries := fmt.Sprintf("%d tries are left", left)
		if left == 1 {
			tries = "one try is left"
		}
		return "", &session.Refusal{Code: "wrong code", Params: map[string]string{"left": strconv.Itoa(left)}, Message: "that is not the code", Instead: "type the six digits that logctl pair printed; " + tries}
	}
	c.code = ""
	return c.page, nil
}

// Invite makes a one-time code that pairs one page, under the name given or, if that
// is empty, under a free one. It lives five minutes, is void after five wrong tries,
// and takes the place of the code before. Its error is a *session.Refusal if the name
// is taken.
func (s *Server) Invite(page string) (Invitation, error) {
	taken := map[string]bool{}
	for _, p := range s.desk().Pages {
		taken[p.Page] = true
	}
	if page == "" {
		for n := 1; page == "" || taken[page]; n++ {
			page = fmt.Sprintf("page-%d", n)
		}
	}
	if taken[page] {
		return Invitation{}, &session.Refusal{Code: "name taken", Params: map[string]string{"page": page}, Message: fmt.Sprintf("a page %q is paired already", page), Instead: "give another name, or revoke that page first with logctl pair --revoke"}
	}
	n, err := rand.Int(rand.Reader, big.NewInt(1_000_000))
	if err != nil {
		return Invitation{}, fmt.Errorf("cannot make a code: %w", err)
	}
	v := Invitation{Page: page, Code: fmt.Sprintf("%0*d", codeDigits, n), Life: codeLife}
	s.codes.issue(v.Page, v.Code, s.cfg.Now())
	return v, nil
}

// pairing is what a page sends to be paired.
type pairing struct {
	Code     string `json:"code"`
	Operator string `json:"operator,omitempty"`
}

// pair answers POST /pair: the token of a page that knows the code.
func (s *Server) pair(w http.ResponseWriter, r *http.Request) {
	var ask pairing
	if !s.body(w, r, &ask) {
		return
	}
	page, no := s.codes.redeem(strings.Join(strings.Fields(ask.Code), ""), s.cfg.Now())
	if no != nil {
		s.refuse(w, r, http.StatusForbidden, no)
		return
	}
	token, hash := newToken()
	_, err := s.cfg.Do(r.Context(), session.Command{Do: session.Pair, Page: page, Token: hash, Operator: ask.Operator, Door: session.FromPage})
	if err != nil {
		s.failed(w, r, err)
		return
	}
	s.answer(w, http.StatusOK, map[string]string{"token": token, "page": page})
}

// newToken makes 256 random bits and their hash.
func newToken() (token, hash string) {
	var b [32]byte
	// crypto/rand.Read never fails.
	_, _ = rand.Read(b[:])
	token = base64.RawURLEncoding.EncodeToString(b[:])
	return token, hashOf(token)
}

func hashOf(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// desk is what the bench knows besides the snapshot.
func (s *Server) desk() session.Desk {
	if s.cfg.Desk == nil {
		return session.Desk{}
	}
	return s.cfg.Desk()
}

// page finds the paired page whose token a request bears, or answers.
func (s *Server) page(w http.ResponseWriter, r *http.Request) (name string, ok bool) {
	token, bears := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if hash := hashOf(token); bears {
		for _, p := range s.desk().Pages {
			if subtle.ConstantTimeCompare([]byte(hash), []byte(p.Token)) == 1 {
				return p.Page, true
			}
		}
	}
	s.refuse(w, r, http.StatusUnauthorized, &session.Refusal{
		Code: "not paired", Message: "this page may only look: it is not paired, or not any more", Instead: "make a code with logctl pair and type it here",
	})
	return "", false
}

// failed answers for what the bench did not do.
func (s *Server) failed(w http.ResponseWriter, r *http.Request, err error) {
	var no *session.Refusal
	switch {
	case !errors.As(err, &no):
		s.cfg.Log.Error("a command of the page was not recorded", "err", err)
		no = &session.Refusal{Code: "not recorded", Params: map[string]string{"error": err.Error()}, Message: "it is not sure that this was recorded: " + err.Error(), Instead: "look at what the page shows before doing it again"}
		s.refuse(w, r, http.StatusServiceUnavailable, no)
	case no.Code == "not recorded":
		s.cfg.Log.Error("a command of the page was not recorded", "err", err)
		s.refuse(w, r, http.StatusServiceUnavailable, no)
	case no.Code == "not asked":
		s.refuse(w, r, http.StatusBadGateway, no)
	default:
		s.refuse(w, r, http.StatusConflict, no)
	}
}
