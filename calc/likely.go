package calc

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/shopspring/decimal"
)

// LikelyProblem is a ShimProblem with what is known of its numbers. Gap is the
// estimate that the problem's gap comes from, and must have its value. ShimU has the
// standard uncertainty in mm of each thickness in Stock, or is empty: each piece counts
// by itself, independent of the others and normal. Rule decides. If Even, Apart is by how
// much the first side's pack should be thicker than the second's, in mm: 0, or what
// centres the rod on the cylinder's axis. Grain is not looked at but must be above 0.
type LikelyProblem struct {
	ShimProblem
	Estimate Estimate
	ShimU    []float64
	Rule     Rule
	Apart    decimal.Decimal
}

// LikelyFit is a fit with the standard uncertainty of its end float in mm and what the
// decision rule says of it.
type LikelyFit struct {
	Fit
	U          float64
	Conformity Conformity
}

// LikelyFits is the answer; Possible and Wanted are as in Fits. AtBest is the conformity
// of an end float in the middle of the window, known as well as the gap is, shims left
// out. Limits says what keeps the best fit from being shown inside, "stock",
// "measurement" or both; with "stock" alone, a pack whose total is thicker by Change
// (below 0: thinner) than that of the best fit would hit the aim.
type LikelyFits struct {
	Best     []LikelyFit
	Possible int64
	Wanted   decimal.Decimal
	AtBest   Conformity
	Limits   []string
	Change   decimal.Decimal
}

// What limits an advice.
const (
	LimitStock       = "stock"
	LimitMeasurement = "measurement"
	LimitUnstated    = "unstated input"
)

// LikelyFits returns the best ways to fit shims under uncertainty, best first, at most
// most (1 to 1000) of them. Of all combinations that the stock allows, better is, in this
// order:
//
//  1. shown inside, then not shown, then shown outside, as Conform says of the end float
//     with u² = u(gap)² + Σu(shim)² and the degrees of freedom of the gap;
//  2. the end float inside the window; then outside but above 0; then 0 or less. Where
//     the window itself reaches below 0 the sign does not matter;
//  3. the greater probability inside, in whole steps of 1 % counted down from the
//     greatest that any combination alike in 1 and 2 has: those that fall short of it by
//     less than 1 % are alike, then those by less than 2 %, and so on;
//  4. inside the window, if Even and there are two sides: packs whose difference is nearer
//     to Apart;
//  5. nearer to the aim;
//  6. outside the window, if Even: as 4, for what does not fit need not sit well first;
//  7. fewer pieces;
//  8. the last order of BestFits; of two pieces of one thickness the better known first.
//
// Whatever is inside the window thus ranks above whatever is not: what is shown inside
// lies inside, and what is shown outside lies outside. The search is exact, see
// likelySeeker. The error is a *FieldError: as for BestFits and Conform, or an estimate
// of another gap, or a ShimU that does not match the stock.
func (m *Method) LikelyFits(p LikelyProblem, most int) (LikelyFits, error) {
	if most < 1 || most > maxFits {
		return LikelyFits{}, refuse("most", "is %d; ask for 1 to %d fits", most, maxFits)
	}
	q, b, err := p.likely()
	if err != nil {
		return LikelyFits{}, err
	}
	out := LikelyFits{Possible: possible(q.sizes, q.sides), Wanted: q.wanted().decimal()}
	guard := p.Rule.guardPerU(b.nu)
	out.AtBest = p.Rule.decide(q.least+(q.most-q.least)/2, q.least, q.most, b, guard)
	if out.Possible > 0 {
		s := newLikelySeeker(newSeeker(q, int(min(int64(most), out.Possible))), b, p.Rule, guard)
		s.run()
		for _, f := range s.best {
			fit := LikelyFit{Fit: s.fit(found{key{class: f.class()}, f.first, f.second}, p.Sides)}
			wider := b.wider(s.packs[f.first].square + s.packs[f.second].square)
			fit.U, fit.Conformity = wider.u, p.Rule.decide(q.gap-f.total, q.least, q.most, wider, guard)
			out.Best = append(out.Best, fit)
		}
	}
	out.limits(q, b.unstated)
	return out, nil
}

