package calc

import (
	"cmp"
	"math"
	"slices"
)

// standing is what probability is compared within, outcome and class as one number, the
// less the better, and the probability inside.
type standing struct {
	group  int
	inside float64
}

const (
	percents = 101 // steps of probability
	classes  = 3
	groups   = (int(ShownOutside) + 1) * classes
)

// compare puts the better first.
func (s standing) compare(o standing) int {
	return cmp.Or(cmp.Compare(s.group, o.group), cmp.Compare(o.inside, s.inside))
}

// grade counts whole percents down from the greatest probability of the group. Where
// none of the group was found, or hope goes beyond it, it is the group's best.
func (l *likelySeeker) grade(s standing) int {
	return s.group*percents + max(0, int(100*(l.peaks[s.group]-s.inside)+wholeSlack))
}

// standing of a total whose pieces' uncertainties have the sum of squares given.
func (l *likelySeeker) standing(total length, square float64) standing {
	k := standingKey{total, square}
	s, ok := l.known[k]
	if !ok {
		b := l.belief.wider(square)
		low, high := l.distances(total)
		s = l.stands(total, b, b.inside(low, high), b.unstated)
		l.known[k] = s
	}
	return s
}

type standingKey struct {
	total  length
	square float64
}

func (l *likelySeeker) stands(total length, b belief, inside float64, unstated bool) standing {
	low, high := l.distances(total)
	o := l.rule.outcome(low, high, l.guard*b.u, inside, unstated)
	return standing{int(o)*classes + l.problem.class(l.gap-total), inside}
}

func (l *likelySeeker) distances(total length) (low, high float64) {
	f := l.gap - total
	return (f - l.problem.least).mm(), (l.problem.most - f).mm()
}

// hope is a standing that no combination of the total can beat.
func (l *likelySeeker) hope(total length) standing {
	if l.least.u == l.most.u {
		return l.standing(total, l.floor)
	}
	k := standingKey{total, -1} // no sum of squares
	s, ok := l.known[k]
	if !ok {
		low, high := l.distances(total)
		if nearer := min(low, high); nearer < 0 {
			s = l.stands(total, l.most, l.most.below(nearer), true)
		} else {
			s = l.stands(total, l.least, l.least.inside(low, high), l.least.unstated)
		}
		l.known[k] = s
	}
	return s
}

// placed is a combination by where it stands.
type placed struct {
	at     standing
	square float64
	found  likelyFound
}

// climber finds as many combinations as are wanted that stand best, what is compared
// later left out. Among them is, of each group that the answer has any of, the one of the
// greatest probability: the answer has as many of each group.
//
// For each bucket of the first side, by rising total (but the thickest at the start, for a
// gap out of reach), the second side's buckets are taken
// outwards from the middle of the window, as long as they may be of use. hope(T) never
// gets better away from the middle. So where a total cannot beat the worst that is kept,
// none further out can; where it can, all nearer totals can.
type climber struct {
	*likelySeeker
	top      []placed
	useful   span // totals that may still be of use
	hopefuls span // those that are known to be, as long as the worst stays
}

func (c *climber) run() {
	mid, first := c.middle(), c.first.buckets
	if len(first) == 0 {
		return
	}
	c.useful, c.hopefuls = span{math.MinInt64, math.MaxInt64}, span{mid + 1, mid - 1}
	last := len(first) - 1
	c.outwards(&first[last], len(c.second.buckets))
	from := len(c.second.buckets)
	for i := range first[:last] {
		from = c.outwards(&first[i], from)
	}
}

// outwards takes the second side's buckets for one of the first. The middle is hit at from
// or before; where it is, is returned.
func (c *climber) outwards(a *bucket, from int) int {
	mid, second := c.middle(), c.second.buckets
	for from > 0 && a.total+second[from-1].total >= mid {
		from--
	}
	for j := from; j < len(second) && a.total+second[j].total <= c.useful.to; j++ {
		c.visit(a, &second[j])
	}
	for j := from - 1; j >= 0 && a.total+second[j].total >= c.useful.from; j-- {
		c.visit(a, &second[j])
	}
	return from
}

func (c *climber) full() bool { return len(c.top) == c.keep }

// beats says that a combination of the standing would be kept.
func (c *climber) beats(s standing) bool {
	return !c.full() || s.compare(c.top[c.keep-1].at) < 0
}

func (c *climber) visit(a, b *bucket) {
	c.looked++
	total, square := a.total+b.total, a.square+b.square
	if !c.dominated(total, square) {
		if s := c.standing(total, square); c.beats(s) {
			c.pairs(a, b, s)
			return
		}
	}
	if !c.hopefuls.has(total) {
		c.learn(total)
	}
}

// dominated says without working anything out that the worst is as good: in the window
// what is nearer to a limit and less certain is never better.
func (c *climber) dominated(total length, square float64) bool {
	if !c.full() {
		return false
	}
	w, nearer := &c.top[c.keep-1], c.nearer(total)
	return nearer >= 0 && nearer <= c.nearer(w.found.total) && square >= w.square
}

// nearer is the distance of the end float from the nearer limit, below 0 outside.
func (c *climber) nearer(total length) length {
	f := c.gap - total
	return min(f-c.problem.least, c.problem.most-f)
}

// learn finds whether a total can be of use, and thereby all further in or further out.
func (c *climber) learn(total length) {
	upper := total >= c.middle()
	switch useful := c.beats(c.hope(total)); {
	case useful && upper:
		c.hopefuls.to = total
	case useful:
		c.hopefuls.from = total
	case upper:
		c.useful.to = min(c.useful.to, total-1)
	default:
		c.useful.from = max(c.useful.from, total+1)
	}
}

func (c *climber) pairs(a, b *bucket, s standing) {
	f := c.keysOf(a, b)
	for _, x := range c.first.of(a) {
		for _, y := range c.second.of(b) {
			if !c.beats(s) {
				return
			}
			if !c.inStock(&c.packs[x.rank], &c.packs[y.rank]) {
				continue
			}
			f.first, f.second = x.rank, y.rank
			i, _ := slices.BinarySearchFunc(c.top, s, func(p placed, s standing) int { return p.at.compare(s) })
			if c.full() {
				c.top = c.top[:c.keep-1]
			}
			c.top = slices.Insert(c.top, i, placed{s, a.square + b.square, f})
			c.hopefuls = span{c.middle() + 1, c.middle() - 1}
		}
	}
}

// climb finds the greatest probability of each group and begins with what stands best.
func (l *likelySeeker) climb() {
	c := climber{likelySeeker: l}
	c.run()
	for i := len(c.top) - 1; i >= 0; i-- {
		l.peaks[c.top[i].at.group] = c.top[i].at.inside
	}
	for _, p := range c.top {
		p.found.grade = l.grade(p.at)
		l.best = append(l.best, p.found)
	}
	slices.SortFunc(l.best, likelyFound.compare)
}
