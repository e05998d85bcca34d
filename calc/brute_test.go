package calc

import (
	"fmt"
	"slices"
	"sort"

	"github.com/shopspring/decimal"
)

// The plain search that BestFits is proved against: list the packs of each side by
// counting, pair all of them, drop what the stock does not hold, rank by the words at
// BestFits. It shares nothing with search.go: lengths are int64 nanometres (1e-6 mm),
// and every pair is compared with the best so far.

type brutePack struct {
	used   []int // by size, thickest first
	pieces []int64
	total  int64
}

type bruteFit struct {
	a, b *brutePack
	rank [6]int64 // less is better, member by member
}

func nanometres(d decimal.Decimal) int64 { return d.Shift(6).IntPart() }

func bruteForce(p ShimProblem, most int) (best []Fit, possible int64) {
	sizes, counts := bruteSizes(p.Stock)
	sides := p.Sides
	if len(sides) == 1 {
		sides = []Side{sides[0], {Name: "none"}}
	}
	first, second := brutePacks(sizes, counts, sides[0]), brutePacks(sizes, counts, sides[1])
	r := newBruteRules(p)
	var fits []bruteFit
	for i := range first {
		for j := range second {
			a, b := &first[i], &second[j]
			if !bruteInStock(a, b, counts) {
				continue
			}
			possible++
			if !bruteExact(a, sides[0]) || !bruteExact(b, sides[1]) {
				continue
			}
			f := bruteFit{a, b, r.rank(a, b)}
			at := sort.Search(len(fits), func(i int) bool { return bruteBetter(&f, &fits[i]) })
			if fits = slices.Insert(fits, at, f); len(fits) > most {
				fits = fits[:most]
			}
		}
	}
	for _, f := range fits {
		best = append(best, bruteWrite(p, f))
	}
	return best, possible
}

func bruteSizes(stock []Shim) (sizes []int64, counts []int) {
	merged := map[int64]int{}
	for _, s := range stock {
		merged[nanometres(s.Thickness)] += s.Count
	}
	for t := range merged {
		sizes = append(sizes, t)
	}
	sort.Slice(sizes, func(i, j int) bool { return sizes[i] > sizes[j] })
	for _, t := range sizes {
		counts = append(counts, merged[t])
	}
	return sizes, counts
}

func brutePacks(sizes []int64, counts []int, s Side) []brutePack {
	var out []brutePack
	used := make([]int, len(sizes))
	var next func(i, n int)
	next = func(i, n int) {
		if i < len(sizes) {
			for k := 0; k <= counts[i] && n+k <= s.Most; k++ {
				used[i] = k
				next(i+1, n+k)
			}
			used[i] = 0
			return
		}
		if n < s.Fewest {
			return
		}
		p := brutePack{used: append([]int(nil), used...), total: nanometres(s.Fitted)}
		for j, k := range used {
			for ; k > 0; k-- {
				p.pieces = append(p.pieces, sizes[j])
				p.total += sizes[j]
			}
		}
		out = append(out, p)
	}
	next(0, 0)
	return out
}

func bruteInStock(a, b *brutePack, counts []int) bool {
	for i, c := range counts {
		if a.used[i]+b.used[i] > c {
			return false
		}
	}
	return true
}

func bruteExact(p *brutePack, s Side) bool {
	return !s.Exactly.Valid || nanometres(s.Exactly.Decimal) == p.total
}

// bruteRules are the numbers of a problem that the ranking needs.
type bruteRules struct {
	gap, least, most, aim, grain int64
	even                         bool
}

func newBruteRules(p ShimProblem) bruteRules {
	return bruteRules{nanometres(p.Gap), nanometres(p.Window.Least), nanometres(p.Window.Most),
		nanometres(p.Window.Aim), nanometres(p.Grain), p.Even && len(p.Sides) == 2}
}

func (r bruteRules) rank(a, b *brutePack) [6]int64 {
	float := r.gap - a.total - b.total
	outcome := int64(1)
	if r.least <= float && float <= r.most {
		outcome = 0
	}
	if r.least >= 0 && float <= 0 {
		outcome = 2
	}
	off := max(float-r.aim, r.aim-float)
	uneven := int64(0)
	if r.even {
		uneven = max(a.total-b.total, b.total-a.total)
	}
	return [6]int64{outcome, off / r.grain, uneven, off, int64(len(a.pieces) + len(b.pieces)), -a.total}
}

func bruteBetter(x, y *bruteFit) bool {
	for i := range x.rank {
		if x.rank[i] != y.rank[i] {
			return x.rank[i] < y.rank[i]
		}
	}
	if c := bruteThicker(x.a.pieces, y.a.pieces); c != 0 {
		return c > 0
	}
	return bruteThicker(x.b.pieces, y.b.pieces) > 0
}

func bruteThicker(x, y []int64) int {
	for i := 0; i < len(x) || i < len(y); i++ {
		var a, b int64
		if i < len(x) {
			a = x[i]
		}
		if i < len(y) {
			b = y[i]
		}
		if a != b {
			if a > b {
				return 1
			}
			return -1
		}
	}
	return 0
}

func bruteWrite(p ShimProblem, f bruteFit) Fit {
	mm := func(v int64) decimal.Decimal { return decimal.New(v, -6) }
	gap := nanometres(p.Gap)
	fit := Fit{
		Total: mm(f.a.total + f.b.total), EndFloat: mm(gap - f.a.total - f.b.total),
		CheckGap: mm(gap - f.a.total), Inside: f.rank[0] == 0,
	}
	for i, pack := range []*brutePack{f.a, f.b}[:len(p.Sides)] {
		out := Pack{Side: p.Sides[i].Name, Total: mm(pack.total)}
		for _, t := range pack.pieces {
			out.Pieces = append(out.Pieces, mm(t))
		}
		fit.Packs = append(fit.Packs, out)
	}
	return fit
}

// written puts fits into words, so that a difference can be read.
func written(fits []Fit) []string {
	out := []string{}
	for _, f := range fits {
		text := ""
		for _, p := range f.Packs {
			text += fmt.Sprintf("%s %v = %s, ", p.Side, p.Pieces, p.Total)
		}
		out = append(out, fmt.Sprintf("%stotal %s float %s check %s inside %t", text, f.Total, f.EndFloat, f.CheckGap, f.Inside))
	}
	return out
}
