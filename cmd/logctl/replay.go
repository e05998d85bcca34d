package main

import (
	"fmt"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/sqlite"
)

func (a *app) replayCommand() *cobra.Command {
	var at, job string
	cmd := &cobra.Command{
		Use: "replay --at TIME|SEQ", Short: "What displays showed at a moment, from the log alone", Args: between(0, 0),
		Long: `What displays showed at a moment, worked out from the log alone, with the daemon
on or off: the status and every reading as they were then.

SEQ is the number of an entry, as logctl job and logctl readings show it.
Displays never see half of what belongs together, so what followed from that
entry at once is in. TIME is one of

  2026-03-02T15:04:00Z    a time with its zone
  2026-03-02 15:04        a time on this computer's clock; seconds may be added
  15:04                   that time on the day of the job, which is --job, else
                          the one begun last

With --json it prints what logctl status --json would have printed then.`,
		RunE: func(*cobra.Command, []string) error {
			if at == "" {
				return fail(exitUsage, "say which moment with --at TIME or --at SEQ; see logctl replay --help")
			}
			return a.reviewed(func(r *sqlite.Reader) error {
				seq, err := a.moment(r, at, job)
				if err != nil {
					return err
				}
				return a.replay(r, seq)
			})
		},
	}
	cmd.Flags().StringVar(&at, "at", "", "the moment, a `TIME|SEQ`")
	cmd.Flags().StringVar(&job, "job", "", "the day of a bare time is that of `JOB`")
	return cmd
}

// replay shows the snapshot that displays had once entry seq was in the log.
func (a *app) replay(r *sqlite.Reader, seq int64) error {
	s, err := shownWith(r, calc.NewMethod(), seq)
	if err != nil {
		return err
	}
	if a.json {
		return a.emit(s)
	}
	p := a.page
	p.para("", "  ", fmt.Sprintf("What displays showed after entry %d, from %s on (run %d).", s.Seq, clockTime(s.Time, a.zone), s.Run))
	p.otherMethod(s.Method)
	p.gap()
	p.status(s, true)
	if len(s.Readings) > 0 {
		p.gap()
		p.para("", "", "READINGS")
		p.readings(s.Readings, a.zone)
	}
	return nil
}

// otherMethod says that a log was written under a method that this program does not
// have; empty if it was not. What was advised stands in the log; how readings count and
// what a step comes to is worked out anew, alike under all methods that it does have.
func otherMethod(was string) string {
	if was == calc.WithUncertainty || was == calc.NewMethod().Version() {
		return ""
	}
	return fmt.Sprintf("This was measured under the method %s, and this program works by %s: how readings count and the values of steps may differ from what was shown. Use the program of that time to see just that.", was, calc.WithUncertainty)
}

func (p *page) otherMethod(was string) {
	if text := otherMethod(was); text != "" {
		p.para("! ", "  ", text)
	}
}

// shownWith is the first snapshot that displays had with entry seq in it.
func shownWith(r *sqlite.Reader, m *calc.Method, seq int64) (session.Snapshot, error) {
	last, err := settled(r, seq)
	if err != nil {
		return session.Snapshot{}, err
	}
	state, err := fold(r, m, last)
	if err != nil {
		return session.Snapshot{}, err
	}
	return state.Snapshot(), nil
}

// settled is the last entry of what followed at once from entry seq: displays see
// what one reading or command brings about only whole.
func settled(r *sqlite.Reader, seq int64) (int64, error) {
	var at session.Entry
	last := seq
	err := entries(r, seq, 1<<62, func(e session.Entry) error {
		if e.Seq == seq {
			at = e
			return nil
		}
		if e.Run != at.Run || !follows(e) && (e.Mono != at.Mono || leads(e)) {
			return errEnough
		}
		last = e.Seq
		return nil
	})
	return last, err
}

// follows tells whether an entry never stands without the one before it.
func follows(e session.Entry) bool {
	switch e.Body.(type) {
	case session.PlaceClosed, session.StepClosed, session.Opened, session.Advised, session.ProfileSet:
		return true
	}
	return false
}

// leads tells whether an entry always begins something of its own.
func leads(e session.Entry) bool {
	switch e.Body.(type) {
	case session.Started, session.PortChanged, session.ClockStepped, session.RecordingChanged, session.Began:
		return true
	}
	return false
}

// moment finds the entry that a TIME or SEQ means.
func (a *app) moment(r *sqlite.Reader, at, job string) (int64, error) {
	last, err := r.Last()
	if err != nil {
		return 0, err
	}
	if last == 0 {
		return 0, fail(exitNotFound, "the log is empty, so nothing was shown yet; name another with --log FILE")
	}
	if seq, err := strconv.ParseInt(at, 10, 64); err == nil {
		if seq < 1 || seq > last {
			return 0, fail(exitNotFound, "the log has no entry %s; name one from 1 to %d", at, last)
		}
		return seq, nil
	}
	t, err := a.instant(r, at, job)
	if err != nil {
		return 0, err
	}
	return a.shownAt(r, t)
}

// instant reads a TIME.
func (a *app) instant(r *sqlite.Reader, at, job string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339Nano, at); err == nil {
		return t, nil
	}
	for _, layout := range []string{"2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04"} {
		if t, err := time.ParseInLocation(layout, at, a.zone); err == nil {
			return t, nil
		}
	}
	for _, layout := range []string{time.TimeOnly, "15:04"} {
		if clock, err := time.Parse(layout, at); err == nil {
			return a.onTheDay(r, clock, job)
		}
	}
	return time.Time{}, fail(exitUsage, "%q is neither a time nor the number of an entry; write it like 15:04, 2026-03-02T15:04:00Z or 17", at)
}