func (p *LikelyProblem) likely() (*problem, belief, error) {
	if err := p.Rule.check(); err != nil {
		return nil, belief{}, err
	}
	v, b, err := p.Estimate.check("estimate")
	if err != nil {
		return nil, belief{}, err
	}
	squares, err := p.squares()
	if err != nil {
		return nil, belief{}, err
	}
	q, err := p.ShimProblem.check(squares)
	if err != nil {
		return nil, belief{}, err
	}
	if v != q.gap {
		return nil, belief{}, refuse("estimate.value", "is %s mm, but the gap is %s mm; give the gap's own estimate", p.Estimate.Value, p.Gap)
	}
	return q, b, number{"apart", p.Apart, &q.apart, anything, ""}.check()
}

func (p *LikelyProblem) squares() ([]float64, error) {
	if len(p.ShimU) > 0 && len(p.ShimU) != len(p.Stock) {
		return nil, refuse("shimu", "has %d entries for %d lines of stock; give one for each, or none", len(p.ShimU), len(p.Stock))
	}
	squares := make([]float64, len(p.ShimU))
	for i, u := range p.ShimU {
		if err := atLeast(fmt.Sprintf("shimu[%d]", i), u, 0); err != nil {
			return nil, err
		}
		squares[i] = u * u
	}
	return squares, nil
}

func (o *LikelyFits) limits(q *problem, unstated bool) {
	if len(o.Best) > 0 && o.Best[0].Conformity.Outcome == ShownInside {
		return
	}
	if len(o.Best) > 0 {
		o.Change = o.Best[0].EndFloat.Sub(q.aim.decimal())
	}
	if unstated {
		o.Limits = []string{LimitUnstated}
		return
	}
	measurable := o.AtBest.Outcome == ShownInside
	if measurable || len(o.Best) == 0 || !o.Best[0].Inside {
		o.Limits = append(o.Limits, LimitStock)
	}
	if !measurable {
		o.Limits = append(o.Limits, LimitMeasurement)
	}
}

// likelyFound is a combination. grade ranks outcome, class and probability; less is
// better.
type likelyFound struct {
	grade         int
	uneven, off   length
	unevenOutside length // instead of uneven, if the end float is outside the window
	pieces        int
	minusFirst    length
	first, second int32
	total         length
}

func (f *likelyFound) class() int { return f.grade / percents % classes }

func (f *likelyFound) compareKeys(o *likelyFound) int {
	return cmp.Or(cmp.Compare(f.grade, o.grade), cmp.Compare(f.uneven, o.uneven), cmp.Compare(f.off, o.off),
		cmp.Compare(f.unevenOutside, o.unevenOutside), cmp.Compare(f.pieces, o.pieces), cmp.Compare(f.minusFirst, o.minusFirst))
}

func (f likelyFound) compare(o likelyFound) int {
	return cmp.Or(f.compareKeys(&o), cmp.Compare(f.first, o.first), cmp.Compare(f.second, o.second))
}

// span is a run of totals.
type span struct{ from, to length }

func (s span) has(t length) bool { return s.from <= t && t <= s.to }

func (s span) empty() bool { return s.from > s.to }

// likelySeeker finds the best combinations under uncertainty without looking at all.
//
// hope(T) is a standing that no combination of total T can beat, whatever its pieces'
// uncertainties: the error is symmetric with one peak, so inside the window the best that
// can be is the least uncertainty there is; outside, at a distance δ from the nearer
// limit, no more than P(error > δ) under the greatest uncertainty. Going away from the
// middle of the window it never gets better. So the totals that can reach a given grade
// are one span around the middle, and its two ends can be found by bisection.
//
// It begins with as many combinations as are wanted, see climber, and with the grade of
// the worst of them, which is that of the worst of the answer. Only totals are of use that
// can reach it; and of those that can only equal it, only such as can be better in what
// comes next: in the window the evenness of the packs, whose difference is known to be at
// least that of the first pack's complement less the reach of the span; else the nearness
// to the aim. Everything else is passed over, and no pair passed over can be among the
// best, which is also proved in the tests against trying everything.
type likelySeeker struct {
	*seeker
	rule        Rule
	belief      belief
	least, most belief  // with the least and the greatest uncertainty of any packs
	guard       float64 // in multiples of u
	floor       float64 // least sum of squares
	best        []likelyFound
	equal       span            // totals that may reach the grade of the worst of best
	better      span            // totals that may beat it
	peaks       [groups]float64 // the greatest probability of each group
	known       map[standingKey]standing
}

