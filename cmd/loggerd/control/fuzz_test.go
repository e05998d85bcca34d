package control_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

// FuzzControl sends bytes as a command's body and as a whole request. Neither
// may end in a panic, and each answer is JSON. What reaches the bench has a known
// verb and the terminal's door.
func FuzzControl(f *testing.F) {
	for _, seed := range []string{
		`{"do":"begin","plan_text":"plan = 1"}`, `{"do":"enter","value":"1e9","instrument":"x"}`, `{"do":"next","door":"page"}`,
		`{"do":"next"`, `{"do":"next","do":"end"}`, `{"DO":"end"}`, `[]`, `null`, "\xff\x00", `{"reading":1e400}`, `{"do":"take"} {}`,
		"GET /v1/snapshot HTTP/1.1\r\nHost: x\r\n\r\n", "POST /v1/command HTTP/1.1\r\nHost: x\r\nContent-Length: 13\r\n\r\n{\"do\":\"next\"}",
		"POST /v1/command HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\nfff\r\n{", "BREW /%zz HTTP/1.0\r\n\r\n", "GET //v1/watch?x HTTP/1.1\r\nHost: x\r\n\r\n",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		b := newBench()
		close(b.mailbox) // a watch ends at once
		s := control.New(control.Config{Bench: b, Log: quiet()})
		check := func(r *http.Request) {
			w := httptest.NewRecorder()
			s.ServeHTTP(w, r)
			require.True(t, json.Valid(w.Body.Bytes()), "%q", w.Body)
			for len(b.submitted) > 0 {
				c := <-b.submitted
				require.Equal(t, session.FromTerminal, c.Door)
				require.NotEmpty(t, c.Do)
			}
		}
		check(httptest.NewRequest("POST", "/v1/command", bytes.NewReader(text)))
		if r, err := http.ReadRequest(bufio.NewReader(bytes.NewReader(text))); err == nil {
			check(r)
		}
	})
}
