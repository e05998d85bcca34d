package session

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// ReadCommand reads a command from its JSON, one object, strictly: an unknown or
// repeated key, a verb that no person can give and anything after the object are
// refused as bad input. The door is what the text says; the face that took it sets it.
func ReadCommand(text []byte) (Command, *Refusal) {
	const asJSON = `send one JSON object like {"do":"next"}`
	var c Command
	if !utf8.Valid(text) {
		return c, badInput("the command is not UTF-8", asJSON)
	}
	if key := repeatedKey(text); key != "" {
		return c, badInput(fmt.Sprintf("the command has the key %q twice", key), "give each key once")
	}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&c); err != nil {
		return c, badInput("the command cannot be read: "+strings.TrimPrefix(err.Error(), "json: "), asJSON)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return c, badInput("something follows the command", "send one JSON object and nothing else")
	}
	if len(c.Plan) > maxPlanText {
		return c, badInput(fmt.Sprintf("the plan is longer than %d bytes", maxPlanText), "send a shorter plan")
	}
	return c, checkVerb(c.Do)
}

func badInput(message, instead string) *Refusal {
	return &Refusal{Code: "bad input", Message: message, Instead: instead}
}

// repeatedKey finds a key that a flat object has twice, in whatever case, since the
// decoder would silently take the last of them.
func repeatedKey(text []byte) string {
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

func checkVerb(v Verb) *Refusal {
	verbs := Verbs()
	names := make([]string, len(verbs))
	for i, known := range verbs {
		if v == known {
			return nil
		}
		names[i] = string(known)
	}
	right := `set "do" to one of: ` + strings.Join(names, ", ")
	if v == "" {
		return badInput("the command does not say what to do", right)
	}
	return badInput(fmt.Sprintf("there is no command %q", v), right)
}
