package calc

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
)

// manyAlike is a random problem in which many combinations are within 1 % of the greatest
// probability, so that what is compared after it decides: sizes close to each other, sides
// that differ, the aim off centre, packs to be apart.
func manyAlike(random *rand.Rand) LikelyProblem {
	sides := []Side{
		{Name: "left", Most: 1 + random.IntN(2), Fewest: random.IntN(2), Fitted: decimal.New(random.Int64N(2)*random.Int64N(100), -3)},
		{Name: "right", Most: 1 + random.IntN(2), Fewest: random.IntN(2)},
	}[:1+min(1, random.IntN(5))]
	base, step := 100+random.Int64N(100), 1+random.Int64N(8)
	var stock []Shim
	var us []float64
	for range 2 + random.IntN(7) {
		stock = append(stock, Shim{decimal.New(base+step*random.Int64N(9), -3), 1 + random.IntN(2)})
		us = append(us, 0.002*float64(random.IntN(3)))
	}
	pieces := int64(1 + random.IntN(2*len(sides)))
	gap := decimal.New(pieces*(base+4*step)+100+random.Int64N(60)-30, -3)
	p := likely(gap.String(), []float64{0.003, 0.02, 0.04, 0.1}[random.IntN(4)], []float64{certain, 3}[random.IntN(2)], stock, sides, random.IntN(3) > 0)
	if random.IntN(2) == 0 {
		p.ShimU = us
	}
	p.Window = Window{d("0.05"), d("0.15"), decimal.New(50+10*random.Int64N(11), -3)}
	p.Apart = decimal.New((random.Int64N(3)-1)*random.Int64N(60), -3)
	return p
}

// The answer is that of trying all, and each span of totals holds all that it must and no
// more: see checkSpans.
func TestLikelyFitsAmongManyAlike(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 12))
	for i := range *oracleSets / 4 {
		p, most := manyAlike(random), 1+random.IntN(4)
		require.Equal(t, bruteLikely(p, most), likelyWritten(likelyFits(t, p, most).Best), "problem %d: %+v", i, p)
		checkSeeker(t, &p, most)
	}
}

// So is that of BestFits, whatever the grain.
func TestBestFitsAmongManyAlike(t *testing.T) {
	random := rand.New(rand.NewPCG(13, 14))
	for i := range *oracleSets / 2 {
		p, most := manyAlike(random).ShimProblem, 1+random.IntN(4)
		p.Grain = decimal.New(1+random.Int64N(40), -3)
		if random.IntN(4) == 0 {
			p.Gap = p.Gap.Sub(d("0.1")) // and with end floats about 0
		}
		want, possible := bruteForce(p, most)
		got, err := method.BestFits(p, most)
		require.NoError(t, err)
		require.Equal(t, possible, got.Possible)
		require.Equal(t, written(want), written(got.Best), "problem %d: %+v", i, p)
	}
}

// Of two that differ in nothing but their pieces the one with the thicker first is the
// better, also if it is looked at later for having more of them.
func TestThickerFirstOfEquals(t *testing.T) {
	p := ShimProblem{Gap: d("0.7"), Stock: shims("0.25", 1, "0.2", 1, "0.1", 1, "0.03", 1, "0.02", 1), Window: usual, Grain: d("0.01"), Even: true, Sides: twoUpTo(3)}
	want, _ := bruteForce(p, 1)
	got, err := method.BestFits(p, 1)
	require.NoError(t, err)
	require.Equal(t, written(want), written(got.Best))
	require.Equal(t, "0.25", got.Best[0].Packs[0].Pieces[0].String())
}

// Six pieces a side are as many as may be.
func TestSixPiecesASide(t *testing.T) {
	for _, fewest := range []int{0, 6} {
		p := ShimProblem{Gap: d("1.3"), Stock: shims("0.1", 20, "0.05", 1), Window: usual, Grain: d("0.01"), Even: true, Sides: twoUpTo(6)}
		p.Sides[0].Fewest, p.Sides[1].Fewest = fewest, fewest
		want, possible := bruteForce(p, 3)
		got, err := method.BestFits(p, 3)
		require.NoError(t, err)
		require.Equal(t, possible, got.Possible)
		require.Equal(t, written(want), written(got.Best))
	}
}

// A rack has each entry in one bucket, and no two buckets after one another are alike.
func TestRackBuckets(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 9))
	for range 200 {
		entries := make([]entry, random.IntN(30))
		for i := range entries {
			entries[i] = entry{total: length(random.IntN(3)), square: float64(random.IntN(2)), n: int32(random.IntN(2)), rank: int32(i)}
		}
		slices.SortFunc(entries, func(a, b entry) int {
			return cmp.Or(cmp.Compare(a.total, b.total), cmp.Compare(a.n, b.n), cmp.Compare(a.square, b.square))
		})
		r := side{most: 6, exactly: -1}.rack(entries)
		at := 0
		for i, b := range r.buckets {
			require.Equal(t, at, b.from)
			require.Greater(t, b.to, b.from)
			for _, e := range r.of(&b) {
				require.Equal(t, [3]float64{float64(b.total), b.square, float64(b.n)}, [3]float64{float64(e.total), e.square, float64(e.n)})
			}
			if i > 0 {
				before := r.buckets[i-1]
				require.NotEqual(t, [3]float64{float64(before.total), before.square, float64(before.n)}, [3]float64{float64(b.total), b.square, float64(b.n)})
			}
			at = b.to
		}
		require.Equal(t, len(entries), at)
	}
}

