// Package wall follows the benches of one broker, for a view of many side by side. It
// subscribes like any display, to what session.Message describes, and trusts a bench
// only while its status says "live" and its beat has risen within three intervals by
// this computer's own clock. A retained "live" proves nothing until the next beat.
package wall

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"shimwright/cmd/loggerd/display"
	"shimwright/session"
)

const (
	patience   = 10 * time.Second // for the broker to answer
	mostWait   = 30 * time.Second // between tries to connect
	look       = time.Second      // between looks at how old things are
	waiting    = 512              // messages; more, and it begins afresh
	maxPayload = 8 << 20          // bytes of a message
)

// Config is what a Wall is made of. Broker, Base and Benches must be set.
type Config struct {
	Broker             string // its address, like tcp://127.0.0.1:1883
	Base               string // first segment of every topic
	Benches            []string
	Username, Password string
	ClientID           string // "wall-" and a random number if empty
	Log                *slog.Logger
	Now                func() time.Time // with a monotonic clock; time.Now if nil
}

// A Wall follows benches. Use Run; Subscribe may be called at any time.
type Wall struct {
	cfg     Config
	topics  map[string]topic
	benches []*bench // in the order of the configuration; owned by Run
	linked  bool     // whether the broker is connected; owned by Run
	heard   chan heard

	mu      sync.Mutex // guards what follows, nothing else
	latest  []display.WallBench
	readers map[chan []display.WallBench]struct{}
}

// A topic is one that is subscribed to: of which bench, and what.
type topic struct {
	bench int
	what  string
}

type heard struct {
	topic    topic
	payload  []byte
	retained bool
}

// New checks cfg; it connects to nothing yet.
func New(cfg Config) (*Wall, error) {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.ClientID == "" {
		cfg.ClientID = fmt.Sprintf("wall-%08x", rand.Uint32())
	}
	w := &Wall{cfg: cfg, topics: map[string]topic{}, readers: map[chan []display.WallBench]struct{}{}}
	for i, name := range cfg.Benches {
		prefix, err := session.TopicPrefix(cfg.Base, name)
		if err != nil {
			return nil, err
		}
		for _, what := range []string{"status", "step", "advice", "reading"} {
			w.topics[prefix+what] = topic{i, what}
		}
		w.benches = append(w.benches, &bench{name: name})
	}
	w.publish()
	return w, nil
}

// Subscribe returns a mailbox that holds the latest state, and a function that gives
// it up.
func (w *Wall) Subscribe() (<-chan []display.WallBench, func()) {
	box := make(chan []display.WallBench, 1)
	w.mu.Lock()
	defer w.mu.Unlock()
	box <- w.latest
	w.readers[box] = struct{}{}
	return box, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		delete(w.readers, box)
	}
}

// publish puts the present state into every mailbox, unless it tells nothing new.
func (w *Wall) publish() {
	views := make([]display.WallBench, len(w.benches))
	for i, b := range w.benches {
		views[i] = b.view(w.cfg.Now(), w.linked)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.latest = views
	for box := range w.readers {
		select {
		case <-box:
		default:
		}
		box <- views
	}
}

// Run follows the benches until ctx ends, and returns nil then. It connects anew, with
// a client of its own each time, as long as it takes.
func (w *Wall) Run(ctx context.Context) error {
	for wait := time.Second; ; wait = min(2*wait, mostWait) {
		began := w.cfg.Now()
		err := w.follow(ctx)
		w.linked = false
		for _, b := range w.benches {
			b.proven = false
		}
		w.publish()
		if ctx.Err() != nil {
			return nil
		}
		w.cfg.Log.Info("the wall has no connection to the broker", "broker", w.cfg.Broker, "err", err)
		if w.cfg.Now().Sub(began) > mostWait {
			wait = time.Second
		}
		pause := time.NewTimer(wait/2 + rand.N(wait/2))
		select {
		case <-pause.C:
		case <-ctx.Done():
			pause.Stop()
			return nil
		}
	}
}

var (
	errSilent = errors.New("the broker does not answer")
	errBehind = errors.New("more messages came than could be followed")
)

// follow connects, subscribes, and takes what comes until the connection ends.
func (w *Wall) follow(ctx context.Context) error {
	lost := make(chan error, 2)
	w.heard = make(chan heard, waiting)
	client := paho.NewClient(w.options(lost))
	defer client.Disconnect(100)
	if err := finished(ctx, client.Connect()); err != nil {
		return fmt.Errorf("cannot connect: %w", err)
	}
	filters := map[string]byte{}
	for name := range w.topics {
		filters[name] = 1
	}
	if err := finished(ctx, client.SubscribeMultiple(filters, w.receive(lost))); err != nil {
		return fmt.Errorf("cannot subscribe: %w", err)
	}
	w.linked = true
	w.publish()
	age := time.NewTicker(look)
	defer age.Stop()
	for {
		select {
		case h := <-w.heard:
			if w.take(h) {
				w.publish()
			}
		case <-age.C:
			if w.aged() {
				w.publish()
			}
		case err := <-lost:
			return err
		case <-ctx.Done():
			return nil
		}
	}
}

func (w *Wall) options(lost chan<- error) *paho.ClientOptions {
	return paho.NewClientOptions().AddBroker(w.cfg.Broker).
		SetClientID(w.cfg.ClientID).SetUsername(w.cfg.Username).SetPassword(w.cfg.Password).
		SetProtocolVersion(4).SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).
		SetKeepAlive(15 * time.Second).SetPingTimeout(patience).SetConnectTimeout(patience).SetWriteTimeout(patience).
		SetConnectionLostHandler(func(_ paho.Client, err error) { tell(lost, err) })
}

