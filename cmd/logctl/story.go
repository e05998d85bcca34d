package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
	"unicode"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/session/wording"
	"shimwright/sqlite"
)

// A story is a job from its begin to its end, or to the end of the log.
type story struct {
	Job      session.JobView       `json:"job"` // as it stood at the end
	Bench    string                `json:"bench"`
	Software string                `json:"software"`
	Method   string                `json:"method"`
	First    int64                 `json:"first_seq"` // its begin
	Last     int64                 `json:"last_seq"`
	Ended    *time.Time            `json:"ended,omitempty"` // absent while it is open
	EndedBy  string                `json:"ended_by,omitempty"`
	Note     string                `json:"note,omitempty"` // given at the end
	Advice   []session.Advice      `json:"advice"`         // as it stood at the end
	Readings []session.ReadingView `json:"readings"`       // as they count at the end
	Events   []event               `json:"events"`
}

// An event is one thing that happened, told in a sentence or two.
type event struct {
	Seq      int64                `json:"seq"` // of its entry
	Run      int64                `json:"run"`
	Time     time.Time            `json:"time"`
	Operator string               `json:"operator,omitempty"`
	Door     session.Door         `json:"door"`
	What     string               `json:"what"` // the kind of the entry, or what followed from it: step, finding, standing
	Text     string               `json:"text"`
	Reading  *session.ReadingView `json:"reading,omitempty"` // as it counted then
	Advice   *session.Advice      `json:"advice,omitempty"`

	counts string // of a reading: what stands beside its value
}

// tell reads the story of a job from the log.
func tell(r *sqlite.Reader, job sqlite.Job) (story, error) {
	last, err := lastOf(r, job)
	if err != nil {
		return story{}, err
	}
	first, err := r.FoldFrom(job.Seq)
	if err != nil {
		return story{}, err
	}
	t := &teller{
		job: job.Number, state: session.NewState(calc.NewMethod()), told: map[string]string{},
		findings: map[string]string{}, lost: map[string]bool{}, visited: map[string]bool{}, story: story{First: job.Seq, Last: last, Events: []event{}},
	}
	if err := entries(r, first, last, t.take); err != nil {
		return story{}, err
	}
	return t.close(), nil
}

// A teller folds the log and says what each entry means.
type teller struct {
	story
	job      string
	state    *session.State
	began    bool
	before   session.Snapshot  // before the entry at hand
	now      session.Snapshot  // after it
	told     map[string]string // of each chain, what was said of it last
	findings map[string]string // those that stand
	lost     map[string]bool   // instruments that went away
	visited  map[string]bool   // steps that were explained
	at       session.Entry
}

// take folds an entry and tells it, once the job has begun.
func (t *teller) take(e session.Entry) error {
	if err := t.state.Apply(e); err != nil {
		return err
	}
	if _, begins := e.Body.(session.Began); begins && e.Job == t.job {
		t.began = true
	}
	if !t.began || (e.Job != "" && e.Job != t.job) {
		return nil
	}
	now := t.state.Snapshot()
	if active := now.Job; active == nil || active.Number != t.job {
		if e.Job == t.job { // it was put aside; what happens meanwhile is not its story
			t.at = e
			t.entry(e)
		}
		return nil
	}
	t.at, t.before, t.now = e, t.now, now
	t.entry(e)
	t.standings()
	t.findingsNow()
	return nil
}

// close gives the story as it stands in the end.
func (t *teller) close() story {
	s := t.story
	s.Bench, s.Software, s.Method = t.now.Bench, t.now.Software, t.now.Method
	s.Advice, s.Readings = append([]session.Advice{}, t.now.Advice...), []session.ReadingView{}
	if t.now.Job != nil {
		s.Job = *t.now.Job
	}
	for _, r := range t.now.Readings {
		if r.Job == t.job {
			s.Readings = append(s.Readings, r)
		}
	}
	return s
}