// onTheDay puts a time of day on the day of a job: the named one, else the one
// begun last, else on that of the last entry.
func (a *app) onTheDay(r *sqlite.Reader, clock time.Time, number string) (time.Time, error) {
	began, until, err := a.span(r, number)
	if err != nil {
		return time.Time{}, err
	}
	on := func(day time.Time) time.Time {
		return time.Date(day.Year(), day.Month(), day.Day(), clock.Hour(), clock.Minute(), clock.Second(), 0, a.zone)
	}
	first, last := on(began), on(until)
	var within []time.Time
	for t := first; !t.After(last) && len(within) < 2; t = on(t.AddDate(0, 0, 1)) {
		if !t.Before(began) && !t.After(until) {
			within = append(within, t)
		}
	}
	switch {
	case len(within) == 1:
		return within[0], nil
	case first.Equal(last):
		return first, nil
	}
	return time.Time{}, fail(exitUsage, "%s can be on more than one day, as the job went on from %s to %s; add the day, like \"%s\"",
		clock.Format(time.TimeOnly), began.Format(time.DateOnly), until.Format(time.DateOnly), last.Format("2006-01-02 15:04"))
}

// span is when a job began and when it ended, or the last entry if it is open.
func (a *app) span(r *sqlite.Reader, number string) (began, until time.Time, err error) {
	jobs, err := r.Jobs()
	if err != nil {
		return began, until, err
	}
	var job sqlite.Job
	if number != "" {
		job, err = jobOf(r, number)
	} else if len(jobs) > 0 {
		job = jobs[len(jobs)-1]
	}
	if err != nil {
		return began, until, err
	}
	if until = job.Ended; until.IsZero() {
		last, err := r.Last()
		if err != nil {
			return began, until, err
		}
		err = entries(r, last, last, func(e session.Entry) error { until = e.At; return nil })
		if err != nil {
			return began, until, err
		}
	}
	if began = job.Began; began.IsZero() || began.After(until) {
		began = until
	}
	return began.In(a.zone), until.In(a.zone), nil
}

// shownAt is the last entry that displays had at a time of the wall clock. A clock
// that was set back makes a time come twice; then the sequence must say which.
func (a *app) shownAt(r *sqlite.Reader, t time.Time) (int64, error) {
	s := &stretches{log: r, at: t}
	if err := s.look(); err != nil {
		return 0, err
	}
	switch {
	case s.before == 0:
		return 0, fail(exitNotFound, "nothing was shown yet at %s, as the log begins at %s; name a later time", clockTime(t, a.zone), clockTime(s.first, a.zone))
	case len(s.found) == 0:
		return s.before, nil
	case len(s.found) > 1:
		text, flags := "", ""
		for i, seq := range s.found {
			if i > 0 {
				text, flags = text+" and ", flags+" or "
			}
			text += fmt.Sprintf("after entry %d", seq)
			flags += fmt.Sprintf("--at %d", seq)
		}
		return 0, fail(exitUsage, "the clock was set back, so %s came more than once, %s; say which with %s", clockTime(t, a.zone), text, flags)
	}
	return s.found[0], nil
}

// stretches looks for a time in each stretch of the log in which the clock was not
// set: within a run, between steps of the clock. In a stretch times rise.
type stretches struct {
	log    *sqlite.Reader
	at     time.Time
	found  []int64   // the entry that was the last one at that time, in each stretch that has the time
	before int64     // the last entry of any stretch that was not after it
	first  time.Time // of the log

	start session.Entry // of the stretch at hand
}

// look goes through the entries that begin a stretch: they belong to no job.
func (s *stretches) look() error {
	err := s.log.Job("", func(e session.Entry) error {
		step, stepped := e.Body.(session.ClockStepped)
		switch {
		case s.start.Seq == 0:
			s.first = e.At
		case stepped:
			if err := s.end(e.Seq-1, step.Was); err != nil {
				return err
			}
		case e.Run != s.start.Run:
			if err := s.end(e.Seq-1, e.At); err != nil {
				return err
			}
		default:
			return nil
		}
		s.start = e
		return nil
	})
	if err != nil {
		return err
	}
	last, err := s.log.Last()
	if err != nil {
		return err
	}
	return s.end(last, time.Time{})
}

// end closes a stretch at its last entry. It lasted until the given time; for ever if
// that is zero.
func (s *stretches) end(last int64, until time.Time) error {
	if s.start.At.After(s.at) {
		return nil
	}
	over := !until.IsZero() && !s.at.Before(until)
	if over {
		at, err := s.time(last)
		if err != nil {
			return err
		}
		if s.at.After(at) {
			s.before = last
			return nil
		}
	}
	hit, err := s.within(s.start.Seq, last)
	if err != nil {
		return err
	}
	s.before, s.found = hit, append(s.found, hit)
	return nil
}

// within finds the last entry of a stretch that is not after the time.
func (s *stretches) within(first, last int64) (int64, error) {
	for first < last {
		middle := last - (last-first)/2
		at, err := s.time(middle)
		switch {
		case err != nil:
			return 0, err
		case at.After(s.at):
			last = middle - 1
		default:
			first = middle
		}
	}
	return first, nil
}

// time is that of an entry.
func (s *stretches) time(seq int64) (at time.Time, err error) {
	err = entries(s.log, seq, seq, func(e session.Entry) error { at = e.At; return nil })
	return at, err
}

// clockTime writes a time with its day and zone.
func clockTime(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("2006-01-02 15:04:05 MST")
}
