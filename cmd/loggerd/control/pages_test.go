package control_test

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

// pages stands for those of a daemon.
type pages struct{ err error }

func (f pages) Invite(page string) (control.Invitation, error) {
	return control.Invitation{Page: page, Code: "012345", Seconds: 300, Address: "127.0.0.1:8080"}, f.err
}

func (f pages) Pages() []control.PairedPage {
	return []control.PairedPage{{Page: "tablet", Since: time.Date(2031, 4, 5, 12, 0, 0, 0, time.UTC)}}
}

func TestPagesAnswers(t *testing.T) {
	for _, c := range []struct {
		method, path, body string
		err                error
		status             int
		says               string
	}{
		{"POST", "/v1/pair", `{"page":"tablet"}`, nil, 200, `{"page":"tablet","code":"012345","seconds":300,"address":"127.0.0.1:8080"}`},
		{"POST", "/v1/pair", `{}`, nil, 200, `"code":"012345"`},
		{"POST", "/v1/pair", `{"code":"1"}`, nil, 400, "cannot be read"},
		{"POST", "/v1/pair", ``, nil, 400, "cannot be read"},
		{"GET", "/v1/pair", "", nil, 405, "use POST"},
		{"POST", "/v1/pair", `{}`, &session.Refusal{Code: "name taken", Message: "m", Instead: "i"}, 409, "name taken"},
		{"POST", "/v1/pair", `{}`, errors.New("no dice"), 500, "no dice"},
		{"GET", "/v1/pages", "", nil, 200, `[{"page":"tablet","since":"2031-04-05T12:00:00Z"}]`},
	} {
		_, _, client := serve(t, control.Config{Bench: newBench(), Pages: pages{c.err}})
		status, text := send(t, client, c.method, c.path, c.body)
		assert.Equal(t, c.status, status, c)
		assert.Contains(t, text, c.says, c)
	}
	_, _, client := serve(t, control.Config{Bench: newBench()})
	status, _ := send(t, client, "GET", "/v1/pages", "")
	assert.Equal(t, 404, status)
}