// say adds an event to the story, by the entry at hand.
func (t *teller) say(what, text string) *event {
	e := t.at
	t.Events = append(t.Events, event{Seq: e.Seq, Run: e.Run, Time: e.At, Operator: e.Operator, Door: e.Door, What: what, Text: text})
	return &t.Events[len(t.Events)-1]
}

// entry tells one entry.
func (t *teller) entry(e session.Entry) {
	kind := e.Kind()
	switch b := e.Body.(type) {
	case session.Began:
		t.say(kind, t.who()+" began the job"+prefixed(" on ", t.now.Job.Reference)+".")
	case session.ReadingTaken:
		t.reading(e)
	case session.HeldDecided:
		t.say(kind, fmt.Sprintf("Reading %d, which was held: %s.", b.Reading, clause(wording.English.Reason(b.Why)))).Reading = t.find(b.Reading)
	case session.Struck:
		text := fmt.Sprintf("%s struck out reading %d%s: %s.", t.who(), b.Reading, t.itsValue(b.Reading), strings.TrimRight(b.Reason, "."))
		t.say(kind, text+t.changed(b.Reading)).Reading = t.find(b.Reading)
	case session.Restored:
		text := fmt.Sprintf("%s brought reading %d%s back into the count.", t.who(), b.Reading, t.itsValue(b.Reading))
		t.say(kind, text+t.changed(b.Reading)).Reading = t.find(b.Reading)
	case session.Confirmed:
		t.say(kind, t.confirmed(b))
	case session.Replaced:
		t.say(kind, fmt.Sprintf("%s replaced the part %s: %s. What was measured on the old one falls out of the count.", t.who(), b.Part, strings.TrimRight(b.Note, ".")))
	case session.Reopened:
		t.Ended, t.EndedBy, t.Note = nil, "", ""
		t.say(kind, fmt.Sprintf("%s opened the job again: %s.", t.who(), strings.TrimRight(b.Note, ".")))
	case session.Chose:
		t.say(kind, fmt.Sprintf("%s chose %s as the %s%s.", t.who(), b.Candidate, b.Choice, prefixed(": ", b.Reason)))
	case session.WaitStarted:
		t.say(kind, t.waitStarted(b))
	case session.Waited:
		t.say(kind, t.waited(b))
	case session.Opened:
		t.opened(b)
	case session.StepClosed:
		t.stepClosed(b)
	case session.Moved:
		t.moved(b)
	case session.Asked:
		t.say(kind, fmt.Sprintf("%s asked %s for its reading.", t.who(), b.Instrument))
	case session.Advised:
		t.advised(b.Advice)
	case session.Ended:
		t.Ended, t.EndedBy, t.Note = &e.At, e.Operator, b.Note
		t.say(kind, t.who()+" ended the job"+prefixed(": ", b.Note)+".")
	default:
		t.around(e)
	}
}

