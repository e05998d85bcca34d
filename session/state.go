package session

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"time"

	"shimwright/calc"
)

// looseKept bounds the readings without a job that a snapshot holds.
const looseKept = 50

// State is what the entries so far add up to. Apply is the only thing that
// changes it. The zero value is not usable: NewState makes one.
type State struct {
	method      *calc.Method
	seq, run    int64
	at          time.Time
	started     Started
	instruments []instrument
	job         *job      // the open job, or the last one until the next begins
	stocks      []Stocked // of the bench; replaced whole
	closed      []*job    // that ended before the last, which can be opened again; never changed there
	aside       []*job    // open jobs that wait, the longest waiting first; never changed there
	loose       []filed   // the latest readings without a job, of this run
	pages       []Paired  // that can give commands; replaced whole
	lastJob     int64     // the highest job number given
	read        planRead
}

// planRead is the plan text that was read last, so that a begin reads it once.
type planRead struct {
	text string
	plan Plan
	err  error
}

// plan reads a plan's text. A plan is never changed after it was read.
func (s *State) plan(file, text string) (Plan, error) {
	if s.read.text != text || text == "" {
		plan, err := ReadPlan(file, []byte(text))
		s.read = planRead{text, plan, err}
	}
	return s.read.plan, s.read.err
}

// instrument is one instrument of this run.
type instrument struct {
	profile              Profile
	port                 PortChanged
	readings, unreadable int
	lastSeq              int64
	lastMono             time.Duration // arrival of its last frame that could be read
	seen                 bool          // such a frame came in this run
	unit                 Unit          // of that frame
	gathering            bool          // a window of its stream is open
}

// job is one job.
type job struct {
	method    *calc.Method
	number    string
	plan      Plan
	reference string
	operator  string
	began     time.Time
	ended     bool
	waits     *PutAside // while it is put aside
	since     time.Time

	step, place int  // the active ones; step is -1 when there is none
	before      int  // the step whose own closing opened the active one, or -1
	fresh       bool // no reading was filed or held since the active step opened
	openedRun   int64
	openedMono  time.Duration
	held        int64 // the held reading that waits for a decision, or 0

	steps    []stepState
	readings []filed
	profiles []Profile          // of the instruments used, as they were; only appended to
	warmth   []TemperatureTaken // the latest of each part and of the shop
	checks   []madeCheck        // made on command; only appended to
	advice   []*Advice          // per chain; what the log last said
	told     [][]byte           // per chain: advice in JSON; nil while nobody asked for it
	settled  []settled          // per chain; the last final advice
	judged   []judged           // per step; what was found out
	changes  int64              // counts entries other than advice
	worth    worth              // what was last found out about one more repeat
	fitted   []fitting          // per chain
	chosen   []Chose            // one per choice that was made; replaced whole
	stale    bool               // something changed that advice depends on
}

// stepState is how far a step has come.
type stepState struct {
	closed    bool
	places    []bool // closed
	confirmed *ConfirmedView
	skipped   *Reason // why it need not be done
	wait      *waiting
	words     []placeWord // of a step of the kind torque; only appended to
	reduction *calc.Reduction
}

// filed is a reading with what became of it.
type filed struct {
	seq         int64
	at          time.Time
	run         int64
	mono        time.Duration
	job         string
	operator    string
	door        Door
	taken       ReadingTaken
	profile     int                // index of its instrument among the job's profiles; -1 if unknown
	warmth      []TemperatureTaken // what had been taken when it was filed; never changed
	step, place int                // where it counts; -1 if nowhere
	standing    Standing
	verdict     calc.Verdict
	struck      string
	fell        *Reason // why it fell out of the count though nobody struck it out
	decided     string  // of a held reading
}

// NewState returns the state of an empty log.
func NewState(m *calc.Method) *State { return &State{method: m} }

// clone returns a copy that can be changed without changing s.
func (s *State) clone() *State {
	c := *s
	c.instruments = slices.Clone(s.instruments)
	c.loose = slices.Clone(s.loose)
	if s.job == nil {
		return &c
	}
	c.job = s.job.clone()
	return &c
}

