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
	Doubt   string               // why nothing of it can be trusted now; empty if it can
	Job     *session.JobView     // nil if none is known
	Step    *session.StepView    // the active one
	Advice  []session.Advice     // one per chain
	Reading *session.ReadingView // the last one since the wall listens
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
func (s *Server) wallEvent(benches []WallBench) wall {
	e := wall{Now: s.cfg.Now().UTC(), Heartbeat: s.cfg.Heartbeat.Seconds(), Software: s.cfg.Software, Benches: []wallBench{}}
	for _, b := range benches {
		e.Benches = append(e.Benches, wordsOfBench(b))
	}
	return e
}

// wordsOfBench renders one bench. Its messages come from whoever can publish at the
// broker: what fits together in no way that a bench makes is not shown.
func wordsOfBench(b WallBench) (w wallBench) {
	defer func() {
		if recover() != nil {
			w = wallBench{Name: b.Name, Doubt: "What it sends cannot be shown here."}
		}
	}()
	w = wallBench{Name: b.Name, Doubt: b.Doubt, Job: "No job is open"}
	if b.Doubt != "" {
		w.Job = ""
		return w
	}
	if b.Job == nil {
		return w
	}
	w.Job = b.Job.Title
	if b.Job.Reference != "" {
		w.Job += ", " + b.Job.Reference
	}
	if b.Job.Ended {
		w.Job += ", ended"
	}
	if b.Step != nil {
		w.Step, w.Tool = strings.TrimSuffix(wording.English.StepName(*b.Step), "."), string(b.Step.Instrument)
		w.Count = wording.English.Progress(*b.Step)
	}
	titles := map[string]string{}
	for _, step := range b.Job.Steps {
		titles[step.Name] = step.Title
	}
	if b.Reading != nil {
		last := wordsOfReading(*b.Reading, titles)
		w.Last = &last
	}
	for _, a := range b.Advice {
		words := wordsOfAdvice(a)
		words.Scale = picture{}
		w.Advice = append(w.Advice, words)
	}
	return w
}