// around tells what concerns the instruments and the bench.
func (t *teller) around(e session.Entry) {
	kind := e.Kind()
	switch b := e.Body.(type) {
	case session.InstrumentUsed:
		p, unit := b.Profile, b.Profile.Kind.Quantity().Unit().Word()
		t.say(kind, fmt.Sprintf("In use from here: %s, a %s that reads to %s %s and repeats to %s %s.", p.Name, p.Kind, p.Count(), unit, p.Spread(), unit))
	case session.InstrumentChecked:
		t.say(kind, fmt.Sprintf("%s showed %s mm of %s mm (%s).", b.Instrument, b.Shown, b.Block, b.Use))
	case session.TemperatureTaken:
		of := b.Of
		if of == session.Shop {
			of = "the shop"
		}
		t.say(kind, fmt.Sprintf("%s noted that %s is at %s degrees Celsius (standard uncertainty %s).", t.who(), of, b.Celsius, b.U))
	case session.Fitted:
		how := "noted what is fitted"
		switch {
		case b.Correction:
			how = "corrected what had been fitted"
		case b.Advised:
			how = "fitted as advised"
		}
		t.say(kind, fmt.Sprintf("%s %s: %s.", t.who(), how, wording.English.Fit(session.Fit{Packs: b.Packs})))
	case session.PutAside:
		t.say(kind, t.who()+" put the job aside"+prefixed(": ", b.Note)+".")
	case session.Resumed:
		t.say(kind, t.who()+" went on with the job.")
	case session.Skipped:
		t.say(kind, fmt.Sprintf("The step %s was passed over: %s.", b.Step, wording.English.Reason(b.Why)))
	case session.Started:
		t.say(kind, fmt.Sprintf("The daemon was started again (run %d, %s, method %s); the job goes on where it was.", e.Run, b.Software, b.Method))
		t.lost = map[string]bool{}
	case session.ClockStepped:
		t.say(kind, fmt.Sprintf("The computer's clock was set from %s to %s UTC.", b.Was.UTC().Format("2006-01-02 15:04:05"), b.Is.UTC().Format("2006-01-02 15:04:05")))
	case session.RecordingChanged:
		t.recording(e, b)
	case session.KeyChanged:
		t.say(kind, fmt.Sprintf("From here the log is signed with another key: %s.", b.Reason))
	case session.PortChanged:
		t.port(b)
	case session.Paired:
		t.say(kind, fmt.Sprintf("The page %q may give commands.", b.Page))
	case session.Revoked:
		t.say(kind, fmt.Sprintf("The page %q may not give commands any more.", b.Page))
	case session.PlaceClosed, session.ProfileSet:
	default:
		t.say(kind, "Entry of the kind "+kind+".")
	}
}

// recording tells from when to when nothing was recorded.
func (t *teller) recording(e session.Entry, b session.RecordingChanged) {
	if !b.OK {
		t.say("recording", fmt.Sprintf("Nothing more could be recorded: %s.", b.Problem))
		return
	}
	lost := "nothing was lost meanwhile"
	if b.Refused > 0 {
		lost = fmt.Sprintf("what came meanwhile was refused and is not in the log (%d of readings, commands and events)", b.Refused)
	}
	t.say("recording", fmt.Sprintf("Recording went on after %s; %s.", e.At.Sub(b.Since).Round(time.Second), lost))
}

// port tells when an instrument goes away and when it is back.
func (t *teller) port(b session.PortChanged) {
	switch b.State {
	case session.PortLost, session.PortRefused:
		t.say("port", fmt.Sprintf("The instrument %s was lost%s.", b.Instrument, prefixed(": ", b.Detail)))
		t.lost[b.Instrument] = true
	case session.PortLive:
		if t.lost[b.Instrument] {
			t.say("port", fmt.Sprintf("The instrument %s is back.", b.Instrument))
			delete(t.lost, b.Instrument)
		}
	}
}

// reading tells a reading as it counted when it came.
func (t *teller) reading(e session.Entry) {
	r := t.find(e.Seq)
	if r == nil {
		return
	}
	text := counts(*r)
	if note := clause(wording.English.Note(*r)); note != "" {
		text += ": " + note
	}
	if r.Standing == session.LeftOut {
		text += limits(*r)
	}
	if e.Operator != "" && e.Operator != t.now.Job.Operator {
		text += " (" + e.Operator + ")"
	}
	said := t.say("reading", fmt.Sprintf("%s read %s: %s.", r.Instrument, measured(*r), text))
	said.Reading, said.counts = r, text
}

// limits says what an outlier was held against.
func limits(r session.ReadingView) string {
	if r.Outlier == nil {
		return ""
	}
	return fmt.Sprintf(" (%s: statistic %.2f, limit %.2f)", r.Outlier.Test, r.Outlier.Statistic, r.Outlier.Limit)
}

