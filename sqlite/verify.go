package sqlite

import (
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/mattn/go-sqlite3"

	"shimwright/session"
)

// VerifyOptions say against what a log is verified. The zero value asks only
// whether the log agrees with itself and with the keys that it names.
type VerifyOptions struct {
	// Keys are the verifier keys, as golang.org/x/mod/sumdb/note writes them, that
	// may have signed the log. Without any, the keys that the file names are
	// believed; whoever signed it anew has put his own there.
	Keys []string
	// Outside are checkpoints that were kept elsewhere.
	Outside []Outside
	// Fold is called with every entry, in order, as session.State.Apply; an error
	// says that the entry cannot follow those before. May be nil.
	Fold func(session.Entry) error
	// Quick leaves out whether entries are in canonical form, Fold, and the
	// signatures of checkpoints that a later one of the same key covers.
	Quick bool
	// Progress is called now and then with how many of the entries are done. May
	// be nil.
	Progress func(done, all int64)

	unrepaired bool // do not look for what an edited entry was
}

// An Outside is a checkpoint that was kept outside the log.
type Outside struct {
	Name string // where it comes from, for the report
	Text string // the signed note
	// Beside says that it lies where the log does, so that whoever changed the one
	// could change the other: it proves less than one that was kept elsewhere.
	Beside bool
}

// A Change is a kind of damage.
type Change string

// The kinds of damage. First and Last of a Damage mean the entries named here.
const (
	Edited     Change = "edited"              // the entry; Field, Was and Is where they can be told
	Removed    Change = "removed"             // the entries that are not there
	Inserted   Change = "inserted"            // entries that nobody had recorded
	Duplicated Change = "duplicated"          // entries that are copies; Of is the first one's original
	Reordered  Change = "reordered"           // entries that stand in another order than they were recorded in
	TailCut    Change = "tail cut"            // the entries missing at the end
	Spliced    Change = "spliced"             // entries that come from another log, or were all written anew
	Rebuilt    Change = "rebuilt"             // the range within which something was changed, and the hashes made to match
	Column     Change = "column edited"       // the entry whose column says something else than its bytes
	Form       Change = "not canonical"       // the entry whose bytes this program did not write
	Unfit      Change = "does not follow"     // the entry that cannot follow those before; Detail says why
	Index      Change = "open jobs edited"    // the list of open jobs; no entry is touched
	HashEdited Change = "hash edited"         // entries as signed whose stored hashes were changed
	HashLost   Change = "hashes missing"      // entries without stored hashes
	NoteEdited Change = "checkpoint edited"   // Last is the size it is filed under; Detail says how
	NoteLost   Change = "checkpoint missing"  // entries that a checkpoint must have covered
	OtherKey   Change = "signed by another"   // entries that no known key signed; Detail is the key's name
	Older      Change = "older copy"          // entries of the outside checkpoint that are not there
	Rewritten  Change = "rewritten"           // the range within which the log differs from an outside checkpoint
	Foreign    Change = "of another log"      // an outside checkpoint of another log; Detail is its name
	BadOutside Change = "outside not genuine" // an outside checkpoint that is not what its signer signed
	Structure  Change = "structure damaged"   // of the file, so that looking entries up can miss some; Detail says where
	Unreadable Change = "unreadable"          // entries from First on, or the whole file; Detail says why
)

// A Damage is one thing that is wrong with a log.
type Damage struct {
	Change Change    `json:"change"`
	First  int64     `json:"first,omitempty"` // entries concerned, by sequence
	Last   int64     `json:"last,omitempty"`
	Kind   string    `json:"kind,omitempty"`   // of a single entry that is there, as it stands there
	Job    string    `json:"job,omitempty"`    // its job
	At     time.Time `json:"at,omitzero"`      // its wall clock, UTC
	Before *Known    `json:"before,omitempty"` // the entry before those that were removed, cut off, put in or moved
	After  *Known    `json:"after,omitempty"`  // the entry after them
	There  []Known   `json:"there,omitempty"`  // of entries that were moved: what stands at First and at Last now
	Of     int64     `json:"of,omitempty"`     // the original of a copy
	Fewer  int64     `json:"fewer,omitempty"`  // how many entries there are fewer than were signed
	Field  string    `json:"field,omitempty"`  // the key of the entry's JSON, with dots between levels
	Was    string    `json:"was,omitempty"`    // as proved by the hash
	Is     string    `json:"is,omitempty"`     // as it stands there now
	Detail string    `json:"detail,omitempty"` // what went wrong, or a name
	Source string    `json:"source,omitempty"` // of an outside checkpoint
}

