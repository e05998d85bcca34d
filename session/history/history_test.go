package history_test

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/session/history"
	"shimwright/session/history/shoptest"
)

var theMethod = calc.NewMethod()

// memory is a log that is read back from its encoded entries.
type memory struct {
	t     require.TestingT
	texts [][]byte
}

func (m *memory) Append(entries []session.Entry) error {
	for _, e := range entries {
		text, err := e.Encode()
		require.NoError(m.t, err)
		m.texts = append(m.texts, text)
	}
	return nil
}

func (m *memory) entries() []session.Entry {
	out := make([]session.Entry, len(m.texts))
	for i, text := range m.texts {
		var err error
		out[i], err = session.DecodeEntry(text)
		require.NoError(m.t, err)
	}
	return out
}

func (m *memory) fold(f history.Filter) history.Report {
	fold := history.New(theMethod, f)
	for _, e := range m.entries() {
		require.NoError(m.t, fold.Apply(e))
	}
	r, err := fold.Report()
	require.NoError(m.t, err)
	return r
}

func played(t require.TestingT, s shoptest.Shop) *memory {
	m := &memory{t: t}
	require.NoError(t, shoptest.Play(m, s))
	return m
}

// sound is a shop whose instruments repeat as stated, with n jobs.
func sound(n int) shoptest.Shop {
	s := shoptest.Shop{Method: theMethod, Seed: 4, Sigma: map[session.Kind]float64{session.Caliper: 0.008, session.DepthGauge: 0.010, session.DialIndicator: 0.002}}
	for i := range n {
		s.Jobs = append(s.Jobs, shoptest.Job{Operator: []string{"ada", "ben"}[i%2]})
	}
	return s
}

func instrument(t *testing.T, r history.Report, name string) *history.Instrument {
	t.Helper()
	i := slices.IndexFunc(r.Instruments, func(in *history.Instrument) bool { return in.Name == name })
	require.GreaterOrEqual(t, i, 0, name)
	return r.Instruments[i]
}

func TestASoundShopHasNothingToMend(t *testing.T) {
	r := played(t, sound(30)).fold(history.Filter{})
	require.Len(t, r.Jobs, 30)
	require.Len(t, r.Repeats, 4)
	for name, sigma := range map[string]float64{"caliper-1": 0.008, "depth-1": 0.010, "dial-1": 0.002} {
		in := instrument(t, r, name)
		require.NotNil(t, in.Offer, name)
		low, high := in.Low.InexactFloat64(), in.High.InexactFloat64()
		assert.Equal(t, name == "depth-1", in.Steps == 2)
		assert.Equal(t, 30, in.Jobs)
		assert.Empty(t, in.Stated.Achieved, name)
		assert.InEpsilon(t, sigma, in.Offer.Repeatability.InexactFloat64(), 0.2, name)
		assert.True(t, low*0.9 < sigma && sigma < high*1.1, name)
		assert.False(t, in.AtFloor)
	}
	require.Len(t, r.Agreements, 1)
	a := r.Agreements[0]
	assert.Equal(t, history.BuiltEngine, a.Way)
	assert.Equal(t, 30, a.Agreed)
	assert.Len(t, a.Points, 30)
	assert.False(t, a.Chart.Provisional)
	assert.Empty(t, a.Leans)
	assert.Empty(t, r.Standouts)
	assert.Len(t, r.Presses, 8, "four steps, two operators")
}

// The pooled deviations are those of the readings in the entries, by the plain formula.
func TestPoolsAreThoseOfTheEntries(t *testing.T) {
	m := played(t, sound(12))
	type place struct {
		job, step, instrument string
		place                 int
	}
	values := map[place][]float64{}
	for _, e := range m.entries() {
		if b, ok := e.Body.(session.ReadingTaken); ok && b.Ruling == session.Filed {
			p := place{e.Job, b.Step, b.Instrument, b.Place}
			values[p] = append(values[p], b.Value.InexactFloat64())
		}
	}
	squares, freedom := map[string]float64{}, map[string]int{}
	for p, set := range values {
		mean := 0.0
		for _, v := range set {
			mean += v / float64(len(set))
		}
		for _, v := range set {
			squares[p.step] += (v - mean) * (v - mean)
		}
		freedom[p.step] += len(set) - 1
	}
	held := 0
	for _, row := range m.fold(history.Filter{}).Repeats {
		s, nu := row.Achieved, row.Freedom
		if row.With != nil { // what was left out has no mark in the entries
			s, nu = row.With, nu+row.LeftOut
		}
		if nu != freedom[row.Step] {
			continue // readings that were held count too
		}
		held++
		assert.InDelta(t, math.Sqrt(squares[row.Step]/float64(nu)), s.InexactFloat64(), 6e-5, row.Step)
	}
	assert.GreaterOrEqual(t, held, 3)
}

