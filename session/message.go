package session

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"
)

// A Message is what goes out on one topic. Its payload is a JSON object that
// begins with schema, run, seq and time.
//
// Topics lie under <base>/v1/<bench>/ (see TopicPrefix):
//
//	status             retained, and the will: whether this bench is there
//	step               retained: the job and its active step, or null
//	advice             retained: the advice of each chain, maybe none
//	instrument/<name>  retained: one instrument
//	reading            never retained: one reading as it was ruled
//
// Validity belongs to status alone. The other topics hold while the status of
// the same run says "live" and its beat keeps rising; a display that has heard
// no higher beat for three intervals, measured by its own clock from arrival,
// shows what it has as old. So a retained "live" proves nothing until the next
// beat, and a topic of an older run (an instrument that is no longer there) is
// to be ignored, not cleared.
type Message struct {
	Topic    string // below the prefix of the bench
	Retained bool
	Payload  []byte

	run     int64
	content string // the payload without what changes with each message
}

// Same says whether m tells no more than other: all but sequence, time and beat
// are equal.
func (m Message) Same(other Message) bool {
	return m.Topic == other.Topic && m.run == other.run && m.content == other.content
}

// The states in a status message.
const (
	StatusLive  = "live"  // the bench is there and beats
	StatusGone  = "gone"  // the will: the connection ended without a word
	StatusEnded = "ended" // the run ended in good order
)

// messageHead opens every payload. Seq and Time are of the log entry that the message
// reflects, except in status, whose time is that of the beat.
type messageHead struct {
	Schema int       `json:"schema"`
	Run    int64     `json:"run"`
	Seq    int64     `json:"seq"`
	Time   time.Time `json:"time"`
}

type statusHead struct {
	messageHead
	Beat int64 `json:"beat"` // rises with every status of a run
}

type statusBody struct {
	Bench     string    `json:"bench"` // as it is written in the configuration
	State     string    `json:"state"`
	Interval  float64   `json:"interval_s"` // at most this long until the next beat
	Recording Recording `json:"recording"`
	Job       string    `json:"job,omitempty"` // the open job
	Software  string    `json:"software"`
	Method    string    `json:"method"`
	PublicKey string    `json:"public_key,omitempty"` // that checks the checkpoints of the log
}

type checkpointBody struct {
	Checkpoint string `json:"checkpoint"` // C2SP tlog-checkpoint, signed
	PublicKey  string `json:"public_key"`
}

type stepBody struct {
	Job  *JobView  `json:"job"`
	Step *StepView `json:"step"`
}

type adviceBody struct {
	Advice []Advice   `json:"advice"`
	Fits   []SeatView `json:"fits,omitempty"`
}

type instrumentBody struct {
	Instrument InstrumentView `json:"instrument"`
}

type readingBody struct {
	Previous int64       `json:"previous"` // sequence of the reading before it; 0 if none
	Reading  ReadingView `json:"reading"`
}

// Retained returns the messages whose latest one each display must have: step,
// advice and one per instrument, in this order. Status is not among them,
// because it has a beat.
func (s Snapshot) Retained() ([]Message, error) {
	h := s.messageHead()
	step, err := joinMessage("step", s.Run, h, stepBody{s.Job, s.Step})
	if err != nil {
		return nil, err
	}
	advice, err := joinMessage("advice", s.Run, h, adviceBody{append([]Advice{}, s.Advice...), s.Fits})
	if err != nil {
		return nil, err
	}
	all := []Message{step, advice}
	if s.Log != nil && s.Log.Checkpoint != "" {
		m, err := joinMessage("checkpoint", s.Run, h, checkpointBody{s.Log.Checkpoint, s.Log.PublicKey})
		if err != nil {
			return nil, err
		}
		all = append(all, m)
	}
	for _, i := range s.Instruments {
		m, err := joinMessage("instrument/"+Segment(i.Name), s.Run, h, instrumentBody{i})
		if err != nil {
			return nil, err
		}
		all = append(all, m)
	}
	for i := range all {
		all[i].Retained = true
	}
	return all, nil
}

// ReadingMessage returns the message for one reading of s. Previous is the
// sequence of the reading before it in the run, 0 for the first: a display that
// has not seen that one has missed a message. Readings are delivered at least
// once, so one whose sequence a display already has is to be ignored.
func ReadingMessage(s Snapshot, r ReadingView, previous int64) (Message, error) {
	h := s.messageHead()
	h.Seq, h.Time = r.Seq, r.Time.UTC()
	return joinMessage("reading", s.Run, h, readingBody{previous, r})
}

// StatusMessage returns the status with the given beat, made at the given time.
// The next one is due within every. The will is a status too: its time is when
// it was handed to the broker, not when the bench went.
func StatusMessage(s Snapshot, state string, beat int64, at time.Time, every time.Duration) (Message, error) {
	h := s.messageHead()
	h.Time = at.UTC()
	body := statusBody{
		Bench: s.Bench, State: state, Interval: every.Seconds(), Recording: s.Recording,
		Software: s.Software, Method: s.Method,
	}
	if s.Job != nil && !s.Job.Ended {
		body.Job = s.Job.Number
	}
	if s.Log != nil {
		body.PublicKey = s.Log.PublicKey
	}
	m, err := joinMessage("status", s.Run, statusHead{h, beat}, body)
	m.Retained = true
	return m, err
}

func (s Snapshot) messageHead() messageHead {
	return messageHead{SchemaVersion, s.Run, s.Seq, s.Time.UTC()}
}

// joinMessage joins the two objects into one; neither may be empty.
func joinMessage(topic string, run int64, head, body any) (Message, error) {
	first, err := marshal(head)
	if err != nil {
		return Message{}, fmt.Errorf("cannot write the message %q: %w", topic, err)
	}
	second, err := marshal(body)
	if err != nil {
		return Message{}, fmt.Errorf("cannot write the message %q: %w", topic, err)
	}
	payload := bytes.Join([][]byte{first[:len(first)-1], second[1:]}, []byte(","))
	return Message{Topic: topic, Payload: payload, run: run, content: string(second)}, nil
}

// TopicPrefix returns "<base>/v1/<bench>/". It refuses a base that is not made of
// segments [a-z0-9-] separated by "/"; the bench goes through Segment.
func TopicPrefix(base, bench string) (string, error) {
	for _, level := range strings.Split(base, "/") {
		if Segment(level) != level {
			return "", fmt.Errorf(`the topic base %q is not usable; write small letters, digits and "-", with "/" between levels`, base)
		}
	}
	return base + "/v1/" + Segment(bench) + "/", nil
}

// maxSegment bounds a segment made from a name.
const maxSegment = 64

// Segment turns a name into one level of a topic, [a-z0-9-] and at most 64 long.
// A name that is one already stays as it is. Any other is reduced to these
// characters and gets eight hexadecimal digits of its SHA-256, so that names
// which differ keep different topics: "Caliper 1" does not collide with
// "caliper-1" or "caliper_1".
func Segment(name string) string {
	plain := plainSegment(name)
	if plain == name && name != "" && len(name) <= maxSegment {
		return name
	}
	sum := sha256.Sum256([]byte(name))
	digits := hex.EncodeToString(sum[:4])
	if len(plain) > maxSegment-len(digits)-1 {
		plain = plain[:maxSegment-len(digits)-1]
	}
	return strings.TrimLeft(plain+"-"+digits, "-")
}

// plainSegment keeps [a-z0-9-], makes capitals small and anything else "-".
func plainSegment(name string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '-':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, name)
}
