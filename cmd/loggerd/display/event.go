package display

import (
	"cmp"
	"strings"
	"time"

	"shimwright/session"
	"shimwright/session/drawing"
	"shimwright/session/wording"
)

// An event is one snapshot with everything that the page shows of it in words and
// drawings, so that the page itself knows neither.
type event struct {
	Now       time.Time        `json:"now"`
	Heartbeat float64          `json:"heartbeat_s"`
	Software  string           `json:"software"`
	Doubt     string           `json:"doubt,omitempty"` // why the numbers are not to be trusted now
	Touch     bool             `json:"touch"`           // whether a page can be paired here
	Pages     []string         `json:"pages"`           // the names of those that are
	Wall      bool             `json:"wall"`            // whether there is a wall view
	Snapshot  session.Snapshot `json:"snapshot"`
	Words     words            `json:"words"`
	Pictures  []picture        `json:"pictures"`
}

// A picture is an SVG and its text alternative. Bare is the same without what was
// measured, to be shown while the numbers cannot be trusted.
type picture struct {
	SVG  string `json:"svg"`
	Alt  string `json:"alt"`
	Bare string `json:"bare,omitempty"`
}

// words are the sentences for what a snapshot shows.
type words struct {
	Unit     string         `json:"unit"` // of lengths: mm or in
	Step     string         `json:"step,omitempty"`
	Progress string         `json:"progress,omitempty"`
	Beside   string         `json:"beside,omitempty"`   // what the step rests on: heat, shims that are in, limits
	Compared [][]string     `json:"compared,omitempty"` // the candidates of a step that compares, as a table
	Chain    int            `json:"chain"`              // the advice to show first
	Last     *readingWords  `json:"last,omitempty"`     // the last reading of all
	Readings []readingWords `json:"readings"`           // in the order of the snapshot
	Advice   []adviceWords  `json:"advice"`             // one per chain
	// Instruments are one line each.
	Instruments []string `json:"instruments"`
}

// readingWords are one reading. Mark is good, out, wait or no.
type readingWords struct {
	Seq     int64  `json:"seq"`
	Value   string `json:"value"` // as given
	Unit    string `json:"unit,omitempty"`
	Title   string `json:"title,omitempty"` // of its step
	Verdict string `json:"verdict"`
	Ruling  string `json:"ruling"`
	Mark    string `json:"mark"`
}

// adviceWords are one chain's advice.
type adviceWords struct {
	Title       string      `json:"title"`
	Sum         string      `json:"sum"` // what it is a sum for
	Headline    string      `json:"headline"`
	Why         string      `json:"why"`
	Uncertainty string      `json:"uncertainty"`
	Provisional bool        `json:"provisional,omitempty"`
	Packs       []packWords `json:"packs,omitempty"` // empty without a fit
	Float       string      `json:"float,omitempty"`
	PlusMinus   string      `json:"plus_minus,omitempty"`
	NextStep    string      `json:"next_step,omitempty"` // in a few words
	Outcome     string      `json:"outcome,omitempty"`
	Mark        string      `json:"mark,omitempty"`
	Check       string      `json:"check,omitempty"`
	CheckFit    string      `json:"check_fit,omitempty"` // with what the check gap is to be found
	Surer       []string    `json:"surer,omitempty"`     // what would make it surer, cheapest first
	Scale       picture     `json:"scale"`
}

type packWords struct {
	Side   string `json:"side"`
	Pieces string `json:"pieces"`
	Unit   string `json:"unit,omitempty"`
}

// event renders a snapshot in a language.
func (s *Server) event(l *wording.Language, v session.Snapshot) event {
	e := event{
		Now: s.cfg.Now().UTC(), Heartbeat: s.cfg.Heartbeat.Seconds(), Software: v.Software, Doubt: doubt(l, v),
		Touch: s.cfg.Do != nil, Wall: s.cfg.Wall != nil, Pages: []string{}, Snapshot: v, Pictures: pictures(l, v),
	}
	for _, p := range s.desk().Pages {
		e.Pages = append(e.Pages, p.Page)
	}
	e.Words = words{Unit: l.LengthUnit(), Readings: make([]readingWords, len(v.Readings)), Advice: make([]adviceWords, len(v.Advice)), Instruments: make([]string, len(v.Instruments))}
	for i, in := range v.Instruments {
		e.Words.Instruments[i] = l.Instrument(in)
	}
	if v.Step != nil {
		e.Words.Step, e.Words.Progress, e.Words.Beside = l.Step(*v.Step), l.Progress(*v.Step), l.Beside(*v.Step)
		e.Words.Chain = max(0, drawing.Chain(v))
		if v.Step.Compare != nil {
			e.Words.Compared = l.Comparison(*v.Step.Compare)
		}
	}
	titles := map[string]string{}
	if v.Job != nil {
		for _, step := range v.Job.Steps {
			titles[step.Name] = l.Text(step.Title)
		}
	}
	for i, r := range v.Readings {
		e.Words.Readings[i] = wordsOfReading(l, r, titles)
		if e.Words.Last == nil || e.Words.Last.Seq < r.Seq {
			e.Words.Last = &e.Words.Readings[i]
		}
	}
	for i, a := range v.Advice {
		e.Words.Advice[i] = wordsOfAdvice(l, a)
	}
	return e
}

// pictures are the chain to look at, or all of them when the measuring is done.
func pictures(l *wording.Language, v session.Snapshot) []picture {
	all := []picture{}
	for i := range v.Advice {
		if !v.Advice[i].NoShims && (v.Step == nil || i == drawing.Chain(v)) {
			all = append(all, picture{drawing.Section(l, v, i), drawing.Title(l, v, i), drawing.Section(l, bare(v, i), 0)})
		}
	}
	return all
}