func TestWhatContradictsAProfile(t *testing.T) {
	s := sound(20)
	s.Sigma[session.Caliper], s.Sigma[session.DepthGauge], s.Sigma[session.DialIndicator] = 0.040, 0.0001, 0.0004
	r := played(t, s).fold(history.Filter{})
	caliper, depth, dial := instrument(t, r, "caliper-1"), instrument(t, r, "depth-1"), instrument(t, r, "dial-1")
	assert.Equal(t, history.Larger, caliper.Stated.Achieved)
	assert.Greater(t, caliper.Offer.Repeatability.InexactFloat64(), 0.02)
	assert.Equal(t, history.Smaller, depth.Stated.Achieved)
	assert.True(t, depth.AtFloor)
	assert.GreaterOrEqual(t, depth.Offer.Repeatability.InexactFloat64(), 0.00288, "nothing below the floor is offered")
	assert.Equal(t, history.Smaller, dial.Stated.Achieved)
	assert.True(t, caliper.Stated.Judged)
	assert.Equal(t, 30, dial.Stated.Freedom)
}

// Whoever puts what is offered into the profiles is not contradicted by the same readings.
func TestTakingTheOfferIsTheEndOfIt(t *testing.T) {
	for seed := range uint64(12) {
		s := sound(4)
		s.Seed = seed
		for i, k := range []session.Kind{session.Caliper, session.DepthGauge, session.DialIndicator} {
			s.Sigma[k] = 0.004 * float64((seed+uint64(i)*5)%8)
		}
		for _, in := range played(t, s).fold(history.Filter{}).Instruments {
			if in.Offer == nil || in.Offer.From != "" {
				continue
			}
			p := calc.Pooled{Squares: math.Pow(in.Achieved.InexactFloat64(), 2) * float64(in.Freedom), Freedom: in.Freedom}
			at := calc.Scatter{Resolution: in.Resolution.Decimal, Repeatability: in.Offer.Repeatability.Decimal}
			assert.Zero(t, p.Against(at, float64(in.Offer.Freedom)), "%s: %v", in.Name, in.Offer)
		}
	}
}

// Half the jobs come out looser by more than their uncertainties: they do not agree, the
// chart shows the shift, and what is found leans to more.
func TestAShiftIsSeen(t *testing.T) {
	s := sound(20)
	for i := range s.Jobs {
		if i >= 10 {
			s.Jobs[i].Off = 0.09
		}
	}
	r := played(t, s).fold(history.Filter{})
	a := r.Agreements[0]
	assert.InDelta(t, 10, a.Agreed, 1)
	assert.InDelta(t, 0.045, *a.Difference, 0.01)
	assert.Equal(t, history.Larger, a.Leans)
	var rows, changes []history.Signal
	for _, s := range a.Signals {
		switch s.Code {
		case calc.RowOnOneSide:
			rows = append(rows, s)
		case calc.RangeAboveLimit:
			changes = append(changes, s)
		}
	}
	assert.Equal(t, []history.Signal{
		{Code: calc.RowOnOneSide, From: "1", To: "10", Side: "below", Count: 10},
		{Code: calc.RowOnOneSide, From: "11", To: "20", Side: "above", Count: 10},
	}, rows)
	assert.Equal(t, []history.Signal{{Code: calc.RangeAboveLimit, From: "10", To: "11", Count: 2}}, changes)
	for _, p := range a.Points {
		assert.Equal(t, p.Found.GreaterThan(p.Expected.Decimal), p.En > 0, "job %s", p.Job)
		assert.Equal(t, math.Abs(p.En) <= 1, p.Agrees, "job %s", p.Job)
	}
}

func TestWhoNeedsMorePresses(t *testing.T) {
	s := sound(12)
	for i := range s.Jobs {
		s.Jobs[i].Careless = s.Jobs[i].Operator == "ben"
	}
	r := played(t, s).fold(history.Filter{})
	i := slices.IndexFunc(r.Presses, func(p history.Presses) bool { return p.Operator == "ben" && p.Step == "shaft-length" })
	require.GreaterOrEqual(t, i, 0)
	ben := r.Presses[i]
	assert.Positive(t, ben.WrongInstrument)
	assert.Positive(t, ben.TooSoon)
	assert.Equal(t, ben.Presses, ben.Counted+ben.LeftOut+ben.StruckOut+ben.WrongInstrument+ben.TooSoon+ben.OutOfRange+ben.SetAside)
	assert.Greater(t, ben.PerCounted(), 1.8)
	require.Len(t, r.Standouts, 1, "the step itself is no trouble to others")
	assert.Equal(t, "ben", r.Standouts[0].Operator)
	assert.Equal(t, "shaft-length", r.Standouts[0].Step)
	assert.Equal(t, ben.Astray(), r.Standouts[0].Astray)
	assert.NotEmpty(t, r.Standouts[0].Mostly)

	for i := range s.Jobs {
		s.Jobs[i].Careless = true
	}
	r = played(t, s).fold(history.Filter{})
	require.Len(t, r.Standouts, 1)
	assert.Empty(t, r.Standouts[0].Operator, "the step, whoever measures")
	assert.Equal(t, "shaft-length", r.Standouts[0].Step)
}

