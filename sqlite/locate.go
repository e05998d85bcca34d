package sqlite

import (
	"bytes"
	"slices"
	"sort"
	"strconv"

	"golang.org/x/mod/sumdb/tlog"
)

func decimal(n int64) string { return strconv.FormatInt(n, 10) }

// A found is what stands at one place of the log, as far as its hash tells: the
// entry that was written as of, or 0 if nobody knows; renumbered if only its own
// sequence was changed since.
type found struct {
	of         int64
	renumbered bool
	own        int64  // the sequence that a renumbered one carries
	body       []byte // of an unknown one
	row        row
}

// knownBodies bounds the bodies of unknown entries that are kept to look into.
const knownBodies = 4096

// An alignment sets the entries that are there against those that were hashed when
// they were written.
type alignment struct {
	x      *examination
	there  []found             // by place
	where  map[tlog.Hash]int64 // sequence by stored hash
	kept   []bool              // by place: it stands in order with the others
	placed []bool              // by sequence: an entry that stands in order is it
	bodies int
}

// locate finds out what was done to the entries after the trusted ones.
func (x *examination) locate() error {
	if x.repairs = 1_000_000; x.options.unrepaired {
		x.repairs = 0
	}
	a := &alignment{x: x, there: make([]found, x.report.Entries), where: make(map[tlog.Hash]int64, x.hashed)}
	for place := range x.hashed {
		a.where[x.storedLeaf(place)] = place + 1
	}
	if err := a.read(); err != nil {
		return err
	}
	a.farCopies()
	a.order()
	a.strays()
	a.gaps()
	return nil
}

// read looks up every entry.
func (a *alignment) read() error {
	place, shift := int64(0), int64(0)
	return a.x.evidence.rows(leastSeq, mostSeq, func(r row) error {
		if place >= int64(len(a.there)) {
			return nil
		}
		f := &a.there[place]
		leaf := a.x.leaves[place]
		seq := place + 1
		of, ok := a.where[leaf]
		switch {
		case place < a.x.trusted, place < a.x.hashed && leaf == a.x.storedLeaf(place):
			f.of = seq
		case ok:
			f.of, shift = of, of-seq
		default:
			for _, of := range []int64{seq + shift, seq, seq - 1, seq + 1, seq + 2, seq - 2} {
				if a.is(r.body, of) {
					h, _ := readHeader(r.body)
					f.of, f.renumbered, f.own, shift = of, true, h.seq, of-seq
					break
				}
			}
		}
		if f.of == 0 && a.bodies < knownBodies {
			a.bodies++
			f.body, f.row = r.body, r
		}
		place++
		return nil
	})
}

// is says whether body, but for its own sequence, is the entry that was written as
// of.
func (a *alignment) is(body []byte, of int64) bool {
	if of < 1 || of > a.x.hashed {
		return false
	}
	again, ok := renumber(body, of)
	return ok && tlog.RecordHash(again) == a.x.storedLeaf(of-1)
}

// renumber gives an entry's bytes another sequence.
func renumber(body []byte, seq int64) ([]byte, bool) {
	const head = `{"seq":`
	rest, ok := bytes.CutPrefix(body, []byte(head))
	end := bytes.IndexByte(rest, ',')
	if !ok || end < 0 {
		return nil, false
	}
	again := append(make([]byte, 0, len(body)+8), head...)
	return append(strconv.AppendInt(again, seq, 10), rest[end:]...), true
}

// farCopies looks for entries that are copies of any other, with a number of their
// own. What cannot be tried within reason stays unknown.
func (a *alignment) farCopies() {
	for place := range a.there {
		f := &a.there[place]
		if f.of != 0 || f.body == nil {
			continue
		}
		for of := int64(1); of <= a.x.hashed && a.x.repairs > 0; of++ {
			a.x.repairs--
			if a.is(f.body, of) {
				f.of, f.renumbered = of, true
				break
			}
		}
		if a.x.hashed > 20_000 { // one or two of them, then no more
			return
		}
	}
}

// order finds the longest row of known entries that stand in the order in which
// they were written.
func (a *alignment) order() {
	ends := []int{}                       // place of the last one of the best row of each length
	before := make([]int, len(a.there)+1) // place of the one before, from 0
	for place, f := range a.there {
		if f.of == 0 {
			continue
		}
		k := sort.Search(len(ends), func(i int) bool { return a.there[ends[i]].of >= f.of })
		before[place] = -1
		if k > 0 {
			before[place] = ends[k-1]
		}
		if k == len(ends) {
			ends = append(ends, place)
		} else if a.there[ends[k]].of != f.of { // of copies the first one counts
			ends[k] = place
		}
	}
	a.kept = make([]bool, len(a.there))
	a.placed = make([]bool, a.x.hashed+1)
	if len(ends) == 0 {
		return
	}
	for place := ends[len(ends)-1]; place >= 0; place = before[place] {
		a.kept[place] = true
		a.placed[a.there[place].of] = true
	}
}

// strays reports known entries that do not stand in order: copies, and those that
// were moved.
func (a *alignment) strays() {
	var moved Damage
	for place, f := range a.there {
		seq := int64(place) + 1
		switch {
		case f.of == 0 || a.kept[place]:
			if f.renumbered && f.of == seq { // nothing else was done to it
				a.x.add(Damage{Change: Edited, First: seq, Last: seq, Field: "seq", Was: decimal(seq), Is: decimal(f.own)})
			}
		case a.placed[f.of]:
			a.x.add(Damage{Change: Duplicated, First: seq, Last: seq, Of: f.of})
		default:
			a.placed[f.of] = true
			first, last := min(seq, f.of), max(seq, f.of)
			if moved.Change != "" && first <= moved.Last+1 {
				moved.First, moved.Last = min(first, moved.First), max(last, moved.Last)
				continue
			}
			if moved.Change != "" {
				a.moved(moved)
			}
			moved = Damage{Change: Reordered, First: first, Last: last}
		}
	}
	if moved.Change != "" {
		a.moved(moved)
	}
}

