package calc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// bruteLikely tries everything, then counts steps down from the greatest probability of
// each outcome and class, and ranks by the words at LikelyFits, with probabilities straight
// from Student's t or the normal distribution.
func bruteLikely(p LikelyProblem, most int) []string {
	sizes, counts, us := bruteKnown(p)
	sides := p.Sides
	if len(sides) == 1 {
		sides = []Side{sides[0], {Name: "none"}}
	}
	first, second := brutePacks(sizes, counts, sides[0]), brutePacks(sizes, counts, sides[1])
	type ranked struct {
		a, b   *brutePack
		rank   [8]int64
		inside float64
		text   string
	}
	var all []ranked
	greatest := map[[2]int64]float64{} // probability by outcome and class
	for i := range first {
		for j := range second {
			a, b := &first[i], &second[j]
			if !bruteInStock(a, b, counts) || !bruteExact(a, sides[0]) || !bruteExact(b, sides[1]) {
				continue
			}
			rank, inside, text := bruteGrade(p, a, b, us)
			all = append(all, ranked{a, b, rank, inside, text})
			if group := [2]int64{rank[0], rank[1]}; inside > greatest[group] {
				greatest[group] = inside
			}
		}
	}
	for i := range all {
		x := &all[i]
		x.rank[2] = int64((greatest[[2]int64{x.rank[0], x.rank[1]}]-x.inside)*100 + 1e-9)
	}
	sort.SliceStable(all, func(i, j int) bool {
		x, y := all[i], all[j]
		if c := slices.Compare(x.rank[:], y.rank[:]); c != 0 {
			return c < 0
		}
		for _, pair := range [][2]*brutePack{{x.a, y.a}, {x.b, y.b}} {
			if c := bruteThicker(pair[0].pieces, pair[1].pieces); c != 0 {
				return c > 0
			}
			if c := slices.Compare(pair[1].used, pair[0].used); c != 0 { // the better known first
				return c < 0
			}
		}
		return false
	})
	var out []string
	for i := range min(most, len(all)) {
		out = append(out, all[i].text)
	}
	return out
}

// bruteKnown merges the stock by thickness and uncertainty, thickest and best known first.
func bruteKnown(p LikelyProblem) (sizes []int64, counts []int, us []float64) {
	type line struct {
		thick int64
		u     float64
	}
	merged := map[line]int{}
	for i, s := range p.Stock {
		l := line{thick: nanometres(s.Thickness)}
		if len(p.ShimU) > 0 {
			l.u = p.ShimU[i]
		}
		merged[l] += s.Count
	}
	var lines []line
	for l := range merged {
		lines = append(lines, l)
	}
	sort.Slice(lines, func(i, j int) bool {
		return lines[i].thick > lines[j].thick || lines[i].thick == lines[j].thick && lines[i].u < lines[j].u
	})
	for _, l := range lines {
		sizes, counts, us = append(sizes, l.thick), append(counts, merged[l]), append(us, l.u)
	}
	return sizes, counts, us
}

func bruteGrade(p LikelyProblem, a, b *brutePack, us []float64) ([8]int64, float64, string) {
	r := newBruteRules(p.ShimProblem)
	square := p.Estimate.U * p.Estimate.U
	for i, u := range us {
		square += float64(a.used[i]+b.used[i]) * u * u
	}
	u, nu := math.Sqrt(square), math.Floor(p.Estimate.Freedom)
	cdf, guard := distuv.UnitNormal.CDF, 1.65
	if !math.IsInf(nu, 1) {
		t := distuv.StudentsT{Sigma: 1, Nu: nu}
		cdf, guard = t.CDF, max(1.65, t.Quantile(0.95))
	}
	f := r.gap - a.total - b.total
	low, high := float64(f-r.least)*1e-6, float64(r.most-f)*1e-6
	inside := cdf(high/u) - cdf(-low/u)
	outcome := NotShown
	if min(low, high) >= guard*u && inside >= p.Rule.Level {
		outcome = ShownInside
	}
	if min(low, high) < -guard*u && 1-inside >= p.Rule.Level {
		outcome = ShownOutside
	}
	old := r.rank(a, b) // class, steps, uneven, off, pieces, minus first
	uneven := int64(0)
	if r.even {
		uneven = a.total - b.total - nanometres(p.Apart)
		uneven = max(uneven, -uneven)
	}
	text := fmt.Sprintf("%v %v float %s %s %.6f %.9f", a.pieces, b.pieces, decimal.New(f, -6), outcome, inside, u)
	early, late := uneven, int64(0)
	if old[0] > 0 {
		early, late = 0, uneven
	}
	return [8]int64{int64(outcome), old[0], 0, early, old[3], late, old[4], old[5]}, inside, text
}

