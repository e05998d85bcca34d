package display

import (
	"strconv"
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
func (s *Server) storyEvent(v session.Snapshot) story {
	e := story{
		Now: s.cfg.Now().UTC(), Heartbeat: s.cfg.Heartbeat.Seconds(), Software: v.Software,
		Job: []string{v.Bench}, Steps: []storyStep{}, Rows: []storyRow{}, Advice: []storyText{},
	}
	if !v.Recording.OK {
		e.Doubt = doubt(v)
	}
	if v.Job == nil {
		return e
	}
	e.Job = jobNames(v)
	titles := map[string]string{}
	for _, step := range v.Job.Steps {
		titles[step.Name] = step.Title
		e.Steps = append(e.Steps, storyOfStep(step, v.Readings))
	}
	for i := len(v.Readings) - 1; i >= 0; i-- {
		if r := v.Readings[i]; r.Job == v.Job.Number {
			e.Rows = append(e.Rows, storyOfReading(r, titles))
		}
	}
	for _, a := range v.Advice {
		e.Advice = append(e.Advice, storyText{orElse(a.Title, a.Chain), wording.English.Headline(a) + " " + wording.English.Why(a)})
	}
	return e
}

// jobNames is what the bench and its job are called.
func jobNames(v session.Snapshot) []string {
	names := []string{v.Bench, v.Job.Title, "job " + v.Job.Number}
	if v.Job.Reference != "" {
		names = append(names, v.Job.Reference)
	}
	if v.Job.Operator != "" {
		names = append(names, "begun by "+v.Job.Operator)
	}
	if v.Job.Ended {
		names = append(names, "ended")
	}
	return names
}

func storyOfStep(step session.StepView, readings []session.ReadingView) storyStep {
	s := storyStep{Title: wording.English.StepName(step), State: wording.English.Progress(step), Places: []storyPlace{}}
	for _, f := range step.Findings {
		s.Findings = append(s.Findings, wording.English.Finding(f))
	}
	for _, strip := range drawing.Strips(step, readings) {
		p := strip.Place()
		count := strconv.Itoa(p.Counted) + " counted"
		if p.Value != nil {
			count += ", mean " + wording.English.Decimals(*p.Value) + " mm"
		}
		s.Places = append(s.Places, storyPlace{p.Name, count, picture{SVG: strip.SVG(), Alt: strip.Said()}})
	}
	return s
}

func storyOfReading(r session.ReadingView, titles map[string]string) storyRow {
	row := storyRow{
		readingWords: wordsOfReading(r, titles), Time: r.Time.Local().Format("15:04:05"), Place: r.Place,
		From: r.Instrument, Standing: string(r.Standing), Gone: r.Standing != "" && r.Standing != session.Counted,
	}
	if r.Operator != "" {
		row.From += ", " + r.Operator
	}
	if r.Typed {
		row.From += ", typed"
	}
	if row.Standing == "" {
		row.Standing = "does not count"
	}
	return row
}