// standings tells which earlier readings count otherwise now than before, unless a
// person did it.
func (t *teller) standings() {
	was := map[int64]session.Standing{}
	for _, r := range t.before.Readings {
		was[r.Seq] = r.Standing
	}
	for i := range t.now.Readings {
		r := &t.now.Readings[i]
		old, known := was[r.Seq]
		if !known || old == r.Standing || old == "" || old == session.StruckOut || r.Standing == session.StruckOut {
			continue
		}
		text := fmt.Sprintf("Reading %d%s counts again.", r.Seq, t.itsValue(r.Seq))
		if r.Standing == session.LeftOut {
			text = fmt.Sprintf("Reading %d%s is left out from here on: %s%s.", r.Seq, t.itsValue(r.Seq), clause(wording.English.Note(*r)), limits(*r))
		}
		t.say("standing", text).Reading = r
	}
}

// opened tells a new step, or a new place of it.
func (t *teller) opened(b session.Opened) {
	step := t.now.Step
	switch {
	case b.Step == "" || step == nil:
		t.say("step", "Every step is closed.")
	case t.before.Step == nil || t.before.Step.Name != step.Name:
		t.say("step", t.arrived(step))
	case len(step.Places) > 1:
		t.say("place", placed(step)+".")
	}
}

// arrived says what a step asks for.
func (t *teller) arrived(step *session.StepView) string {
	text := wording.English.StepName(*step)
	if what := step.Measure + step.Do; what != "" && !t.visited[step.Name] {
		text += " " + capital(strings.TrimRight(what, ".")) + "."
	}
	t.visited[step.Name] = true
	if len(step.Places) > 1 {
		text += " " + placed(step) + "."
	}
	return text
}

// changed says what a person's strike or restoration made of a reading's step.
func (t *teller) changed(seq int64) string {
	r := t.find(seq)
	if r == nil || t.before.Job == nil {
		return ""
	}
	for i := range t.now.Job.Steps {
		was, is := &t.before.Job.Steps[i], &t.now.Job.Steps[i]
		if is.Name != r.Step {
			continue
		}
		text := " The step " + is.Name + " stays at " + stepValue(is) + "."
		if stepValue(was) != stepValue(is) {
			text = fmt.Sprintf(" The step %s is now at %s, before at %s.", is.Name, stepValue(is), stepValue(was))
		}
		if was.Closed && !is.Closed {
			text += " It is open again."
		}
		return text
	}
	return ""
}

// stepValue is the value of a step.
func stepValue(s *session.StepView) string { return wording.English.Amount(s.Amount()) }

// placed names the active place of a step.
func placed(step *session.StepView) string {
	for i, p := range step.Places {
		if p.Active {
			return fmt.Sprintf("Place %d of %d", i+1, len(step.Places)) + prefixed(": ", p.Name)
		}
	}
	return "No place"
}

// moved tells where a person went.
func (t *teller) moved(b session.Moved) {
	was, is := t.before.Step, t.now.Step
	if is == nil {
		t.say("move", t.who()+" went on.")
		return
	}
	text := t.who() + " went to"
	switch {
	case b.Command == "next" && was != nil && was.Name == is.Name && placed(was) == placed(is):
		t.say("move", t.who()+" closed the place by command.")
		return
	case b.Command == "back":
		text = t.who() + " went back to"
	}
	text += fmt.Sprintf(" step %d of %d, %s", is.Number, is.Of, is.Name)
	if len(is.Places) > 1 {
		text += ". " + placed(is)
	}
	t.say("step", text+".")
}

// stepClosed tells the value of a step and what it was made from.
func (t *teller) stepClosed(b session.StepClosed) {
	if b.Value == nil {
		t.say("step closed", t.closedWithout(b.Step))
		return
	}
	value := wording.English.Amount(b.Value, b.Quantity)
	text := fmt.Sprintf("Step closed at %s, from %s", value, plural(len(b.Counted), "reading"))
	for i := range t.now.Job.Steps {
		v := &t.now.Job.Steps[i]
		if v.Name != b.Step {
			continue
		}
		text = fmt.Sprintf("Step %d of %d, %s, closed at %s, from %s", v.Number, v.Of, v.Name, value, plural(len(b.Counted), "reading"))
		if v.Bar != nil {
			text += fmt.Sprintf(" less the bar of %s mm", wording.English.Decimals(*v.Bar))
		}
		if all := v.AmountWithAll(); len(b.LeftOut) > 0 && all != nil {
			text += fmt.Sprintf("; %s, and with it would be %s", leftOut(b.LeftOut), wording.English.Amount(all, b.Quantity))
		}
	}
	if b.Limits != nil {
		text += "; " + wording.English.Limits(b.Limits)
	}
	t.say("step closed", text+".")
}

