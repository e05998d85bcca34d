package history

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/shopspring/decimal"

	"shimwright/calc"
	"shimwright/session"
)

const (
	coverage      = 0.95 // of the interval of a standard deviation
	judgedFreedom = 8    // degrees of freedom of a repeatability stated without, as the bench takes it
	differRisk    = 0.01 // that steps are said to differ which do not, over all of an instrument's
	slipRisk      = 0.01 // that what was left out is taken for slips and was chance
)

// Repeats is how well the repeats of one instrument agreed in one use at one step. Lengths
// are in mm. Achieved is the standard deviation of what counts, pooled over places and
// jobs; absent where no place has two readings that count.
type Repeats struct {
	Plan       string         `json:"plan"`
	Step       string         `json:"step"`
	Title      string         `json:"title"`
	Instrument string         `json:"instrument"`
	Use        session.Use    `json:"use,omitempty"`
	Resolution session.Number `json:"resolution_mm"`
	Jobs       int            `json:"jobs"`
	Places     int            `json:"places"` // that were measured, over all jobs
	Counted    int            `json:"counted"`
	LeftOut    int            `json:"left_out"`
	Scatter
	Stated *Stated `json:"stated,omitempty"`

	counted calc.Pooled
	last    string // the job it was seen in last
}

// A Scatter is a pooled standard deviation in mm, with the interval in which it lies with
// 95 % probability. AtFloor says that it is no more than rounding to whole counts gives by
// itself, d/√12, so that the real one cannot be seen and there is no interval; With is what
// it would be with the readings that were left out.
type Scatter struct {
	Achieved *session.Number `json:"achieved_mm,omitempty"`
	Freedom  int             `json:"degrees_of_freedom"`
	Low      *session.Number `json:"low_mm,omitempty"`
	High     *session.Number `json:"high_mm,omitempty"`
	With     *session.Number `json:"achieved_with_left_out_mm,omitempty"`
	AtFloor  bool            `json:"at_floor,omitempty"`

	all calc.Pooled // with those left out
}

// Stated is what the latest profile states, and how what was achieved compares at 99 %:
// "larger", "smaller" or, with nothing to say, "".
type Stated struct {
	Repeatability session.Number `json:"repeatability_mm"`
	Freedom       int            `json:"degrees_of_freedom"` // 8 where the profile has none
	Judged        bool           `json:"judged,omitempty"`   // it has none
	Assumed       bool           `json:"assumed,omitempty"`  // nobody stated the profile
	Achieved      string         `json:"achieved,omitempty"`
}

// The ways in which what was achieved compares with what is stated.
const (
	Larger  = "larger"
	Smaller = "smaller"
)

// An Instrument is how well the repeats of one instrument agreed over all its steps, and
// what to put into its profile.
type Instrument struct {
	Name       string         `json:"instrument"`
	Kind       session.Kind   `json:"instrument_kind"`
	Resolution session.Number `json:"resolution_mm"`
	Jobs       int            `json:"jobs"`
	Steps      int            `json:"steps"`
	Scatter
	Stated *Stated `json:"stated,omitempty"`
	Offer  *Offer  `json:"offer,omitempty"` // absent while there are fewer degrees of freedom than a judged value has

	rows []*Repeats
	last string
}

// An Offer is a value for a profile. From is the step that it is taken from where steps
// differ, the largest; empty if it is pooled over all. Without says that what was left out
// is not in it: those were slips. Where they could be chance they are in it, for a value
// that lacks its largest deviations has more of them left out the next time.
type Offer struct {
	Repeatability session.Number `json:"repeatability_mm"`
	Freedom       int            `json:"repeatability_degrees_of_freedom"`
	From          string         `json:"from,omitempty"`
	Without       bool           `json:"without_left_out,omitempty"`
}

// set is the repeats of one instrument at one place of a step in one job.
type set struct {
	step         *session.StepView
	instrument   string
	kind         session.Kind
	profile      *session.Profile // nil if the log has none
	n, left      int
	counted, all calc.Pooled
}

