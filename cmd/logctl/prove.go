package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/sqlite"
)

func (a *app) proveCommand() *cobra.Command {
	var file string
	var entry, whole bool
	cmd := &cobra.Command{
		Use: "prove JOB -o FILE", Short: "Write a proof that a job's entries, or one entry, are in the log", Args: between(1, 1),
		Long: `Write a proof that a third party can check without the log: the entries
themselves, for each the hashes that lead from it to the root of the log's tree,
and the checkpoint that the bench signed. It is checked with logctl verify, or
with any other program for C2SP tlog-proof and the bench's public key.

Of a job those entries are proved that decide: its begin with the plan, each
closed step with its value, each strike-out, the last advice for each chain, and
its end; with --all, every entry of the job. The file then holds several proofs,
one after another, each whole. With --entry, the argument is the number of a
single entry instead of a job, and the file holds one proof.

An entry can be proved once a checkpoint covers it, after the next closed step
or the end of the job.`,
		Example: `  logctl prove 7 -o job-7.tlog-proof
  logctl prove --entry 57 -o entry-57.tlog-proof
  logctl verify --key bench-1.pub job-7.tlog-proof`,
		RunE: func(_ *cobra.Command, args []string) error {
			if file == "" {
				return fail(exitUsage, "say where to write the proof with -o FILE; by custom its name ends in .tlog-proof")
			}
			return a.reviewed(func(r *sqlite.Reader) error {
				seqs, err := a.provable(r, args[0], entry, whole)
				if err != nil {
					return err
				}
				return a.prove(r, seqs, file)
			})
		},
	}
	flags := cmd.Flags()
	flags.SortFlags = false
	flags.StringVarP(&file, "output", "o", "", "write to `FILE`")
	flags.BoolVar(&entry, "entry", false, "the argument is the number of an entry")
	flags.BoolVar(&whole, "all", false, "prove every entry of the job")
	return cmd
}

// provable lists the entries to prove, by rising sequence.
func (a *app) provable(r *sqlite.Reader, which string, entry, whole bool) ([]int64, error) {
	if entry {
		seq, err := strconv.ParseInt(which, 10, 64)
		if err != nil || seq < 1 {
			return nil, fail(exitUsage, "%q is not the number of an entry; logctl job JOB shows them", which)
		}
		found := false
		err = entries(r, seq, seq, func(session.Entry) error { found = true; return nil })
		if err == nil && !found {
			err = fail(exitNotFound, "the log has no entry %d; logctl job JOB shows the numbers of a job", seq)
		}
		return []int64{seq}, err
	}
	if _, err := jobOf(r, which); err != nil {
		return nil, err
	}
	var d deciding
	err := r.Job(which, func(e session.Entry) error {
		if d.add(e); whole {
			d.seqs[len(d.seqs)-1].decides = true
		}
		return nil
	})
	return d.list(), err
}

// A deciding picks the entries of a job that decide.
type deciding struct {
	seqs   []decided
	advice map[string]int // the last one for each chain
}

type decided struct {
	seq     int64
	decides bool
}

func (d *deciding) add(e session.Entry) {
	decides := false
	switch b := e.Body.(type) {
	case session.Began, session.StepClosed, session.Struck, session.Ended:
		decides = true
	case session.Advised:
		if last, ok := d.advice[b.Advice.Chain]; ok {
			d.seqs[last].decides = false
		}
		if d.advice == nil {
			d.advice = map[string]int{}
		}
		d.advice[b.Advice.Chain], decides = len(d.seqs), true
	}
	d.seqs = append(d.seqs, decided{e.Seq, decides})
}

func (d *deciding) list() (seqs []int64) {
	for _, s := range d.seqs {
		if s.decides {
			seqs = append(seqs, s.seq)
		}
	}
	return seqs
}

// prove writes proofs into a new file.
func (a *app) prove(r *sqlite.Reader, seqs []int64, file string) error {
	proofs, err := r.Prove(seqs...)
	if errors.Is(err, sqlite.ErrNotCovered) {
		return fail(exitFailed, "entry %d cannot be proved yet: %v", seqs[len(seqs)-1], sqlite.ErrNotCovered)
	}
	if err != nil {
		return err
	}
	var text strings.Builder
	for _, p := range proofs {
		text.WriteString(p.Text())
	}
	if err := writeNew(file, text.String()); err != nil {
		return err
	}
	if a.json {
		return a.emit(proven{file, seqs})
	}
	what := fmt.Sprintf("Entry %d is proved in %s.", seqs[0], file)
	if len(seqs) > 1 {
		what = fmt.Sprintf("%d entries, from %d to %d, are proved in %s.", len(seqs), seqs[0], seqs[len(seqs)-1], file)
	}
	a.page.para("", "  ", what)
	a.page.para("", "  ", "Whoever has it checks it with: logctl verify --key KEY "+file)
	return nil
}

