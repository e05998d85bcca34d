package sqlite

import (
	"encoding/json"
	"html"
	"regexp"
	"slices"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// CheckpointsIn finds the checkpoints and verifier keys in whatever holds them: a
// signed note as it is, the text of a job card, a page of HTML, a JSON message as a
// display keeps it. It does not check them.
func CheckpointsIn(text string) (checkpoints, keys []string) {
	for _, part := range partsOf(text) {
		lines := strings.Split(strings.ReplaceAll(part, "\r\n", "\n"), "\n")
		for i := range lines {
			if c := checkpointAt(lines[i:]); c != "" && !slices.Contains(checkpoints, c) {
				checkpoints = append(checkpoints, c)
			}
		}
		for _, word := range keyForm().FindAllString(part, -1) {
			if _, err := note.NewVerifier(word); err == nil && !slices.Contains(keys, word) {
				keys = append(keys, word)
			}
		}
	}
	return checkpoints, keys
}

// keyForm is what a verifier key looks like: a name, its hash, 33 bytes in base64.
func keyForm() *regexp.Regexp {
	return regexp.MustCompile(`[^\s"'<>+]+\+[0-9a-f]{8}\+[A-Za-z0-9+/]{44}`)
}

// partsOf are the texts within a text.
func partsOf(text string) (parts []string) {
	var v any
	if json.Unmarshal([]byte(text), &v) == nil {
		return stringsOf(v, nil)
	}
	if strings.Contains(text, "</") {
		tags := regexp.MustCompile(`<[^>]*>`)
		text = html.UnescapeString(tags.ReplaceAllString(text, "\n"))
	}
	return []string{text}
}

// stringsOf lists the strings within a JSON value.
func stringsOf(v any, found []string) []string {
	switch v := v.(type) {
	case string:
		found = append(found, v)
	case []any:
		for _, w := range v {
			found = stringsOf(w, found)
		}
	case map[string]any:
		for _, w := range v {
			found = stringsOf(w, found)
		}
	}
	return found
}

// checkpointAt reads a checkpoint that begins with the first of some lines, which
// may be indented; empty if none does.
func checkpointAt(lines []string) string {
	var text strings.Builder
	for i, line := range lines {
		line = strings.TrimSpace(line)
		if i > 3 && !strings.HasPrefix(line, "— ") {
			break
		}
		text.WriteString(line + "\n")
	}
	c, signatures, _ := strings.Cut(text.String(), "\n\n")
	if _, err := parseBody(c + "\n"); err != nil || !strings.HasPrefix(signatures, "— ") {
		return ""
	}
	return text.String()
}