// moved reports entries that do not stand where they were written.
func (a *alignment) moved(d Damage) {
	for _, seq := range []int64{d.First, d.Last} {
		if k := a.x.known(seq - 1); k != nil && a.there[seq-1].of > 0 {
			d.There = append(d.There, *k.as(a.there[seq-1].of))
		}
	}
	a.x.add(d)
}

// gaps reports what lies between the entries that stand in order: unknown entries
// against those that are missing.
func (a *alignment) gaps() {
	next, before := int64(1), -1 // the sequence expected; the place of the last one in order
	var unknown []int
	for place := 0; place <= len(a.there); place++ {
		end := place == len(a.there)
		switch {
		case end || a.kept[place]:
			until := a.x.hashed + 1
			if !end {
				until = a.there[place].of
			}
			if missing := a.missing(next, until); len(missing)+len(unknown) > 0 {
				beside := [2]*Known{a.x.known(int64(before)).as(next - 1), a.x.known(int64(place)).as(until)}
				a.gap(unknown, missing, beside, end)
			}
			next, before, unknown = until+1, place, nil
		case a.there[place].of == 0:
			unknown = append(unknown, place)
		}
	}
}

// missing lists sequences from first to below until that are nowhere.
func (a *alignment) missing(first, until int64) (seqs []int64) {
	for seq := first; seq < until; seq++ {
		if !a.placed[seq] {
			seqs = append(seqs, seq)
		}
	}
	return seqs
}

// gap judges one gap between two entries: unknown ones by place, missing ones by
// sequence.
func (a *alignment) gap(unknown []int, missing []int64, beside [2]*Known, end bool) {
	pairs, extra, lost := a.pair(unknown, missing)
	var edits []Damage
	plain := 0
	for i, p := range pairs {
		d := a.edited(p.place, p.seq, len(unknown) > 2)
		if d.Field != "" {
			plain++
		}
		if i == 2 && plain == 0 {
			// Several in a row, and of none can it be said what it was.
			a.x.add(Damage{Change: Spliced, First: int64(pairs[0].place) + 1, Last: int64(unknown[len(unknown)-1]) + 1})
			edits, extra = nil, nil
			break
		}
		edits = append(edits, d)
	}
	if len(edits) == 2 && plain == 0 && edits[1].First == edits[0].First+1 {
		edits, extra = nil, nil
		a.x.add(Damage{Change: Spliced, First: int64(pairs[0].place) + 1, Last: int64(unknown[len(unknown)-1]) + 1})
	}
	for _, d := range edits {
		a.x.add(d)
	}
	for _, r := range ranges(extra) {
		a.x.add(Damage{Change: Inserted, First: r[0], Last: r[1]})
	}
	for _, r := range ranges(lost) {
		d := Damage{Change: Removed, First: r[0], Last: r[1], Before: beside[0], After: beside[1]}
		if end && r[1] == a.x.hashed {
			d.Change = TailCut
		}
		a.x.add(d)
	}
}

// A pair is an unknown entry and the missing one that it once was.
type pair struct {
	place int
	seq   int64
}

// pair sets unknown entries against missing ones: by the number that they carry,
// else in order. The rest were put in (as sequences of their places) or taken out.
func (a *alignment) pair(unknown []int, missing []int64) (pairs []pair, extra, lost []int64) {
	if len(unknown) == len(missing) {
		for i, place := range unknown {
			pairs = append(pairs, pair{place, missing[i]})
		}
		return pairs, nil, nil
	}
	lost = slices.Clone(missing)
	for _, place := range unknown {
		f := a.there[place]
		h, _ := readHeader(f.body)
		i := slices.IndexFunc(lost, func(seq int64) bool { return seq == h.seq || seq == f.row.seq })
		if i < 0 && len(unknown) < len(missing) {
			i = 0
		}
		if i < 0 {
			extra = append(extra, int64(place)+1)
			continue
		}
		pairs = append(pairs, pair{place, lost[i]})
		lost = slices.Delete(lost, i, i+1)
	}
	return pairs, extra, lost
}

// edited reports an entry whose bytes were changed, with what they were if that can
// be found out. It is shallow about one of many.
func (a *alignment) edited(place int, seq int64, shallow bool) Damage {
	d := Damage{Change: Edited, First: int64(place) + 1, Last: int64(place) + 1}
	f := a.there[place]
	if f.body == nil {
		return d
	}
	want := a.x.storedLeaf(seq - 1)
	r := repair{row: f.row, shallow: shallow, budget: &a.x.repairs, neighbours: a.x.neighbours(f.row.seq),
		fits: func(body []byte) bool { return tlog.RecordHash(body) == want }}
	if was, ok := r.try(); ok {
		d.Field, d.Was, d.Is = difference(was, f.body)
	}
	return d
}

// neighbours are the bodies of entries around one.
func (x *examination) neighbours(seq int64) (bodies [][]byte) {
	const around = 200
	x.evidence.rows(seq-around, seq+around, func(r row) error {
		if r.seq != seq {
			bodies = append(bodies, r.body)
		}
		return nil
	})
	return bodies
}

// ranges joins rising numbers that follow one another.
func ranges(seqs []int64) (all [][2]int64) {
	for _, seq := range seqs {
		if n := len(all); n > 0 && all[n-1][1] == seq-1 {
			all[n-1][1] = seq
			continue
		}
		all = append(all, [2]int64{seq, seq})
	}
	return all
}