func likelyFits(t require.TestingT, p LikelyProblem, most int) LikelyFits {
	got, err := method.LikelyFits(p, most)
	require.NoError(t, err)
	return got
}

func likelyWritten(fits []LikelyFit) []string {
	var out []string
	for _, f := range fits {
		pieces := [][]int64{{}, {}}
		for i, p := range f.Packs {
			for _, t := range p.Pieces {
				pieces[i] = append(pieces[i], nanometres(t))
			}
		}
		out = append(out, fmt.Sprintf("%v %v float %s %s %.6f %.9f", pieces[0], pieces[1], f.EndFloat, f.Conformity.Outcome, f.Conformity.Inside, f.U))
	}
	return out
}

func likely(gap string, u, nu float64, stock []Shim, sides []Side, even bool) LikelyProblem {
	return LikelyProblem{ShimProblem: ShimProblem{d(gap), stock, sides, usual, d("0.01"), even},
		Estimate: Estimate{d(gap), u, nu, nil, nil}, Rule: rule2017}
}

// Of random problems, with and without uncertain shims, the answer is that of trying all.
func TestLikelyFitsAgainstTryingAll(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 2))
	for i := range *oracleSets / 5 {
		var stock []Shim
		var us []float64
		for range random.IntN(6) {
			stock = append(stock, Shim{decimal.New(1+random.Int64N(30), -2).Add(decimal.New(random.Int64N(3)*random.Int64N(2), -3)), random.IntN(3)})
			us = append(us, float64(random.IntN(3))*0.004)
		}
		sides := []Side{{Name: "left", Most: random.IntN(4)}, {Name: "right", Most: random.IntN(3), Fitted: decimal.New(random.Int64N(2), -1)}}
		p := likely(decimal.New(random.Int64N(800), -3).String(), 0.002+0.05*random.Float64(),
			[]float64{certain, 4.5, 1, 250}[random.IntN(4)], stock, sides[:1+random.IntN(2)], random.IntN(2) == 0)
		if random.IntN(2) == 0 {
			p.ShimU = us
		}
		p.Window = Window{d("0.05"), d("0.15"), decimal.New(50+random.Int64N(101), -3)}
		if random.IntN(4) == 0 {
			p.Window = Window{d("-0.08"), d("-0.02"), d("-0.05")}
		}
		p.Apart = decimal.New(random.Int64N(3)*5-5, -2)
		most := 1 + random.IntN(7)
		want := bruteLikely(p, most)
		require.Equal(t, want, likelyWritten(likelyFits(t, p, most).Best), "problem %d: %+v", i, p)
	}
}

// Larger ones, in which the search passes over nearly everything.
func TestLikelyFitsPassOver(t *testing.T) {
	for _, c := range benchProblems {
		for _, u := range []float64{0.006, 0.037} {
			for _, uncertain := range []bool{false, true} {
				p := LikelyProblem{ShimProblem: twoSides(c.irregular, c.even), Rule: rule2017}
				p.Stock = p.Stock[:6]
				p.Gap = d("0.637")
				p.Estimate = Estimate{p.Gap, u, certain, nil, nil}
				for i := range p.Stock {
					if uncertain {
						p.ShimU = append(p.ShimU, 0.001*float64(1+i%4))
					}
				}
				require.Equal(t, bruteLikely(p, 5), likelyWritten(likelyFits(t, p, 5).Best), "%s %v %t", c.name, u, uncertain)
			}
		}
	}
}