func TestFewPressesAreNotToldOf(t *testing.T) {
	s := sound(2)
	s.Jobs[1].Careless = true
	r := played(t, s).fold(history.Filter{})
	assert.Empty(t, r.Presses)
	assert.Empty(t, r.Standouts)
	assert.Equal(t, 8, r.TooFew)
}

func TestFiltersAndOpenJobs(t *testing.T) {
	s := sound(5)
	s.Jobs[1].Open, s.Jobs[4].Open = true, true
	m := played(t, s)
	r := m.fold(history.Filter{})
	assert.Equal(t, []string{"1", "3", "4"}, r.Jobs)
	assert.Equal(t, []string{"2", "5"}, r.Open)
	for _, row := range r.Repeats {
		assert.Equal(t, 3, row.Jobs, row.Step)
	}
	r = m.fold(history.Filter{Since: time.Date(2026, 3, 5, 0, 0, 0, 0, time.UTC)})
	assert.Equal(t, []string{"3", "4"}, r.Jobs)
	assert.True(t, r.Agreements[0].Chart.Provisional)
	r = m.fold(history.Filter{Plan: "pump-governor-shaft"})
	assert.Len(t, r.Jobs, 3)

	fold := history.New(theMethod, history.Filter{Plan: "nonesuch"})
	for _, e := range m.entries() {
		require.NoError(t, fold.Apply(e))
	}
	r, err := fold.Report()
	require.NoError(t, err)
	assert.Empty(t, r.Jobs)
	assert.Equal(t, []string{"pump-governor-shaft"}, fold.Plans())
}

// The log cut anywhere gives a report without a null in it, of the jobs that ended there;
// and the same log gives the same report.
func TestEveryPrefix(t *testing.T) {
	m := played(t, sound(3))
	fold, jobs := history.New(theMethod, history.Filter{}), 0
	for _, e := range m.entries() {
		require.NoError(t, fold.Apply(e))
		if _, ended := e.Body.(session.Ended); ended {
			jobs++
		}
		r, err := fold.Report()
		require.NoError(t, err)
		require.Len(t, r.Jobs, jobs)
		text, err := json.Marshal(r)
		require.NoError(t, err)
		require.NotContains(t, string(text), "null")
	}
	first, err := json.Marshal(m.fold(history.Filter{}))
	require.NoError(t, err)
	again, err := json.Marshal(played(t, sound(3)).fold(history.Filter{}))
	require.NoError(t, err)
	assert.Equal(t, string(first), string(again))
}

func TestEntriesOutOfOrderAreRefused(t *testing.T) {
	entries := played(t, sound(1)).entries()
	fold := history.New(theMethod, history.Filter{})
	require.NoError(t, fold.Apply(entries[0]))
	require.Error(t, fold.Apply(entries[0]))
	require.ErrorContains(t, fold.Apply(entries[len(entries)-1]), "not open")
}

// The recorded jobs of the project: feelers, readings struck out and left out, a change of
// mind, a restart.
func TestRecordedJobs(t *testing.T) {
	for name, want := range map[string][]string{
		"bottom-end-mishaps": {"check gap"}, "change-of-mind": {"check gap"}, "gearbox-shaft": nil,
	} {
		text, err := os.ReadFile("../../testdata/jobs/" + name + "/entries.jsonl")
		require.NoError(t, err)
		m := &memory{t: t, texts: bytes.Split(bytes.TrimSpace(text), []byte("\n"))}
		r := m.fold(history.Filter{})
		if len(r.Jobs) == 0 {
			assert.NotEmpty(t, r.Open, name)
			continue
		}
		assert.NotEmpty(t, r.Repeats, name)
		var ways []string
		for _, a := range r.Agreements {
			ways = append(ways, a.Way)
			assert.Nil(t, a.Chart, "one job makes no chart")
		}
		assert.Equal(t, want, ways, name)
		for _, row := range r.Repeats {
			assert.NotEqual(t, "feelers", row.Instrument)
			assert.NotNil(t, row.Stated, row.Step)
		}
	}
}

func TestTheShopIsOfThePlan(t *testing.T) {
	p, err := session.ReadPlan("plan.toml", []byte(shoptest.Plan()))
	require.NoError(t, err)
	assert.True(t, strings.HasPrefix(p.Name, "pump-"))
	assert.Len(t, shoptest.Profiles(), 3)
}
