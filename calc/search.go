package calc

import (
	"cmp"
	"slices"

	"github.com/shopspring/decimal"
)

// pack is a multiset of sizes by index, thickest first.
type pack struct {
	total  length
	square float64 // sum of the squared standard uncertainties of its pieces, in mm²
	scarce uint64  // a bit for each size in it that could run out; sizes share the 64 bits
	pieces [maxPieces]uint16
	n      uint8
}

// packing lists all packs of at most most pieces in the order in which pieces compare:
// thickest first, the first thicker one ahead, and more pieces ahead of a beginning of
// the same. The index of a pack is its rank in that order.
type packing struct {
	sizes        []size
	most, enough int // pieces a pack may have; pieces of one size that cannot run out
	packs        []pack
}

func (w *packing) add(p pack, first int) {
	if int(p.n) < w.most {
		for i := first; i < len(w.sizes); i++ {
			if p.has(uint16(i)) < w.sizes[i].count {
				w.add(w.with(p, i), i)
			}
		}
	}
	w.packs = append(w.packs, p)
}

func (w *packing) with(p pack, i int) pack {
	p.pieces[p.n] = uint16(i)
	p.n++
	p.total += w.sizes[i].thick
	p.square += w.sizes[i].square
	if w.sizes[i].count < w.enough {
		p.scarce |= 1 << (i % 64)
	}
	return p
}

// has counts the pieces of size i.
func (p *pack) has(i uint16) int {
	n := 0
	for _, piece := range p.pieces[:p.n] {
		if piece == i {
			n++
		}
	}
	return n
}

// entry is a pack of a side: its total with what is fitted, and its rank.
type entry struct {
	total  length
	square float64
	n      int32
	rank   int32
}

// bucket is a run of entries that differ in rank only.
type bucket struct {
	total    length
	square   float64
	n        int
	from, to int
}

// rack holds the packs that a side may get, by total and number of pieces.
type rack struct {
	entries []entry
	buckets []bucket
}

func (r *rack) of(b *bucket) []entry { return r.entries[b.from:b.to] }

func (s side) rack(sorted []entry) rack {
	r := rack{make([]entry, 0, len(sorted)), make([]bucket, 0, len(sorted)/2)}
	for _, e := range sorted {
		e.total += s.fitted
		if n := int(e.n); n < s.fewest || n > s.most || s.exactly >= 0 && e.total != s.exactly {
			continue
		}
		at, last := len(r.entries), len(r.buckets)-1
		r.entries = append(r.entries, e)
		if last >= 0 && r.buckets[last].total == e.total && r.buckets[last].n == int(e.n) && r.buckets[last].square == e.square {
			r.buckets[last].to = at + 1
		} else {
			r.buckets = append(r.buckets, bucket{e.total, e.square, int(e.n), at, at + 1})
		}
	}
	return r
}

// key ranks what all pairs from two buckets have in common; less is better. pieces
// and first are the number of pieces and minus the total of the first side.
type key struct {
	class              int
	steps, uneven, off length
	pieces             int
	minusFirst         length
}

func (k key) compare(o key) int {
	return cmp.Or(cmp.Compare(k.class, o.class), cmp.Compare(k.steps, o.steps), cmp.Compare(k.uneven, o.uneven),
		cmp.Compare(k.off, o.off), cmp.Compare(k.pieces, o.pieces), cmp.Compare(k.minusFirst, o.minusFirst))
}

// found is a combination by the ranks of its packs.
type found struct {
	key
	first, second int32
}

func (f found) compare(o found) int {
	return cmp.Or(f.key.compare(o.key), cmp.Compare(f.first, o.first), cmp.Compare(f.second, o.second))
}