// leftOut names the readings that were left out.
func leftOut(seqs []int64) string {
	names := make([]string, len(seqs))
	for i, seq := range seqs {
		names[i] = fmt.Sprint(seq)
	}
	if len(names) == 1 {
		return "reading " + names[0] + " is left out"
	}
	return "readings " + strings.Join(names, ", ") + " are left out"
}

// advised tells advice when what to fit, or what it says of that, has changed; not
// when only a number in it has.
func (t *teller) advised(a session.Advice) {
	text := wording.English.Headline(a)
	said := strings.Map(wordsOnly, text)
	if a.Best != nil {
		said += wording.English.Fit(*a.Best)
	}
	if t.told[a.Chain] == said {
		return
	}
	t.told[a.Chain] = said
	if len(t.now.Advice) > 1 && !strings.HasPrefix(text, a.Title) {
		text = a.Title + ": " + text
	}
	t.say("advice", "Advice: "+text).Advice = &a
}

// wordsOnly drops the digits of a text.
func wordsOnly(r rune) rune {
	if unicode.IsDigit(r) {
		return -1
	}
	return r
}

// findingsNow tells findings when they come and when they are gone.
func (t *teller) findingsNow() {
	stand := map[string]string{}
	add := func(of string, reasons []session.Reason) {
		for _, f := range reasons {
			stand[strings.Join([]string{of, f.Code, f.Params["step"], f.Params["place"]}, "/")] = wording.English.Finding(f)
		}
	}
	if t.now.Job != nil {
		for _, s := range t.now.Job.Steps {
			add("", s.Findings)
		}
	}
	for _, f := range t.now.Fits {
		add(f.Name, f.Findings)
	}
	for _, a := range t.now.Advice {
		add("", a.Findings)
	}
	for _, key := range slices.Sorted(maps.Keys(stand)) {
		if _, told := t.findings[key]; !told {
			t.say("finding", "Look at this: "+stand[key]+".")
		}
	}
	for _, key := range slices.Sorted(maps.Keys(t.findings)) {
		if _, stands := stand[key]; !stands {
			t.say("finding", "No longer found: "+clause(t.findings[key])+".")
		}
	}
	t.findings = stand
}

// find is a reading as it counts now.
func (t *teller) find(seq int64) *session.ReadingView {
	for i := range t.now.Readings {
		if t.now.Readings[i].Seq == seq {
			return &t.now.Readings[i]
		}
	}
	return nil
}

// itsValue is the value of a reading in brackets.
func (t *teller) itsValue(seq int64) string {
	r := t.find(seq)
	if r == nil {
		return ""
	}
	return " (" + measured(*r) + ")"
}

// who names the person behind the entry at hand, and where they did it.
func (t *teller) who() string {
	name := t.at.Operator
	if name == "" {
		name = "Somebody"
	}
	if t.at.Proved {
		name += " (proved by PIN)"
	}
	switch t.at.Door {
	case session.FromPage:
		return name + ", on the page,"
	case session.FromPedal:
		return name + ", by pedal,"
	case session.FromTerminal:
		return name + ", at a terminal,"
	}
	return name
}

// clause is a note without what was said to be done about it at the time.
func clause(note string) string {
	text, _, _ := strings.Cut(note, "; ")
	return text
}

func capital(text string) string {
	if text == "" {
		return ""
	}
	r := []rune(text)
	r[0] = unicode.ToUpper(r[0])
	return string(r)
}

func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}
