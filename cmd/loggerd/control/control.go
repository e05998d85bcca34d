// Package control is the daemon's control socket: HTTP with JSON over a Unix
// socket that only the user who runs the daemon can open.
//
//	GET  /v1/snapshot   the latest session.Snapshot
//	GET  /v1/watch      snapshots as JSON lines: one at once and one at each
//	                    change; an empty line now and then says that all is well
//	POST /v1/command    a session.Command; answers with its session.Receipt
//	GET  /v1/ports      a PortList: what is plugged in and what is bound to it
//	GET  /v1/listen     what happens at an instrument, as JSON lines of Heard;
//	                    instrument=NAME
//	GET  /v1/learn      what comes from a port that is no instrument's, alike;
//	                    port=PATH, and baud, data_bits, parity, stop_bits
//	POST /v1/propose    Pressed; answers with a list of Proposal
//	POST /v1/pair       {"page"}: answers with an Invitation, a one-time code
//	GET  /v1/pages      the pages that are paired, a list of PairedPage
//	GET  /v1/metrics    the health of the instruments as Prometheus text
//
// Every other answer is a session.Refusal as JSON, whatever the request was:
//
//	400  the request cannot be understood      404  no such address
//	405  not with this method                  409  the bench refuses the command
//	413  the request is too long               500  the daemon failed
//	502  recorded, but the instrument could not be asked
//	503  not recorded, or too many displays watch already
//
// A command is read strictly: an unknown or repeated key is a mistake. Its door
// is set here, whatever it says; its operator is the one it names.
package control

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	"shimwright/session"
)

// Limits of a request and of its answer.
const (
	maxPlan     = 1 << 20              // bytes of a plan's text
	maxBody     = 256<<10 + 2*maxPlan  // of a command; a plan as JSON is longer than its text
	maxHeader   = 16 << 10             // of a request's headers
	maxWatchers = 32                   // displays that watch at a time
	maxConns    = 64                   // connections at a time
	readTime    = 10 * time.Second     // for a request to come in
	workTime    = 15 * time.Second     // for the bench to record a command
	writeTime   = 10 * time.Second     // for a line of watch to go out
	answerTime  = 3 * 15 * time.Second // for any other answer, the work included
	heartbeat   = 5 * time.Second      // between lines of watch, unless set
)

// notRecorded is the code of a command that the disk did not take.
const notRecorded = "not recorded"

// A Bench is what the socket needs of a session.Bench.
type Bench interface {
	Submit(ctx context.Context, item any) (session.Receipt, error)
	Snapshot() session.Snapshot
	Subscribe() (<-chan session.Snapshot, func())
}

// Config is what a Server is made of. Bench and Log must be set.
type Config struct {
	Bench Bench
	// Take asks an instrument for its reading, after the command that wants it is
	// recorded. Without it no instrument can be asked.
	Take func(ctx context.Context, r session.Receipt) error
	// Instruments answers what concerns ports and instruments; without it there
	// are no addresses for that.
	Instruments Instruments
	// Pages answers what concerns pages that give commands, alike.
	Pages Pages
	Log   *slog.Logger
	// Heartbeat is the time after which watch sends an empty line; 5 s if not set.
	Heartbeat time.Duration
}

// A Server answers at the control socket. Use Listen, then Serve; Shutdown from
// another goroutine ends Serve.
type Server struct {
	cfg      Config
	http     *http.Server
	socket   *socket
	watchers chan struct{} // one slot each
	done     chan struct{} // closed by Shutdown
	once     sync.Once
}

// New makes a server that does not listen yet.
func New(cfg Config) *Server {
	if cfg.Heartbeat <= 0 {
		cfg.Heartbeat = heartbeat
	}
	s := &Server{cfg: cfg, watchers: make(chan struct{}, maxWatchers), done: make(chan struct{})}
	s.http = &http.Server{
		Handler:           s,
		ReadHeaderTimeout: readTime,
		ReadTimeout:       readTime,
		WriteTimeout:      answerTime,
		IdleTimeout:       answerTime,
		MaxHeaderBytes:    maxHeader,
		ErrorLog:          slog.NewLogLogger(cfg.Log.Handler(), slog.LevelWarn),
	}
	return s
}

