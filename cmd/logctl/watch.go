package main

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/session/wording"
)

func (a *app) watchCommand() *cobra.Command {
	return &cobra.Command{
		Use: "watch", Short: "Show the status as it changes, until Ctrl-C", Args: between(0, 0),
		Long: `Show the status as it changes, until Ctrl-C. On a terminal it is redrawn in
place; into a pipe goes a line for each change. With --json each snapshot is a
line.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			return c.watch(cmd.Context(), a.seer())
		},
	}
}

// seer picks how snapshots are shown.
func (a *app) seer() func(session.Snapshot, []byte) error {
	if a.json {
		return func(_ session.Snapshot, line []byte) error {
			_, err := a.stdout.Write(line)
			return err
		}
	}
	if _, _, ok := terminal(a.stdout, a.env); ok {
		return a.redraw
	}
	var before *session.Snapshot
	return func(s session.Snapshot, _ []byte) error {
		for _, line := range changes(before, s, a.zone) {
			a.page.para("", "  ", line)
		}
		before = &s
		return a.page.err
	}
}

// redraw shows the status in place of what the terminal shows.
func (a *app) redraw(s session.Snapshot, _ []byte) error {
	width, height, _ := terminal(a.stdout, a.env) // it may have another size by now
	var text bytes.Buffer
	p := &page{w: &text, width: min(max(width, leastWidth), widestWidth), emphasis: a.page.emphasis, zone: a.zone}
	p.status(s, false)
	_, err := io.WriteString(a.stdout, frame(text.String(), height))
	return err
}

// frame is what puts a text in place of what a terminal shows: from its top left
// corner, each line erased to its end, then the rest of the screen. What does
// not fit in its height is left away at the end.
func frame(text string, height int) string {
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	if height > 1 && len(lines) > height-1 {
		lines = lines[:height-1]
	}
	return "\x1b[H" + strings.Join(lines, "\x1b[K\r\n") + "\x1b[K\r\n\x1b[J"
}

// changes says in lines what is new since the snapshot before, the main thing
// last, where the eye is. Without one it says how things stand.
func changes(before *session.Snapshot, s session.Snapshot, zone *time.Location) []string {
	old := session.Snapshot{Recording: session.Recording{OK: true}}
	if before != nil && before.Run == s.Run {
		old = *before
	}
	var lines []string
	stamp := s.Time.In(zone).Format(time.TimeOnly) + " "
	say := func(format string, args ...any) { lines = append(lines, stamp+fmt.Sprintf(format, args...)) }
	switch {
	case !s.Recording.OK && old.Recording != s.Recording:
		say("NOT RECORDING: %s", s.Recording.Problem)
	case s.Recording.OK && !old.Recording.OK:
		say("recording again")
	}
	lines = append(lines, instrumentChanges(old, s, stamp)...)
	if line := jobChange(old.Job, s.Job); line != "" {
		say("%s", line)
	}
	lines = append(lines, readingChanges(old, s, zone, stamp)...)
	lines = append(lines, adviceChanges(old, s, stamp)...)
	if line := nowLine(s); before == nil || line != nowLine(old) {
		say("%s", line)
	}
	return lines
}

func instrumentChanges(old, s session.Snapshot, stamp string) []string {
	var lines []string
	for _, i := range s.Instruments {
		was := slices.IndexFunc(old.Instruments, func(o session.InstrumentView) bool { return o.Name == i.Name })
		if was < 0 || old.Instruments[was].State != i.State || old.Instruments[was].Detail != i.Detail {
			lines = append(lines, stamp+i.Name+": "+wording.English.Port(i))
		}
	}
	return lines
}

func jobChange(old, job *session.JobView) string {
	if job == nil || old != nil && old.Number == job.Number && old.Ended == job.Ended {
		return ""
	}
	return jobLine(*job)
}

// readingChanges tells of new readings, and of older ones that count otherwise
// than before. Of a bench's first snapshot it tells the last reading only.
func readingChanges(old, s session.Snapshot, zone *time.Location, stamp string) []string {
	if len(s.Readings) == 0 {
		return nil
	}
	if old.Seq == 0 {
		return []string{stamp + last(s)}
	}
	was := make(map[int64]string, len(old.Readings))
	for _, r := range old.Readings {
		was[r.Seq] = wording.English.Ruling(r)
	}
	var lines []string
	for _, r := range s.Readings {
		now := wording.English.Ruling(r)
		before, seen := was[r.Seq]
		switch {
		case !seen && r.Seq > old.Seq:
			lines = append(lines, fmt.Sprintf("%s %d %s", r.Time.In(zone).Format(time.TimeOnly), r.Seq, now))
		case seen && before != now:
			lines = append(lines, fmt.Sprintf("%s%d now %s", stamp, r.Seq, now))
		}
	}
	return lines
}

func adviceChanges(old, s session.Snapshot, stamp string) []string {
	var lines []string
	for _, a := range s.Advice {
		now := headline(s, a)
		was := slices.IndexFunc(old.Advice, func(o session.Advice) bool { return o.Chain == a.Chain })
		if was < 0 || headline(old, old.Advice[was]) != now {
			lines = append(lines, stamp+now)
		}
	}
	return lines
}

// nowLine says in a line what to do now.
func nowLine(s session.Snapshot) string {
	switch {
	case s.Job == nil:
		return "No job is open."
	case s.Job.Ended:
		return "The job has ended."
	case s.Step == nil:
		return "Every step is closed."
	}
	return wording.English.Now(*s.Step)
}
