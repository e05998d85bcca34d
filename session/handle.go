package session

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// maxWords bounds what a person may type as a reason, note, name or reference.
const maxWords = 500

// refuse makes a refusal. params are pairs of key and value.
func refuse(code, message, instead string, params ...string) *Refusal {
	r := &Refusal{Code: code, Message: message, Instead: instead}
	for i := 0; i+1 < len(params); i += 2 {
		if r.Params == nil {
			r.Params = map[string]string{}
		}
		r.Params[params[i]] = params[i+1]
	}
	return r
}

// nameOneOf makes a refusal of a name that is none of those that there are.
func nameOneOf(names []string, code, message string, params ...string) *Refusal {
	list := strings.Join(names, ", ")
	return refuse(code, message, "name one of "+list, append(params, "names", list)...)
}

// command carries out a command, or refuses it and changes nothing.
func (t *turn) command(c Command) (Receipt, *Refusal) {
	if no := checkWords(c); no != nil {
		return Receipt{}, no
	}
	c, no := t.inMillimetres(c)
	if no != nil {
		return Receipt{}, no
	}
	if slices.Contains(t.guarded, c.Do) && !c.Proved {
		return Receipt{}, refuse("pin needed", fmt.Sprintf("to %s takes an operator who proves it with a PIN", c.Do), "give your name and your PIN")
	}
	t.by(c.Operator, c.Door)
	t.proved = c.Proved && c.Operator != ""
	switch c.Do {
	case Begin:
		return t.begin(c)
	case Pair:
		return t.pair(c)
	case Unpair:
		return t.unpair(c)
	case Reopen:
		return t.reopen(c)
	case Resume:
		return t.resume(c)
	case CountStock:
		return t.stock(c)
	}
	j := t.state.job
	if j == nil || j.ended {
		return Receipt{}, refuse("no job", "no job is open", t.state.instead())
	}
	first := t.state.seq + 1
	receipt, no := t.inJob(j, c)
	if no != nil {
		return Receipt{}, no
	}
	receipt.Job = j.number
	if receipt.Seq == 0 {
		receipt.Seq = first
	}
	return receipt, nil
}

func (t *turn) inJob(j *job, c Command) (Receipt, *Refusal) {
	switch c.Do {
	case Take:
		return t.take(j, c)
	case Enter:
		return t.enter(c)
	case Next:
		return Receipt{}, t.next(j, c)
	case Back:
		return Receipt{}, t.back(j)
	case GoToPlace:
		return Receipt{}, t.goTo(j, c)
	case StrikeOut:
		return Receipt{}, t.strike(j, c)
	case Restore:
		return Receipt{}, t.restore(j, c)
	case TakeTemperature:
		return Receipt{}, t.temperature(j, c)
	case CheckInstrument:
		return Receipt{}, t.check(c)
	case Replace:
		return Receipt{}, t.replace(j, c)
	case Choose:
		return Receipt{}, t.choose(j, c)
	case Confirm:
		return Receipt{}, t.confirm(j, c)
	case Aside:
		return Receipt{}, t.putAside(c)
	case Fitting:
		return Receipt{}, t.fitted(j, c)
	case End:
		return Receipt{}, t.end(j, c)
	}
	return Receipt{}, refuse("unknown command", fmt.Sprintf("%q is not a command", c.Do),
		"use one of "+joinVerbs(), "do", string(c.Do), "names", joinVerbs())
}

func joinVerbs() string {
	var names []string
	for _, v := range Verbs() {
		names = append(names, string(v))
	}
	return strings.Join(names, ", ")
}

// checkWords refuses text that cannot be shown or is far too long.
func checkWords(c Command) *Refusal {
	for name, answer := range c.Answers {
		if !utf8.ValidString(name+answer) || strings.ContainsFunc(name+answer, unicode.IsControl) {
			return refuse("bad text", "an answer holds bytes that are not text", "write it in plain words on one line", "field", "answers", "most", strconv.Itoa(maxWords))
		}
	}
	for _, f := range []struct{ name, text string }{
		{"operator", c.Operator}, {"reference", c.Reference}, {"instrument", c.Instrument}, {"value", c.Value},
		{"step", c.Step}, {"place", c.Place}, {"reason", c.Reason}, {"note", c.Note}, {"unit", c.Unit},
		{"passes", c.Passes}, {"stops", c.Stops}, {"name", c.Of}, {"temperature", c.Celsius}, {"uncertainty", c.U}, {"use", string(c.Use)}, {"block", c.Block}, {"candidate", c.Candidate}, {"part", c.Part},
		{"chain", c.Chain}, {"job", c.Job}, {"stock", c.Stock}, {"size", c.Size}, {"count", c.Count}, {"least", c.Least}, {"tolerance", c.Tolerance}, {"page", c.Page},
	} {
		if !utf8.ValidString(f.text) || strings.ContainsFunc(f.text, unicode.IsControl) {
			return refuse("bad text", "the "+f.name+" holds bytes that are not text", "write it in plain words on one line", "field", f.name, "most", strconv.Itoa(maxWords))
		}
		if len(f.text) > maxWords {
			return refuse("bad text", fmt.Sprintf("the %s is %d bytes long", f.name, len(f.text)), fmt.Sprintf("keep it under %d", maxWords), "field", f.name, "most", strconv.Itoa(maxWords))
		}
	}
	return nil
}

