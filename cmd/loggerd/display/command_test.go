package display

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// A fakeDesk takes commands, as the daemon does.
type fakeDesk struct {
	mu    sync.Mutex
	now   time.Time
	desk  session.Desk
	took  []session.Command
	err   error
	plans []Plan
}

func (d *fakeDesk) do(_ context.Context, c session.Command) (session.Receipt, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.err != nil {
		return session.Receipt{}, d.err
	}
	switch c.Do {
	case session.Pair:
		d.desk.Pages = append(d.desk.Pages, session.Paired{Page: c.Page, Token: c.Token})
	case session.Unpair:
		d.desk.Pages = nil
	}
	d.took = append(d.took, c)
	return session.Receipt{Seq: 7, Prospects: []session.Prospect{{Title: "End float", Least: *num("0.10"), Most: *num("0.24"), Outcome: "shown inside"}}}, nil
}

func num(text string) *session.Number {
	n, err := session.ParseNumber(text)
	if err != nil {
		panic(err)
	}
	return &n
}

// paired makes a server that takes commands, and the token of a page.
func paired(t *testing.T) (*Server, *fakeDesk, string) {
	t.Helper()
	d := &fakeDesk{now: noon, plans: []Plan{{File: "a.toml", Title: "A", Steps: 2, Text: "plan = 1"}, {File: "b.toml", Title: "b.toml", Problem: "It has a mistake."}}}
	s, err := New(Config{
		Mailbox: newBench().subscribe, Do: d.do, Now: func() time.Time { return d.now },
		Desk: func() session.Desk { return d.desk }, Plans: func() ([]Plan, error) { return d.plans, nil },
	})
	require.NoError(t, err)
	v, err := s.Invite("tablet")
	require.NoError(t, err)
	w := post(s, "/pair", `{"code":"`+v.Code+`","operator":"mo"}`, nil)
	require.Equal(t, 200, w.Code, w.Body)
	var got struct{ Token, Page string }
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &got))
	require.Equal(t, "tablet", got.Page)
	return s, d, got.Token
}

// post sends what the bench's own page would send, with other headers put over it.
func post(s *Server, path, body string, over map[string]string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(body))
	r.Host = "127.0.0.1:8080"
	headers := map[string]string{"Origin": "http://127.0.0.1:8080", "Sec-Fetch-Site": "same-origin", "Content-Type": "application/json"}
	for k, v := range over {
		headers[k] = v
	}
	for k, v := range headers {
		if v != "" {
			r.Header.Set(k, v)
		}
		if k == "Host" {
			r.Host = v
		}
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func bearing(token string) map[string]string {
	return map[string]string{"Authorization": "Bearer " + token}
}

func refusal(t *testing.T, w *httptest.ResponseRecorder) session.Refusal {
	t.Helper()
	var no session.Refusal
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &no), w.Body.String())
	require.NotEmpty(t, no.Message)
	require.NotEmpty(t, no.Instead, "it says what to do")
	return no
}

func TestAPairedPageGivesCommands(t *testing.T) {
	s, d, token := paired(t)
	require.Len(t, d.took, 1)
	assert.Equal(t, hashOf(token), d.took[0].Token, "only the hash leaves")
	assert.Equal(t, session.FromPage, d.took[0].Door)
	w := post(s, "/command", `{"do":"next","operator":"mo","door":"terminal"}`, bearing(token))
	require.Equal(t, 200, w.Code, w.Body)
	assert.Equal(t, session.Command{Do: session.Next, Operator: "mo", Door: session.FromPage}, d.took[1], "the door is not the page's to say")
	assert.Equal(t, policy, w.Header().Get("Content-Security-Policy"))
	assert.Equal(t, "no-store", w.Header().Get("Cache-Control"))

	w = post(s, "/command", `{"do":"begin","plan_file":"a.toml","reference":"pump 3"}`, bearing(token))
	require.Equal(t, 200, w.Code, w.Body)
	assert.Equal(t, "plan = 1", d.took[2].Plan)
	assert.Contains(t, w.Body.String(), "End float: these instruments will know")

	w = post(s, "/command", `{"do":"revoke","page":"another"}`, bearing(token))
	require.Equal(t, 200, w.Code, w.Body)
	assert.Equal(t, "tablet", d.took[3].Page, "a page revokes itself alone")
	w = post(s, "/command", `{"do":"next"}`, bearing(token))
	assert.Equal(t, 401, w.Code)
	assert.Equal(t, "not paired", refusal(t, w).Code)
}

