package session

// Snapshot shows the state to displays. Nothing in it is shared with s.
func (s *State) Snapshot() Snapshot {
	v := Snapshot{
		Schema: SchemaVersion, Bench: s.started.Bench, Run: s.run, Seq: s.seq, Time: s.at,
		Software: s.started.Software, Method: s.started.Method, Recording: Recording{OK: true},
		Instruments: []InstrumentView{}, Waiting: s.waiting(), Stocks: s.stockViews(),
	}
	for _, in := range s.instruments {
		v.Instruments = append(v.Instruments, in.view())
	}
	if j := s.job; j != nil {
		v.Job = j.view()
		if j.step >= 0 {
			step := v.Job.Steps[j.step]
			v.Step = &step
		}
		v.Advice, v.Fits = j.adviceNow(), j.seatViews()
		v.Readings = make([]ReadingView, 0, len(j.readings)+len(s.loose))
		for i := range j.readings {
			v.Readings = append(v.Readings, j.readingView(&j.readings[i]))
		}
	}
	for i := range s.loose {
		v.Readings = append(v.Readings, s.loose[i].view())
	}
	return v
}

func (in *instrument) view() InstrumentView {
	p := in.profile
	return InstrumentView{
		Name: p.Name, Kind: p.Kind, Trigger: p.Trigger,
		Resolution: p.Resolution, ResolutionNm: p.ResolutionNm, ResolutionCel: p.ResolutionCel,
		Due: p.Due, Gathering: in.gathering, State: in.port.State, Port: in.port.Port, Detail: in.port.Detail,
		Readings: in.readings, Unreadable: in.unreadable, LastSeq: in.lastSeq,
	}
}

// adviceNow is what the log last said of each chain, or that it waits.
func (j *job) adviceNow() []Advice {
	advice := make([]Advice, 0, len(j.advice))
	for i, a := range j.advice {
		if a != nil {
			advice = append(advice, *a)
			continue
		}
		// A chain that waits needs no arithmetic that can fail.
		if waiting, err := j.advise(i); err == nil {
			advice = append(advice, waiting)
		}
	}
	return advice
}

func (j *job) view() *JobView {
	v := &JobView{
		Number: j.number, Plan: j.plan.Name, Title: j.plan.Title, Reference: j.reference, Operator: j.operator,
		Began: j.began, Ended: j.ended, Cautions: j.plan.Cautions, Steps: make([]StepView, len(j.steps)),
	}
	for i := range j.steps {
		v.Steps[i] = j.stepView(i)
	}
	v.Fitted = j.fittedViews()
	return v
}

func (j *job) stepView(i int) StepView {
	p, s := &j.plan.Steps[i], &j.steps[i]
	v := StepView{
		Name: p.Name, Title: p.Title, Kind: p.Kind, Section: p.Section, Do: p.Do, Number: i + 1, Of: len(j.steps), Measure: p.Measure, Where: p.Where,
		Side: p.Side, Instrument: p.Instrument, Use: p.Use, Cautions: p.Cautions, OnCommand: p.OnCommand,
		Active: i == j.step, Closed: s.closed, Places: make([]PlaceView, len(p.Places)),
		Findings: append(j.findings(i), j.kindFindings(i)...),
		Skipped:  s.skipped, Packs: j.packsFor(i), Fitted: p.Fitted,
		Confirmed: s.confirmed, Choice: p.For, Candidate: p.Candidate, Compare: j.compareView(i), Wait: j.waitView(i), Screws: j.torqueView(i), Heat: j.heatView(i),
	}
	v.Reduce, v.Window = p.Reduce, p.Window
	q := p.Instrument.Quantity()
	put(q, j.value(i), &v.Value, &v.Torque, &v.Celsius)
	put(q, j.valueWithAll(i), &v.WithAll, &v.TorqueWithAll, &v.CelsiusWithAll)
	v.Limits = j.limits(i)
	v.Findings = append(v.Findings, j.limitFindings(i, v.Limits)...)
	if s.reduction != nil {
		v.Unsettled = s.reduction.Unsettled
	}
	if bar, _ := j.bar(i); p.Bar != "" {
		v.Bar = bar
	}
	for k := range p.Places {
		v.Places[k] = j.placeView(i, k)
	}
	return v
}

func (j *job) placeView(step, place int) PlaceView {
	v := PlaceView{
		Name:   j.plan.Steps[step].Places[place],
		Active: step == j.step && place == j.place, Closed: j.steps[step].places[place],
	}
	if p := j.placeMean(step, place); p != nil {
		mean := worked(p.Mean)
		v.Counted, v.LeftOut = p.Counted, p.LeftOut
		put(j.plan.Steps[step].Instrument.Quantity(), &mean, &v.Value, &v.Torque, &v.Celsius)
	}
	if s := &j.plan.Steps[step]; s.Kind == TorqueStep {
		j.pullView(step, place, &v)
		return v
	}
	if v.Needed = v.Counted; !v.Closed {
		v.Needed = j.needed(step, place)
	}
	return v
}

// readingView shows a reading of the job under the step where it counts, or else
// where it was ruled.
func (j *job) readingView(f *filed) ReadingView {
	v := f.view()
	step, place := f.step, f.place
	if step < 0 && f.taken.Step != "" {
		step, place = j.plan.step(f.taken.Step), f.taken.Place
	}
	if step >= 0 {
		v.Step, v.Place = j.plan.Steps[step].Name, j.plan.Steps[step].Places[place]
	}
	return v
}

// shownRaw is how many bytes of a window displays get.
const shownRaw = 64

func (f *filed) view() ReadingView {
	t := f.taken
	v := ReadingView{
		Seq: f.seq, Time: f.at, Job: f.job, Instrument: t.Instrument, Kind: t.Kind, Text: t.Text, Unit: t.Unit,
		Typed: t.Typed, Feeler: t.Feeler, Fault: t.Fault, Raw: t.Raw, Operator: f.operator, Door: f.door,
		Ruling: t.Ruling, Why: t.Why, Notes: t.Notes, Decided: f.decided, Standing: f.standing, Struck: f.struck, Fell: f.fell,
	}
	if v.Movement = t.Movement; v.Movement != nil && len(v.Raw) > shownRaw {
		v.Raw, v.RawBytes = v.Raw[:shownRaw], len(v.Raw)
	}
	if t.Fault == nil {
		value := t.Value
		put(t.Kind.Quantity(), &value, &v.Value, &v.Torque, &v.Celsius)
	}
	v.Outlier = outlierView(f.verdict, t.Kind.Quantity())
	return v
}