// seeker finds the best combinations without looking at all pairs of packs.
//
// Packs are sorted by total into buckets. For each bucket of the first side (those near
// half the wanted total first) the second side's buckets are walked outwards from the
// total that would hit the aim, once upwards and once downwards. On such a walk the
// distance from the aim only grows, and so does the class: the aim is in the window, so
// the float is first inside, then outside, then, upwards only, 0 or less. (The exact hit
// is part of the walk upwards, which covers an aim of 0 that is itself not acceptable.)
// So the first two members of the key never get better along a walk, and a lower bound
// for the third is at hand. Once as many combinations are known as are wanted, a walk
// ends where this bound is worse than the worst of them: whatever comes later on it would
// not have been kept. Every pair not looked at is thus no better than all that are
// returned, which is also proved in the tests against trying everything.
type seeker struct {
	*problem      // of BestFits without an apart
	packs         []pack
	first, second rack
	keep          int
	top           []found // best first, at most keep
	looked        int     // at pairs of buckets: what the search costs
}

func newSeeker(q *problem, keep int) *seeker {
	a, b := q.sides[0], q.sides[1]
	w := packing{sizes: q.sizes, most: max(a.most, b.most), enough: a.most + b.most, packs: make([]pack, 0, q.packs)}
	w.add(pack{}, 0)
	entries := byTotal(w.packs)
	s := &seeker{problem: q, packs: w.packs, first: a.rack(entries), keep: keep}
	if s.second = s.first; a != b {
		s.second = b.rack(entries)
	}
	return s
}

// byTotal are the packs by total, then pieces, then square, then rank. Counting bytes
// (least significant first, which keeps what was sorted before) takes a fifth of the time
// that comparing takes.
func byTotal(packs []pack) []entry {
	out, square := make([]entry, len(packs)), false
	for i := range packs {
		p := &packs[i]
		out[i] = entry{p.total, p.square, int32(p.n), int32(i)}
		square = square || p.square > 0
	}
	spare := make([]entry, len(out))
	out, spare = byBytes(out, spare, func(e *entry) uint64 { return uint64(e.n) })
	out, _ = byBytes(out, spare, func(e *entry) uint64 { return uint64(e.total) })
	for from, to := 0, 0; square && from < len(out); from = to {
		for to = from + 1; to < len(out) && out[to].total == out[from].total && out[to].n == out[from].n; to++ {
		}
		slices.SortStableFunc(out[from:to], func(a, b entry) int { return cmp.Compare(a.square, b.square) })
	}
	return out
}

// byBytes sorts by a key and returns what is sorted, and what is spare now.
func byBytes(in, spare []entry, key func(e *entry) uint64) (out, rest []entry) {
	var differ uint64
	for i := range in {
		differ |= key(&in[i]) ^ key(&in[0])
	}
	for shift := 0; differ>>shift > 0; shift += 8 {
		if differ>>shift&0xff == 0 {
			continue
		}
		var at [256]int
		for i := range in {
			at[key(&in[i])>>shift&0xff]++
		}
		sum := 0
		for i, n := range at {
			at[i], sum = sum, sum+n
		}
		for i := range in {
			digit := key(&in[i]) >> shift & 0xff
			spare[at[digit]] = in[i]
			at[digit]++
		}
		in, spare = spare, in
	}
	return in, spare
}

// run walks for each first bucket, nearest to half the wanted total first: there even
// combinations are found soonest.
func (s *seeker) run() {
	first, up := s.first.buckets, s.first.from(s.wanted()/2)
	down := up - 1
	for up < len(first) || down >= 0 {
		var a *bucket
		if down < 0 || up < len(first) && s.uneven(&first[up]) < s.uneven(&first[down]) {
			a = &first[up]
			up++
		} else {
			a = &first[down]
			down--
		}
		if s.hopeless(a) {
			return
		}
		s.walk(a)
	}
}

// uneven is how much the packs would differ if a were complemented to the wanted total.
func (s *seeker) uneven(a *bucket) length { return (2*a.total - s.wanted() - s.apart).abs() }

// hopeless says that a, and all less even ones, can give nothing that would be kept.
func (s *seeker) hopeless(a *bucket) bool {
	return s.even && s.full() && s.leastUneven(a, 0) > s.worst().uneven && s.worst().class == 0 && s.worst().steps == 0
}

// leastUneven is a lower bound for how much the packs differ if the end float is within
// steps grains of the aim.
func (s *seeker) leastUneven(a *bucket, steps length) length {
	return s.uneven(a) - (steps+1)*s.grain
}