// ServeHTTP answers one request. It needs no socket.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	method, handle := http.MethodGet, http.HandlerFunc(s.snapshot)
	switch r.URL.Path {
	case "/v1/snapshot":
	case "/v1/watch":
		handle = s.watch
	case "/v1/command":
		method, handle = http.MethodPost, s.command
	default:
		if method, handle = s.instrumentRoute(r.URL.Path); handle == nil {
			method, handle = s.pageRoute(r.URL.Path)
		}
		if handle == nil {
			s.refuse(w, http.StatusNotFound, "no such address", fmt.Sprintf("there is nothing at %q", r.URL.Path),
				"use /v1/snapshot, /v1/watch or /v1/command")
			return
		}
	}
	if r.Method != method {
		w.Header().Set("Allow", method)
		s.refuse(w, http.StatusMethodNotAllowed, "wrong method", fmt.Sprintf("%s does not take %q", r.URL.Path, r.Method), "use "+method)
		return
	}
	handle(w, r)
}

func (s *Server) snapshot(w http.ResponseWriter, _ *http.Request) {
	s.answer(w, http.StatusOK, s.cfg.Bench.Snapshot())
}

func (s *Server) command(w http.ResponseWriter, r *http.Request) {
	c, problem := readCommand(w, r)
	if problem != nil {
		s.answer(w, problem.status, problem.refusal)
		return
	}
	// A client that goes away does not undo what it asked for.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), workTime)
	defer cancel()
	receipt, err := s.cfg.Bench.Submit(ctx, c)
	if err != nil {
		s.failed(w, err)
		return
	}
	if receipt.Ask != "" {
		if err := s.ask(ctx, receipt); err != nil {
			s.cfg.Log.Warn("cannot ask instrument", "instrument", receipt.Ask, "err", err)
			s.refuse(w, http.StatusBadGateway, "not asked",
				fmt.Sprintf("the take is recorded, but %s could not be asked: %v", receipt.Ask, err),
				"check that it is on and plugged in, or press its own button", "instrument", receipt.Ask, "error", err.Error())
			return
		}
	}
	s.answer(w, http.StatusOK, receipt)
}

func (s *Server) ask(ctx context.Context, r session.Receipt) error {
	if s.cfg.Take == nil {
		return errors.New("no instrument can be asked here")
	}
	return s.cfg.Take(ctx, r)
}

// failed answers for a command that the bench did not take.
func (s *Server) failed(w http.ResponseWriter, err error) {
	var refusal *session.Refusal
	if errors.As(err, &refusal) && refusal.Code != notRecorded {
		s.answer(w, http.StatusConflict, refusal)
		return
	}
	s.cfg.Log.Error("command not recorded", "err", err)
	if refusal != nil {
		s.answer(w, http.StatusServiceUnavailable, refusal)
		return
	}
	message := "the command is not recorded: " + err.Error()
	if errors.Is(err, context.DeadlineExceeded) {
		message = "the command is not confirmed in time, so it may or may not be recorded"
	}
	s.refuse(w, http.StatusServiceUnavailable, notRecorded, message, "look at the status and at the daemon's messages, then try again", "error", err.Error())
}

func (s *Server) refuse(w http.ResponseWriter, status int, code, message, instead string, params ...string) {
	no := &session.Refusal{Code: code, Message: message, Instead: instead, Params: map[string]string{}}
	for i := 0; i+1 < len(params); i += 2 {
		no.Params[params[i]] = params[i+1]
	}
	s.answer(w, status, no)
}

// answer writes v as one line of JSON.
func (s *Server) answer(w http.ResponseWriter, status int, v any) {
	text, err := encode(v)
	if err != nil {
		s.cfg.Log.Error("cannot encode an answer", "err", err)
		status = http.StatusInternalServerError
		text = []byte(`{"code":"failed","message":"the daemon cannot write its answer","instead":"look at its messages"}` + "\n")
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	if _, err := w.Write(text); err != nil {
		s.cfg.Log.Debug("a client went away before its answer", "err", err)
	}
}

// encode writes v as one line of JSON, its newline included.
func encode(v any) ([]byte, error) {
	var b strings.Builder
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return []byte(b.String()), nil
}