func (j *job) clone() *job {
	c := *j
	j = &c
	j.readings = append(make([]filed, 0, len(j.readings)+8), j.readings...)
	j.profiles, j.checks = slices.Clip(j.profiles), slices.Clip(j.checks)
	j.advice = slices.Clone(j.advice)
	j.fitted = slices.Clone(j.fitted)
	j.steps = slices.Clone(j.steps)
	for i := range j.steps {
		j.steps[i].places = slices.Clone(j.steps[i].places)
	}
	j.told, j.settled, j.judged = slices.Clone(j.told), slices.Clone(j.settled), slices.Clone(j.judged)
	return j
}

// Apply folds one entry. An error means that the entry cannot follow the ones
// before it: the log is not one that this program wrote.
func (s *State) Apply(e Entry) error {
	if e.Seq <= s.seq {
		return fmt.Errorf("entry %d comes after entry %d", e.Seq, s.seq)
	}
	s.changed(e)
	if err := s.apply(e); err != nil {
		return fmt.Errorf("cannot apply entry %d (%s): %w", e.Seq, e.Kind(), err)
	}
	s.seq, s.run, s.at = e.Seq, e.Run, e.At
	s.changed(e)
	return nil
}

// changed counts a change, before and after it is made: what was found out before, or
// half way, holds no longer.
func (s *State) changed(e Entry) {
	if _, told := e.Body.(Advised); !told && s.job != nil {
		s.job.changes++
	}
}

func (s *State) apply(e Entry) error {
	switch b := e.Body.(type) {
	case Started:
		s.started, s.instruments, s.loose, s.pages, s.stocks = b, nil, nil, nil, nil
		return nil
	case ProfileSet:
		s.equip(b.Profile)
		return nil
	case PortChanged:
		if in := s.instrument(b.Instrument); in != nil {
			in.port, in.gathering = b, in.gathering && b.State == PortLive
		}
		return nil
	case Paired:
		s.pair(b)
		return nil
	case Revoked:
		s.revoke(b.Page)
		return nil
	case ClockStepped, RecordingChanged, KeyChanged:
		return nil
	case Began:
		return s.begin(e, b)
	case Stocked:
		return s.stocked(b)
	case Reopened:
		return s.reopen(e)
	case PutAside:
		return s.putAside(e, b)
	case Resumed:
		return s.resume(e, b)
	case ReadingTaken:
		return s.reading(e, b)
	}
	if s.job == nil || s.job.ended || s.job.number != e.Job {
		return fmt.Errorf("job %q is not open", e.Job)
	}
	if b, ok := e.Body.(Asked); ok && b.Gather != "" {
		if in := s.instrument(b.Instrument); in != nil {
			in.gathering = b.Gather == GatherStart
		}
	}
	return s.job.apply(e)
}

// equip puts a profile in force, in place of the one of that name.
func (s *State) equip(p Profile) {
	port := PortChanged{Instrument: p.Name, State: PortAbsent, Port: p.Port}
	if in := s.instrument(p.Name); in != nil {
		in.profile, in.port, in.unit, in.gathering = p, port, "", false
		return
	}
	s.instruments = append(s.instruments, instrument{profile: p, port: port})
}

func (s *State) instrument(name string) *instrument {
	for i := range s.instruments {
		if s.instruments[i].profile.Name == name {
			return &s.instruments[i]
		}
	}
	return nil
}

func (s *State) begin(e Entry, b Began) error {
	if s.job != nil && !s.job.ended {
		return fmt.Errorf("job %q is open", s.job.number)
	}
	number, err := strconv.ParseInt(e.Job, 10, 64)
	if err != nil {
		return fmt.Errorf("job number %q is not a number", e.Job)
	}
	plan, err := s.plan("plan", b.Plan)
	if err != nil {
		return err
	}
	s.lastJob = max(s.lastJob, number)
	s.leave()
	s.job = newJob(s.method, e, b, plan)
	return nil
}

func newJob(m *calc.Method, e Entry, b Began, plan Plan) *job {
	j := &job{
		method: m,
		number: e.Job, plan: plan, reference: b.Reference, operator: e.Operator, began: e.At,
		step: -1, before: -1,
		steps:   make([]stepState, len(plan.Steps)),
		advice:  make([]*Advice, len(plan.Chains)),
		settled: make([]settled, len(plan.Chains)),
		judged:  make([]judged, len(plan.Steps)),
		told:    make([][]byte, len(plan.Chains)),
		fitted:  make([]fitting, len(plan.Chains)),
		stale:   true,
	}
	for i, step := range plan.Steps {
		j.steps[i].places = make([]bool, len(step.Places))
	}
	return j
}