// setsOf adds the sets of a step. Pairs of a feeler have no scatter.
func setsOf(sets []set, step *session.StepView, readings []session.ReadingView, profiles map[string]session.Profile) ([]set, error) {
	type key struct{ place, instrument string }
	var order []key
	counted, all, kinds := map[key][]decimal.Decimal{}, map[key][]decimal.Decimal{}, map[key]session.Kind{}
	for _, r := range readings {
		if r.Value == nil || r.Feeler != nil || r.Standing != session.Counted && r.Standing != session.LeftOut {
			continue
		}
		k := key{r.Place, r.Instrument}
		if _, known := kinds[k]; !known {
			order = append(order, k)
		}
		kinds[k], all[k] = r.Kind, append(all[k], r.Value.Decimal)
		if r.Standing == session.Counted {
			counted[k] = append(counted[k], r.Value.Decimal)
		}
	}
	for _, k := range order {
		s := set{step: step, instrument: k.instrument, kind: kinds[k], n: len(counted[k]), left: len(all[k]) - len(counted[k])}
		if p, known := profiles[k.instrument]; known {
			s.profile = &p
		}
		var err error
		if s.counted, err = calc.PooledOf(counted[k]); err == nil {
			s.all, err = calc.PooledOf(all[k])
		}
		if err != nil {
			return nil, fmt.Errorf("step %q: %w", step.Name, err)
		}
		sets = append(sets, s)
	}
	return sets, nil
}

// resolution is that of the set's instrument; 0 if it is not known.
func (s *set) resolution() session.Number {
	if s.profile == nil {
		return session.Number{}
	}
	return s.profile.Resolution
}

// repeatsOf pools the sets of all jobs by plan, step, instrument, use and resolution, in
// the order in which they first came, and by instrument and resolution.
func repeatsOf(jobs []closed) ([]*Repeats, []*Instrument) {
	var rows []*Repeats
	var instruments []*Instrument
	for _, j := range jobs {
		for k := range j.sets {
			s := &j.sets[k]
			row := find(rows, func(r *Repeats) bool {
				return r.Plan == j.plan && r.Step == s.step.Name && r.Instrument == s.instrument && r.Use == s.step.Use && r.Resolution.Equal(s.resolution().Decimal)
			})
			if row == nil {
				row = &Repeats{Plan: j.plan, Step: s.step.Name, Instrument: s.instrument, Use: s.step.Use, Resolution: s.resolution()}
				rows = append(rows, row)
			}
			row.take(j.number, s)
			in := find(instruments, func(in *Instrument) bool {
				return in.Name == s.instrument && in.Resolution.Equal(s.resolution().Decimal)
			})
			if in == nil {
				in = &Instrument{Name: s.instrument, Resolution: s.resolution()}
				instruments = append(instruments, in)
			}
			in.take(j.number, s, row)
		}
	}
	for _, r := range rows {
		r.finish(r.counted, r.Resolution)
		r.Stated.weigh(r.counted, r.all, r.Resolution)
	}
	for _, in := range instruments {
		in.finish()
	}
	return rows, instruments
}

func find[T any](all []*T, is func(*T) bool) *T {
	if i := slices.IndexFunc(all, is); i >= 0 {
		return all[i]
	}
	return nil
}

func (r *Repeats) take(job string, s *set) {
	if r.last != job {
		r.last, r.Jobs = job, r.Jobs+1
	}
	r.Title, r.Stated = s.step.Title, statedBy(s.profile)
	r.Places, r.Counted, r.LeftOut = r.Places+1, r.Counted+s.n, r.LeftOut+s.left
	r.counted, r.all = r.counted.With(s.counted), r.all.With(s.all)
}

func (in *Instrument) take(job string, s *set, row *Repeats) {
	if in.last != job {
		in.last, in.Jobs = job, in.Jobs+1
	}
	in.Kind, in.Stated, in.all = s.kind, statedBy(s.profile), in.all.With(s.all)
	if !slices.Contains(in.rows, row) {
		in.rows, in.Steps = append(in.rows, row), in.Steps+1
	}
}

