package control

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"shimwright/session"
)

// Instruments is what the socket needs of the instruments and their ports.
type Instruments interface {
	// Ports lists the serial ports and what is bound to them. It opens none.
	Ports() (PortList, error)
	// Listen gives what happens at an instrument until stop is called. ok is false
	// if no instrument with a port has that name.
	Listen(name string) (heard <-chan Heard, stop func(), ok bool)
	// Learn opens the port of a profile that is bound to no instrument, and gives what
	// comes; first that the port is open. A request is sent every second.
	Learn(session.Profile) (heard <-chan Heard, stop func(), err error)
	// Propose finds profiles that read what a learner pressed.
	Propose(Pressed) ([]Proposal, error)
	// Set puts a profile in force while the daemon runs, and writes it into the
	// configuration file if asked. The error is a *session.Refusal if that cannot be.
	Set(ctx context.Context, p session.Profile, write bool) (InForce, error)
	// Metrics writes the health of every instrument as Prometheus text.
	Metrics() []byte
}

// A PortList is every serial port that is plugged in, and every port that a
// profile names.
type PortList struct {
	Ports  []PortView `json:"ports"`
	Unseen int        `json:"processes_not_seen,omitempty"` // that may hold a port as well
}

// A PortView is one serial port, or a port of a profile that is not plugged in.
type PortView struct {
	Device     string            `json:"device,omitempty"`
	Vendor     string            `json:"vendor,omitempty"`
	Product    string            `json:"product,omitempty"`
	Maker      string            `json:"maker,omitempty"`
	Model      string            `json:"model,omitempty"`
	Names      []string          `json:"names,omitempty"` // what a profile can call it, the best first
	Instrument string            `json:"instrument,omitempty"`
	Bound      string            `json:"bound,omitempty"` // the port as the profile has it
	State      session.PortState `json:"state,omitempty"`
	Detail     string            `json:"detail,omitempty"`
	HeldBy     []PortHolder      `json:"held_by,omitempty"`
	Problem    string            `json:"problem,omitempty"` // why it cannot be opened
	Mend       string            `json:"mend,omitempty"`    // the command that mends it
}

// A PortHolder is another process that has a port open.
type PortHolder struct {
	Process int    `json:"process"`
	Program string `json:"program,omitempty"`
}

// A Heard is one thing that happened at an instrument or a port. What says which;
// the other fields are set as they apply.
type Heard struct {
	At       time.Time            `json:"at"`
	Mono     time.Duration        `json:"mono_ns"`
	What     string               `json:"what"`           // bytes, unread bytes, take, window, frame, reading, port
	Lost     int                  `json:"lost,omitempty"` // things before this one that were not sent
	Raw      session.Raw          `json:"raw,omitempty"`
	Bytes    int                  `json:"bytes,omitempty"`
	Value    *session.Number      `json:"value_mm,omitempty"` // of a length
	Torque   *session.Number      `json:"value_Nm,omitempty"`
	Celsius  *session.Number      `json:"value_Cel,omitempty"`
	Text     string               `json:"text,omitempty"`
	Unit     session.Unit         `json:"unit,omitempty"`
	Fault    string               `json:"fault,omitempty"`
	Other    bool                 `json:"other_channel,omitempty"`
	Port     *session.PortChanged `json:"port,omitempty"`
	Movement *Movement            `json:"movement,omitempty"` // of a stream, since the listening began
}

// Amount is the value that was heard, and its quantity; nil without one.
func (h Heard) Amount() (*session.Number, session.Quantity) {
	switch {
	case h.Torque != nil:
		return h.Torque, session.OfTorque
	case h.Celsius != nil:
		return h.Celsius, session.OfTemperature
	}
	return h.Value, session.OfLength
}

// Set puts a value where the unit that it was sent in belongs.
func (h *Heard) Set(value *session.Number, sent session.Unit) {
	switch sent.Quantity() {
	case session.OfTorque:
		h.Torque = value
	case session.OfTemperature:
		h.Celsius = value
	default:
		h.Value = value
	}
}

// A Movement is what a stream has shown since the listening began.
type Movement struct {
	Frames    int            `json:"frames"`
	Forgotten int            `json:"forgotten,omitempty"` // older frames that it is not made of
	Peak      session.Number `json:"peak_mm"`
	Trough    session.Number `json:"trough_mm"`
	Movement  session.Number `json:"movement_mm"`
}