// Two fixed cases of the method. With G = 0.45 and u = 0.037 the probability inside is
// low for everything, and still the aim is hit, never "fit nothing". With G = 0.50 and
// pairs, 0.15 + 0.25 beats both even choices, 0.20 and 0.30 a side being wide of the aim.
func TestLikelyFitsOfTheMethod(t *testing.T) {
	for _, edition := range []Edition{ISO14253y1998, ISO14253y2017} {
		for _, even := range []bool{false, true} {
			p := likely("0.45", 0.037, certain, shims("0.1", 1, "0.15", 1, "0.2", 1), twoUpTo(3), even)
			p.Rule.Edition = edition
			got := likelyFits(t, p, 1)
			best := got.Best[0]
			assert.Equal(t, "0.35", best.Total.String())
			assert.Equal(t, "0.1", best.EndFloat.String())
			assert.Equal(t, NotShown, best.Conformity.Outcome)
			assert.InDelta(t, 2*below(0.05/0.037)-1, best.Conformity.Inside, 1e-9)
			assert.Equal(t, []string{LimitMeasurement}, got.Limits)

			p = likely("0.5", 0.037, certain, shims("0.1", 2, "0.15", 2, "0.25", 2), twoUpTo(1), even)
			p.Rule.Edition = edition
			best = likelyFits(t, p, 1).Best[0]
			assert.Equal(t, "0.1", best.EndFloat.String())
			pieces := []string{best.Packs[0].Pieces[0].String(), best.Packs[1].Pieces[0].String()}
			slices.Sort(pieces)
			assert.Equal(t, []string{"0.15", "0.25"}, pieces)
		}
	}
}

// Out of reach, as near as can be is better than even: two packs of 0.15 and 0.1 leave
// less than two of 0.1, and both less than nothing at all, the most even of all.
func TestLikelyFitsOutOfReach(t *testing.T) {
	p := likely("0.9", 0.01, certain, shims("0.15", 1, "0.1", 2), twoUpTo(1), true)
	got := likelyFits(t, p, 3)
	assert.Equal(t, "0.65", got.Best[0].EndFloat.String())
	assert.Equal(t, "0.7", got.Best[2].EndFloat.String())
	assert.Equal(t, ShownOutside, got.Best[0].Conformity.Outcome)
	assert.Equal(t, []string{LimitStock}, got.Limits)
	assert.Equal(t, bruteLikely(p, 3), likelyWritten(got.Best))
}

func TestLikelyFitsLimits(t *testing.T) {
	for _, c := range []struct {
		name, gap string
		u         float64
		stock     []Shim
		limits    []string
		change    string
	}{
		{"shown", "0.5", 0.01, shims("0.2", 2), nil, "0"},
		{"stock", "0.5", 0.01, shims("0.18", 2), []string{LimitStock}, "0.04"},
		{"too thick", "0.5", 0.01, shims("0.22", 2), []string{LimitStock}, "-0.04"},
		{"measurement", "0.5", 0.05, shims("0.2", 2), []string{LimitMeasurement}, "0"},
		{"both", "0.5", 0.05, shims("0.1", 2), []string{LimitStock, LimitMeasurement}, "0.2"},
		{"no stock shows as much", "0.5", 0.01, nil, []string{LimitStock}, "0.4"},
	} {
		got := likelyFits(t, likely(c.gap, c.u, certain, c.stock, twoUpTo(2), true), 1)
		assert.Equal(t, c.limits, got.Limits, c.name)
		assert.Equal(t, c.change, got.Change.String(), c.name)
	}
	none := likely("0.5", 0.05, certain, nil, []Side{{Name: "only", Fewest: 1, Most: 2}}, false)
	got := likelyFits(t, none, 1)
	assert.Empty(t, got.Best)
	assert.Equal(t, []string{LimitStock, LimitMeasurement}, got.Limits)
	unfit := likely("0.5", 0.05, certain, shims("0.1", 2), []Side{{Name: "only", Most: 2, Exactly: decimal.NewNullDecimal(d("0.35"))}}, false)
	assert.Empty(t, likelyFits(t, unfit, 1).Best)
}