func (t *turn) begin(c Command) (Receipt, *Refusal) {
	if j := t.state.job; j != nil && !j.ended {
		return Receipt{}, refuse("job open", "job "+j.number+" is still open", "end it first, or put it aside", "job", j.number)
	}
	if len(c.Plan) > maxPlanText {
		return Receipt{}, refuse("bad plan", "the plan is larger than 1 MiB", "name a plan file", "problems", "the plan is larger than 1 MiB")
	}
	file := c.PlanFile
	if file == "" {
		file = "plan"
	}
	text, no := Answer([]byte(c.Plan), c.Answers)
	if no != nil {
		return Receipt{}, no
	}
	c.Plan = string(text)
	plan, err := t.state.plan(file, c.Plan)
	if err != nil {
		return Receipt{}, refuse("bad plan", "the plan has mistakes:\n"+err.Error(), "mend them and begin again", "problems", err.Error())
	}
	if no := t.state.equipped(plan); no != nil {
		return Receipt{}, no
	}
	if i := t.state.stockOf(plan.Shims); plan.Shims != "" && i >= 0 {
		plan.Stock = t.state.stocks[i].Shims
	}
	prospects, err := Foresee(t.state.method, plan, t.state.profiles())
	if err != nil {
		return Receipt{}, refuse("bad plan", "the plan cannot be judged: "+err.Error(), "mend it and begin again", "problems", err.Error())
	}
	first := t.state.seq + 1
	t.operator = c.Operator
	t.add(Began{Plan: c.Plan, Reference: c.Reference, Answers: c.Answers})
	t.by(c.Operator, FromBench)
	t.openStock()
	t.openNext()
	return Receipt{Seq: first, Job: strconv.FormatInt(t.state.lastJob, 10), Prospects: prospects}, nil
}

// profiles are those of this run's instruments.
func (s *State) profiles() []Profile {
	profiles := make([]Profile, len(s.instruments))
	for i := range s.instruments {
		profiles[i] = s.instruments[i].profile
	}
	return profiles
}

// equipped refuses a plan that asks for an instrument the bench does not have.
func (s *State) equipped(plan Plan) *Refusal {
	for _, step := range plan.Steps {
		if step.Kind.measures() && !slices.ContainsFunc(s.instruments, func(in instrument) bool { return in.profile.Kind == step.Instrument }) {
			return refuse("not equipped",
				fmt.Sprintf("step %q needs a %s, and this bench has none", step.Name, step.Instrument),
				"add one to the daemon's configuration, even one without a port whose values are typed in", "step", step.Name, "title", step.Title, "kind", string(step.Instrument))
		}
	}
	return nil
}

func noStepOpen() *Refusal {
	return refuse("no step", "every step is closed", "go back to a step, or end the job")
}

// take asks an instrument that does not send by itself for its reading.
func (t *turn) take(j *job, c Command) (Receipt, *Refusal) {
	if j.step < 0 {
		return Receipt{}, noStepOpen()
	}
	if step := &j.plan.Steps[j.step]; step.notToRead(Reading{}) != nil {
		return Receipt{}, refuse("nothing to read", fmt.Sprintf("step %q is of the kind %q and takes no reading", step.Name, step.Kind), "do what it asks for, or go to another step", "step", step.Name, "title", step.Title)
	}
	in, no := t.state.askable(c.Instrument, j.plan.Steps[j.step].Instrument)
	if no != nil {
		return Receipt{}, no
	}
	if in.port.State != PortLive {
		return Receipt{}, refuse("not live", fmt.Sprintf("%s is %s", in.profile.Name, in.port.State), "plug it in and wait until it is live", "instrument", in.profile.Name)
	}
	if step := &j.plan.Steps[j.step]; step.Reduce != "" {
		return t.gather(step, in)
	}
	t.add(Asked{Instrument: in.profile.Name})
	return Receipt{Ask: in.profile.Name}, nil
}