// A proven is what was proved where.
type proven struct {
	File    string  `json:"file"`
	Entries []int64 `json:"entries"`
}

// writeNew writes a file that must not be there yet.
func writeNew(name, text string) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	switch {
	case errors.Is(err, fs.ErrExist):
		return fail(exitFailed, "%s is there already and was left as it is; give another name", name)
	case errors.Is(err, fs.ErrNotExist):
		return fail(exitNotFound, "there is no folder for %s; make it first or name another", name)
	case err != nil:
		return fail(exitFailed, "%s cannot be written (%v); name another place", name, reason(err))
	}
	_, err = f.WriteString(text)
	if err = errors.Join(err, f.Close()); err != nil {
		os.Remove(name)
		return fail(exitFailed, "%s cannot be written (%v); make room or name another place", name, reason(err))
	}
	return nil
}

// beginsAsProof says whether a file is a proof rather than a log.
func beginsAsProof(file string) bool {
	f, err := os.Open(file)
	if err != nil {
		return false
	}
	defer f.Close()
	head := make([]byte, 64)
	n, _ := io.ReadFull(f, head)
	return sqlite.IsProof(head[:n])
}

// verifyProof checks the proofs in a file, and shows the entries that they prove.
func (a *app) verifyProof(file string, o sqlite.VerifyOptions) error {
	if len(o.Keys) == 0 {
		return fail(exitUsage, "a proof is checked with the public key of the bench; give it with --key, from the job card or logctl status")
	}
	text, err := a.read(file)
	if err != nil {
		return err
	}
	proofs, err := sqlite.ReadProofs(string(text))
	if err != nil {
		return fail(exitUnverified, "%s cannot be read as a proof: %v; ask for it again", file, err)
	}
	var shown []provenEntry
	var failed error
	for _, p := range proofs {
		s := provenEntry{Seq: p.Seq, Entry: string(p.Entry)}
		if s.Proved, err = p.Check(o.Keys); err != nil {
			s.Wrong = err.Error()
			failed = fail(exitUnverified, "the proof does not hold; ask for it again, and for the key if that may be the wrong one")
		}
		shown = append(shown, s)
	}
	if a.json {
		return errors.Join(a.emit(provenFile{file, failed == nil, shown}), failed)
	}
	a.page.proofs(shown, failed == nil)
	return failed
}

// A provenFile is what a file of proofs shows, as JSON.
type provenFile struct {
	File    string        `json:"file"`
	Sound   bool          `json:"sound"`
	Entries []provenEntry `json:"entries"`
}

// A provenEntry is one proof with what became of it.
type provenEntry struct {
	Seq    int64         `json:"seq"`
	Entry  string        `json:"entry"` // its stored bytes
	Wrong  string        `json:"wrong,omitempty"`
	Proved sqlite.Proved `json:"proved"`
}

// longestShown is how much is shown of what an entry says; the file has all of it.
const longestShown = 300

// bytes shows stored bytes in lines that are full, since they may hold no spaces.
func (p *page) bytes(stored string) {
	text := []rune(stored)
	more := len(text) > longestShown
	text = text[:min(len(text), longestShown)]
	for line := range slices.Chunk(text, p.width-2) {
		p.plain("  " + string(line))
	}
	if more {
		p.plain("  … the rest with --json")
	}
}

// proofs shows what was proved, the entries as they are stored but for their length.
func (p *page) proofs(shown []provenEntry, sound bool) {
	const indent = "         "
	if sound {
		of := shown[0].Proved
		p.strong("PROVED   ", indent, fmt.Sprintf("%s in the log %s, as it was signed when it had %s.",
			countOf(int64(len(shown)), "entry is", "entries are"), of.Origin, countOf(of.Entries, "entry", "entries")))
	} else {
		p.strong("FALSE    ", indent, "The proof does not hold.")
	}
	for _, s := range shown {
		if s.Wrong != "" {
			p.para("  ! ", "    ", fmt.Sprintf("Entry %d: %s.", s.Seq, s.Wrong))
			continue
		}
		p.bytes(s.Entry)
	}
}