// A dominant flat cause counts by its own shape: ±0.04 mm inside a window of ±0.05 is
// certain, which a normal error of the same u would not be.
func TestLikelyFitsFoldShapes(t *testing.T) {
	p := likely("0.5", 0.04/math.Sqrt(3), certain, shims("0.2", 2), twoUpTo(1), true)
	loose := likelyFits(t, p, 1).Best[0].Conformity.Inside
	p.Estimate.Flat = []float64{0.04}
	assert.Greater(t, likelyFits(t, p, 1).Best[0].Conformity.Inside, 0.999)
	assert.InDelta(t, 0.97, loose, 0.005)
	p.ShimU = []float64{0.01}
	got := likelyFits(t, p, 1).Best[0]
	assert.Less(t, got.Conformity.Inside, 0.995)
	assert.InDelta(t, math.Sqrt(0.0016/3+0.0002), got.U, 1e-12)
}

// Steps are counted down from the best: 0.8601 and 0.8599 are alike, and the even packs
// win; so they do up to a difference of 1 %, and no further. A step's end that lies between
// two such, as whole percents from 0 would have it, must not matter.
func TestLikelyFitsCountStepsFromTheBest(t *testing.T) {
	u := 0.05 / distuv.UnitNormal.Quantile((1+0.8601)/2)
	for _, c := range []struct {
		second string // beside 0.2
		inside float64
		best   string
	}{
		{"0.201", 0.8599, "[200000] [201000]"},
		{"0.203", 0.8585, "[200000] [203000]"},
		{"0.207", 0.8517, "[200000] [207000]"},
		{"0.208", 0.8491, "[100000] [300000]"},
	} {
		p := likely("0.5", u, certain, shims("0.1", 1, "0.3", 1, "0.2", 1, c.second, 1), twoUpTo(1), true)
		p.Sides[0].Fewest, p.Sides[1].Fewest = 1, 1
		got := likelyFits(t, p, 12)
		require.Equal(t, bruteLikely(p, 12), likelyWritten(got.Best))
		first := likelyWritten(got.Best)[0]
		pieces := []string{got.Best[0].Packs[0].Total.String(), got.Best[0].Packs[1].Total.String()}
		slices.Sort(pieces)
		for _, f := range got.Best {
			switch f.Packs[0].Total.String() + "+" + f.Packs[1].Total.String() {
			case "0.1+0.3":
				assert.InDelta(t, 0.8601, f.Conformity.Inside, 1e-9)
			case "0.2+" + c.second:
				assert.InDelta(t, c.inside, f.Conformity.Inside, 5e-5)
			}
		}
		assert.Equal(t, c.best, fmt.Sprintf("[%d] [%d]", nanometres(d(pieces[0])), nanometres(d(pieces[1]))), first)
	}
}

// More stock never gives worse advice, by outcome, class and probability but for the 1 %
// within which evenness decides.
func TestMoreStockIsNeverLikelyWorse(t *testing.T) {
	random := rand.New(rand.NewPCG(8, 1))
	worth := func(p LikelyProblem) float64 {
		f := likelyFits(t, p, 1).Best[0]
		class := 0
		if !f.Inside {
			class = 1
		}
		return float64(int(f.Conformity.Outcome)*2+class)*1000 - f.Conformity.Inside
	}
	for range 100 {
		var stock []Shim
		for range 6 {
			stock = append(stock, Shim{decimal.New(5+random.Int64N(30), -2), 1})
		}
		p := likely(decimal.New(100+random.Int64N(600), -3).String(), 0.02, 8, stock[:5], twoUpTo(2), true)
		fewer := worth(p)
		p.Stock = stock
		require.Less(t, worth(p), fewer+0.01)
	}
}

