package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/sqlite"
)

// verifying is what verify was asked.
type verifying struct {
	checkpoints []string // files
	keys        []string // files or texts
	quick       bool
}

func (a *app) verifyCommand() *cobra.Command {
	var v verifying
	cmd := &cobra.Command{
		Use: "verify [FILE]", Short: "Check a log for changes, or a proof, from the file alone", Args: between(0, 1),
		Long: `Check a log for changes, from the file alone; no daemon is needed, and nothing
is written. FILE is the log itself, a copy of it, or a proof that logctl prove
wrote; without FILE it is the log that --log names.

Every entry is hashed when it is written, the hashes form a tree, and at every
closed step and ended job the bench signs a checkpoint: how many entries there
are, and the root of the tree. So a log that was changed no longer agrees with
itself, and verify says which entry was changed, and how: a field edited,
entries removed, put in, copied or moved, the end cut off, another log's
entries, signed by another key, or a file that is damaged.

Whoever holds the bench's key and machine can write and sign everything anew,
and any log can be put back to an older copy or cut off at its end. Only a
checkpoint that was kept elsewhere shows that: on a job card, by a display, in a
message. Name each with --checkpoint. Without one, a sound log proves its
entries 1 to n only, and says so. The daemon keeps its latest checkpoint beside
the log, in a file that ends in .checkpoint; it is used where it lies there, but
lying on the same disk it proves less.

A checkpoint is a short text: the name of the log, how many entries it covers,
a hash, an empty line, and a line that begins with a long dash. Copy it from the
job card into a text file, the public key below it too if you like: both are
used. One that does not fit proves that and nothing else.

The key is the bench's public one, as logctl status and the job card show it.
Without --key, and without one beside a checkpoint, the key that the file itself
names is believed.

The exit code is 0 if nothing is found, 6 if something is, 5 if a file is not
there, 2 if the command is wrong, and 1 if the log could not be checked at all.`,
		Example: `  logctl verify bench-1.log.db
  logctl verify --checkpoint card.txt --key bench-1.pub bench-1.log.db
  logctl verify --key bench-1.pub job-7.tlog-proof`,
		RunE: func(cmd *cobra.Command, args []string) error {
			file := argument(args)
			if file == "" {
				file = a.logFile()
			}
			return a.verify(file, v, cmd.ErrOrStderr())
		},
	}
	flags := cmd.Flags()
	flags.SortFlags = false
	flags.StringArrayVar(&v.checkpoints, "checkpoint", nil, "a checkpoint kept elsewhere, in `FILE`; repeatable")
	flags.StringArrayVar(&v.keys, "key", nil, "the public `KEY`, or a file with it; repeatable")
	flags.BoolVar(&v.quick, "quick", false, "check bytes and hashes, not what the entries say")
	return cmd
}

// logFile is the log to review.
func (a *app) logFile() string {
	if a.log != "" {
		return a.log
	}
	return sqlite.PathOf(sqlite.DefaultFolder(a.env), defaultBench)
}

// verify checks a log or a proof.
func (a *app) verify(file string, v verifying, progress io.Writer) error {
	o := sqlite.VerifyOptions{Quick: v.quick, Fold: session.NewState(calc.NewMethod()).Apply}
	if err := a.givenKeys(v.keys, &o); err != nil {
		return err
	}
	if err := a.givenCheckpoints(v.checkpoints, &o); err != nil {
		return err
	}
	if beginsAsProof(file) {
		return a.verifyProof(file, o)
	}
	// Read before the log, so that a daemon that is on cannot have gone on since.
	if beside := sqlite.CheckpointPath(file); beside != file {
		if text, err := os.ReadFile(beside); err == nil {
			o.Outside = append(o.Outside, sqlite.Outside{Name: filepath.Base(beside), Text: string(text), Beside: true})
		}
	}
	bar := newBar(progress, a.env)
	o.Progress = bar.show
	report, err := sqlite.Verify(file, o)
	bar.clear()
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fail(exitNotFound, "there is no log at %s; name the file that the daemon writes, which ends in .log.db", file)
	case err != nil:
		return fail(exitFailed, "%v; mend that and verify again", err)
	}
	if a.json {
		err = a.emit(verified{file, report.Sound(), report})
	} else {
		a.page.report(filepath.Base(file), report)
	}
	if err == nil && !report.Sound() {
		err = fail(exitUnverified, "the log fails verification; keep the file as it is, and hold a copy that was kept elsewhere against it")
	}
	return err
}