// askable finds the instrument to ask: the named one, or the only one of the kind.
func (s *State) askable(name string, kind Kind) (*instrument, *Refusal) {
	if name != "" {
		in, no := s.named(name)
		if no == nil && in.profile.Trigger == OnPress {
			no = refuse("press it", name+" sends by itself", "press its data button", "instrument", name, "asked", name)
		}
		return in, no
	}
	var found []*instrument
	var names []string
	for i := range s.instruments {
		in := &s.instruments[i]
		if in.profile.Kind == kind && in.profile.Trigger != OnPress && in.profile.Trigger != "" {
			found, names = append(found, in), append(names, in.profile.Name)
		}
	}
	switch len(found) {
	case 0:
		return nil, refuse("press it", fmt.Sprintf("no %s here has to be asked", kind), "press its data button, or enter the value by hand", "kind", string(kind), "asked", string(kind))
	case 1:
		return found[0], nil
	}
	return nil, refuse("which one", fmt.Sprintf("there are %d instruments to ask", len(found)), "name one", "kind", string(kind), "names", strings.Join(names, ", "))
}

func (s *State) named(name string) (*instrument, *Refusal) {
	in := s.instrument(name)
	if in == nil {
		names := make([]string, 0, len(s.instruments))
		for i := range s.instruments {
			names = append(names, s.instruments[i].profile.Name)
		}
		return nil, nameOneOf(names, "no such instrument", fmt.Sprintf("there is no instrument %q", name), "instrument", name)
	}
	return in, nil
}

// enter files a typed value, or a feeler as passes and does not pass.
func (t *turn) enter(c Command) (Receipt, *Refusal) {
	if c.Instrument == "" {
		return Receipt{}, refuse("no instrument named", "a typed value needs the instrument that it was read from", "name the instrument")
	}
	in, no := t.state.named(c.Instrument)
	if no != nil {
		return Receipt{}, no
	}
	r, no := typedReading(in.profile, c)
	if no != nil {
		return Receipt{}, no
	}
	return t.reading(r, c.Operator, c.Door), nil
}

// typedReading makes the reading of an enter command.
func typedReading(p Profile, c Command) (Reading, *Refusal) {
	q := p.Kind.Quantity()
	r := Reading{Instrument: p.Name, Kind: p.Kind, Typed: true, Unit: q.Unit()}
	if c.Unit != "" {
		if err := r.Unit.UnmarshalText([]byte(c.Unit)); err != nil || r.Unit.Quantity() != q {
			return Reading{}, refuse("bad unit", fmt.Sprintf("%q is not a unit of %s", c.Unit, q), "write "+unitWords(q), "unit", c.Unit, "names", unitNames(q))
		}
	}
	pair := c.Passes != "" || c.Stops != ""
	if (p.Kind == Feeler) != pair || pair == (c.Value != "") {
		if p.Kind == Feeler {
			return Reading{}, refuse("feeler pair", "a feeler has no value", "give the blade that passes and the next one that does not")
		}
		return Reading{}, refuse("value", "a "+string(p.Kind)+" has one value", "give the number that it shows", "kind", string(p.Kind))
	}
	if pair {
		return feelerReading(r, c)
	}
	n, no := typedNumber("value", c.Value, q)
	if no != nil {
		return Reading{}, no
	}
	r.Text, r.Value = c.Value, r.Unit.Kept(n)
	if q == OfTemperature && !isTemperature(r.Value) {
		return Reading{}, refuse("bad temperature", fmt.Sprintf("%q is not the temperature of anything on a bench", c.Value), "write it as the thermometer shows it, and name its unit if that is not °C", "text", c.Value)
	}
	if !q.measurable(r.Value) {
		return Reading{}, refuse("bad number", fmt.Sprintf("%q has more decimals than any instrument shows", c.Value), "write it as the instrument shows it", "field", "value", "text", c.Value)
	}
	return r, nil
}

