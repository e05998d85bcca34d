package calc

import (
	"math"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// shims reads pairs of thickness and count.
func shims(pairs ...any) []Shim {
	var out []Shim
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, Shim{d(pairs[i].(string)), pairs[i+1].(int)})
	}
	return out
}

func twoUpTo(most int) []Side { return []Side{{Name: "left", Most: most}, {Name: "right", Most: most}} }
func oneUpTo(most int) []Side { return []Side{{Name: "left", Most: most}} }

// usual is the window of small engines: common practice, no published source.
var usual = Window{d("0.05"), d("0.15"), d("0.10")}

// bestFits returns the best fits after checking that plain search agrees.
func bestFits(t *testing.T, p ShimProblem, most int) Fits {
	t.Helper()
	got, err := method.BestFits(p, most)
	require.NoError(t, err)
	best, possible := bruteForce(p, most)
	assert.Equal(t, written(best), written(got.Best))
	assert.Equal(t, possible, got.Possible)
	assert.Equal(t, p.Gap.Sub(p.Window.Aim).String(), got.Wanted.String())
	return got
}

func TestBestFits(t *testing.T) {
	for _, c := range []struct {
		name, best string
		gap        string
		stock      []Shim
		sides      []Side
		window     Window
		even       bool
	}{
		// common practice, no published source
		{"the trade's case", "left [0.2] = 0.2, right [0.2] = 0.2, total 0.4 float 0.1 check 0.3 inside true",
			"0.50", shims("0.10", 4, "0.20", 2, "0.30", 1), twoUpTo(3), usual, true},
		// cases where a lopsided or an empty choice tempts
		{"never nothing, two sides", "left [0.2 0.15] = 0.35, right [] = 0, total 0.35 float 0.1 check 0.1 inside true",
			"0.45", shims("0.10", 1, "0.15", 1, "0.20", 1), twoUpTo(2), usual, false},
		{"never nothing, even", "left [0.2] = 0.2, right [0.15] = 0.15, total 0.35 float 0.1 check 0.25 inside true",
			"0.45", shims("0.10", 1, "0.15", 1, "0.20", 1), twoUpTo(2), usual, true},
		{"never nothing, one side", "left [0.2 0.15] = 0.35, total 0.35 float 0.1 check 0.1 inside true",
			"0.45", shims("0.10", 1, "0.15", 1, "0.20", 1), oneUpTo(3), usual, false},
		{"0.15 + 0.25 beats both even choices", "left [0.25] = 0.25, right [0.15] = 0.15, total 0.4 float 0.1 check 0.25 inside true",
			"0.50", shims("0.10", 2, "0.15", 2, "0.25", 2), twoUpTo(1), usual, true},
		{"outside and loose rather than tight, though further off", "left [] = 0, total 0 float 0.5 check 0.5 inside false",
			"0.50", shims("0.50", 1), oneUpTo(1), usual, false},
		{"no float at all if it must be", "left [0.5] = 0.5, total 0.5 float 0 check 0 inside false",
			"0.50", shims("0.50", 1, "0.6", 1), []Side{{Name: "left", Fewest: 1, Most: 1}}, usual, false},
		{"a float of nothing is not inside, even at the aim", "left [0.1] = 0.1, total 0.1 float 0.1 check 0.1 inside true",
			"0.20", shims("0.10", 1, "0.20", 1), oneUpTo(1), Window{d("0"), d("0.1"), d("0")}, false},
		{"preload", "left [0.2] = 0.2, right [0.1] = 0.1, total 0.3 float -0.1 check 0 inside true",
			"0.20", shims("0.10", 2, "0.20", 1), twoUpTo(1), Window{d("-0.12"), d("-0.05"), d("-0.1")}, true},
		{"preload may be missed on either side", "left [0.3] = 0.3, total 0.3 float -0.1 check -0.1 inside false",
			"0.20", shims("0.30", 1, "0.10", 1), oneUpTo(1), Window{d("-0.05"), d("-0.01"), d("-0.03")}, false},
		{"one side fixed first", "left [0.15 0.1] = 0.35, right [0.05] = 0.05, total 0.4 float 0.1 check 0.15 inside true",
			"0.50", shims("0.05", 1, "0.10", 2, "0.15", 1),
			[]Side{{Name: "left", Most: 2, Fitted: d("0.1"), Exactly: nullable("0.35")}, {Name: "right", Most: 2}}, usual, true},
		{"fitted pieces are not from the stock", "left [] = 0.2, right [0.2] = 0.2, total 0.4 float 0.1 check 0.3 inside true",
			"0.50", shims("0.20", 1), []Side{{Name: "left", Most: 1, Fitted: d("0.2")}, {Name: "right", Most: 1}}, usual, true},
		{"fewer pieces", "left [0.2] = 0.2, total 0.2 float 0.1 check 0.1 inside true",
			"0.30", shims("0.05", 4, "0.10", 2, "0.20", 1), oneUpTo(4), usual, false},
		{"even within a grain of the aim", "left [0.2] = 0.2, right [0.2] = 0.2, total 0.4 float 0.104 check 0.304 inside true",
			"0.504", shims("0.20", 2, "0.304", 1, "0.10", 1), twoUpTo(1), usual, true},
		{"an empty stock can be fitted as nothing", "left [] = 0, total 0 float 0.3 check 0.3 inside false",
			"0.30", nil, oneUpTo(3), usual, false},
		{"negative gap", "left [] = 0, total 0 float -0.3 check -0.3 inside false",
			"-0.30", shims("0.1", 1), oneUpTo(3), usual, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := bestFits(t, ShimProblem{d(c.gap), c.stock, c.sides, c.window, d("0.01"), c.even}, 7)
			require.NotEmpty(t, got.Best)
			assert.Equal(t, c.best, written(got.Best)[0])
		})
	}
}

