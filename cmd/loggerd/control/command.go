package control

import (
	"errors"
	"fmt"
	"io"
	"net/http"

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
	c, no := session.ReadCommand(text)
	if no != nil {
		return c, &problem{http.StatusBadRequest, no}
	}
	c.Door = session.FromTerminal
	return c, nil
}
