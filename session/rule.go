package session

import (
	"math"
	"reflect"
	"slices"
	"strconv"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// rule decides what a reading is: filed under the active step and place, or why not.
func (s *State) rule(r Reading) ReadingTaken {
	t := ReadingTaken{Reading: r, Ruling: Filed}
	in := s.instrument(r.Instrument)
	if in != nil && r.Fault == nil {
		count, spread := in.profile.Count(), in.profile.Spread()
		if r.Movement != nil {
			spread = moved(spread)
		}
		t.Resolution, t.Repeatability = &count, &spread
		t.Notes = s.notes(in, r)
	}
	j := s.job
	open := j != nil && !j.ended
	if open && j.step >= 0 {
		t.Step, t.Place = j.plan.Steps[j.step].Name, j.place
	}
	no := func(ruling Ruling, code string, params map[string]string) ReadingTaken {
		t.Ruling, t.Why = ruling, &Reason{code, params}
		return t
	}
	switch {
	case r.Fault != nil:
		return no(Unreadable, "unreadable", map[string]string{"code": r.Fault.Code, "detail": r.Fault.Detail})
	case !open:
		return no(NoStep, "no job", nil)
	case s.bounced(in, r):
		return no(TooSoon, "bounce", map[string]string{"least": s.started.Settings.Bounce.String(), "instrument": r.Instrument})
	case j.step < 0:
		return no(NoStep, "no step", nil)
	case !r.Typed && j.openedRun == s.run && r.Mono < j.openedMono:
		return no(TooSoon, "before the step", map[string]string{"step": t.Step})
	}
	step := &j.plan.Steps[j.step]
	if why := step.notToRead(r); why != nil {
		t.Ruling, t.Why = NoStep, j.heatedTo(why, r)
		return t
	}
	if why := j.tooWarm(step); why != nil {
		t.Ruling, t.Why = NoStep, why
		if r.Kind == Thermometer && in != nil && isTemperature(r.Value) && s.refusesOverdue(in, r) == nil {
			t.Why = &Reason{"noted as temperature", map[string]string{"part": step.Part, "celsius": r.Value.String()}}
			if j.tooWarmAt(step, r.Value) == nil {
				t.Why.Code = "noted, cool enough"
			}
		}
		return t
	}
	switch {
	case r.Kind != step.Instrument || in == nil:
		return no(WrongInstrument, "wanted instrument", map[string]string{"wanted": string(step.Instrument), "got": string(r.Kind)})
	case s.refusesOverdue(in, r) != nil:
		t.Ruling, t.Why = WrongInstrument, s.refusesOverdue(in, r)
		return t
	case step.notAsMoved(r) != nil:
		t.Ruling, t.Why = WrongInstrument, step.notAsMoved(r)
		return t
	case j.unitDisagrees(t):
		return no(OutOfRange, "unit disagrees", map[string]string{
			"instrument": r.Instrument, "unit_shown": r.Unit.Word(), "shown": r.Text, "value": r.Value.String(), "step": t.Step,
		})
	case step.Kind == TorqueStep:
		return j.ruleTorque(t)
	case r.Value.LessThan(step.Range[0].Decimal) || r.Value.GreaterThan(step.Range[1].Decimal):
		return no(OutOfRange, "outside range", withUnit(r.Kind, map[string]string{
			"value": r.Value.String(), "least": step.Range[0].String(), "most": step.Range[1].String(), "step": t.Step,
		}))
	case j.mayBelongBefore(t):
		return no(Held, "may belong to step before", withUnit(r.Kind, map[string]string{
			"step": t.Step, "before": j.plan.Steps[j.before].Name, "value": r.Value.String(),
		}))
	}
	return t
}

// withUnit adds to the numbers of a reason their unit where that is not mm.
func withUnit(k Kind, params map[string]string) map[string]string {
	if q := k.Quantity(); q != OfLength {
		params["unit"] = string(q.Unit())
	}
	return params
}

// bounced tells whether a frame came too soon after the one before from the same
// instrument: a repeat means that the instrument was set down anew.
func (s *State) bounced(in *instrument, r Reading) bool {
	return in != nil && in.seen && !r.Typed && r.Mono-in.lastMono < s.started.Settings.Bounce
}

// warmthOf finds the temperature of a part or of the shop; nil if none was taken.
func warmthOf(taken []TemperatureTaken, name string) *TemperatureTaken {
	for i := range taken {
		if taken[i].Of == name {
			return &taken[i]
		}
	}
	return nil
}

// tooWarm says why a step's part cannot be measured yet, and how long it takes to
// come within the limit of the shop.
func (j *job) tooWarm(step *Step) *Reason {
	part := warmthOf(j.warmth, step.Part)
	if part == nil {
		return nil
	}
	return j.tooWarmAt(step, part.Celsius)
}

// heatedTo adds to a temperature that is noted meanwhile what it means for the heat that
// the active step asks for, or for what cools in it: enough, not yet, or over the limit.
func (j *job) heatedTo(why *Reason, r Reading) *Reason {
	h, step := j.heatView(j.step), &j.plan.Steps[j.step]
	if why.Code != "noted meanwhile" {
		return why
	}
	switch {
	case h == nil && (step.Sets == "" || step.Sets != step.Part):
	case h == nil && j.tooWarmAt(&Step{Part: step.Part}, r.Value) != nil:
		why.Code = "noted as temperature"
	case h == nil:
		why.Code = "noted, cooled"
	case h.Most != nil && r.Value.GreaterThan(h.Most.Decimal):
		why.Code, why.Params["limit"] = "noted, too hot", h.Most.String()
	case h.Celsius != nil && !r.Value.LessThan(h.Celsius.Decimal):
		why.Code, why.Params["heat"] = "noted, hot enough", h.Celsius.String()
	case h.Celsius != nil:
		why.Code, why.Params["heat"] = "noted, not hot enough", h.Celsius.String()
	}
	return why
}

// tooWarmAt is tooWarm of a part at a temperature in °C.
func (j *job) tooWarmAt(step *Step, celsius Number) *Reason {
	shop := warmthOf(j.warmth, Shop)
	if step.Reference != nil || step.Instrument.Quantity() != OfLength {
		return nil
	}
	air := plain("20")
	if shop != nil {
		air = &shop.Celsius
	}
	limit := j.plan.Temperature.Warm
	constant := j.plan.Temperature.Cooling.InexactFloat64() / math.Ln2
	finding, warm, err := calc.Warm(celsius.InexactFloat64(), air.InexactFloat64(), limit.InexactFloat64(), constant)
	if err != nil || !warm {
		return nil // a plan in State is sound, and temperatures were checked when taken
	}
	return &Reason{"part warm", map[string]string{
		"part": step.Part, "celsius": celsius.String(), "limit": limit.String(), "shop": air.String(), "wait_minutes": finding.Params["wait"],
	}}
}

// mayBelongBefore tells whether a reading could as well be one more press on the
// step before: that step closed by itself and opened this one, nothing has been
// read here yet, and the same instrument shows the same within its repeatability.
func (j *job) mayBelongBefore(t ReadingTaken) bool {
	if j.before < 0 || !j.fresh || t.Typed || j.lastInstrument(j.before) != t.Instrument {
		return false
	}
	place := len(j.plan.Steps[j.before].Places) - 1
	if last := j.lastFiled(j.before); last != nil {
		place = last.place
	}
	mean := j.placeMean(j.before, place)
	return mean != nil && t.Value.Sub(mean.Mean).Abs().LessThanOrEqual(sameWithin(t))
}

// sameWithin is the difference that two readings of one dimension may well have:
// the repeatability limit of ISO 5725-6 (2.77 standard deviations), at least two counts.
func sameWithin(t ReadingTaken) decimal.Decimal {
	limit := t.Repeatability.Mul(decimal.New(277, -2))
	return decimal.Max(limit, t.Resolution.Mul(decimal.NewFromInt(2)))
}

func (j *job) lastFiled(step int) *filed {
	for i := len(j.readings) - 1; i >= 0; i-- {
		if j.readings[i].step == step {
			return &j.readings[i]
		}
	}
	return nil
}

func (j *job) lastInstrument(step int) string {
	if f := j.lastFiled(step); f != nil {
		return f.taken.Instrument
	}
	return ""
}

// A turn handles the items of one transaction on a provisional State.
type turn struct {
	state    *State
	entries  []Entry
	at       time.Time
	mono     time.Duration
	operator string
	proved   bool // the operator gave the PIN
	door     Door
	guarded  []Verb // what needs one
	err      error  // the first entry that could not be applied: a fault of the program
}

// add makes an entry of body and applies it.
func (t *turn) add(body Body) {
	run := t.state.run
	if _, starts := body.(Started); starts {
		run++
	}
	e := Entry{
		Seq: t.state.seq + 1, Run: run, At: t.at.UTC(), Mono: t.mono,
		Operator: t.operator, Proved: t.proved && t.door != FromBench, Door: t.door, Body: body,
	}
	if inJob(body) && t.state.job != nil && !t.state.job.ended {
		e.Job = t.state.job.number
	}
	if _, ok := body.(Began); ok {
		e.Job = strconv.FormatInt(t.state.lastJob+1, 10)
	}
	if b, ok := body.(Reopened); ok {
		e.Job = b.Job
	}
	if b, ok := body.(Resumed); ok {
		e.Job = b.Job
	}
	if t.err == nil {
		t.err = t.state.Apply(e)
	}
	t.entries = append(t.entries, e)
}

// inJob tells whether a body belongs to the open job rather than to the bench.
func inJob(body Body) bool {
	switch body.(type) {
	case Started, ProfileSet, PortChanged, ClockStepped, Stocked, Paired, Revoked, RecordingChanged, KeyChanged:
		return false
	}
	return true
}

// by sets who does what follows. An instrument's readings are its operator's.
func (t *turn) by(operator string, door Door) {
	t.operator, t.door = operator, door
	if t.operator == "" && t.state.job != nil && !t.state.job.ended {
		t.operator = t.state.job.operator
	}
}

// reading rules and files a reading, and does what follows from it.
func (t *turn) reading(r Reading, operator string, door Door) Receipt {
	if r.At.IsZero() {
		r.At, r.Mono = t.at, t.mono
	}
	t.at, t.mono = r.At, r.Mono
	if r.Fault == nil && !r.Kind.Quantity().measurable(r.Value) {
		r.Fault, r.Value = &Fault{Code: "bad number", Detail: r.Value.String()}, Number{}
	}
	t.by(operator, door)
	taken := t.state.rule(r)
	t.introduce(taken)
	t.add(taken)
	receipt := Receipt{Seq: t.state.seq, Ruling: taken.Ruling, Why: taken.Why}
	j := t.state.job
	if j == nil || j.ended || t.err != nil {
		return receipt
	}
	receipt.Job = j.number
	t.noteTemperature(taken)
	if taken.Ruling == Filed {
		t.by(operator, FromBench)
		t.decideHeld(taken)
		t.close(j.step, j.place)
	}
	return receipt
}

// introduce puts the instrument's profile into the job before the first reading
// that may count under it.
func (t *turn) introduce(taken ReadingTaken) {
	j := t.state.job
	in := t.state.instrument(taken.Instrument)
	if in == nil || (taken.Ruling != Filed && taken.Ruling != Held) {
		return
	}
	if i := j.profileOf(in.profile.Name); i < 0 || !reflect.DeepEqual(j.profiles[i], in.profile) {
		t.add(InstrumentUsed{in.profile})
	}
}

// decideHeld says where a waiting reading belongs, now that the next press has
// come. If that one differs, the waiting one was one more press on the step before
// and goes there. If the two agree, both steps read alike and nothing tells them
// apart: the waiting one counts nowhere unless a person restores it.
func (t *turn) decideHeld(next ReadingTaken) {
	j := t.state.job
	i := j.find(j.held)
	if j.held == 0 || i < 0 {
		return
	}
	held := j.readings[i].taken
	before := j.plan.Steps[j.beforeOf(i)].Name
	params := map[string]string{"step": next.Step, "before": before}
	same := held.Value.Sub(next.Value.Decimal).Abs().LessThanOrEqual(sameWithin(held))
	if same {
		t.add(HeldDecided{Reading: j.held, Why: Reason{"set aside", params}})
		return
	}
	t.add(HeldDecided{Reading: j.held, Step: before, Place: j.lastPlace(before), Why: Reason{"extra press", params}})
}

// beforeOf is the step that a held reading may belong to.
func (j *job) beforeOf(i int) int { return j.plan.step(j.readings[i].taken.Why.Params["before"]) }

// lastPlace is the place of a step that was read last.
func (j *job) lastPlace(step string) int {
	if f := j.lastFiled(j.plan.step(step)); f != nil {
		return f.place
	}
	return 0
}

// close closes a place that has its repeats, and the step when all its places
// are closed, and opens what comes next. A step that closes on command waits.
func (t *turn) close(step, place int) {
	j := t.state.job
	if t.err != nil || step < 0 || step != j.step || place != j.place || !j.satisfied(step, place) {
		return
	}
	if j.plan.Steps[step].OnCommand && j.lastOfStep(step, place) {
		return
	}
	t.closeNow(false)
}

// lastOfStep tells whether place is the only one of its step that is not closed.
func (j *job) lastOfStep(step, place int) bool {
	for i, closed := range j.steps[step].places {
		if i != place && !closed {
			return false
		}
	}
	return true
}

// closeNow closes the active place and what that completes.
func (t *turn) closeNow(command bool) {
	j := t.state.job
	step, name := j.step, j.plan.Steps[j.step].Name
	last := j.lastOfStep(step, j.place)
	t.add(PlaceClosed{name, j.place})
	if !last {
		t.add(Opened{name, firstOpen(j.steps[step].places)})
		return
	}
	t.add(j.stepClosed(step, command))
	t.closeWarmth(step)
	t.openNext()
}

func (j *job) stepClosed(step int, command bool) StepClosed {
	b := StepClosed{Step: j.plan.Steps[step].Name, Command: command}
	b.Value, b.Limits = j.value(step), j.limits(step)
	if q := j.plan.Steps[step].Instrument.Quantity(); q != OfLength {
		b.Quantity = q
	}
	for _, f := range j.readings {
		switch {
		case f.step != step:
		case f.standing == Counted:
			b.Counted = append(b.Counted, f.seq)
		case f.standing == LeftOut:
			b.LeftOut = append(b.LeftOut, f.seq)
		}
	}
	return b
}

// openNext opens the first step that is not closed, or none. What is put off comes last.
func (t *turn) openNext() {
	for {
		j := t.state.job
		i := slices.IndexFunc(j.steps, func(s stepState) bool { return !s.closed && !s.putOff() })
		if i < 0 {
			i = slices.IndexFunc(j.steps, func(s stepState) bool { return !s.closed })
		}
		if i < 0 {
			t.add(Opened{})
			return
		}
		why := j.needless(i)
		if why == nil {
			t.add(Opened{j.plan.Steps[i].Name, firstOpen(j.steps[i].places)})
			return
		}
		t.add(Skipped{j.plan.Steps[i].Name, *why})
		if t.err != nil {
			return
		}
	}
}

// trialInstead tells whether a check gap was measured with other shims than are in now,
// and the trial build is still to come, which has them in as well and knows it better.
func (j *job) trialInstead(step, chain int) bool {
	trial := j.plan.directStep(&j.plan.Chains[chain], trialBuild)
	return trial >= 0 && !j.steps[trial].closed &&
		slices.ContainsFunc(j.readings, func(f filed) bool { return f.step == step && f.fell != nil })
}

// needless says why a step need not be done: a trial build where the float is shown
// inside without it, a check gap that a trial build takes the place of. It can be gone
// to all the same.
func (j *job) needless(step int) *Reason {
	chain, w := j.plan.direct(step)
	if chain >= 0 && w == checkGap && j.trialInstead(step, chain) {
		why := reason("trial build instead", "chain", j.plan.Chains[chain].Name)
		return &why
	}
	if chain < 0 || w != trialBuild || j.steps[step].reduction != nil || j.fitted[chain].before != nil {
		return nil
	}
	a, err := j.advise(chain)
	if err != nil || a.State != Final || a.Best == nil || a.Best.Outcome != calc.ShownInside.String() {
		return nil
	}
	why := reason("shown without a trial build", "chain", a.Chain)
	return &why
}

func firstOpen(closed []bool) int {
	for i, c := range closed {
		if !c {
			return i
		}
	}
	return 0
}

// advise adds an entry for each chain whose advice has changed. A chain that still
// waits for its first gap has nothing to advise.
func (t *turn) advise() {
	j := t.state.job
	if j == nil || !j.stale || t.err != nil {
		return
	}
	for i := range j.plan.Chains {
		a, err := j.advise(i)
		if err != nil {
			a = j.cannotAdvise(i, err)
		}
		if j.ended || (a.State == Waiting && j.advice[i] == nil) {
			continue
		}
		text, bare, err := j.news(i, a)
		if err != nil {
			t.err = err
			return
		}
		if text == nil {
			continue
		}
		t.by("", FromBench)
		t.add(Advised{a, text, bare})
	}
	j.stale = false
}
