// Package display serves the shop display: a page that shows what to measure now,
// whether the last press counted, and in the end which shim goes where. A page that
// is paired also gives commands; any other can only look.
//
//	GET  /            the page; its style and scripts beside it
//	GET  /events      server-sent events
//	GET  /story       every reading of the job, with a strip plot for each place; its
//	                  events at /story/events
//	GET  /wall        many benches of one broker side by side, if the configuration
//	                  names them; its events at /wall/events
//	GET  /metrics     the health of the instruments' lines, as Prometheus text
//	GET  /words       the page's own sentences and the words of plans in a language
//	POST /pair        {"code", "operator"}: answers with a token
//	GET  /choices     what can be chosen from: plans, parts, instruments; with a token
//	POST /command     a session.Command; with a token
//
// The events of each view are:
//
//	snapshot   everything that the view shows: one at once and one at each change.
//	           For the page it holds the whole session.Snapshot, the sentences that go
//	           with it and the drawings as SVG
//	beat       {"now"}: every heartbeat
//
// Each reader has a language and a unit of length, which the address of a request names:
// ?language=de&unit=in. Without them they are those of the configuration.
//
// A page whose own clock has seen neither for three heartbeats blanks its numbers.
//
// One goroutine empties the bench's mailbox and renders each snapshot once for each
// view that somebody looks at. Every
// page has a slot for one event, in which a newer one replaces an older, and a
// time limit for each write, so that a browser that is stuck delays nobody.
//
// Against other sites in the same browser: the Host must be a loopback name or
// address, or the address listened on (DNS rebinding), nothing is readable across
// origins, and the page may load only what is served here. What comes from plans,
// instruments and people is only ever text. What changes something must say that it
// comes from this origin, be JSON and bear a token.
//
// # Pairing
//
// A person who can open the control socket has it make a one-time code, and types it
// into the page. The page gets a token of 256 random bits; the log gets its hash, as
// an entry, so that pairings outlive the daemon by the fold. Revoking is an entry too.
//
// The page keeps the token in its local storage and sends it in the Authorization
// header; it is no cookie. A cookie is sent by the browser on its own accord, so that
// everything hangs on SameSite; it goes to every port of the host, so that any other
// program that serves pages on this computer gets it, and counts as the same site; and
// over plain HTTP it can be neither Secure nor bound to the host by its name. A header
// that only our own script sets has none of that. What a cookie has over it, that
// script cannot read it, matters where foreign script can run: here the policy lets
// none run, and nothing is ever made HTML; and script that did run could command with
// a cookie just as well. Over plain HTTP anybody on the wire can read the token either
// way: let the page listen beyond loopback only in a network you trust.
package display

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strconv"
	"sync"
	"time"

	"shimwright/session"
	"shimwright/session/wording"
)

// The limits of the server.
const (
	heartbeat  = 2 * time.Second
	maxPages   = 128             // that look at a time
	maxConns   = maxPages + 64   // connections at a time
	writeLimit = 5 * time.Second // for one event to go out
	readLimit  = 10 * time.Second
	closeLimit = 2 * time.Second
	maxHeader  = 16 << 10
)

// Config is what a Server is made of. Mailbox must be set.
type Config struct {
	Listen string // host:port; port 0 takes any free one; 127.0.0.1:8080 if empty

	// Mailbox is Bench.Subscribe: a mailbox that holds the latest snapshot, and a
	// function that gives it up.
	Mailbox   func() (<-chan session.Snapshot, func())
	Heartbeat time.Duration // between beats; 2 s if 0
	Software  string        // version, for the wall

	// Do carries out a command and, where it is to ask an instrument, asks it. Its
	// error is a *session.Refusal if the bench says no. Without it pages can only look.
	Do func(context.Context, session.Command) (session.Receipt, error)
	// Desk is Bench.Desk, and Plans lists the plans to begin with; both belong to Do.
	Desk  func() session.Desk
	Plans func() ([]Plan, error)

	// Wall gives a mailbox that holds the latest state of the benches of the wall, and
	// a function that gives it up. Without it there is no wall.
	Wall func() (<-chan []WallBench, func())
	// Metrics writes the health of the bench as Prometheus text; nil for none.
	Metrics func() []byte

	Languages wording.Languages // to choose from; those that come with the program if nil
	Language  string            // of readers who do not choose, by its tag; English if empty
	Inches    bool              // lengths in inches for readers who do not choose

	Log *slog.Logger     // none if nil
	Now func() time.Time // time.Now if nil
}