func TestLikelyFitsRefuses(t *testing.T) {
	for _, c := range []struct {
		field, problem string
		spoil          func(p *LikelyProblem)
	}{
		{"rule.edition", "is not stated", func(p *LikelyProblem) { p.Rule = Rule{} }},
		{"estimate.u", "is not a number", func(p *LikelyProblem) { p.Estimate.U = math.NaN() }},
		{"estimate.value", "is 0.4 mm, but the gap is 0.5", func(p *LikelyProblem) { p.Estimate.Value = d("0.4") }},
		{"shimu", "has 2 entries for 1", func(p *LikelyProblem) { p.ShimU = make([]float64, 2) }},
		{"shimu[0]", "is -1", func(p *LikelyProblem) { p.ShimU = []float64{-1} }},
		{"grain", "must be above 0", func(p *LikelyProblem) { p.Grain = d("0") }},
		{"apart", "million", func(p *LikelyProblem) { p.Apart = decimal.New(1, 6) }},
	} {
		p := likely("0.5", 0.01, 5, shims("0.1", 1), twoUpTo(2), true)
		c.spoil(&p)
		_, err := method.LikelyFits(p, 1)
		refused(t, err, c.field, c.problem)
	}
	_, err := method.LikelyFits(likely("0.5", 0.01, 5, nil, twoUpTo(1), true), 0)
	refused(t, err, "most", "is 0")
}

// offCentre has forty sizes with their own u and the aim nearer to one limit.
func offCentre(irregular, even bool, aim string) LikelyProblem {
	p := LikelyProblem{ShimProblem: twoSides(irregular, even), Rule: rule2017}
	p.Window.Aim = d(aim)
	p.Estimate = Estimate{p.Gap, 0.02, certain, nil, nil}
	for i := range int64(20) {
		p.Stock = append(p.Stock, Shim{decimal.New(75+50*i+i*i*7%11, -3), 2})
	}
	for i := range p.Stock {
		p.ShimU = append(p.ShimU, 0.0005*float64(1+i%4))
	}
	return p
}

// BenchmarkLikelyOffCentre has the ranking pull two ways: probability to the middle of the
// window, the aim to one side.
func BenchmarkLikelyOffCentre(b *testing.B) {
	for _, c := range benchProblems {
		for _, aim := range []string{"0.1", "0.08", "0.13", "0.05"} {
			p := offCentre(c.irregular, c.even, aim)
			b.Run(c.name+"/"+aim, func(b *testing.B) {
				for b.Loop() {
					likelyFits(b, p, 5)
				}
			})
		}
	}
}

// BenchmarkLikelyFits: twenty sizes as for BestFits, and forty with their own u.
func BenchmarkLikelyFits(b *testing.B) {
	far := LikelyProblem{ShimProblem: twoSides(true, true), Rule: rule2017}
	far.Gap = d("9.5")
	far.Estimate = Estimate{far.Gap, 0.02, certain, nil, nil}
	b.Run("out of reach", func(b *testing.B) {
		for b.Loop() {
			_, err := method.LikelyFits(far, 5)
			require.NoError(b, err)
		}
	})
	for _, nu := range []float64{certain, 9} {
		for _, c := range benchProblems {
			for _, uncertain := range []bool{false, true} {
				for _, sizes := range []int{20, 40} {
					p := LikelyProblem{ShimProblem: twoSides(c.irregular, c.even), Rule: rule2017}
					p.Estimate = Estimate{p.Gap, 0.02, nu, nil, nil}
					for i := range int64(sizes - 20) {
						p.Stock = append(p.Stock, Shim{decimal.New(75+50*i+i*i*7%11*int64(len(c.name)%2), -3), 2})
					}
					for i := range p.Stock {
						if uncertain {
							p.ShimU = append(p.ShimU, 0.0005*float64(1+i%4))
						}
					}
					b.Run(fmt.Sprintf("nu %v/%s/uncertain %t/%d", nu, c.name, uncertain, sizes), func(b *testing.B) {
						for b.Loop() {
							_, err := method.LikelyFits(p, 5)
							require.NoError(b, err)
						}
					})
				}
			}
		}
	}
}