// Pressed is what a learner pressed, and what the display said each time.
type Pressed struct {
	Name    string          `json:"name"`
	Kind    session.Kind    `json:"kind"`
	Port    string          `json:"port"`
	Line    session.Line    `json:"line"`
	Trigger session.Trigger `json:"trigger,omitempty"` // on press if not given
	Request string          `json:"request,omitempty"`
	Stated  Stated          `json:"stated,omitzero"`
	Presses []Press         `json:"presses"`
	Try     session.Raw     `json:"try,omitempty"` // bytes of a further press, to read by each proposal
}

// Stated is what a learner knows of an instrument that no press shows.
type Stated struct {
	Limits map[session.Use]session.Number `json:"permissible_error_mm,omitempty"` // of lengths
	Limit  *session.Number                `json:"permissible_error,omitempty"`    // in °C, or of a torque in percent
	Spread *session.Number                `json:"repeatability,omitempty"`        // in the unit of the quantity
	Due    string                         `json:"calibration_due,omitempty"`
}

// Profile is what is known before anything is proposed.
func (p Pressed) Profile() session.Profile {
	of := session.Profile{Name: p.Name, Kind: p.Kind, Port: p.Port, Line: p.Line, Trigger: p.Trigger, Request: p.Request, Due: p.Stated.Due}
	switch p.Kind.Quantity() {
	case session.OfTorque:
		of.PermissiblePercent, of.RepeatabilityNm = p.Stated.Limit, p.Stated.Spread
	case session.OfTemperature:
		of.PermissibleCel, of.RepeatabilityCel = p.Stated.Limit, p.Stated.Spread
	default:
		of.Permissible = p.Stated.Limits
		if p.Stated.Spread != nil {
			of.Repeatability = *p.Stated.Spread
		}
	}
	return of
}

// A Press is the bytes of one press with the number that the display showed.
type Press struct {
	Raw  session.Raw  `json:"raw"`
	Text string       `json:"text"`
	Unit session.Unit `json:"unit"`
}

// A Proposal is a profile that reads every press as the display showed it.
type Proposal struct {
	Profile session.Profile `json:"profile"`
	Form    string          `json:"form"`            // what is on the wire, in words
	Notes   []string        `json:"notes,omitempty"` // what the presses did not show
	TOML    string          `json:"toml"`            // the profile as the configuration has it
	Tried   string          `json:"tried,omitempty"` // what it reads of Try, or why it does not
}

// Wanted is a profile to put in force.
type Wanted struct {
	Profile session.Profile `json:"profile"`
	Write   bool            `json:"write,omitempty"` // into the configuration file too
}

// InForce says that a profile is in force.
type InForce struct {
	Name       string `json:"name"`
	Seq        int64  `json:"seq"`                   // of its entry
	TOML       string `json:"toml"`                  // as the configuration has it
	Written    string `json:"written,omitempty"`     // the file that it was added to
	NotWritten string `json:"not_written,omitempty"` // why it was not
}

// instrumentRoute finds what answers at an address of the instruments.
func (s *Server) instrumentRoute(path string) (method string, handle http.HandlerFunc) {
	if s.cfg.Instruments == nil {
		return "", nil
	}
	switch path {
	case "/v1/ports":
		return http.MethodGet, s.ports
	case "/v1/metrics":
		return http.MethodGet, s.metrics
	case "/v1/listen":
		return http.MethodGet, s.listen
	case "/v1/learn":
		return http.MethodGet, s.learn
	case "/v1/propose":
		return http.MethodPost, s.propose
	case "/v1/profile":
		return http.MethodPost, s.setProfile
	}
	return "", nil
}

func (s *Server) ports(w http.ResponseWriter, _ *http.Request) {
	list, err := s.cfg.Instruments.Ports()
	if err != nil {
		s.cfg.Log.Error("cannot list the ports", "err", err)
		s.refuse(w, http.StatusInternalServerError, "failed", err.Error(), "look at the daemon's messages", "error", err.Error())
		return
	}
	s.answer(w, http.StatusOK, list)
}

func (s *Server) metrics(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	if _, err := w.Write(s.cfg.Instruments.Metrics()); err != nil {
		s.cfg.Log.Debug("a client went away before its answer", "err", err)
	}
}

func (s *Server) instrumentNames() string {
	var names []string
	for _, in := range s.cfg.Bench.Snapshot().Instruments {
		names = append(names, in.Name)
	}
	return strings.Join(names, ", ")
}

