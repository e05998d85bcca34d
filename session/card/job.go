package card

import (
	"time"

	"shimwright/session"
	"shimwright/session/wording"
)

// A Job is all that a card is made from.
type Job struct {
	// Snapshot is what displays had after the job's last entry. Its readings of other
	// jobs are not looked at.
	Snapshot session.Snapshot
	Profiles []session.Profile          // of the instruments used, as the log has them; the later of one name counts
	Parts    []session.Part             // of the plan
	Warmth   []session.TemperatureTaken // in the order in which they were noted
	Ended    time.Time                  // zero while it is open
	EndedBy  string
	Note     string           // given at the end
	Struck   map[int64]string // who struck out a reading, by its sequence
	First    int64            // its begin, by sequence
	Last     int64            // its last entry

	Checkpoint string // signed note that covers Last; empty if there is none yet
	PublicKey  string // that checks it; empty if it is not known
	Zone       *time.Location
	Language   *wording.Language // and unit of length; English and mm if nil
}

// A document is the card as sections, before anything is placed on paper.
type document struct {
	Number   string
	Name     string // with its number
	Title    string
	Language *wording.Language
	Made     time.Time // of the last entry
	Sections []section
	Most     int    // pages that it is made to fit by writing smaller
	End      string // the mark after which nothing follows
}

type section struct {
	Title   string
	NewPage bool
	Blocks  []block
}

// A block is one of a paragraph, a list, a table, a picture and lines as they are.
type block struct {
	Text    string
	Strong  bool
	Small   bool // a text or a table
	Items   []string
	Head    []string
	Rows    [][]string
	Share   []float64 // of the width, one a column
	Right   []bool    // columns that are numbers
	Picture *figure
	Tight   bool     // the next picture goes on where this one ends
	Width   float64  // of the picture, as part of the text's width
	Lines   []string // must not be broken
	Beside  []block  // right of the picture
}

func para(text string) block   { return block{Text: text} }
func strong(text string) block { return block{Text: text, Strong: true} }
func small(text string) block  { return block{Text: text, Small: true} }

// listing is a list, or one sentence if there is nothing to list.
func listing(items []string, none string) block {
	if len(items) == 0 {
		return para(none)
	}
	return block{Items: items}
}