// feelerReading takes the middle between the blade that passes and the one that
// does not as the value; the pair itself is kept.
func feelerReading(r Reading, c Command) (Reading, *Refusal) {
	passes, no := typedNumber("passes", c.Passes, OfLength)
	if no != nil {
		return Reading{}, no
	}
	stops, no := typedNumber("stops", c.Stops, OfLength)
	if no != nil {
		return Reading{}, no
	}
	if passes.IsNegative() || !passes.LessThan(stops.Decimal) {
		return Reading{}, refuse("feeler pair", fmt.Sprintf("a blade of %s cannot pass where one of %s does not", passes, stops), "give the thickest that passes and the next thicker one")
	}
	r.Text = c.Passes + " < " + c.Stops
	r.Feeler = &FeelerPair{r.Unit.ToMM(passes), r.Unit.ToMM(stops)}
	r.Value = Num(middle(r.Feeler.Passes, r.Feeler.Stops))
	return r, nil
}

// unitWords lists the units that a quantity is typed in.
func unitWords(q Quantity) string {
	names := unitNames(q)
	last := strings.LastIndex(names, ", ")
	return names[:last] + " or " + names[last+len(", "):]
}

func unitNames(q Quantity) string {
	switch q {
	case OfTorque:
		return "N.m, lbf.ft, lbf.in"
	case OfTemperature:
		return "Cel, degF"
	}
	return "mm, in"
}

func typedNumber(field, text string, q Quantity) (Number, *Refusal) {
	n, err := ParseNumber(text)
	if err != nil || n.Abs().GreaterThan(maxLength) {
		return Number{}, refuse("bad number", fmt.Sprintf("%q is not a %s", text, q), "write a plain number like 12.34", "field", field, "text", text)
	}
	return n, nil
}

// next closes the active place when it has its repeats, or goes to a named step.
func (t *turn) next(j *job, c Command) *Refusal {
	if c.Step != "" {
		step, no := j.named(c.Step)
		if no != nil {
			return no
		}
		t.move("next", step, firstOpen(j.steps[step].places))
		return nil
	}
	if j.step < 0 {
		return noStepOpen()
	}
	if step := &j.plan.Steps[j.step]; !step.Kind.measures() {
		return t.nextOfKind(j, c)
	}
	if !j.satisfied(j.step, j.place) {
		counted := 0
		if p := j.placeMean(j.step, j.place); p != nil {
			counted = p.Counted
		}
		return refuse("repeats missing",
			fmt.Sprintf("this place has %d of the %d repeats it needs", counted, j.needed(j.step, j.place)),
			"measure on, or name the step to go to", "counted", strconv.Itoa(counted), "needed", strconv.Itoa(j.needed(j.step, j.place)))
	}
	t.setAside()
	t.add(Moved{"next", j.plan.Steps[j.step].Name, j.place})
	t.by("", FromBench)
	t.closeNow(true)
	return nil
}

// nextOfKind is next at a step where nothing is measured.
func (t *turn) nextOfKind(j *job, c Command) *Refusal {
	name, title := j.plan.Steps[j.step].Name, j.plan.Steps[j.step].Title
	switch j.plan.Steps[j.step].Kind {
	case WaitStep:
		return t.waitOn(j, strings.TrimSpace(c.Note))
	case TorqueStep:
		return t.nextScrew(j)
	case CompareStep:
		return refuse("to choose", fmt.Sprintf("step %q waits for a choice", name), "choose a candidate, or name the step to go to", "step", name, "title", title)
	}
	return refuse("to confirm", fmt.Sprintf("step %q waits for a word", name), "confirm it: done, not done or not applicable; or name the step to go to", "step", name, "title", title)
}

// back goes to the step before the active one. A held reading belongs there.
func (t *turn) back(j *job) *Refusal {
	step := j.step - 1
	if j.step < 0 {
		step = len(j.plan.Steps) - 1
	}
	if step < 0 {
		return refuse("first step", "this is the first step", "measure on")
	}
	held := j.find(j.held)
	name := j.plan.Steps[step].Name
	place := len(j.plan.Steps[step].Places) - 1
	if held >= 0 && j.held != 0 && j.beforeOf(held) == step {
		t.add(HeldDecided{Reading: j.held, Step: name, Place: j.lastPlace(name), Why: Reason{"extra press", map[string]string{"step": name, "before": name}}})
	}
	t.move("back", step, place)
	return nil
}

