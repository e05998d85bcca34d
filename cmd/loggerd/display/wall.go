package display

import (
	"strings"
	"time"

	"shimwright/session"
	"shimwright/session/wording"
)

// A WallBench is one bench of the wall, as far as its messages tell.
type WallBench struct {
	Name    string
	Doubt   Doubt                // why nothing of it can be trusted now; zero if it can
	Job     *session.JobView     // nil if none is known
	Step    *session.StepView    // the active one
	Advice  []session.Advice     // one per chain
	Reading *session.ReadingView // the last one since the wall listens
}

// A Doubt is why nothing of a bench can be trusted.
type Doubt struct {
	Code    DoubtCode
	For     float64 // seconds, of Silent
	Problem string  // of NotRecording
}

// A DoubtCode is a kind of doubt.
type DoubtCode string

// The kinds of doubt.
const (
	NoBroker     DoubtCode = "no broker"
	NeverHeard   DoubtCode = "never heard"
	Stopped      DoubtCode = "stopped"
	Gone         DoubtCode = "gone"
	Unproven     DoubtCode = "unproven" // retained messages alone prove nothing
	Silent       DoubtCode = "silent"
	NotRecording DoubtCode = "not recording"
)

// Said is a doubt in words; empty for none.
func (d Doubt) Said(l *wording.Language) string {
	switch d.Code {
	case NoBroker:
		return l.Say("No connection to the broker; trying again.")
	case NeverHeard:
		return l.Say("Nothing has been heard from it yet.")
	case Stopped:
		return l.Say("Its daemon was stopped.")
	case Gone:
		return l.Say("It is gone; its connection ended without a word.")
	case Unproven:
		return l.Say("Waiting for its next beat.")
	case Silent:
		return l.Say("Nothing was heard from it for more than %d s.", int(d.For+0.5))
	case NotRecording:
		if d.Problem == "" {
			return l.Say("Its readings are not being recorded.")
		}
		return l.Say("Its readings are not being recorded: %s.", d.Problem)
	}
	return ""
}

// wall is the event of the wall.
type wall struct {
	Now       time.Time   `json:"now"`
	Heartbeat float64     `json:"heartbeat_s"`
	Software  string      `json:"software"`
	Benches   []wallBench `json:"benches"`
}

type wallBench struct {
	Name   string        `json:"name"`
	Doubt  string        `json:"doubt,omitempty"`
	Job    string        `json:"job"`
	Step   string        `json:"step,omitempty"`
	Tool   string        `json:"tool,omitempty"`
	Count  string        `json:"count,omitempty"`
	Last   *readingWords `json:"last,omitempty"`
	Advice []adviceWords `json:"advice,omitempty"`
}

// wallEvent renders the wall. A bench that cannot be trusted shows no number.
func (s *Server) wallEvent(l *wording.Language, benches []WallBench) wall {
	e := wall{Now: s.cfg.Now().UTC(), Heartbeat: s.cfg.Heartbeat.Seconds(), Software: s.cfg.Software, Benches: []wallBench{}}
	for _, b := range benches {
		e.Benches = append(e.Benches, wordsOfBench(l, b))
	}
	return e
}

// wordsOfBench renders one bench. Its messages come from whoever can publish at the
// broker: what fits together in no way that a bench makes is not shown.
func wordsOfBench(l *wording.Language, b WallBench) (w wallBench) {
	defer func() {
		if recover() != nil {
			w = wallBench{Name: b.Name, Doubt: l.Say("What it sends cannot be shown here.")}
		}
	}()
	w = wallBench{Name: b.Name, Doubt: b.Doubt.Said(l), Job: l.Say("No job is open")}
	if w.Doubt != "" {
		w.Job = ""
		return w
	}
	if b.Job == nil {
		return w
	}
	w.Job = l.Text(b.Job.Title)
	if b.Job.Reference != "" {
		w.Job += ", " + b.Job.Reference
	}
	if b.Job.Ended {
		w.Job += ", " + l.Say("ended")
	}
	if b.Step != nil {
		w.Step, w.Tool = strings.TrimSuffix(l.StepName(*b.Step), "."), l.Kind(b.Step.Instrument)
		w.Count = l.Progress(*b.Step)
	}
	titles := map[string]string{}
	for _, step := range b.Job.Steps {
		titles[step.Name] = l.Text(step.Title)
	}
	if b.Reading != nil {
		last := wordsOfReading(l, *b.Reading, titles)
		w.Last = &last
	}
	for _, a := range b.Advice {
		words := wordsOfAdvice(l, a)
		words.Scale = picture{}
		w.Advice = append(w.Advice, words)
	}
	return w
}