func newLikelySeeker(s *seeker, b belief, r Rule, guard float64) *likelySeeker {
	l := &likelySeeker{seeker: s, rule: r, belief: b, guard: guard, known: make(map[standingKey]standing)}
	fewest, most := s.first.squares()
	second, third := s.second.squares()
	l.floor = fewest + second
	l.least, l.most = b.wider(l.floor), b.wider(most+third)
	return l
}

// squares are the least and the greatest of a rack.
func (r *rack) squares() (least, most float64) {
	for i, b := range r.buckets {
		if i == 0 || b.square < least {
			least = b.square
		}
		most = max(most, b.square)
	}
	return least, most
}

// middle is the total that leaves the middle of the window.
func (l *likelySeeker) middle() length {
	return l.gap - l.problem.least - (l.problem.most-l.problem.least)/2
}

// hopeful is the grade that no combination of the total can beat.
func (l *likelySeeker) hopeful(total length) int { return l.grade(l.hope(total)) }

// reaching is the span of totals whose hopeful grade is g or better.
func (l *likelySeeker) reaching(g int) span {
	mid := l.middle()
	if l.hopeful(mid) > g {
		return span{mid, mid - 1}
	}
	return span{mid - l.reach(g, mid, -1), mid + l.reach(g, mid, 1)}
}

// reach bisects for the greatest distance from mid, in one direction, at which g is
// still within hope. No total is further than widest away.
func (l *likelySeeker) reach(g int, mid, direction length) length {
	widest := max((l.first.last() + l.second.last() - mid).abs(), (l.first.buckets[0].total + l.second.buckets[0].total - mid).abs())
	if l.hopeful(mid+direction*widest) <= g {
		return widest
	}
	low, high := length(0), widest
	for high-low > 1 {
		if m := (low + high) / 2; l.hopeful(mid+direction*m) <= g {
			low = m
		} else {
			high = m
		}
	}
	return low
}

func (r *rack) last() length { return r.buckets[len(r.buckets)-1].total }

func (l *likelySeeker) run() {
	l.climb()
	if len(l.best) < l.keep { // these are all there are
		return
	}
	worst := l.best[l.keep-1].grade // it stays: none stands better than those that climb found
	l.equal, l.better = l.reaching(worst), l.reaching(worst-1)
	first, up := l.first.buckets, l.first.from((l.wanted()+l.apart)/2)
	down := up - 1
	for up < len(first) || down >= 0 {
		var a *bucket
		if down < 0 || up < len(first) && l.uneven(&first[up]) < l.uneven(&first[down]) {
			a = &first[up]
			up++
		} else {
			a = &first[down]
			down--
		}
		if l.done(a) {
			return
		}
		l.walk(a)
	}
}

// done says that a, and all less even ones, can give nothing that would be kept.
func (l *likelySeeker) done(a *bucket) bool {
	return l.even && l.better.empty() && l.best[l.keep-1].class() == 0 && l.unevenAtLeast(a) > l.best[l.keep-1].uneven
}

// unevenAtLeast is a lower bound for how much packs differ that equal the worst grade.
func (l *likelySeeker) unevenAtLeast(a *bucket) length {
	w := l.wanted()
	return l.uneven(a) - max((l.equal.from-w).abs(), (l.equal.to-w).abs())
}

