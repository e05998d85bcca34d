package control

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"unicode/utf8"

	"shimwright/session"
)

// A problem is a request that cannot be understood.
type problem struct {
	status  int
	refusal *session.Refusal
}

func bad(message, instead string) *problem {
	return &problem{http.StatusBadRequest, &session.Refusal{Code: "bad input", Message: message, Instead: instead}}
}

// readCommand reads the command of a request strictly.
func readCommand(w http.ResponseWriter, r *http.Request) (session.Command, *problem) {
	var c session.Command
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	var tooLong *http.MaxBytesError
	if errors.As(err, &tooLong) {
		p := bad(fmt.Sprintf("the command is longer than %d bytes", maxBody), "send a shorter plan")
		p.status = http.StatusRequestEntityTooLarge
		return c, p
	}
	if err != nil {
		return c, bad("the command broke off: "+err.Error(), "send it again")
	}
	if p := parseCommand(text, &c); p != nil {
		return c, p
	}
	c.Door = session.FromTerminal
	return c, nil
}

func parseCommand(text []byte, c *session.Command) *problem {
	const asJSON = `send one JSON object like {"do":"next"}`
	if !utf8.Valid(text) {
		return bad("the command is not UTF-8", asJSON)
	}
	if key := repeated(text); key != "" {
		return bad(fmt.Sprintf("the command has the key %q twice", key), "give each key once")
	}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	if err := dec.Decode(c); err != nil {
		return bad("the command cannot be read: "+strings.TrimPrefix(err.Error(), "json: "), asJSON)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return bad("something follows the command", "send one JSON object and nothing else")
	}
	if len(c.Plan) > maxPlan {
		return bad(fmt.Sprintf("the plan is longer than %d bytes", maxPlan), "send a shorter plan")
	}
	return checkVerb(c.Do)
}

// repeated finds a key that a flat object has twice, in whatever case, since the
// decoder would silently take the last of them.
func repeated(text []byte) string {
	dec := json.NewDecoder(bytes.NewReader(text))
	seen := map[string]bool{}
	if open, err := dec.Token(); err != nil || open != json.Delim('{') {
		return ""
	}
	for dec.More() {
		token, err := dec.Token()
		key, isText := token.(string)
		if err != nil || !isText {
			return ""
		}
		if seen[strings.ToLower(key)] {
			return key
		}
		seen[strings.ToLower(key)] = true
		var value json.RawMessage
		if dec.Decode(&value) != nil {
			return ""
		}
	}
	return ""
}

func checkVerb(v session.Verb) *problem {
	verbs := session.Verbs()
	names := make([]string, len(verbs))
	for i, known := range verbs {
		if v == known {
			return nil
		}
		names[i] = string(known)
	}
	right := `set "do" to one of: ` + strings.Join(names, ", ")
	if v == "" {
		return bad("the command does not say what to do", right)
	}
	return bad(fmt.Sprintf("there is no command %q", v), right)
}