func TestBestFitsNothingPossible(t *testing.T) {
	p := ShimProblem{d("0.5"), shims("0.1", 3), []Side{{Name: "left", Fewest: 2, Most: 2}, {Name: "right", Fewest: 2, Most: 2}}, usual, d("0.01"), true}
	assert.Empty(t, bestFits(t, p, 3).Best)
	p.Sides = []Side{{Name: "left", Most: 2, Exactly: nullable("0.15")}}
	got := bestFits(t, p, 3)
	assert.Empty(t, got.Best)
	assert.EqualValues(t, 3, got.Possible, "0, 1 or 2 pieces; Exactly does not count")
}

func TestBestFitsAreAsManyAsThereAre(t *testing.T) {
	p := ShimProblem{d("0.5"), shims("0.1", 1, "0.2", 1), twoUpTo(1), usual, d("0.01"), false}
	assert.Len(t, bestFits(t, p, 1).Best, 1)
	assert.Len(t, bestFits(t, p, 7).Best, 7)
	assert.Len(t, bestFits(t, p, 1000).Best, 7)
}

// Both want the one thick shim; the search must not give it twice.
func TestStockIsSharedBySides(t *testing.T) {
	p := ShimProblem{d("2.1"), shims("1", 1, "0.01", 2, "0.02", 2, "0.03", 2), twoUpTo(3), usual, d("0.01"), true}
	bestFits(t, p, 20)
}

func TestPossibleIsCapped(t *testing.T) {
	var stock []size
	for range 4000 {
		stock = append(stock, size{thick: 1, count: 12})
	}
	assert.EqualValues(t, math.MaxInt64, possible(stock, [2]side{{most: 6}, {most: 6}}))
}

