package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"time"

	"shimwright/session"
)

// Limits of talking to the daemon.
const (
	dialTime    = 3 * time.Second  // until it answers at all
	answerTime  = 60 * time.Second // until it has recorded a command
	silenceTime = 30 * time.Second // without a line of watch, it is gone
	maxAnswer   = 64 << 20         // bytes of an answer
)

// A client talks to the daemon at a socket.
type client struct {
	path string
	http http.Client
}

func newClient(path string) *client {
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{Timeout: dialTime}).DialContext(ctx, "unix", path)
	}
	return &client{path: path, http: http.Client{Transport: &http.Transport{DialContext: dial, DisableKeepAlives: true}}}
}

// snapshot gets the latest snapshot.
func (c *client) snapshot(ctx context.Context) (session.Snapshot, error) {
	var s session.Snapshot
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	if err := c.ask(ctx, http.MethodGet, "/v1/snapshot", nil, &s); err != nil {
		return s, err
	}
	return s, known(s)
}

// command gives the bench a command. A refusal is a failure with a
// *session.Refusal as its cause.
func (c *client) command(ctx context.Context, command session.Command) (session.Receipt, error) {
	var r session.Receipt
	body, err := json.Marshal(command)
	if err != nil {
		return r, fmt.Errorf("cannot write the command: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	return r, c.ask(ctx, http.MethodPost, "/v1/command", bytes.NewReader(body), &r)
}

// watch calls see with each snapshot and the line it came in, until see fails,
// the caller's ctx ends, which is no error, or the daemon does.
func (c *client) watch(caller context.Context, see func(s session.Snapshot, line []byte) error) error {
	ctx, cancel := context.WithCancel(caller)
	defer cancel()
	res, err := c.open(ctx, http.MethodGet, "/v1/watch", nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return answered(res, nil)
	}
	silence := time.AfterFunc(silenceTime, cancel)
	defer silence.Stop()
	lines := bufio.NewReader(res.Body)
	for {
		line, err := lines.ReadBytes('\n')
		if caller.Err() != nil {
			return nil
		}
		if err != nil {
			return fail(exitUnreachable, "the daemon at %q is gone; start it again with loggerd", c.path)
		}
		silence.Reset(silenceTime)
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		var s session.Snapshot
		if err := json.Unmarshal(line, &s); err != nil {
			return unreadable(err)
		}
		if err := known(s); err != nil {
			return err
		}
		if err := see(s, line); err != nil {
			return err
		}
	}
}

func (c *client) ask(ctx context.Context, method, address string, body io.Reader, into any) error {
	res, err := c.open(ctx, method, address, body)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	return answered(res, into)
}

func (c *client) open(ctx context.Context, method, address string, body io.Reader) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, "http://bench"+address, body)
	if err != nil {
		return nil, fmt.Errorf("cannot ask the daemon: %w", err)
	}
	res, err := c.http.Do(req)
	if err != nil {
		var dial *net.OpError
		if errors.As(err, &dial) && dial.Op == "dial" {
			return nil, fail(exitUnreachable, "no daemon answers at %q (%v); start it with loggerd, or name its socket with --socket PATH", c.path, dial.Err)
		}
		return nil, fail(exitUnreachable, "the daemon at %q broke off; look at the status before doing it again", c.path)
	}
	return res, nil
}

// answered reads an answer into what was asked for, or gives the failure that
// it tells of.
func answered(res *http.Response, into any) error {
	text, err := io.ReadAll(io.LimitReader(res.Body, maxAnswer))
	if err != nil {
		return fail(exitUnreachable, "the daemon broke off; look at the status before doing it again")
	}
	if res.StatusCode == http.StatusOK {
		if err := json.Unmarshal(text, into); err != nil {
			return unreadable(err)
		}
		return nil
	}
	refusal := &session.Refusal{}
	if err := json.Unmarshal(text, refusal); err != nil || refusal.Message == "" {
		return unreadable(fmt.Errorf("status %d", res.StatusCode))
	}
	f := &failure{exit: exitFailed, sentence: refusal.Error(), cause: refusal}
	if res.StatusCode == http.StatusConflict {
		f.exit = exitRefused
		if strings.HasPrefix(refusal.Code, "no such ") {
			f.exit = exitNotFound
		}
	}
	return f
}

func unreadable(err error) *failure {
	return &failure{exit: exitFailed, cause: err,
		sentence: fmt.Sprintf("the daemon's answer cannot be read (%v); use the logctl that came with it", err)}
}

// known refuses a snapshot of another schema rather than show half of it.
func known(s session.Snapshot) error {
	if s.Schema != session.SchemaVersion {
		return fail(exitFailed, "the daemon speaks schema %d and this logctl %d; use the logctl that came with it", s.Schema, session.SchemaVersion)
	}
	return nil
}