// goTo goes to a place of the active step or of a named one.
func (t *turn) goTo(j *job, c Command) *Refusal {
	step := j.step
	if c.Step != "" {
		var no *Refusal
		if step, no = j.named(c.Step); no != nil {
			return no
		}
	}
	if step < 0 {
		return noStepOpen()
	}
	places := j.plan.Steps[step].Places
	place := slices.Index(places, c.Place)
	if n, err := strconv.Atoi(c.Place); place < 0 && err == nil {
		place = n - 1
	}
	if place < 0 || place >= len(places) {
		return refuse("no such place", fmt.Sprintf("step %q has no place %q", j.plan.Steps[step].Name, c.Place),
			fmt.Sprintf("give a number from 1 to %d, or one of: %s", len(places), strings.Join(places, ", ")), "place", c.Place, "title", j.plan.Steps[step].Title,
			"most", strconv.Itoa(len(places)), "names", strings.Join(places, ", "))
	}
	t.move("place", step, place)
	return nil
}

// move goes to a step and place on the operator's word.
func (t *turn) move(command string, step, place int) {
	t.setAside()
	t.add(Moved{command, t.state.job.plan.Steps[step].Name, place})
}

// setAside decides a waiting reading when the operator goes on without it.
func (t *turn) setAside() {
	j := t.state.job
	i := j.find(j.held)
	if j.held == 0 || i < 0 {
		return
	}
	t.add(HeldDecided{Reading: j.held, Why: Reason{"set aside", map[string]string{
		"step": j.readings[i].taken.Step, "before": j.plan.Steps[j.beforeOf(i)].Name,
	}}})
}

func (j *job) named(step string) (int, *Refusal) {
	i := j.plan.step(step)
	if i < 0 {
		names := make([]string, len(j.plan.Steps))
		for k, s := range j.plan.Steps {
			names[k] = s.Name
		}
		return 0, nameOneOf(names, "no such step", fmt.Sprintf("the plan has no step %q", step), "step", step)
	}
	return i, nil
}

// strike takes a reading out of the count. A step that thereby lacks a repeat
// opens again.
func (t *turn) strike(j *job, c Command) *Refusal {
	i, no := j.reading(c.Reading)
	if no != nil {
		return no
	}
	if strings.TrimSpace(c.Reason) == "" {
		return refuse("no reason", "striking out needs a reason", "say in a few words why the reading does not count")
	}
	number := strconv.FormatInt(c.Reading, 10)
	switch f := j.readings[i]; {
	case f.struck != "":
		return refuse("struck already", fmt.Sprintf("reading %d is struck out already", c.Reading), "restore it if it should count", "reading", number)
	case f.seq == j.held:
		t.add(HeldDecided{Reading: f.seq, Why: Reason{"set aside", map[string]string{"step": f.taken.Step, "before": j.plan.Steps[j.beforeOf(i)].Name, "reason": c.Reason}}})
		return nil
	case f.fell != nil:
		return refuse("fell out", fmt.Sprintf("reading %d does not count any more: it was made before something was changed", c.Reading), "there is nothing to strike out", "reading", number)
	case f.step < 0:
		return refuse("not filed", fmt.Sprintf("reading %d does not count: it was ruled %s", c.Reading, f.taken.Ruling), "there is nothing to strike out", "reading", number, "ruling", string(f.taken.Ruling))
	}
	t.add(Struck{c.Reading, c.Reason})
	t.by("", FromBench)
	if j.step < 0 && !j.allClosed() {
		t.openNext()
	}
	return nil
}

func (j *job) allClosed() bool {
	return !slices.ContainsFunc(j.steps, func(s stepState) bool { return !s.closed })
}

// reading finds a reading of the job.
func (j *job) reading(seq int64) (int, *Refusal) {
	i := j.find(seq)
	if seq <= 0 || i < 0 {
		return 0, refuse("no such reading", fmt.Sprintf("job %s has no reading %d", j.number, seq), "look its number up among the readings", "reading", strconv.FormatInt(seq, 10), "job", j.number)
	}
	return i, nil
}

// restore brings back a struck reading, or counts a held one in the active step.
func (t *turn) restore(j *job, c Command) *Refusal {
	i, no := j.reading(c.Reading)
	if no != nil {
		return no
	}
	f := j.readings[i]
	held := f.taken.Ruling == Held && f.step < 0
	number := strconv.FormatInt(c.Reading, 10)
	switch {
	case f.struck == "" && !held:
		return refuse("counts already", fmt.Sprintf("reading %d is neither struck out nor held", c.Reading), "there is nothing to restore", "reading", number)
	case held && j.step < 0:
		return noStepOpen()
	case held && j.plan.Steps[j.step].Name != f.taken.Step:
		return refuse("other step", fmt.Sprintf("reading %d was made under step %q", c.Reading, f.taken.Step), "go to that step first",
			"step", f.taken.Step, "title", j.plan.Steps[j.plan.step(f.taken.Step)].Title, "reading", number)
	}
	t.add(Restored{c.Reading})
	t.by("", FromBench)
	t.close(j.step, j.place)
	return nil
}

