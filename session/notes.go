package session

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"
)

// notes says what a person must know of a reading whatever its ruling: that its
// instrument is due for calibration, or that its unit was switched. They go into its
// entry, so that the fold needs no clock.
func (s *State) notes(in *instrument, r Reading) []Reason {
	if in == nil || r.Fault != nil {
		return nil
	}
	var notes []Reason
	if in.profile.overdue(r.At) {
		notes = append(notes, overdueReason(&in.profile))
	}
	if !r.Typed && in.unit != "" && r.Unit != "" && in.unit != r.Unit {
		notes = append(notes, reason("unit switched", "instrument", r.Instrument, "from", in.unit.Word(), "to", r.Unit.Word()))
	}
	return notes
}

// overdue tells whether the day until which a calibration holds is over, in UTC.
func (p *Profile) overdue(at time.Time) bool {
	due, err := time.Parse(time.DateOnly, p.Due)
	return err == nil && !at.IsZero() && !at.UTC().Before(due.AddDate(0, 0, 1))
}

func overdueReason(p *Profile) Reason {
	return reason("calibration overdue", "instrument", p.Name, "due", p.Due)
}

// refusesOverdue says why an instrument may not be used, where the bench refuses what is
// overdue.
func (s *State) refusesOverdue(in *instrument, r Reading) *Reason {
	if in == nil || !s.started.Settings.RefuseOverdue || !in.profile.overdue(r.At) {
		return nil
	}
	why := overdueReason(&in.profile)
	return &why
}

// unitDisagrees tells whether a reading is in another unit than what the same instrument
// gave before under the active step, and far from all of that: then one of the two units
// is not what it says.
func (j *job) unitDisagrees(t ReadingTaken) bool {
	limit := sameWithin(t)
	if d := j.plan.Steps[j.step].Differ; d != nil {
		limit = decimal.Max(limit, d.Decimal)
	}
	others := false
	for i := range j.readings {
		f := &j.readings[i]
		if f.step != j.step || f.standing != Counted || f.taken.Instrument != t.Instrument || f.taken.Unit == t.Unit || f.taken.Typed {
			continue
		}
		others = true
		if f.taken.Value.Sub(t.Value.Decimal).Abs().LessThanOrEqual(limit) {
			return false
		}
	}
	return others && !t.Typed
}

// overdueFindings are one for each instrument that was overdue when it gave a reading
// that counts in a step.
func (j *job) overdueFindings(step int) []Reason {
	var found []Reason
	for i := range j.readings {
		f := &j.readings[i]
		if f.step != step || f.standing != Counted {
			continue
		}
		for _, n := range f.taken.Notes {
			same := func(o Reason) bool { return o.Params["instrument"] == n.Params["instrument"] }
			if n.Code == "calibration overdue" && !slices.ContainsFunc(found, same) {
				found = append(found, n)
			}
		}
	}
	return found
}

// madeCheck is a check that was made on command.
type madeCheck struct {
	InstrumentChecked
	seq int64
}

// A zero is what an instrument showed of a known length in one use, less that length.
type zero struct {
	from, to int64 // sequences of its readings
	n        int   // of its readings
	block    Number
	off      decimal.Decimal
}

// drifts says which checks of an instrument in one use differ by more than its
// repeatability explains from the check of the same length before, and names the readings
// that count and were made in between.
func (j *job) drifts(instrument string, use Use) []Reason {
	at := j.profileOf(instrument)
	if at < 0 {
		return nil
	}
	p := &j.profiles[at]
	zeros := j.zeros(instrument, use)
	var found []Reason
	for i := range zeros {
		for k := i - 1; k >= 0; k-- {
			if !zeros[k].block.Equal(zeros[i].block.Decimal) {
				continue
			}
			if by := zeros[i].off.Sub(zeros[k].off); by.Abs().GreaterThan(explained(p, zeros[k].n, zeros[i].n)) {
				found = append(found, reason("zero drifted", "instrument", instrument, "use", string(use), "block", zeros[i].block.String(),
					"was", worked(zeros[k].off).String(), "is", worked(zeros[i].off).String(), "readings", j.between(instrument, use, zeros[k].to, zeros[i].from)))
			}
			break
		}
	}
	return found
}

// explained is how far two means of n and m repeats may well be apart: the critical
// difference of ISO 5725-6 (from memory), 2.77·s_r·√(1/2n + 1/2m), and one count at least.
func explained(p *Profile, n, m int) decimal.Decimal {
	half := decimal.NewFromInt(int64(n+m)).DivRound(decimal.NewFromInt(int64(2*n*m)), 9).InexactFloat64()
	critical := p.Spread().Mul(decimal.New(277, -2)).Mul(decimal.NewFromFloat(math.Sqrt(half)))
	return decimal.Max(critical, p.Count().Decimal)
}

// zeros lists the checks of an instrument in one use, by sequence: steps with a
// reference that are closed and settled, and those made on command.
func (j *job) zeros(instrument string, use Use) []zero {
	var zeros []zero
	for i, s := range j.plan.Steps {
		if s.Reference == nil || s.Use != use || !j.steps[i].closed || j.steps[i].reduction == nil || j.steps[i].reduction.Unsettled {
			continue
		}
		if p := j.instrumentOf(i); p == nil || p.Name != instrument {
			continue
		}
		z := zero{block: *s.Reference, off: j.steps[i].reduction.Value.Sub(s.Reference.Decimal)}
		for k := range j.readings {
			if f := &j.readings[k]; f.step == i && f.standing == Counted {
				z.n++
				z.from, z.to = cmp.Or(z.from, f.seq), f.seq
			}
		}
		if z.n > 0 {
			zeros = append(zeros, z)
		}
	}
	for _, c := range j.checks {
		if c.Instrument == instrument && c.Use == use {
			zeros = append(zeros, zero{from: c.seq, to: c.seq, n: 1, block: c.Block, off: c.Shown.Sub(c.Block.Decimal)})
		}
	}
	slices.SortFunc(zeros, func(a, b zero) int { return cmp.Compare(a.from, b.from) })
	return zeros
}

// between lists the sequences of the readings of an instrument in one use that count and
// were made between two checks; "none" if none were.
func (j *job) between(instrument string, use Use, from, to int64) string {
	var seqs []string
	for i := range j.readings {
		f := &j.readings[i]
		if f.step < 0 || f.standing != Counted || f.seq <= from || f.seq >= to || f.taken.Instrument != instrument {
			continue
		}
		if s := &j.plan.Steps[f.step]; s.Use == use && s.Reference == nil {
			seqs = append(seqs, strconv.FormatInt(f.seq, 10))
		}
	}
	return cmp.Or(strings.Join(seqs, ", "), "none")
}