// listen sends what happens at an instrument as JSON lines until the client goes away.
func (s *Server) listen(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Query().Get("instrument")
	heard, stop, ok := s.cfg.Instruments.Listen(name)
	if !ok {
		s.refuse(w, http.StatusConflict, "no such instrument", fmt.Sprintf("there is no instrument %q with a port", name), "see logctl status for their names", "instrument", name, "names", s.instrumentNames())
		return
	}
	defer stop()
	s.tell(w, r, heard)
}

// learn opens a port and sends what comes until the client goes away.
func (s *Server) learn(w http.ResponseWriter, r *http.Request) {
	of, p := learnQuery(r.URL.Query())
	if p != nil {
		s.answer(w, p.status, p.refusal)
		return
	}
	heard, stop, err := s.cfg.Instruments.Learn(of)
	var no *session.Refusal
	if errors.As(err, &no) {
		s.answer(w, http.StatusConflict, no)
		return
	}
	if err != nil {
		s.refuse(w, http.StatusConflict, "port refused", err.Error(), "see logctl ports for what hinders it", "error", err.Error())
		return
	}
	defer stop()
	s.tell(w, r, heard)
}

func learnQuery(q url.Values) (of session.Profile, p *problem) {
	line := session.Line{Parity: q.Get("parity"), StopBits: q.Get("stop_bits")}
	for _, f := range []struct {
		key string
		to  *int
	}{{"baud", &line.Baud}, {"data_bits", &line.DataBits}} {
		if text := q.Get(f.key); text != "" {
			if n, err := fmt.Sscanf(text, "%d", f.to); n != 1 || err != nil {
				return of, bad(fmt.Sprintf("%s is %q", f.key, text), "give a number")
			}
		}
	}
	if q.Get("port") == "" {
		return of, bad("no port is named", "give port=PATH")
	}
	return session.Profile{Port: q.Get("port"), Line: line, Request: q.Get("request")}, nil
}

// propose answers what a learner pressed with the profiles that read it.
func (s *Server) propose(w http.ResponseWriter, r *http.Request) {
	var pressed Pressed
	if p := readBody(w, r, &pressed); p != nil {
		s.answer(w, p.status, p.refusal)
		return
	}
	found, err := s.cfg.Instruments.Propose(pressed)
	if err != nil {
		s.refuse(w, http.StatusConflict, "cannot propose", err.Error(), "press a few times more, each with another value", "error", err.Error())
		return
	}
	if found == nil {
		found = []Proposal{}
	}
	s.answer(w, http.StatusOK, found)
}

// setProfile puts a profile in force.
func (s *Server) setProfile(w http.ResponseWriter, r *http.Request) {
	var wanted Wanted
	if p := readBody(w, r, &wanted); p != nil {
		s.answer(w, p.status, p.refusal)
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), workTime)
	defer cancel()
	set, err := s.cfg.Instruments.Set(ctx, wanted.Profile, wanted.Write)
	if err != nil {
		s.failed(w, err)
		return
	}
	s.answer(w, http.StatusOK, set)
}

// readBody reads one JSON object strictly.
func readBody(w http.ResponseWriter, r *http.Request, into any) *problem {
	dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
	dec.DisallowUnknownFields()
	err := dec.Decode(into)
	if err == nil {
		if _, more := dec.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("something follows the object")
		}
	}
	if err != nil {
		return bad("the request cannot be read: "+err.Error(), "send one JSON object")
	}
	return nil
}

// tell sends what is heard until it ends, the client goes away or the server shuts
// down. It takes one of the places of those who watch.
func (s *Server) tell(w http.ResponseWriter, r *http.Request, heard <-chan Heard) {
	select {
	case s.watchers <- struct{}{}:
		defer func() { <-s.watchers }()
	default:
		s.refuse(w, http.StatusServiceUnavailable, "too many displays", "too many displays watch already", "close one, then try again")
		return
	}
	lines := &lineWriter{to: w, control: http.NewResponseController(w)}
	lines.control.SetReadDeadline(time.Time{}) //nolint:errcheck // a recorder has no deadline
	w.Header().Set("Content-Type", "application/jsonl; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	beat := time.NewTicker(s.cfg.Heartbeat)
	defer beat.Stop()
	for err := lines.write([]byte("\n")); err == nil; {
		select {
		case h, open := <-heard:
			if !open {
				return
			}
			var line []byte
			if line, err = encode(h); err == nil {
				err = lines.write(line)
			}
		case <-beat.C:
			err = lines.write([]byte("\n"))
		case <-r.Context().Done():
			return
		case <-s.done:
			return
		}
	}
}
