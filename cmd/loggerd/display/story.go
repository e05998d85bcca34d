package display

import (
	"cmp"
	"time"

	"shimwright/session"
	"shimwright/session/drawing"
	"shimwright/session/wording"
)

// A story is all readings of the job with what became of them, and of each step how
// they lie.
type story struct {
	Now       time.Time   `json:"now"`
	Heartbeat float64     `json:"heartbeat_s"`
	Software  string      `json:"software"`
	Doubt     string      `json:"doubt,omitempty"`
	Job       []string    `json:"job"` // what the job is called, in parts
	Steps     []storyStep `json:"steps"`
	Rows      []storyRow  `json:"rows"`   // the latest first
	Advice    []storyText `json:"advice"` // one per chain
}

type storyStep struct {
	Title    string       `json:"title"` // with its number
	State    string       `json:"state"`
	Findings []string     `json:"findings,omitempty"`
	Places   []storyPlace `json:"places"` // those with a strip
}

type storyPlace struct {
	Name  string  `json:"name"`
	Count string  `json:"count"`
	Strip picture `json:"strip"`
}

type storyRow struct {
	readingWords
	Time     string `json:"time"`
	Place    string `json:"place,omitempty"`
	From     string `json:"from"` // instrument, and who
	Standing string `json:"standing"`
	Gone     bool   `json:"gone,omitempty"` // it does not count any more
}

type storyText struct {
	Title string `json:"title"`
	Text  string `json:"text"`
}

// storyEvent renders the story of the job in a snapshot.
func (s *Server) storyEvent(l *wording.Language, v session.Snapshot) story {
	e := story{
		Now: s.cfg.Now().UTC(), Heartbeat: s.cfg.Heartbeat.Seconds(), Software: v.Software,
		Job: []string{v.Bench}, Steps: []storyStep{}, Rows: []storyRow{}, Advice: []storyText{},
	}
	if !v.Recording.OK {
		e.Doubt = doubt(l, v)
	}
	if v.Job == nil {
		return e
	}
	e.Job = jobNames(l, v)
	titles := map[string]string{}
	for _, step := range v.Job.Steps {
		titles[step.Name] = l.Text(step.Title)
		e.Steps = append(e.Steps, storyOfStep(l, step, v.Readings))
	}
	for i := len(v.Readings) - 1; i >= 0; i-- {
		if r := v.Readings[i]; r.Job == v.Job.Number {
			e.Rows = append(e.Rows, storyOfReading(l, r, titles))
		}
	}
	for _, a := range v.Advice {
		e.Advice = append(e.Advice, storyText{l.Text(cmp.Or(a.Title, a.Chain)), l.Headline(a) + " " + l.Why(a)})
	}
	return e
}

// jobNames is what the bench and its job are called.
func jobNames(l *wording.Language, v session.Snapshot) []string {
	names := []string{v.Bench, l.Text(v.Job.Title), l.Say("job %s", v.Job.Number)}
	if v.Job.Reference != "" {
		names = append(names, v.Job.Reference)
	}
	if v.Job.Operator != "" {
		names = append(names, l.Say("begun by %s", v.Job.Operator))
	}
	if v.Job.Ended {
		names = append(names, l.Say("ended"))
	}
	return names
}

func storyOfStep(l *wording.Language, step session.StepView, readings []session.ReadingView) storyStep {
	s := storyStep{Title: l.StepName(step), State: l.Progress(step), Places: []storyPlace{}}
	for _, f := range step.Findings {
		s.Findings = append(s.Findings, l.Finding(f))
	}
	for _, strip := range drawing.Strips(l, step, readings) {
		p := strip.Place()
		count := l.Say("%d counted", p.Counted)
		if p.Value != nil {
			count += ", " + l.Say("mean %s", l.Length(*p.Value))
		}
		s.Places = append(s.Places, storyPlace{l.Place(p.Name), count, picture{SVG: strip.SVG(), Alt: strip.Said()}})
	}
	return s
}

func storyOfReading(l *wording.Language, r session.ReadingView, titles map[string]string) storyRow {
	row := storyRow{
		readingWords: wordsOfReading(l, r, titles), Time: r.Time.Local().Format("15:04:05"), Place: l.Place(r.Place),
		From: r.Instrument, Standing: l.Text(string(r.Standing)), Gone: r.Standing != "" && r.Standing != session.Counted,
	}
	if r.Operator != "" {
		row.From += ", " + r.Operator
	}
	if r.Typed {
		row.From += ", " + l.Say("typed")
	}
	if row.Standing == "" {
		row.Standing = l.Say("does not count")
	}
	return row
}