// statedBy is what a profile states; nil without one.
func statedBy(p *session.Profile) *Stated {
	if p == nil || !p.Repeatability.IsPositive() {
		return nil
	}
	s := &Stated{Repeatability: p.Repeatability, Freedom: p.Degrees, Assumed: p.Assumed}
	if s.Freedom <= 0 {
		s.Freedom, s.Judged = judgedFreedom, true
	}
	return s
}

// weigh says how what was achieved compares with what is stated: larger, if it is so
// without what was left out; smaller, if it is so with it.
func (s *Stated) weigh(counted, all calc.Pooled, d session.Number) {
	if s == nil {
		return
	}
	scatter, freedom := calc.Scatter{Resolution: d.Decimal, Repeatability: s.Repeatability.Decimal}, float64(s.Freedom)
	switch {
	case counted.Against(scatter, freedom) > 0:
		s.Achieved = Larger
	case all.Against(scatter, freedom) < 0:
		s.Achieved = Smaller
	}
}

// finish works out what is shown of a scatter.
func (s *Scatter) finish(p calc.Pooled, resolution session.Number) {
	s.Freedom = p.Freedom
	if p.Freedom < 1 {
		return
	}
	s.Achieved = micrometres(p.Deviation())
	if s.AtFloor = resolution.IsPositive() && p.Deviation() <= calc.ReadingFloor(resolution.Decimal); !s.AtFloor {
		low, high := p.Interval(coverage)
		s.Low, s.High = micrometres(low), micrometres(high)
	}
	if s.all.Freedom > p.Freedom {
		s.With = micrometres(s.all.Deviation())
	}
}

// micrometres writes a length to a tenth of a micrometre.
func micrometres(mm float64) *session.Number {
	n := session.Num(decimal.NewFromFloat(mm).RoundBank(4))
	if n.Exponent() > -4 {
		n = session.Num(decimal.New(n.Shift(4).IntPart(), -4))
	}
	return &n
}

// finish pools the steps of an instrument and finds what to put into its profile.
func (in *Instrument) finish() {
	var counted calc.Pooled
	for _, r := range in.rows {
		counted = counted.With(r.counted)
	}
	in.Scatter.finish(counted, in.Resolution)
	in.Stated.weigh(counted, in.all, in.Resolution)
	all, o := in.all, Offer{}
	if larger := in.larger(); larger != nil {
		counted, all, o.From = larger.counted, larger.all, larger.Step
	}
	if counted.Freedom < judgedFreedom {
		return
	}
	if o.Without = all.Exceeds(counted, slipRisk); o.Without {
		all = counted
	}
	o.Repeatability, o.Freedom = stateable(all.Deviation(), in.Resolution), all.Freedom
	in.Offer = &o
}

// larger is the step whose repeats scatter most, if that is more than those of the other
// steps do; nil if not. Each step is put to the test, so that the risk is shared out.
func (in *Instrument) larger() *Repeats {
	if len(in.rows) < 2 {
		return nil
	}
	most := slices.MaxFunc(in.rows, func(a, b *Repeats) int { return cmp.Compare(a.counted.Deviation(), b.counted.Deviation()) })
	var others calc.Pooled
	for _, r := range in.rows {
		if r != most {
			others = others.With(r.counted)
		}
	}
	if most.counted.Freedom < judgedFreedom || !most.counted.Exceeds(others, differRisk/float64(len(in.rows))) {
		return nil
	}
	return most
}

// stateable is a standard deviation as a profile states it: two significant digits, three
// if the first is a 1, and never less than the resolution lets anybody see.
func stateable(s float64, resolution session.Number) session.Number {
	s = max(s, calc.ReadingFloor(resolution.Decimal), 0.0001)
	lead := int32(math.Floor(math.Log10(s)))
	digits := int32(1)
	if s < 2*math.Pow10(int(lead)) {
		digits = 2
	}
	places := min(digits-lead, 9)
	n := decimal.NewFromFloat(s).RoundBank(places)
	return session.Num(decimal.New(n.Shift(places).IntPart(), -places))
}
