package sqlite

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"golang.org/x/mod/sumdb/tlog"
)

// good says whether a believed key signed a checkpoint of entries that are there as
// they were then.
func (x *examination) good(a attested) bool {
	root, ok := x.roots[a.checkpoint.size]
	if a.name != "" && len(x.report.Keys) == 0 && errors.Is(a.err, errOtherKey) {
		a.err = nil // no key is known; then whoever kept it vouches for it
	}
	return a.err == nil && ok && root == a.checkpoint.root && (a.name != "" || a.checkpoint.size == a.signed.size)
}

// trust finds out up to where the entries are certainly as they were signed.
func (x *examination) trust() {
	for _, a := range x.stored {
		if x.good(a) {
			x.report.Signed = max(x.report.Signed, a.checkpoint.size)
		}
	}
	for _, a := range x.outside {
		switch {
		case !x.good(a):
		case a.beside:
			x.report.Beside = max(x.report.Beside, a.checkpoint.size)
		default:
			x.report.Anchored = max(x.report.Anchored, a.checkpoint.size)
		}
	}
	x.report.Signed = max(x.report.Signed, x.report.Anchored, x.report.Beside)
	x.trusted = x.report.Signed
}

// judgeCheckpoints judges the log's own checkpoints, after its entries.
func (x *examination) judgeCheckpoints() error {
	found := len(x.report.Damage) > 0
	var foreign Damage
	var latest, promised int64 // the size of the last checkpoint, and of the last genuine one
	var bad *attested
	for i, a := range x.stored {
		latest = max(latest, a.signed.size)
		switch {
		case errors.Is(a.err, errOtherKey):
			if foreign.Change == "" {
				foreign = Damage{Change: OtherKey, First: x.goodBefore(a.signed.size) + 1, Detail: a.checkpoint.origin}
			}
			foreign.Last = a.signed.size
		case a.err != nil:
			x.add(Damage{Change: NoteEdited, Last: a.signed.size, Detail: a.err.Error()})
		case a.checkpoint.size != a.signed.size:
			x.add(Damage{Change: NoteEdited, Last: a.signed.size, Detail: fmt.Sprintf("its text covers %d entries", a.checkpoint.size)})
		case !slices.Contains(x.report.Keys, a.public):
			x.add(Damage{Change: NoteEdited, Last: a.signed.size, Detail: "the key beside it is not the one that signed it"})
		default:
			promised = max(promised, a.checkpoint.size)
			if bad == nil && !x.good(a) && a.checkpoint.size <= x.report.Entries {
				bad = &x.stored[i]
			}
		}
	}
	if foreign.Change != "" {
		x.add(foreign)
	}
	if !found && bad != nil {
		if err := x.rebuilt(bad, max(promised-x.report.Entries, 0)); err != nil {
			return err
		}
		found = true
	}
	if missing := promised - x.report.Entries; !found && missing > 0 {
		d := Damage{Change: TailCut, First: x.report.Entries + 1, Last: promised}
		if x.trusted < x.report.Entries { // any of those that are not covered may be the missing one
			d = Damage{Change: Rebuilt, First: x.trusted + 1, Last: promised, Fewer: missing}
		}
		x.add(d)
	}
	shift := x.report.Entries - x.accounted() // what was put in or taken out moves the rest
	if x.evidence.hasHashes() && x.closing > latest+shift {
		x.add(Damage{Change: NoteLost, First: latest + 1, Last: x.closing})
	}
	return nil
}

// goodBefore is the size of the largest good checkpoint below size.
func (x *examination) goodBefore(size int64) (largest int64) {
	for _, a := range slices.Concat(x.stored, x.outside) {
		if a.checkpoint.size < size && x.good(a) {
			largest = max(largest, a.checkpoint.size)
		}
	}
	return largest
}

// rebuilt reports entries that differ from a checkpoint although they agree with
// the stored hashes: whoever changed them made the hashes anew.
func (x *examination) rebuilt(bad *attested, fewer int64) error {
	d := Damage{Change: Rebuilt, First: x.goodBefore(bad.checkpoint.size) + 1, Last: bad.checkpoint.size, Fewer: fewer}
	for _, c := range x.contents {
		// What cannot follow, or has another form, tells more than the range does.
		if c.First >= d.First && c.First <= d.Last {
			x.add(d)
			return nil
		}
	}
	if fewer == 0 {
		one, err := x.undo(d, bad)
		if err != nil {
			return err
		}
		if one.Change != "" {
			d = one
		}
	}
	x.add(d)
	return nil
}