// reading folds a reading, whether or not there is a job.
func (s *State) reading(e Entry, b ReadingTaken) error {
	f := filed{
		seq: e.Seq, at: e.At, run: e.Run, mono: e.Mono, job: e.Job, operator: e.Operator, door: e.Door,
		taken: b, profile: -1, step: -1, place: -1,
	}
	if in := s.instrument(b.Instrument); in != nil {
		in.note(f)
	}
	if e.Job == "" {
		s.loose = append(s.loose, f)
		if len(s.loose) > looseKept {
			s.loose = slices.Clone(s.loose[len(s.loose)-looseKept:])
		}
		return nil
	}
	if s.job == nil || s.job.ended || s.job.number != e.Job {
		return fmt.Errorf("job %q is not open", e.Job)
	}
	return s.job.take(f)
}

func (in *instrument) note(f filed) {
	in.lastSeq = f.seq
	in.gathering = in.gathering && f.taken.Movement == nil && f.taken.Fault == nil
	if f.taken.Fault != nil {
		in.unreadable++
		return
	}
	in.readings++
	if !f.taken.Typed {
		in.lastMono, in.seen = f.mono, true
		in.unit = cmp.Or(f.taken.Unit, in.unit)
	}
}

// take folds a reading of this job.
func (j *job) take(f filed) error {
	f.profile, f.warmth = j.profileOf(f.taken.Instrument), j.warmth
	switch f.taken.Ruling {
	case Filed:
		step, err := j.stepPlace(f.taken.Step, f.taken.Place)
		if err != nil {
			return err
		}
		j.readings = append(j.readings, f)
		return j.file(len(j.readings)-1, step, f.taken.Place)
	case Held:
		j.held, j.fresh = f.seq, false
	}
	j.readings = append(j.readings, f)
	return nil
}

// note takes a temperature. Readings that were filed before keep the list they had.
func (j *job) note(b TemperatureTaken) {
	warmth := []TemperatureTaken{b}
	for _, w := range j.warmth {
		if w.Of != b.Of {
			warmth = append(warmth, w)
		}
	}
	j.warmth = warmth
}

// profileOf is the index of the latest profile of an instrument in this job, or -1.
func (j *job) profileOf(instrument string) int {
	for i := len(j.profiles) - 1; i >= 0; i-- {
		if j.profiles[i].Name == instrument {
			return i
		}
	}
	return -1
}

// file makes reading i count under a step and place.
func (j *job) file(i, step, place int) error {
	j.readings[i].step, j.readings[i].place = step, place
	j.noteFitting(step)
	if step == j.step {
		j.fresh = false
	}
	return j.reduce(step)
}

// apply folds an entry of this job other than a reading.
func (j *job) apply(e Entry) error {
	j.because(e)
	switch b := e.Body.(type) {
	case HeldDecided:
		return j.decide(b)
	case Asked:
		return nil
	case InstrumentUsed:
		j.profiles = append(j.profiles, b.Profile)
	case InstrumentChecked:
		j.checks, j.stale = append(j.checks, madeCheck{b, e.Seq}), true
	case TemperatureTaken:
		j.stale = true
		j.note(b)
		j.noteMeanwhile(b)
	case Confirmed:
		return j.confirmed(e, b)
	case OnHand:
		j.plan.Stock, j.stale = b.Shims, true
	case Fitted:
		return j.setFitted(b)
	case Skipped:
		step, err := j.stepPlace(b.Step, 0)
		if err != nil {
			return err
		}
		j.steps[step].closed, j.steps[step].skipped = true, &b.Why
	case Replaced:
		return j.replaced(b)
	case Chose:
		return j.chose(b)
	case WaitStarted:
		return j.waitStarted(e, b)
	case Waited:
		return j.waited(b)
	case Moved:
		return j.moveTo(e, b.Step, b.Place)
	case PlaceClosed:
		step, err := j.stepPlace(b.Step, b.Place)
		if err != nil {
			return err
		}
		j.steps[step].places[b.Place] = true
	case StepClosed:
		step, err := j.stepPlace(b.Step, 0)
		if err != nil {
			return err
		}
		j.steps[step].closed, j.stale = true, true
		if !j.plan.Steps[step].Kind.measures() {
			for i := range j.steps[step].places {
				j.steps[step].places[i] = true
			}
		}
		if !b.Command {
			j.before = step
		}
	case Opened:
		return j.open(e, b)
	case Struck:
		return j.strike(b)
	case Restored:
		return j.restore(b)
	case Advised:
		return j.advised(e, b)
	case Ended:
		j.ended, j.step, j.held = true, -1, 0
	default:
		return fmt.Errorf("it does not belong in a job")
	}
	return nil
}