// A verified is the report as JSON.
type verified struct {
	File  string `json:"file"`
	Sound bool   `json:"sound"`
	sqlite.Report
}

// givenKeys reads the keys that were given as texts or in files.
func (a *app) givenKeys(given []string, o *sqlite.VerifyOptions) error {
	for _, g := range given {
		text := g
		if _, err := os.Stat(g); err == nil {
			content, err := a.read(g)
			if err != nil {
				return err
			}
			text = string(content)
		}
		_, keys := sqlite.CheckpointsIn(text)
		if len(keys) == 0 {
			return fail(exitUsage, "%q is neither a public key nor a file with one; copy the key whole, as the job card has it under \"Public key\", or logctl status", g)
		}
		o.Keys = append(o.Keys, keys...)
	}
	return nil
}

// givenCheckpoints reads the checkpoints in files. A key that stands beside them
// was kept elsewhere too.
func (a *app) givenCheckpoints(files []string, o *sqlite.VerifyOptions) error {
	for _, file := range files {
		text, err := a.read(file)
		if err != nil {
			return err
		}
		checkpoints, keys := sqlite.CheckpointsIn(string(text))
		if len(checkpoints) == 0 {
			return fail(exitFailed, "there is no checkpoint in %q; copy its lines whole into a text file: name, number and hash, an empty line, and the line that begins with a long dash (—)", file)
		}
		for _, c := range checkpoints {
			o.Outside = append(o.Outside, sqlite.Outside{Name: file, Text: c})
		}
		for _, k := range keys {
			if !slices.Contains(o.Keys, k) {
				o.Keys = append(o.Keys, k)
			}
		}
	}
	return nil
}

// report shows what verifying found: first whether the log is sound, then what is
// wrong, then what is proved.
func (p *page) report(file string, r sqlite.Report) {
	const indent = "         "
	open := unproved(r, p.zone)
	first, text := verdict(r, len(open) > 0)
	p.strong(first, indent, file+text)
	for _, d := range r.Damage {
		p.para("  ! ", "    ", damage(d, p.zone))
	}
	for _, text := range proved(r) {
		p.para("PROVED   ", indent, text)
	}
	for _, k := range r.Keys {
		from := "which the file itself names"
		if r.KeysGiven {
			from = "as it was given"
		}
		name, _, _ := strings.Cut(k, "+")
		p.para("KEY      ", indent, name+", "+from)
	}
	for _, text := range open {
		p.para("UNPROVED ", indent, text)
	}
}