// judgeOutside judges the checkpoints that were kept elsewhere.
func (x *examination) judgeOutside() {
	found := x.firstOf(Edited, Removed, Inserted, Duplicated, Reordered, TailCut, Spliced, Rebuilt) > 0
	slices.SortStableFunc(x.outside, func(a, b attested) int { return int(a.checkpoint.size - b.checkpoint.size) })
	for _, a := range x.outside {
		matches := x.good(a)
		x.report.Outside = append(x.report.Outside, Matched{a.name, a.checkpoint.size, matches, a.beside})
		d := Damage{First: x.goodOutside(a.checkpoint.size) + 1, Last: a.checkpoint.size, Source: a.name, Detail: a.checkpoint.origin}
		switch {
		case matches:
			continue
		case errors.Is(a.err, errOtherKey) && len(x.report.Keys) > 0:
			d.Change = OtherKey
			if !x.sameBench(a.checkpoint.origin) {
				d.Change, d.First, d.Last = Foreign, 0, 0
			}
		case a.err != nil && !errors.Is(a.err, errOtherKey):
			d.Change, d.First, d.Last, d.Detail = BadOutside, 0, 0, a.err.Error()
		case found && (x.cutFurther(a) || a.checkpoint.size <= x.accounted()):
			continue // this is what it follows from
		case found:
			d.Change, d.First = Older, x.accounted()+1
		case a.checkpoint.size > x.report.Entries:
			d.Change, d.First = Older, x.report.Entries+1
		default:
			d.Change = Rewritten
		}
		x.add(d)
	}
}

// cutFurther lets a tail that is known to be cut off reach at least as far as a
// checkpoint from outside says; false if there is none.
func (x *examination) cutFurther(a attested) bool {
	for i := range x.report.Damage {
		d := &x.report.Damage[i]
		if d.Change == TailCut && d.Last == x.accounted() && d.Last <= a.checkpoint.size {
			d.Last, d.Source = a.checkpoint.size, a.name
			return true
		}
	}
	return false
}

// accounted is how many entries there were, as far as the damage that is reported tells.
func (x *examination) accounted() int64 {
	n := x.report.Entries
	for _, d := range x.report.Damage {
		switch d.Change {
		case Removed, TailCut:
			n += d.Last - d.First + 1
		case Inserted, Duplicated:
			n -= d.Last - d.First + 1
		}
		n += d.Fewer
	}
	return n
}

// goodOutside is the size of the largest outside checkpoint below size that matches.
func (x *examination) goodOutside(size int64) (largest int64) {
	for _, a := range x.outside {
		if a.checkpoint.size < size && x.good(a) {
			largest = max(largest, a.checkpoint.size)
		}
	}
	return largest
}

// sameBench says whether a checkpoint names a bench that the log's do: its origin
// is that of one of them but for the key.
func (x *examination) sameBench(origin string) bool {
	bench := func(origin string) string { return origin[:max(strings.LastIndexByte(origin, '/'), 0)] }
	for _, k := range x.report.Keys {
		name, _, _ := strings.Cut(k, "+")
		if bench(name) == bench(origin) {
			return true
		}
	}
	return slices.ContainsFunc(x.stored, func(a attested) bool { return bench(a.checkpoint.origin) == bench(origin) })
}