// checkSeeker looks at what the search rests on. Nothing stands better than hoped for,
// hope fades away from the middle, and the totals within hope of a grade are those, to the
// picometre, at which it is still within hope.
func checkSeeker(t *testing.T, p *LikelyProblem, most int) {
	t.Helper()
	q, b, err := p.likely()
	require.NoError(t, err)
	if possible(q.sizes, q.sides) < int64(most) {
		return
	}
	l := newLikelySeeker(newSeeker(q, most), b, p.Rule, p.Rule.guardPerU(b.nu))
	l.run()
	least, greatest, widest := math.Inf(1), 0.0, length(0)
	var all []standing
	for i := range l.first.buckets {
		for j := range l.second.buckets {
			x, y := &l.first.buckets[i], &l.second.buckets[j]
			total := x.total + y.total
			least, greatest = min(least, x.square+y.square), max(greatest, x.square+y.square)
			widest = max(widest, (total - l.middle()).abs())
			s := l.standing(total, x.square+y.square)
			for range l.couples(x, y) {
				all = append(all, s)
			}
			o := p.Rule.decide(l.gap-total, l.problem.least, l.problem.most, b.wider(x.square+y.square), l.guard).Outcome
			require.Equal(t, int(o)*classes+l.problem.class(l.gap-total), s.group)
			hope := l.hope(total)
			require.LessOrEqual(t, hope.group, s.group)
			require.True(t, hope.group < s.group || hope.inside > s.inside-1e-12, "%+v %+v", hope, s)
			if l.peaks[s.group] > 0 && l.grade(s) < l.best[most-1].grade {
				require.True(t, l.better.has(total))
			}
		}
	}
	slices.SortFunc(all, standing.compare)
	c := climber{likelySeeker: l}
	c.run()
	require.Len(t, c.top, most)
	for i, x := range c.top {
		require.Equal(t, all[i].group, x.at.group)
		require.InDelta(t, all[i].inside, x.at.inside, 1e-12)
		require.Equal(t, l.packs[x.found.first].square+l.packs[x.found.second].square, x.square)
	}
	require.InDelta(t, least, l.floor, 1e-18)
	require.InDelta(t, math.Sqrt(b.u*b.u+least), l.least.u, 1e-15)
	require.InDelta(t, math.Sqrt(b.u*b.u+greatest), l.most.u, 1e-15)
	worst := l.best[most-1].grade
	for g, s := range map[int]span{worst: l.equal, worst - 1: l.better} {
		if s.empty() {
			require.Greater(t, l.hopeful(l.middle()), g)
			continue
		}
		require.True(t, s.has(l.middle()))
		for _, end := range []struct{ at, beyond length }{{s.from, s.from - 1}, {s.to, s.to + 1}} {
			require.LessOrEqual(t, l.hopeful(end.at), g)
			if (end.beyond - l.middle()).abs() <= widest {
				require.Greater(t, l.hopeful(end.beyond), g)
			} else {
				require.Equal(t, widest, (end.at - l.middle()).abs())
			}
		}
	}
	require.False(t, l.equal.empty())
	if !l.better.empty() {
		require.True(t, l.equal.has(l.better.from) && l.equal.has(l.better.to))
	}
}

// couples counts the pairs that the stock holds.
func (l *likelySeeker) couples(a, b *bucket) int {
	n := 0
	for _, x := range l.first.of(a) {
		for _, y := range l.second.of(b) {
			if l.inStock(&l.packs[x.rank], &l.packs[y.rank]) {
				n++
			}
		}
	}
	return n
}

// A grade is made of outcome, class and whole percents, and tells the class.
func TestClassOfAGrade(t *testing.T) {
	l := likelySeeker{}
	for group := int(ShownInside) * classes; group < groups; group++ {
		for _, inside := range []float64{0, 0.5, 1} {
			l.peaks[group] = 1
			f := likelyFound{grade: l.grade(standing{group, inside})}
			require.Equal(t, group%classes, f.class())
			require.Equal(t, group*percents+int(100*(1-inside)), f.grade)
		}
		for percent := range percents { // whatever rounding makes of it
			require.Equal(t, group*percents+percent, l.grade(standing{group, 1 - float64(percent)/100}))
		}
	}
}

func TestSpan(t *testing.T) {
	for _, c := range []struct {
		span  span
		at    length
		has   bool
		empty bool
	}{
		{span{2, 4}, 1, false, false}, {span{2, 4}, 2, true, false}, {span{2, 4}, 4, true, false}, {span{2, 4}, 5, false, false},
		{span{3, 3}, 3, true, false}, {span{3, 2}, 3, false, true}, {span{3, 2}, 2, false, true},
	} {
		require.Equal(t, c.has, c.span.has(c.at), "%v", c)
		require.Equal(t, c.empty, c.span.empty(), "%v", c)
	}
}