// temperature notes how warm a part or the shop is.
func (t *turn) temperature(j *job, c Command) *Refusal {
	if c.Of != Shop && j.plan.part(c.Of) < 0 {
		names := []string{Shop}
		for _, p := range j.plan.Parts {
			names = append(names, p.Name)
		}
		return nameOneOf(names, "no such part", fmt.Sprintf("the plan has no part %q", c.Of), "part", c.Of)
	}
	if c.U == "" {
		c.U = "0.5"
	}
	celsius, err := ParseNumber(c.Celsius)
	u, errU := ParseNumber(c.U)
	if err != nil || errU != nil || !isTemperature(celsius) || u.IsNegative() || u.GreaterThan(maxCelsius) {
		return refuse("bad temperature", fmt.Sprintf("%q with an uncertainty of %q is not a temperature", c.Celsius, c.U), "write plain numbers in °C and kelvin, like 23.5 and 0.5", "text", c.Celsius+" ± "+c.U)
	}
	t.add(TemperatureTaken{Of: c.Of, Celsius: celsius, U: u})
	return nil
}

// check takes what an instrument shows of a known length.
func (t *turn) check(c Command) *Refusal {
	in, no := t.state.named(c.Instrument)
	if no != nil {
		return no
	}
	if q := in.profile.Kind.Quantity(); q != OfLength || in.profile.Kind == Pedal {
		return refuse("not to check", fmt.Sprintf("a %s has no zero and takes no block", in.profile.Kind), "check an instrument that measures lengths", "kind", string(in.profile.Kind), "use", string(c.Use))
	}
	if !slices.Contains(usesOf(in.profile.Kind), c.Use) || in.profile.Kind == Feeler {
		return refuse("bad use", fmt.Sprintf("a %s does not measure %q", in.profile.Kind, c.Use), "name the use that was checked: "+joinUses(usesOf(in.profile.Kind)), "kind", string(in.profile.Kind), "use", string(c.Use), "names", joinUses(usesOf(in.profile.Kind)))
	}
	if c.Block == "" {
		c.Block = "0"
	}
	if n, err := ParseNumber(c.Block); c.U == "" && err == nil && n.IsZero() {
		c.U = "0"
	}
	checked := InstrumentChecked{Instrument: c.Instrument, Use: c.Use}
	for _, f := range []struct {
		name, text string
		into       *Number
	}{{"value", c.Value, &checked.Shown}, {"block", c.Block, &checked.Block}, {"uncertainty of the block", c.U, &checked.BlockU}} {
		n, no := typedNumber(f.name, f.text, OfLength)
		if no != nil || !measurable(n) {
			return refuse("bad number", fmt.Sprintf("%q is not a length for the %s", f.text, f.name), "write plain numbers in mm, like 0.01; a block needs its length and its uncertainty", "field", f.name, "text", f.text)
		}
		*f.into = n
	}
	if checked.Block.IsNegative() || checked.BlockU.IsNegative() {
		return refuse("bad number", "a block has no negative length or uncertainty", "take both from its certificate", "field", "block", "text", c.Block+" ± "+c.U)
	}
	if i := t.state.job.profileOf(c.Instrument); i < 0 || !reflect.DeepEqual(t.state.job.profiles[i], in.profile) {
		t.add(InstrumentUsed{in.profile})
	}
	t.add(checked)
	return nil
}

// end closes the job.
func (t *turn) end(j *job, c Command) *Refusal {
	open := 0
	for _, s := range j.steps {
		if !s.closed {
			open++
		}
	}
	if open > 0 && strings.TrimSpace(c.Note) == "" {
		return refuse("steps open", fmt.Sprintf("%d of %d steps are not closed", open, len(j.steps)),
			"finish them (next closes one that has its repeats), or end with a note that says why", "open", strconv.Itoa(open), "of", strconv.Itoa(len(j.steps)))
	}
	if i := j.unsaid(); i >= 0 && strings.TrimSpace(c.Note) == "" {
		return refuse("not said", fmt.Sprintf("nobody said which shims are in for %q", j.plan.Chains[i].Name),
			"say it (fitted), or end with a note that says why", "chain", j.plan.Chains[i].Name, "title", j.plan.Chains[i].Title)
	}
	t.setAside()
	t.add(Ended{c.Note})
	return nil
}