// judgeContents reports what was found in single entries, but for what follows from
// damage that is reported already.
func (x *examination) judgeContents() {
	shifted := x.firstOf(Removed, Inserted, Duplicated, Reordered, TailCut, Spliced)
	already := func(seq int64) bool {
		return slices.ContainsFunc(x.report.Damage, func(d Damage) bool {
			return d.Change != Rebuilt && d.First <= seq && seq <= d.Last
		})
	}
	earliest := x.firstOf(Edited, Removed, Inserted, Duplicated, Reordered, Spliced, Form)
	for _, d := range x.contents {
		switch {
		case d.Change != Unreadable && already(d.First):
		case shifted > 0 && d.First >= shifted && d.Change != Unreadable && d.Change != Form:
		case d.Change == Unfit && earliest > 0 && earliest <= d.First:
		default:
			x.add(d)
		}
	}
	if !x.report.Sound() {
		return
	}
	listed, err := x.evidence.openJobs()
	if err != nil {
		x.add(Damage{Change: Unreadable, Detail: err.Error()})
		return
	}
	open := make([]string, 0, len(x.open))
	for job := range x.open {
		open = append(open, job)
	}
	slices.Sort(open)
	slices.Sort(listed)
	if !slices.Equal(open, listed) {
		x.add(Damage{Change: Index, Was: strings.Join(open, " "), Is: strings.Join(listed, " ")})
	}
}

// firstOf is where the first damage of some kinds begins; 0 if there is none.
func (x *examination) firstOf(kinds ...Change) (first int64) {
	for _, d := range x.report.Damage {
		if slices.Contains(kinds, d.Change) && (first == 0 || d.First < first) {
			first = d.First
		}
	}
	return first
}

// judgeEntries compares the entries with the hashes that were stored when they were
// written.
func (x *examination) judgeEntries() error {
	if !x.evidence.hasHashes() {
		x.gaps()
		return nil
	}
	n := x.report.Entries
	if x.unlike < 0 && x.hashed == n && int64(len(x.nodes)) == tlog.StoredHashCount(n)*tlog.HashSize {
		return nil
	}
	first := x.trustedHashes()
	if x.hashed < n && x.hashed < x.trusted {
		x.add(Damage{Change: HashLost, First: x.hashed + 1, Last: x.trusted})
		x.hashed = x.trusted
		if x.trusted == n {
			return nil
		}
	}
	for place := x.trusted; place < min(n, x.hashed); place++ {
		if x.leaves[place] != x.storedLeaf(place) {
			return x.locate()
		}
	}
	switch {
	case x.hashed != n:
		return x.locate()
	case !first && x.unlike >= 0:
		x.node()
	case x.unlike < 0:
		x.add(Damage{Change: HashLost, First: n, Last: n})
	}
	return nil
}

// trustedHashes reports stored hashes that differ although the entries are as they
// were signed.
func (x *examination) trustedHashes() (found bool) {
	var d Damage
	for place := range min(x.trusted, x.hashed) {
		if x.leaves[place] == x.storedLeaf(place) {
			continue
		}
		if d.Change == "" || d.Last != place {
			if d.Change != "" {
				x.add(d)
			}
			d = Damage{Change: HashEdited, First: place + 1}
		}
		d.Last = place + 1
	}
	if d.Change != "" {
		x.add(d)
	}
	return d.Change != ""
}

// node judges a stored hash above two that are right. In a log that was put
// together from two it is the first one that spans the seam, which so lies between
// the two; else somebody changed the hash itself.
func (x *examination) node() {
	level, k := tlog.SplitStoredHashIndex(x.unlike)
	last := (k + 1) << level
	middle := last - 1<<level/2
	if last > x.trusted && level > 0 && slices.ContainsFunc(x.stored, func(a attested) bool { return a.signed.size > middle && !x.good(a) }) {
		x.add(Damage{Change: Spliced, First: middle + 1, Last: x.report.Entries})
		return
	}
	x.add(Damage{Change: HashEdited, First: last, Last: last})
}

// gaps reports missing sequences of a log without hashes.
func (x *examination) gaps() {
	next := int64(1)
	for place, seq := range x.seqs {
		if seq > next {
			x.add(Damage{Change: Removed, First: next, Last: seq - 1, Before: x.known(int64(place) - 1), After: x.known(int64(place))})
		}
		next = seq + 1
	}
}

// judgeStructure has SQLite look through the whole file. Entries are read in their
// order; but a job is looked up by an index, and one that was damaged shows less.
func (x *examination) judgeStructure() error {
	if x.options.Quick || !x.report.Sound() {
		return nil
	}
	faults, err := x.evidence.structure()
	if err == nil && len(faults) > 0 {
		x.add(Damage{Change: Structure, Detail: strings.Join(faults, "; ")})
	}
	return err
}
