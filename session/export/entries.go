package export

import (
	"bytes"
	"fmt"
	"io"
)

// Entries writes stored entries as JSON Lines (UTF-8, a line feed after each): the
// very bytes that the log keeps and that its hashes cover. stored calls its argument
// with each entry in turn.
//
// An entry whose bytes hold a line break is refused, since the daemon writes none and
// the lines could not be told apart.
func Entries(w io.Writer, stored func(yield func(seq int64, body []byte) error) error) error {
	return stored(func(seq int64, body []byte) error {
		if bytes.ContainsAny(body, "\r\n") {
			return fmt.Errorf("entry %d holds a line break, which no daemon writes; somebody changed the log", seq)
		}
		_, err := fmt.Fprintf(w, "%s\n", body)
		return err
	})
}