// A Server shows the bench to browsers. Use Listen, then Serve.
type Server struct {
	cfg      Config
	host     string // of Config.Listen
	listener net.Listener
	bench    *hub[session.Snapshot]
	story    *hub[session.Snapshot]
	wall     *hub[[]WallBench]
	codes    codes
	readers  map[reader]*wording.Language
	slots    chan struct{} // one per page that looks
	write    time.Duration // for one event to go out
	done     chan struct{} // closed when Serve ends
	once     sync.Once
}

// New checks cfg; it listens to nothing yet.
func New(cfg Config) (*Server, error) {
	if cfg.Mailbox == nil {
		return nil, errors.New("cannot serve a display without a mailbox; give Config.Mailbox")
	}
	if cfg.Heartbeat < 0 {
		return nil, errors.New("cannot serve a display with a negative heartbeat; write a time such as 5s")
	}
	if cfg.Listen == "" {
		cfg.Listen = "127.0.0.1:8080"
	}
	host, port, err := net.SplitHostPort(cfg.Listen)
	if err != nil {
		return nil, fmt.Errorf("the display's address %q is not usable; write it like 127.0.0.1:8080", cfg.Listen)
	}
	if _, err := strconv.ParseUint(port, 10, 16); err != nil {
		return nil, fmt.Errorf("the port of the display's address %q is not usable; write a number from 0 to 65535", cfg.Listen)
	}
	if cfg.Heartbeat == 0 {
		cfg.Heartbeat = heartbeat
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	s := &Server{cfg: cfg, host: host, slots: make(chan struct{}, maxPages), write: writeLimit, done: make(chan struct{})}
	if err := s.teach(); err != nil {
		return nil, err
	}
	s.bench = newHub(snapshotEvent(s.event))
	s.story = newHub(snapshotEvent(s.storyEvent))
	s.wall = newHub(snapshotEvent(s.wallEvent))
	return s, nil
}

// Listen opens the address. It fails if another program has it.
func (s *Server) Listen() error {
	l, err := net.Listen("tcp", s.cfg.Listen)
	if err != nil {
		return fmt.Errorf("cannot listen for the display at %q: %w", s.cfg.Listen, err)
	}
	s.listener = limit(l, maxConns)
	return nil
}

// Addr is the address listened on, with the port that was taken; empty before Listen.
func (s *Server) Addr() string {
	if s.listener == nil {
		return ""
	}
	return s.listener.Addr().String()
}

// Serve answers until ctx ends, then returns nil. Listen comes before it. It can
// be used once.
func (s *Server) Serve(ctx context.Context) error {
	if s.listener == nil {
		return errors.New("cannot serve the display before Listen")
	}
	defer s.end()
	web := &http.Server{
		Handler: s.Handler(), ReadHeaderTimeout: readLimit, ReadTimeout: readLimit, WriteTimeout: readLimit + workTime,
		IdleTimeout: 2 * readLimit, MaxHeaderBytes: maxHeader, ErrorLog: slog.NewLogLogger(s.cfg.Log.Handler(), slog.LevelDebug),
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	rendered := make(chan struct{})
	go func() {
		defer close(rendered)
		s.collect(ctx)
	}()
	failed := make(chan error, 1)
	go func() { failed <- web.Serve(s.listener) }()
	var err error
	select {
	case err = <-failed:
		err = fmt.Errorf("cannot serve the display: %w", err)
	case <-ctx.Done():
	}
	cancel()
	s.end()
	<-rendered
	return errors.Join(err, shut(web))
}

// shut closes the server in good order, and by force if that takes too long.
func shut(web *http.Server) error {
	ctx, cancel := context.WithTimeout(context.Background(), closeLimit)
	defer cancel()
	if web.Shutdown(ctx) == nil {
		return nil
	}
	if err := web.Close(); err != nil {
		return fmt.Errorf("cannot close the display: %w", err)
	}
	return nil
}

func (s *Server) end() { s.once.Do(func() { close(s.done) }) }