func TestBestFitsRefuses(t *testing.T) {
	good := ShimProblem{d("0.5"), shims("0.1", 1), twoUpTo(3), usual, d("0.01"), false}
	for _, c := range []struct {
		field, problem string
		spoil          func(p *ShimProblem)
	}{
		{"gap", "million", func(p *ShimProblem) { p.Gap = d("1e6") }},
		{"window.least", "9 decimal places", func(p *ShimProblem) { p.Window.Least = d("0.0000000001") }},
		{"window.most", "million", func(p *ShimProblem) { p.Window.Most = d("1e60") }},
		{"window.aim", "million", func(p *ShimProblem) { p.Window.Aim = d("-1e6") }},
		{"window.least", "swap them", func(p *ShimProblem) { p.Window.Least = d("0.2") }},
		{"window.aim", "in the window", func(p *ShimProblem) { p.Window.Aim = d("0.151") }},
		{"window.aim", "in the window", func(p *ShimProblem) { p.Window.Aim = d("0.049") }},
		{"grain", "above 0", func(p *ShimProblem) { p.Grain = d("0") }},
		{"grain", "above 0", func(p *ShimProblem) { p.Grain = d("-1") }},
		{"sides", "are 0", func(p *ShimProblem) { p.Sides = nil }},
		{"sides", "are 3", func(p *ShimProblem) { p.Sides = make([]Side, 3) }},
		{"sides[0].name", "missing", func(p *ShimProblem) { p.Sides[0].Name = "" }},
		{"sides[1].name", "like the first", func(p *ShimProblem) { p.Sides[1].Name = "left" }},
		{"sides[1].fewest", "is -1", func(p *ShimProblem) { p.Sides[1].Fewest = -1 }},
		{"sides[0].most", "below the fewest", func(p *ShimProblem) { p.Sides[0].Fewest = 4 }},
		{"sides[0].most", "6 or less", func(p *ShimProblem) { p.Sides[0].Most = 7 }},
		{"sides[0].fitted", "0 or more", func(p *ShimProblem) { p.Sides[0].Fitted = d("-0.1") }},
		{"sides[1].exactly", "0 or more", func(p *ShimProblem) { p.Sides[1].Exactly = nullable("-0.1") }},
		{"stock[1].count", "is -1", func(p *ShimProblem) { p.Stock = shims("0.1", 1, "0.2", -1) }},
		{"stock[0].thickness", "above 0", func(p *ShimProblem) { p.Stock = shims("0", 1) }},
		{"stock[0].thickness", "million", func(p *ShimProblem) { p.Stock = shims("1e6", 0) }},
		{"sides[0].most", "65536 packs from 100 sizes", func(p *ShimProblem) { p.Stock = manySizes(100) }},
		{"sides[1].most", "of 4 allows more", func(p *ShimProblem) { p.Stock, p.Sides[1].Most = manySizes(50), 4 }},
	} {
		p := good
		p.Sides = append([]Side(nil), good.Sides...)
		c.spoil(&p)
		got, err := method.BestFits(p, 5)
		refused(t, err, c.field, c.problem)
		assert.Zero(t, got)
	}
	for _, most := range []int{0, -1, 1001} {
		_, err := method.BestFits(good, most)
		refused(t, err, "most", "ask for 1 to 1000")
	}
}

// manySizes has a million of each.
func manySizes(n int) []Shim {
	var out []Shim
	for i := range n {
		out = append(out, Shim{decimal.New(int64(1000+7*i), -4), 1_000_000})
	}
	return out
}

// A large stock within the bound is searched, and the aim is met.
func TestLargeStock(t *testing.T) {
	p := ShimProblem{d("0.9"), manySizes(1000), twoUpTo(1), usual, d("0.01"), true}
	got, err := method.BestFits(p, 3)
	require.NoError(t, err)
	assert.Equal(t, "left [0.4003] = 0.4003, right [0.4003] = 0.4003, total 0.8006 float 0.0994 check 0.4997 inside true", written(got.Best)[0])
	assert.EqualValues(t, 1001*1001, got.Possible)
	p.Stock, p.Sides = manySizes(70), twoUpTo(3)
	got, err = method.BestFits(p, 3)
	require.NoError(t, err)
	// No pack comes to 0.4 exactly, so even packs miss the aim by less than a grain.
	assert.Equal(t, "0.0998", got.Best[0].EndFloat.String())
	assert.True(t, got.Best[0].Packs[0].Total.Equal(got.Best[0].Packs[1].Total))
}