// A Known is what the log says of an entry beside damage. Of one that was moved Seq is
// what it was written as, if its hash tells, else what it says itself.
type Known struct {
	Seq  int64     `json:"seq"`
	Kind string    `json:"kind"`
	Job  string    `json:"job,omitempty"`
	At   time.Time `json:"at,omitzero"` // wall clock, UTC
}

// A Matched is what became of an outside checkpoint.
type Matched struct {
	Name    string `json:"name"`
	Size    int64  `json:"entries"` // that it covers
	Matches bool   `json:"matches"`
	Beside  bool   `json:"beside,omitempty"`
}

// A Report is what verifying a log found.
type Report struct {
	Entries     int64     `json:"entries"`
	Oldest      *Known    `json:"oldest,omitempty"` // the first entry that is there
	Newest      *Known    `json:"newest,omitempty"` // the last one
	Checkpoints int       `json:"checkpoints"`      // stored in the log
	Keys        []string  `json:"keys"`             // verifier keys that were believed
	KeysGiven   bool      `json:"keys_given"`       // they came from outside the file
	Signed      int64     `json:"signed"`           // entries 1 to Signed are those that a believed key signed
	Outside     []Matched `json:"outside"`
	Anchored    int64     `json:"anchored"`         // entries 1 to Anchored are those of a checkpoint that was kept elsewhere
	Beside      int64     `json:"beside,omitempty"` // and 1 to Beside those of one that lies beside the log
	Damage      []Damage  `json:"damage"`
	More        int       `json:"more_damage,omitempty"` // that is not listed
	Quick       bool      `json:"quick,omitempty"`
}

// Sound reports whether nothing is wrong with the log.
func (r Report) Sound() bool { return len(r.Damage) == 0 }

// listed bounds the damage that a report lists.
const listed = 100

// Verify works out everything that can be worked out from the bytes of the log at
// path, and reports what does not agree: each entry's form, sequence and columns,
// the hashes, every checkpoint, what was kept outside. It writes nothing and needs
// no daemon; the file may lie in a folder that cannot be written to. An error says
// that the file could not be verified at all; it reads `cannot verify log "path":
// reason`, and errors.Is(err, fs.ErrNotExist) if there is none.
func Verify(path string, o VerifyOptions) (Report, error) {
	report, err := verify(path, o)
	if err != nil {
		return Report{}, fmt.Errorf("cannot verify log %q: %w", path, err)
	}
	return report, nil
}

func verify(path string, o VerifyOptions) (Report, error) {
	report, err := verifyFile(path, o)
	var fault sqlite3.Error
	if errors.As(err, &fault) && (fault.Code == sqlite3.ErrCorrupt || fault.Code == sqlite3.ErrNotADB) {
		return Report{Damage: []Damage{{Change: Unreadable, Detail: fault.Error()}}, Outside: []Matched{}}, nil
	}
	return report, err
}

func verifyFile(path string, o VerifyOptions) (Report, error) {
	r, err := openForReview(path)
	if err != nil {
		return Report{}, err
	}
	defer r.Close()
	f, err := openEvidence(r)
	if err != nil {
		return Report{}, err
	}
	defer f.close()
	report, err := examine(f, o)
	if err != nil {
		return Report{}, err
	}
	if err := r.changed(); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return Report{}, err
	}
	return report, nil
}

// examine verifies evidence.
func examine(e evidence, o VerifyOptions) (Report, error) {
	x := &examination{options: o, evidence: e, report: Report{Damage: []Damage{}, Outside: []Matched{}, Quick: o.Quick}}
	for _, step := range []func() error{x.readSignatures, x.readHashes, x.readEntries} {
		if err := step(); err != nil {
			return Report{}, err
		}
	}
	x.trust()
	for _, step := range []func() error{x.judgeEntries, x.judgeCheckpoints} {
		if err := step(); err != nil {
			return Report{}, err
		}
	}
	x.judgeOutside()
	x.judgeContents()
	for _, step := range []func() error{x.judgeStructure, x.describe} {
		if err := step(); err != nil {
			return Report{}, err
		}
	}
	return x.report, nil
}