func (j *job) stepPlace(name string, place int) (int, error) {
	step := j.plan.step(name)
	if step < 0 || place < 0 || place >= len(j.plan.Steps[step].Places) {
		return 0, fmt.Errorf("the plan has no step %q with place %d", name, place)
	}
	return step, nil
}

// open makes a step and place active; an empty step means that all are closed.
func (j *job) open(e Entry, b Opened) error {
	if b.Step == "" {
		j.step, j.place = -1, 0
		return nil
	}
	step, err := j.stepPlace(b.Step, b.Place)
	if err != nil {
		return err
	}
	if step != j.step {
		j.fresh = true
		j.openedRun, j.openedMono = e.Run, e.Mono
	}
	if j.before == step {
		j.before = -1
	}
	j.step, j.place = step, b.Place
	return nil
}

// moveTo goes where the operator says. The step and place open again.
func (j *job) moveTo(e Entry, name string, place int) error {
	step, err := j.stepPlace(name, place)
	if err != nil {
		return err
	}
	j.before = -1
	if err := j.open(e, Opened{name, place}); err != nil {
		return err
	}
	j.steps[step].closed, j.steps[step].places[place] = false, false
	j.steps[step].skipped = nil
	j.steps[step].again()
	j.stale = true
	return nil
}

// find returns the index of a reading of this job, or -1.
func (j *job) find(seq int64) int {
	i, ok := slices.BinarySearchFunc(j.readings, seq, func(f filed, seq int64) int { return int(f.seq - seq) })
	if !ok {
		return -1
	}
	return i
}

func (j *job) decide(b HeldDecided) error {
	i := j.find(b.Reading)
	if i < 0 || j.readings[i].taken.Ruling != Held {
		return fmt.Errorf("reading %d is not held", b.Reading)
	}
	j.held = 0
	if b.Step == "" {
		j.readings[i].decided = "set aside"
		return nil
	}
	step, err := j.stepPlace(b.Step, b.Place)
	if err != nil {
		return err
	}
	j.readings[i].decided = "to step"
	return j.file(i, step, b.Place)
}

func (j *job) strike(b Struck) error {
	i := j.find(b.Reading)
	if i < 0 || j.readings[i].step < 0 {
		return fmt.Errorf("reading %d is not filed", b.Reading)
	}
	f := &j.readings[i]
	f.struck, f.standing, f.verdict = b.Reason, StruckOut, calc.Verdict{}
	if err := j.reduce(f.step); err != nil {
		return err
	}
	if !j.satisfied(f.step, f.place) {
		j.steps[f.step].closed, j.steps[f.step].places[f.place] = false, false
	}
	return nil
}

func (j *job) restore(b Restored) error {
	i := j.find(b.Reading)
	if i < 0 {
		return fmt.Errorf("there is no reading %d", b.Reading)
	}
	f := &j.readings[i]
	switch {
	case f.struck != "":
		f.struck = ""
		return j.reduce(f.step)
	case f.taken.Ruling == Held && f.step < 0 && j.step >= 0:
		if j.held == f.seq {
			j.held = 0
		}
		f.decided = "to step"
		return j.file(i, j.step, j.place)
	}
	return fmt.Errorf("reading %d is neither struck out nor held", b.Reading)
}

func (j *job) advised(e Entry, b Advised) error {
	if i := j.plan.chain(b.Advice.Chain); i >= 0 {
		j.advice[i], j.told[i] = &b.Advice, b.bare
		j.settle(i, e, &b.Advice)
		return nil
	}
	return fmt.Errorf("the plan has no chain %q", b.Advice.Chain)
}