// someProblem draws small problems in which totals often coincide, so that every rule of
// the order decides now and then.
func someProblem(t *rapid.T) ShimProblem {
	unit := rapid.SampledFrom([]int64{1, 5, 10, 50}).Draw(t, "unit")
	mm := func(name string, low, high int64) decimal.Decimal {
		return decimal.New(unit*rapid.Int64Range(low, high).Draw(t, name), -3)
	}
	p := ShimProblem{Gap: mm("gap", -5, 80), Even: rapid.Bool().Draw(t, "even")}
	p.Grain = decimal.New(rapid.SampledFrom([]int64{1, 4, 10, 33, 500}).Draw(t, "grain"), -3)
	for range rapid.IntRange(0, 6).Draw(t, "sizes") {
		p.Stock = append(p.Stock, Shim{mm("thickness", 1, 20), rapid.IntRange(0, 3).Draw(t, "count")})
	}
	for _, name := range []string{"left", "right"}[:rapid.IntRange(1, 2).Draw(t, "sides")] {
		s := Side{Name: name, Fewest: rapid.IntRange(0, 1).Draw(t, "fewest")}
		s.Most = s.Fewest + rapid.IntRange(0, 2).Draw(t, "more")
		if rapid.IntRange(0, 3).Draw(t, "has fitted") == 0 {
			s.Fitted = mm("fitted", 0, 10)
		}
		if rapid.IntRange(0, 5).Draw(t, "has exactly") == 0 {
			s.Exactly = decimal.NewNullDecimal(mm("exactly", 0, 20))
		}
		p.Sides = append(p.Sides, s)
	}
	aim := rapid.Int64Range(-8, 20).Draw(t, "aim")
	below, above := rapid.Int64Range(0, 8).Draw(t, "below"), rapid.Int64Range(0, 8).Draw(t, "above")
	p.Window = Window{decimal.New(unit*(aim-below), -3), decimal.New(unit*(aim+above), -3), decimal.New(unit*aim, -3)}
	return p
}

func TestBestFitsIsTheExhaustiveOptimum(t *testing.T) {
	m := method
	rapid.Check(t, func(t *rapid.T) {
		p, most := someProblem(t), rapid.SampledFrom([]int{1, 2, 5, 40, 1000}).Draw(t, "most")
		got, err := m.BestFits(p, most)
		require.NoError(t, err)
		best, possible := bruteForce(p, most)
		require.Equal(t, written(best), written(got.Best))
		require.Equal(t, possible, got.Possible)
	})
}

// The benchmark's sizes in small: many pairs, few wanted, so that the search leaves out most.
func TestBestFitsIsTheOptimumOfManyPairs(t *testing.T) {
	for _, c := range benchProblems {
		for _, gap := range []string{"0.137", "1.1", "9"} {
			p := twoSides(c.irregular, c.even)
			p.Gap, p.Sides = d(gap), twoUpTo(2)
			bestFits(t, p, 5)
			p.Grain = d("0.2")
			bestFits(t, p, 3)
		}
	}
}

func TestStockOrderIsIrrelevant(t *testing.T) {
	m := method
	rapid.Check(t, func(t *rapid.T) {
		p := someProblem(t)
		a, err := m.BestFits(p, 8)
		require.NoError(t, err)
		var single []Shim // every shim on a line of its own
		for _, s := range p.Stock {
			for range s.Count {
				single = append(single, Shim{s.Thickness, 1})
			}
		}
		p.Stock = rapid.Permutation(append(single, Shim{d("0.77"), 0})).Draw(t, "order")
		b, err := m.BestFits(p, 8)
		require.NoError(t, err)
		require.Equal(t, a, b)
	})
}

// merits are the parts of the ranking that do not tell the sides apart.
func merits(p ShimProblem, f Fit) []int64 {
	a, b := &brutePack{total: nanometres(f.Packs[0].Total)}, &brutePack{}
	a.pieces = make([]int64, len(f.Packs[0].Pieces))
	if len(f.Packs) == 2 {
		b.total, b.pieces = nanometres(f.Packs[1].Total), make([]int64, len(f.Packs[1].Pieces))
	}
	rank := newBruteRules(p).rank(a, b)
	return rank[:5]
}

func TestMirroredSides(t *testing.T) {
	m := method
	rapid.Check(t, func(t *rapid.T) {
		p := someProblem(t)
		if len(p.Sides) == 1 {
			p.Sides = append(p.Sides, Side{Name: "right", Most: 2})
		}
		a, err := m.BestFits(p, 8)
		require.NoError(t, err)
		q := p
		q.Sides = []Side{p.Sides[1], p.Sides[0]}
		b, err := m.BestFits(q, 8)
		require.NoError(t, err)
		require.Equal(t, a.Possible, b.Possible)
		require.Len(t, b.Best, len(a.Best))
		for i := range a.Best {
			require.Equal(t, merits(p, a.Best[i]), merits(q, b.Best[i]))
		}
	})
}