func TestCommandsThatAreNotTaken(t *testing.T) {
	s, d, token := paired(t)
	with := func(k, v string) map[string]string {
		return map[string]string{"Authorization": "Bearer " + token, k: v}
	}
	for _, c := range []struct {
		name, path, body string
		over             map[string]string
		code             int
		says             string
	}{
		{"no token", "/command", `{"do":"next"}`, nil, 401, "not paired"},
		{"wrong token", "/command", `{"do":"next"}`, bearing(token + "x"), 401, "not paired"},
		{"the hash is no token", "/command", `{"do":"next"}`, bearing(hashOf(token)), 401, "not paired"},
		{"empty token", "/command", `{"do":"next"}`, bearing(""), 401, "not paired"},
		{"token as cookie", "/command", `{"do":"next"}`, map[string]string{"Cookie": "token=" + token}, 401, "not paired"},
		{"another site", "/command", `{"do":"next"}`, with("Origin", "http://elsewhere.example"), 403, "other site"},
		{"another port", "/command", `{"do":"next"}`, with("Origin", "http://127.0.0.1:9090"), 403, "other site"},
		{"another scheme", "/command", `{"do":"next"}`, with("Origin", "https://127.0.0.1:8080"), 403, "other site"},
		{"an opaque origin", "/command", `{"do":"next"}`, with("Origin", "null"), 403, "other site"},
		{"no origin", "/command", `{"do":"next"}`, with("Origin", ""), 403, "other site"},
		{"the browser says cross-site", "/command", `{"do":"next"}`, with("Sec-Fetch-Site", "cross-site"), 403, "other site"},
		{"the browser says same site", "/command", `{"do":"next"}`, with("Sec-Fetch-Site", "same-site"), 403, "other site"},
		{"an address bar", "/command", `{"do":"next"}`, with("Sec-Fetch-Site", "none"), 403, "other site"},
		{"a form", "/command", `do=next`, with("Content-Type", "application/x-www-form-urlencoded"), 415, "bad input"},
		{"plain text", "/command", `{"do":"next"}`, with("Content-Type", "text/plain"), 415, "bad input"},
		{"no type", "/command", `{"do":"next"}`, with("Content-Type", ""), 415, "bad input"},
		{"a rebound name", "/command", `{"do":"next"}`, with("Host", "elsewhere.example"), 421, ""},
		{"pairing from another site", "/pair", `{"code":"000000"}`, with("Origin", "http://elsewhere.example"), 403, "other site"},
		{"garbage", "/command", `{"do":`, bearing(token), 400, "bad input"},
		{"unknown key", "/command", `{"do":"next","token_sha256":"x"}`, bearing(token), 400, "bad input"},
		{"unknown verb", "/command", `{"do":"dance"}`, bearing(token), 400, "bad input"},
		{"pairing others", "/command", `{"do":"pair","page":"x"}`, bearing(token), 400, "bad input"},
		{"a plan of its own", "/command", `{"do":"begin","plan_text":"x"}`, bearing(token), 400, "bad input"},
		{"a plan that is not there", "/command", `{"do":"begin","plan_file":"../a.toml"}`, bearing(token), 400, "no such plan"},
		{"too long", "/command", `{"do":"next","note":"` + strings.Repeat("x", maxBody) + `"}`, bearing(token), 413, "bad input"},
		{"pairing with garbage", "/pair", `[]`, nil, 400, "bad input"},
	} {
		w := post(s, c.path, c.body, c.over)
		assert.Equal(t, c.code, w.Code, "%s: %s", c.name, w.Body)
		if c.says != "" {
			assert.Equal(t, c.says, refusal(t, w).Code, c.name)
		}
		assert.Empty(t, w.Header().Get("Access-Control-Allow-Origin"), c.name)
	}
	assert.Len(t, d.took, 1, "nothing but the pairing was done")
	for _, c := range []struct{ method, path string }{{"GET", "/command"}, {"GET", "/pair"}, {"OPTIONS", "/command"}, {"POST", "/choices"}, {"PUT", "/command"}} {
		assert.Equal(t, 405, request(t, s, c.method, "localhost", c.path).Code, c)
	}
}