// receive hands messages over; it never waits inside the client's handler.
func (w *Wall) receive(lost chan<- error) paho.MessageHandler {
	to := w.heard
	return func(_ paho.Client, m paho.Message) {
		t, ok := w.topics[m.Topic()]
		if !ok || len(m.Payload()) > maxPayload {
			return
		}
		select {
		case to <- heard{t, m.Payload(), m.Retained()}:
		default:
			tell(lost, errBehind)
		}
	}
}

func tell(lost chan<- error, err error) {
	select {
	case lost <- err:
	default:
	}
}

func finished(ctx context.Context, token paho.Token) error {
	limit := time.NewTimer(patience)
	defer limit.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-limit.C:
		return errSilent
	case <-ctx.Done():
		return ctx.Err()
	}
}

// take takes a message; changed tells whether there is something to show.
func (w *Wall) take(h heard) (changed bool) {
	b := w.benches[h.topic.bench]
	was := b.doubt(w.cfg.Now(), true)
	if err := b.take(h, w.cfg.Now()); err != nil {
		w.cfg.Log.Debug("a message of a bench cannot be read", "bench", b.name, "topic", h.topic.what, "err", err)
		return false
	}
	b.said = b.doubt(w.cfg.Now(), true)
	return h.topic.what != "status" || was != b.said
}

// aged tells whether a bench has fallen silent since the last look.
func (w *Wall) aged() (changed bool) {
	for _, b := range w.benches {
		if said := b.doubt(w.cfg.Now(), w.linked); said != b.said {
			b.said, changed = said, true
		}
	}
	return changed
}

// A bench is what is known of one.
type bench struct {
	name    string
	status  *status
	beatAt  time.Time     // when the beat last rose
	proven  bool          // a beat came that was not retained, or rose
	said    display.Doubt // the doubt that was last looked at
	step    stepMessage
	advice  adviceMessage
	reading readingMessage
}

type head struct {
	Schema int   `json:"schema"`
	Run    int64 `json:"run"`
}

type status struct {
	head
	Beat      int64             `json:"beat"`
	State     string            `json:"state"`
	Interval  float64           `json:"interval_s"`
	Recording session.Recording `json:"recording"`
}

type stepMessage struct {
	head
	Job  *session.JobView  `json:"job"`
	Step *session.StepView `json:"step"`
}

type adviceMessage struct {
	head
	Advice []session.Advice `json:"advice"`
}

type readingMessage struct {
	head
	Reading session.ReadingView `json:"reading"`
}

// take reads one message.
func (b *bench) take(h heard, now time.Time) error {
	switch h.topic.what {
	case "status":
		s, err := read[status](h.payload)
		if err != nil {
			return err
		}
		b.beat(s, h.retained, now)
		return nil
	case "step":
		return into(h.payload, &b.step)
	case "advice":
		return into(h.payload, &b.advice)
	}
	return into(h.payload, &b.reading)
}

// beat notes a status. That of an older run, such as a late will, changes nothing.
func (b *bench) beat(s status, retained bool, now time.Time) {
	if b.status != nil && s.Run < b.status.Run {
		return
	}
	rises := b.status != nil && (s.Run > b.status.Run || s.Beat > b.status.Beat)
	if b.status == nil || rises {
		b.beatAt = now
	}
	if !retained || rises {
		b.proven = true
	}
	b.status = &s
}

// doubt says why nothing of a bench can be trusted; it is empty if it can.
func (b *bench) doubt(now time.Time, linked bool) display.Doubt {
	switch {
	case !linked:
		return display.Doubt{Code: display.NoBroker}
	case b.status == nil:
		return display.Doubt{Code: display.NeverHeard}
	case b.status.State == session.StatusEnded:
		return display.Doubt{Code: display.Stopped}
	case b.status.State != session.StatusLive:
		return display.Doubt{Code: display.Gone}
	case !b.proven:
		return display.Doubt{Code: display.Unproven}
	case now.Sub(b.beatAt).Seconds() > 3*b.status.Interval:
		return display.Doubt{Code: display.Silent, For: 3 * b.status.Interval}
	case !b.status.Recording.OK:
		return display.Doubt{Code: display.NotRecording, Problem: b.status.Recording.Problem}
	}
	return display.Doubt{}
}

// view is the bench as it is shown. What another run said is not.
func (b *bench) view(now time.Time, linked bool) display.WallBench {
	v := display.WallBench{Name: b.name, Doubt: b.doubt(now, linked)}
	if v.Doubt != (display.Doubt{}) {
		return v
	}
	if b.step.Run == b.status.Run {
		v.Job, v.Step = b.step.Job, b.step.Step
	}
	if b.advice.Run == b.status.Run {
		v.Advice = b.advice.Advice
	}
	if b.reading.Run == b.status.Run && v.Job != nil && b.reading.Reading.Job == v.Job.Number {
		v.Reading = &b.reading.Reading
	}
	return v
}

// read reads a message of the schema that is known here.
func read[T any](payload []byte) (T, error) {
	var h head
	var message T
	if err := json.Unmarshal(payload, &h); err != nil {
		return message, err
	}
	if h.Schema != session.SchemaVersion {
		return message, fmt.Errorf("it is of schema %d, and %d is known", h.Schema, session.SchemaVersion)
	}
	err := json.Unmarshal(payload, &message)
	return message, err
}

// into reads a message in place of the one before, which stays if it cannot be read.
func into[T any](payload []byte, place *T) error {
	message, err := read[T](payload)
	if err == nil {
		*place = message
	}
	return err
}