// With more in stock the best fit is as good or better, and what was possible still is.
func TestMoreStockIsNeverWorse(t *testing.T) {
	m := method
	rapid.Check(t, func(t *rapid.T) {
		p := someProblem(t)
		a, err := m.BestFits(p, 1)
		require.NoError(t, err)
		p.Stock = append(p.Stock, Shim{decimal.New(rapid.Int64Range(1, 400).Draw(t, "more"), -3), rapid.IntRange(0, 3).Draw(t, "of it")})
		b, err := m.BestFits(p, 1)
		require.NoError(t, err)
		require.GreaterOrEqual(t, b.Possible, a.Possible)
		if len(a.Best) == 0 {
			return
		}
		was, is := merits(p, a.Best[0]), merits(p, b.Best[0])
		for i := range was {
			require.LessOrEqual(t, is[i], was[i])
			if is[i] < was[i] {
				return
			}
		}
	})
}

// FuzzBestFits feeds numbers of any size: never a panic, and what comes back adds up, is
// in stock, and is in order.
func FuzzBestFits(f *testing.F) {
	f.Add([]byte{10, 2, 15, 2, 25, 2}, int64(500), int32(-3), int64(50), int64(150), int64(100), int64(10), uint8(2), uint8(0), true, 5)
	f.Add([]byte{20, 1, 20, 255, 1, 3}, int64(200), int32(-3), int64(-120), int64(-50), int64(-100), int64(1), uint8(3), uint8(1), false, 1)
	f.Add([]byte{1}, int64(math.MaxInt64), int32(math.MaxInt32), int64(math.MinInt64), int64(0), int64(0), int64(0), uint8(0), uint8(0), false, 0)
	f.Add([]byte{3, 3, 5, 200, 7, 9}, int64(-1), int32(5), int64(0), int64(9), int64(9), int64(9), uint8(6), uint8(6), true, 1000)
	m := method
	f.Fuzz(func(t *testing.T, stock []byte, gap int64, exp int32, least, most, aim, grain int64, pieces, fewest uint8, even bool, number int) {
		if len(stock) > 24 {
			stock = stock[:24]
		}
		mm := func(v int64) decimal.Decimal { return decimal.New(v, exp) }
		p := ShimProblem{mm(gap), nil, twoUpTo(int(pieces)), Window{mm(least), mm(most), mm(aim)}, mm(grain), even}
		p.Sides[0].Fewest = int(fewest)
		for i := 0; i+1 < len(stock); i += 2 {
			p.Stock = append(p.Stock, Shim{mm(10 * int64(stock[i])), int(int8(stock[i+1]))})
		}
		got, err := m.BestFits(p, number)
		if err != nil {
			var e *FieldError
			require.ErrorAs(t, err, &e)
			return
		}
		require.LessOrEqual(t, int64(len(got.Best)), got.Possible)
		require.Equal(t, got.Possible == 0, len(got.Best) == 0)
		for _, fit := range got.Best {
			soundFit(t, p, fit)
		}
	})
}

func soundFit(t *testing.T, p ShimProblem, fit Fit) {
	t.Helper()
	left := map[string]int{}
	for _, s := range p.Stock {
		left[s.Thickness.String()] += s.Count
	}
	total := decimal.Zero
	for _, pack := range fit.Packs {
		sum := decimal.Zero
		for _, piece := range pack.Pieces {
			left[piece.String()]--
			require.GreaterOrEqual(t, left[piece.String()], 0)
			sum = sum.Add(piece)
		}
		require.True(t, sum.Equal(pack.Total))
		total = total.Add(sum)
	}
	require.True(t, total.Equal(fit.Total))
	require.True(t, p.Gap.Sub(total).Equal(fit.EndFloat))
	require.True(t, p.Gap.Sub(fit.Packs[0].Total).Equal(fit.CheckGap))
}