// walk takes the second side's buckets whose totals with a are of use: first all that may
// beat the worst grade, then, on either side of these, outwards from where the aim is as
// near as can be, as long as what can only equal it may still be better in what comes next.
func (l *likelySeeker) walk(a *bucket) {
	if l.better.empty() {
		l.rim(a, l.equal)
		return
	}
	second := l.second.buckets
	for i := l.second.from(l.better.from - a.total); i < len(second) && a.total+second[i].total <= l.better.to; i++ {
		l.visit(a, &second[i])
	}
	l.rim(a, span{l.equal.from, l.better.from - 1})
	l.rim(a, span{l.better.to + 1, l.equal.to})
}

// rim takes buckets of totals that can only equal the worst grade.
func (l *likelySeeker) rim(a *bucket, s span) {
	second := l.second.buckets
	nearest := min(max(l.wanted(), s.from), s.to)
	from := l.second.from(nearest - a.total)
	for i := from; i < len(second) && a.total+second[i].total <= s.to; i++ {
		if !l.equals(a, &second[i], 1) {
			break
		}
	}
	for i := from - 1; i >= 0 && a.total+second[i].total >= s.from; i-- {
		if !l.equals(a, &second[i], -1) {
			break
		}
	}
}

// from is the index of the first bucket of a total or more.
func (r *rack) from(total length) int {
	i, _ := slices.BinarySearchFunc(r.buckets, total, func(b bucket, t length) int { return cmp.Compare(b.total, t) })
	return i
}

// equals visits two buckets unless they are worse in what is compared after the grade, and
// then says whether going on, to greater totals or to less, may be of use.
func (l *likelySeeker) equals(a, b *bucket, direction length) bool {
	l.looked++
	f, w := l.keysOf(a, b), &l.best[l.keep-1]
	if f.grade = w.grade; f.compareKeys(w) > 0 {
		return !l.past(a, b, &f, w, direction)
	}
	l.visit(a, b)
	return true
}

// visit considers all pairs from two buckets.
func (l *likelySeeker) visit(a, b *bucket) {
	l.looked++
	f := l.keysOf(a, b)
	if f.grade = l.grade(l.standing(f.total, a.square+b.square)); f.compareKeys(&l.best[l.keep-1]) <= 0 {
		l.pairs(a, b, f)
	}
}

// keysOf is what all pairs from two buckets have in common, but for the grade.
func (l *likelySeeker) keysOf(a, b *bucket) likelyFound {
	total := a.total + b.total
	f := likelyFound{off: (l.wanted() - total).abs(), pieces: a.n + b.n, minusFirst: -a.total, total: total}
	if l.even {
		uneven := (a.total - b.total - l.apart).abs()
		if l.problem.class(l.gap-total) == 0 {
			f.uneven = uneven
		} else {
			f.unevenOutside = uneven
		}
	}
	return f
}

// past says that on a walk where the worst grade can only be equalled, all that comes is
// worse in what is compared next.
func (l *likelySeeker) past(a, b *bucket, f, w *likelyFound, direction length) bool {
	if !l.even || w.class() > 0 {
		return f.off > w.off
	}
	diverging := (b.total-a.total+l.apart)*direction >= 0
	return diverging && f.uneven > w.uneven || l.unevenAtLeast(a) > w.uneven
}

// pairs takes the pairs from two buckets in order of rank, as long as they are kept.
func (l *likelySeeker) pairs(a, b *bucket, f likelyFound) {
	for _, x := range l.first.of(a) {
		for _, y := range l.second.of(b) {
			if !l.inStock(&l.packs[x.rank], &l.packs[y.rank]) {
				continue
			}
			f.first, f.second = x.rank, y.rank
			if f.compare(l.best[l.keep-1]) >= 0 {
				return
			}
			l.keepFound(f)
		}
	}
}

func (l *likelySeeker) keepFound(f likelyFound) {
	i, known := slices.BinarySearchFunc(l.best, f, likelyFound.compare)
	if known {
		return // it was there to begin with
	}
	l.best = slices.Insert(l.best[:l.keep-1], i, f)
}