func (s *seeker) full() bool    { return len(s.top) == s.keep }
func (s *seeker) worst() *found { return &s.top[len(s.top)-1] }

func (s *seeker) walk(a *bucket) {
	second, from := s.second.buckets, s.second.from(s.wanted()-a.total)
	for i := from; i < len(second); i++ {
		if !s.visit(a, &second[i], second[i].total >= a.total) {
			break
		}
	}
	for i := from - 1; i >= 0; i-- {
		if !s.visit(a, &second[i], second[i].total <= a.total) {
			break
		}
	}
}

// visit considers all pairs from two buckets and says whether going on may be of use.
// diverging: further on this walk the packs will differ more and more.
func (s *seeker) visit(a, b *bucket, diverging bool) bool {
	s.looked++
	k := s.keyOf(a, b)
	if s.full() {
		w := s.worst()
		if k.compare(w.key) > 0 {
			return !s.past(a, k, w, diverging)
		}
	}
	s.pair(a, b, k)
	return true
}

// past says that nothing beyond a pair with key k, worse than w, on its walk can be as
// good as w.
func (s *seeker) past(a *bucket, k key, w *found, diverging bool) bool {
	if k.class != w.class || k.steps != w.steps {
		return true
	}
	if !s.even {
		return k.off > w.off
	}
	return s.leastUneven(a, k.steps) > w.uneven || diverging && k.uneven > w.uneven
}

func (s *seeker) keyOf(a, b *bucket) key {
	total := a.total + b.total
	k := key{class: s.class(s.gap - total), off: (s.wanted() - total).abs(), pieces: a.n + b.n, minusFirst: -a.total}
	k.steps = k.off / s.grain
	if s.even {
		k.uneven = (a.total - b.total).abs()
	}
	return k
}

// class is 0 inside the window, 1 outside, 2 for an end float that must not be.
func (s *problem) class(float length) int {
	switch {
	case float <= 0 && s.least >= 0:
		return 2
	case float < s.least || float > s.most:
		return 1
	}
	return 0
}

// pair takes the pairs from two buckets in order of rank, as long as they are kept.
func (s *seeker) pair(a, b *bucket, k key) {
	for _, x := range s.first.of(a) {
		for _, y := range s.second.of(b) {
			if !s.inStock(&s.packs[x.rank], &s.packs[y.rank]) {
				continue
			}
			f := found{k, x.rank, y.rank}
			if s.full() && f.compare(*s.worst()) >= 0 {
				return
			}
			s.insert(f)
		}
	}
}

func (s *seeker) insert(f found) {
	i, _ := slices.BinarySearchFunc(s.top, f, found.compare)
	if s.full() {
		s.top = s.top[:s.keep-1]
	}
	s.top = slices.Insert(s.top, i, f)
}

// inStock says whether both packs can be taken from the stock together; each alone can.
func (s *seeker) inStock(a, b *pack) bool {
	if a.scarce&b.scarce == 0 {
		return true
	}
	for _, i := range a.pieces[:a.n] {
		if n := b.has(i); n > 0 && n+a.has(i) > s.sizes[i].count {
			return false
		}
	}
	return true
}

// fit writes a combination out.
func (s *seeker) fit(f found, sides []Side) Fit {
	totals := [maxSides]length{}
	fit := Fit{Packs: make([]Pack, len(sides)), Inside: f.class == 0}
	for i, rank := range []int32{f.first, f.second} {
		p := &s.packs[rank]
		totals[i] = p.total + s.sides[i].fitted
		if i < len(sides) {
			fit.Packs[i] = Pack{sides[i].Name, s.thicknesses(p), totals[i].decimal()}
		}
	}
	total := totals[0] + totals[1]
	fit.Total, fit.EndFloat, fit.CheckGap = total.decimal(), (s.gap - total).decimal(), (s.gap - totals[0]).decimal()
	return fit
}

func (s *seeker) thicknesses(p *pack) []decimal.Decimal {
	out := make([]decimal.Decimal, p.n)
	for i, piece := range p.pieces[:p.n] {
		out[i] = s.sizes[piece].thick.decimal()
	}
	return out
}