func countOf(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// verdict says in a word, and in a sentence that begins with the file, whether a log is
// sound.
func verdict(r sqlite.Report, open bool) (word, text string) {
	n, entries := len(r.Damage)+r.More, countOf(r.Entries, "entry", "entries")
	notFitting := func(d sqlite.Damage) bool { return d.Change == sqlite.Foreign || d.Change == sqlite.BadOutside }
	switch {
	case r.Sound():
		text = fmt.Sprintf(", %s, %s: nothing was changed that can be told from here", entries, countOf(int64(r.Checkpoints), "checkpoint", "checkpoints"))
		if open {
			text += "; what cannot be told stands under UNPROVED"
		}
		return "SOUND    ", text + "."
	case r.Entries == 0:
		return "CHANGED  ", " cannot be read as a log:"
	case !slices.ContainsFunc(r.Damage, func(d sqlite.Damage) bool { return !notFitting(d) }):
		return "DIFFERS  ", ", " + entries + ": the log and a checkpoint do not belong together:"
	case r.More > 0:
		return "CHANGED  ", fmt.Sprintf(", %s: this log was changed; of %d things that show it here are %d:", entries, n, len(r.Damage))
	case n > 1:
		return "CHANGED  ", fmt.Sprintf(", %s: this log was changed; %d things show it:", entries, n)
	}
	return "CHANGED  ", ", " + entries + ": this log was changed, as this shows:"
}

// proved says what holds.
func proved(r sqlite.Report) (texts []string) {
	if r.Anchored > 0 {
		texts = append(texts, upTo(r.Anchored)+" those of the checkpoint that was kept elsewhere.")
	}
	if r.Signed > r.Anchored {
		texts = append(texts, upTo(r.Signed)+" those that the holder of the key signed.")
	}
	if r.Beside > r.Anchored {
		for _, o := range r.Outside {
			if o.Beside {
				texts = append(texts, fmt.Sprintf("%s those of %s, which lies beside the log; that proves less than one kept elsewhere, since who changed the one could change the other.", upTo(r.Beside), o.Name))
			}
		}
	}
	return texts
}

func upTo(n int64) string {
	if n == 1 {
		return "Entry 1 is"
	}
	return fmt.Sprintf("Entries 1 to %d are", n)
}

// unproved says what the log cannot show of itself.
func unproved(r sqlite.Report, zone *time.Location) (texts []string) {
	if r.Entries > r.Signed {
		texts = append(texts, unsigned(r))
	}
	kept := slices.ContainsFunc(r.Outside, func(m sqlite.Matched) bool { return !m.Beside })
	const name = " Name a checkpoint with --checkpoint FILE."
	switch {
	case r.Anchored > 0:
		return append(texts, fmt.Sprintf("Whether entries after %d were cut off or written anew shows only a checkpoint that was made after them.", r.Anchored))
	case kept:
		return append(texts, "No checkpoint that was given fits what is there, so none of them proves anything of it. Where it is genuine, the log is not what it was when that was signed.")
	case r.Signed == 0:
		return texts
	case !r.Sound():
		return append(texts, "Without a checkpoint that was kept elsewhere it stays open whether more was changed and then signed anew."+name)
	}
	text := fmt.Sprintf("Without a checkpoint that was kept elsewhere this proves entries 1 to %d only. It cannot show whether anything after entry %d%s was cut off, whether this is an older copy, or whether ",
		r.Signed, r.Entries, prefixed(", ", ofTime(r.Newest, zone)))
	if r.KeysGiven {
		return append(texts, text+"the holder of the key wrote it all anew."+name)
	}
	return append(texts, text+"it was all written and signed anew with another key: hold the key above against the job card or logctl status."+name)
}

// ofTime says of when an entry is.
func ofTime(k *sqlite.Known, zone *time.Location) string {
	if k == nil || k.At.IsZero() {
		return ""
	}
	return "of " + clockTime(k.At, zone) + ","
}

// unsigned says why no checkpoint proves entries that are there.
func unsigned(r sqlite.Report) string {
	which, agree, them := fmt.Sprintf("entries %d to %d", r.Signed+1, r.Entries), "agree with their hashes", "them"
	if r.Entries == r.Signed+1 {
		which, agree, them = fmt.Sprintf("entry %d", r.Entries), "agrees with its hash", "it"
	}
	switch {
	case r.Checkpoints == 0 && r.Sound():
		return "There is no checkpoint, so nobody has signed these entries; this proves nothing."
	case r.Sound():
		return fmt.Sprintf("%s%s %s, but no checkpoint covers %s yet.", strings.ToUpper(which[:1]), which[1:], agree, them)
	}
	text := fmt.Sprintf("No checkpoint that is left and fits covers what follows entry %d, so none vouches for it.", r.Signed)
	if r.Signed == 0 {
		text = "No checkpoint that is left fits, so none vouches for anything."
	}
	if told(r) {
		text += " But for what stands above, what is there agrees with the hashes that were stored with it."
	}
	return text
}

// told says whether the hashes tell of everything that was done to the entries.
func told(r sqlite.Report) bool {
	changes := []sqlite.Change{sqlite.Edited, sqlite.Removed, sqlite.Inserted, sqlite.Duplicated, sqlite.Reordered, sqlite.TailCut}
	return r.More == 0 && !slices.ContainsFunc(r.Damage, func(d sqlite.Damage) bool { return !slices.Contains(changes, d.Change) })
}

// damage says in a sentence what is wrong.
func damage(d sqlite.Damage, zone *time.Location) string {
	subject, was, there := which(d, zone), "was", "is"
	if d.Last > d.First {
		was, there = "were", "are"
	}
	switch d.Change {
	case sqlite.Edited:
		return subject + " " + was + " edited" + fields(d)
	case sqlite.Removed:
		return subject + " " + was + " removed" + sides(d, zone) + "."
	case sqlite.Inserted:
		return subject + " " + was + " put in" + sides(d, zone) + "; the bench never wrote " + them(d) + "."
	case sqlite.Duplicated:
		return fmt.Sprintf("%s %s a copy of entry %d, put in.", subject, there, d.Of)
	case sqlite.Reordered:
		return reordered(d, zone)
	case sqlite.TailCut:
		return "The end was cut off: " + lower(subject) + " " + there + " missing" + covered(d) + standing(d, zone) + "."
	case sqlite.Spliced:
		return subject + " come from another log, or were all written anew" + sides(d, zone) + "."
	case sqlite.Rebuilt:
		return rebuilt(d, zone)
	case sqlite.Column:
		return fmt.Sprintf("The column %s beside %s was changed to %s; the entry itself says %s.", d.Field, lower(subject), quoted(d.Is), quoted(d.Was))
	case sqlite.Form:
		return subject + " is not written as the bench writes entries: " + d.Detail + "."
	case sqlite.Unfit:
		return subject + " cannot follow the entries before it: " + d.Detail + "."
	case sqlite.Index:
		return fmt.Sprintf("The list of open jobs was changed to %s; the entries make it %s. No entry is touched.", quoted(d.Is), quoted(d.Was))
	case sqlite.Structure:
		return "The file itself is damaged, so that looking up a job can miss entries: " + d.Detail + ". No entry is touched; make a sound file with logctl backup."
	case sqlite.Unreadable:
		return damaged(d)
	}
	return signatures(d, subject, there, zone)
}

// reordered says of entries that were moved what stands at the first and the last place
// now.
func reordered(d sqlite.Damage, zone *time.Location) string {
	text := fmt.Sprintf("Entries %d to %d do not stand in the order in which they were written", d.First, d.Last)
	if d.Last == d.First+1 {
		text = fmt.Sprintf("Entries %d and %d have changed places", d.First, d.Last)
	}
	if len(d.There) == 2 {
		text += fmt.Sprintf(": at %d now stands %s, at %d %s", d.First, standingAs(d.There[0], zone), d.Last, standingAs(d.There[1], zone))
	}
	return text + "."
}

func standingAs(k sqlite.Known, zone *time.Location) string {
	return fmt.Sprintf("what was written as %d (%s)", k.Seq, about(k.Kind, k.Job, k.At, zone))
}

// sides says what stands on both sides of a place.
func sides(d sqlite.Damage, zone *time.Location) string {
	switch {
	case d.Before != nil && d.After != nil:
		return fmt.Sprintf(", between entry %s and entry %s", neighbour(d.Before, zone), neighbour(d.After, zone))
	case d.Before != nil:
		return ", after entry " + neighbour(d.Before, zone)
	case d.After != nil:
		return ", before entry " + neighbour(d.After, zone)
	}
	return ""
}

func neighbour(k *sqlite.Known, zone *time.Location) string {
	return fmt.Sprintf("%d (%s)", k.Seq, about(k.Kind, k.Job, k.At, zone))
}

// covered says which checkpoint shows it that the end is missing.
func covered(d sqlite.Damage) string {
	if d.Source == "" {
		return ""
	}
	return fmt.Sprintf(", as the checkpoint in %s covers %s", d.Source, countOf(d.Last, "entry", "entries"))
}

// standing says what the last entry is that is there.
func standing(d sqlite.Damage, zone *time.Location) string {
	if d.Before == nil {
		return ""
	}
	return "; the last one there is entry " + neighbour(d.Before, zone)
}

func them(d sqlite.Damage) string {
	if d.Last > d.First {
		return "them"
	}
	return "it"
}

// signatures is damage that concerns hashes and checkpoints.
func signatures(d sqlite.Damage, subject, there string, zone *time.Location) string {
	switch d.Change {
	case sqlite.HashEdited:
		return "The stored hash of " + lower(subject) + " was changed; the entries themselves agree with what was signed, where a checkpoint covers them."
	case sqlite.HashLost:
		return "The stored hashes of " + lower(subject) + " were removed."
	case sqlite.NoteEdited:
		return fmt.Sprintf("The checkpoint of %s was changed: %s.", countOf(d.Last, "entry", "entries"), d.Detail)
	case sqlite.NoteLost:
		return "A checkpoint that covered " + lower(subject) + " was removed."
	case sqlite.OtherKey:
		if d.Source != "" {
			return fmt.Sprintf("The log was signed by another key than %s, which signed the checkpoint in %s: it was signed anew.", d.Detail, d.Source)
		}
		return fmt.Sprintf("%s %s signed by another key than the one given: %s.", subject, there, quoted(d.Detail))
	case sqlite.Older:
		return "An older copy was put back, or the end was cut off: " + lower(subject) + " " + there + " missing" + covered(d) + standing(d, zone) + "."
	case sqlite.Rewritten:
		return fmt.Sprintf("Something among %s was changed and everything signed anew with the same key: they are not those of the checkpoint in %s.", lower(subject), d.Source)
	case sqlite.Foreign:
		return fmt.Sprintf("The checkpoint in %s is of another log, %s.", d.Source, d.Detail)
	case sqlite.BadOutside:
		return fmt.Sprintf("The checkpoint in %s is not genuine: %s.", d.Source, d.Detail)
	}
	return string(d.Change)
}

func which(d sqlite.Damage, zone *time.Location) string {
	switch {
	case d.Last > d.First:
		return fmt.Sprintf("Entries %d to %d", d.First, d.Last)
	case d.Kind == "":
		return fmt.Sprintf("Entry %d", d.First)
	}
	return fmt.Sprintf("Entry %d (%s)", d.First, about(d.Kind, d.Job, d.At, zone))
}

// about says what an entry is: its kind, its job, its time, as far as it says so.
func about(kind, job string, at time.Time, zone *time.Location) string {
	text := fmt.Sprintf("kind %q", kind)
	if job != "" {
		text += ", job " + quoted(job)
	}
	if !at.IsZero() {
		text += ", " + clockTime(at, zone)
	}
	return text
}

func lower(text string) string { return strings.ToLower(text[:1]) + text[1:] }

// fields says which field was edited, what it was and is.
func fields(d sqlite.Damage) string {
	if d.Field == "" {
		return "; what it was cannot be told."
	}
	names, was, is := strings.Split(d.Field, ", "), strings.Split(d.Was, ", "), strings.Split(d.Is, ", ")
	if len(names) != len(was) || len(names) != len(is) {
		return fmt.Sprintf(": its %s was %s and is now %s.", d.Field, quoted(d.Was), quoted(d.Is))
	}
	all := make([]string, len(names))
	for i := range names {
		all[i] = fmt.Sprintf("its %s was %s and is now %s", names[i], quoted(was[i]), quoted(is[i]))
	}
	return ": " + strings.Join(all, "; ") + "."
}

// quoted is a value for a sentence, cut to a length that can be read.
func quoted(text string) string {
	const longest = 120
	if text == "" {
		return "nothing"
	}
	if runes(text) > longest {
		return string([]rune(text)[:longest]) + "…"
	}
	return text
}

func rebuilt(d sqlite.Damage, zone *time.Location) string {
	text := fmt.Sprintf("Among %s something was changed, and the hashes were made anew to match", lower(which(d, zone)))
	if d.Fewer > 0 {
		are := "are"
		if d.Fewer == 1 {
			are = "is"
		}
		text += fmt.Sprintf("; there %s %s fewer than were signed", are, countOf(d.Fewer, "entry", "entries"))
	}
	return text + ". Which entry it was shows only against a copy."
}

func damaged(d sqlite.Damage) string {
	if d.First == 0 {
		return "The file is damaged and cannot be read as a log: " + d.Detail + "."
	}
	return fmt.Sprintf("The file is damaged from entry %d on: %s.", d.First, d.Detail)
}

// A bar shows on a terminal how far a long work has come.
type bar struct {
	w     io.Writer
	since time.Time
	next  time.Time
	on    bool
}

// newBar makes the bar for a terminal; elsewhere it shows nothing.
func newBar(w io.Writer, env func(string) string) *bar {
	b := &bar{since: time.Now()}
	if _, _, ok := terminal(w, env); ok {
		b.w = w
	}
	return b
}

// show shows that done of all are done, ten times a second and not at once.
func (b *bar) show(done, all int64) {
	now := time.Now()
	if b.w == nil || now.Sub(b.since) < 300*time.Millisecond || now.Before(b.next) {
		return
	}
	b.on, b.next = true, now.Add(100*time.Millisecond)
	io.WriteString(b.w, barText(done, all))
}

// barText is a bar of forty columns.
func barText(done, all int64) string {
	const width = 40
	all = max(all, 1)
	full := int(done * width / all)
	return fmt.Sprintf("\r[%s%s] %3d %% of %d entries", strings.Repeat("#", full), strings.Repeat(".", width-full), done*100/all, all)
}

// clear takes the bar away.
func (b *bar) clear() {
	if b.on {
		io.WriteString(b.w, "\r\x1b[K")
	}
}