// bare is v with chain i alone and nothing measured.
func bare(v session.Snapshot, i int) session.Snapshot {
	a := v.Advice[i]
	terms := make([]session.TermView, len(a.Terms))
	for k, t := range a.Terms {
		t.Value = nil
		terms[k] = t
	}
	v.Advice = []session.Advice{{Chain: a.Chain, Title: a.Title, State: session.Waiting, Terms: terms}}
	return v
}

// doubt says why what is shown cannot be trusted, as far as the bench knows: the
// disk refuses, or the instrument that the step asks for is not there.
func doubt(l *wording.Language, v session.Snapshot) string {
	if !v.Recording.OK {
		if v.Recording.Problem == "" {
			return l.Say("Readings are not being recorded. Do not go on measuring.")
		}
		return l.Say("Readings are not being recorded: %s. Do not go on measuring.", v.Recording.Problem)
	}
	if v.Step == nil {
		return ""
	}
	var gone []string
	for _, in := range v.Instruments {
		if in.Kind != v.Step.Instrument {
			continue
		}
		if in.State == session.PortLive || byHand(in) {
			return ""
		}
		gone = append(gone, l.Instrument(in))
	}
	if len(gone) == 0 {
		return ""
	}
	return l.Say("This step wants a %s, and none is ready. %s.", l.Kind(v.Step.Instrument), strings.Join(gone, ". "))
}

// byHand tells whether an instrument has no port, so that its values are typed.
func byHand(in session.InstrumentView) bool {
	absent := in.State == "" || in.State == session.PortAbsent
	return absent && in.Port == "" && (in.Kind == session.Feeler || in.Trigger == "")
}

func wordsOfReading(l *wording.Language, r session.ReadingView, titles map[string]string) readingWords {
	w := readingWords{Seq: r.Seq, Verdict: l.Verdict(r), Ruling: l.Ruling(r), Mark: mark(r), Title: titles[r.Step]}
	if w.Title == "" {
		w.Title = r.Step
	}
	value, q := r.Amount()
	switch {
	case r.Fault != nil || (value == nil && r.Feeler == nil):
		w.Value = l.Say("no value")
	case r.Feeler != nil:
		w.Value, w.Unit = l.Exact(r.Feeler.Passes)+" – "+l.Exact(r.Feeler.Stops), l.LengthUnit()
	default:
		w.Value, w.Unit = l.Given(r), l.Unit(q)
	}
	return w
}

// mark is which symbol goes with a reading.
func mark(r session.ReadingView) string {
	switch {
	case r.Standing == session.Counted:
		return "good"
	case r.Standing != "":
		return "out"
	case r.Ruling == session.Held && r.Decided == "":
		return "wait"
	}
	return "no"
}

func wordsOfAdvice(l *wording.Language, a session.Advice) adviceWords {
	w := adviceWords{
		Title: l.Text(cmp.Or(a.Title, a.Chain)), Headline: l.Headline(a), Why: l.Why(a), Provisional: a.State == session.Provisional,
		Sum:         upper(l.Sum(a)),
		Uncertainty: l.Say("Uncertainty: %s.", l.Text(a.Uncertainty)),
	}
	fit := a.Best
	if fit == nil {
		return w
	}
	for _, p := range fit.Packs {
		w.Packs = append(w.Packs, wordsOfPack(l, p))
	}
	for _, n := range a.Next {
		w.Surer = append(w.Surer, l.Say("%s: to +/- %s.", l.Act(n), l.Length(n.Expanded)))
	}
	value, plusMinus := l.FloatParts(*fit)
	w.Float, w.Scale.SVG, w.NextStep = value, drawing.Scale(l, a), l.NextStep(a)
	w.PlusMinus = strings.Replace(plusMinus, "+/-", "±", 1)
	if plusMinus != "" {
		w.Uncertainty = plusMinus + " " + l.LengthUnit() + ". " + l.Outcome(a)
	}
	w.Scale.Alt = l.Say("Window %s, aim %s, %s %s.", l.Window(a), l.Length(a.Aim), l.Sum(a), w.Float+" "+l.LengthUnit())
	tight, loose := l.Sides(a)
	switch {
	case fit.Outcome == "shown inside":
		w.Outcome, w.Mark = l.Text(fit.Outcome), "good"
	case fit.Outcome == "not shown" && fit.Inside:
		w.Outcome, w.Mark = l.Say("not shown inside"), "wait"
	case fit.Inside:
		w.Outcome, w.Mark = l.Say("in the window"), "wait"
	case fit.EndFloat.LessThan(a.Least.Decimal):
		w.Outcome, w.Mark = tight, "no"
	default:
		w.Outcome, w.Mark = loose, "no"
	}
	if len(fit.Packs) > 1 {
		w.Check, w.CheckFit = l.Decimals(fit.CheckGap), l.Say("with only the %s fitted", l.Text(fit.Packs[0].Side))
	}
	return w
}

func wordsOfPack(l *wording.Language, p session.Pack) packWords {
	text, side := l.Pieces(p), l.Text(p.Side)
	if pieces, found := strings.CutSuffix(text, " "+l.LengthUnit()); found {
		return packWords{side, pieces, l.LengthUnit()}
	}
	return packWords{side, text, ""}
}

// upper writes the first letter large.
func upper(text string) string { return strings.ToUpper(text[:1]) + text[1:] }