// What the bench says no to is told as it says it.
func TestARefusalReachesThePage(t *testing.T) {
	s, d, token := paired(t)
	for _, c := range []struct {
		err  error
		code int
		says string
	}{
		{&session.Refusal{Code: "no job", Message: "no job is open", Instead: "begin one"}, 409, "no job"},
		{&session.Refusal{Code: "not recorded", Message: "the disk is full", Instead: "mend it"}, 503, "not recorded"},
		{&session.Refusal{Code: "not asked", Message: "it is off", Instead: "switch it on"}, 502, "not asked"},
		{errors.New("the bench has stopped"), 503, "not recorded"},
		{context.DeadlineExceeded, 503, "not recorded"},
	} {
		d.err = c.err
		w := post(s, "/command", `{"do":"next"}`, bearing(token))
		assert.Equal(t, c.code, w.Code)
		assert.Equal(t, c.says, refusal(t, w).Code)
	}
}

func TestWithoutDoPagesOnlyLook(t *testing.T) {
	s, err := New(Config{Mailbox: newBench().subscribe})
	require.NoError(t, err)
	for _, path := range []string{"/pair", "/command"} {
		assert.Equal(t, 405, post(s, path, `{}`, nil).Code)
	}
	assert.Equal(t, 404, request(t, s, "GET", "localhost", "/choices").Code)
}

func TestChoices(t *testing.T) {
	s, d, token := paired(t)
	d.desk.Parts = []session.Part{{Name: "crank", Title: "Crank"}, {Name: "pump-half"}}
	d.desk.Tools = []session.Tool{{Name: "caliper-1", Kind: session.Caliper, Uses: []session.Use{session.Outside}}, {Name: "pedal-1", Kind: session.Pedal}}
	ask := func(token, site string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodGet, "/choices", nil)
		r.Host = "localhost"
		r.Header.Set("Authorization", "Bearer "+token)
		r.Header.Set("Sec-Fetch-Site", site)
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	assert.JSONEq(t, `{"page":"tablet","plans":[{"file":"a.toml","title":"A","steps":2},{"file":"b.toml","title":"b.toml","steps":0,"problem":"It has a mistake."}],
		"parts":[{"name":"crank","title":"Crank"},{"name":"pump-half","title":"pump-half"}],
		"instruments":[{"name":"caliper-1","kind":"caliper","uses":["outside"]},{"name":"pedal-1","kind":"pedal","uses":[]}]}`, ask(token, "same-origin").Body.String())
	assert.Equal(t, 401, ask("x", "same-origin").Code)
	assert.Equal(t, 403, ask(token, "cross-site").Code)
}

func TestACodeIsForOneUse(t *testing.T) {
	s, d, _ := paired(t)
	_, err := s.Invite("tablet")
	var no *session.Refusal
	require.ErrorAs(t, err, &no)
	assert.Equal(t, "name taken", no.Code)

	try := func(code string) string {
		w := post(s, "/pair", `{"code":"`+code+`"}`, nil)
		if w.Code == 200 {
			return "paired"
		}
		return refusal(t, w).Code
	}
	assert.Equal(t, "no code", try("123456"), "the one before is used up")
	first, err := s.Invite("")
	require.NoError(t, err)
	assert.Equal(t, "page-1", first.Page)
	second, err := s.Invite("phone")
	require.NoError(t, err)
	require.NotEqual(t, first.Code, second.Code)
	assert.Equal(t, "wrong code", try(first.Code), "a new code takes the place of the one before")
	assert.Equal(t, "paired", try(" "+second.Code[:3]+" "+second.Code[3:]), "blanks do not matter")
	assert.Equal(t, "no code", try(second.Code))

	late, err := s.Invite("late")
	require.NoError(t, err)
	d.now = d.now.Add(codeLife)
	assert.Equal(t, "code too old", try(late.Code))
	assert.Equal(t, "no code", try(late.Code))

	guessed, err := s.Invite("guessed")
	require.NoError(t, err)
	for range codeTries - 1 {
		assert.Equal(t, "wrong code", try("x"))
	}
	assert.Equal(t, "code void", try("x"))
	assert.Equal(t, "no code", try(guessed.Code))
}

func TestTokensAreLongAndDiffer(t *testing.T) {
	seen := map[string]bool{}
	for range 1000 {
		token, hash := newToken()
		assert.Len(t, token, 43) // 256 bits, six to a character
		assert.Len(t, hash, 64)
		seen[token] = true
	}
	assert.Len(t, seen, 1000)
}
