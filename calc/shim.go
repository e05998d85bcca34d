package calc

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/shopspring/decimal"
)

// Shim is a thickness in stock, in mm and above 0, and how many there are, 0 or more.
// The same thickness may be given several times; the counts add up.
type Shim struct {
	Thickness decimal.Decimal
	Count     int
}

// Side is a side that shims can go to: how many pieces from the stock at least and at
// most (0 to 6), what is fitted there already and stays (mm, 0 or more, not from the
// stock, not counted as a piece), and, if its pack was fixed beforehand, what the
// pack must come to exactly, Fitted included.
type Side struct {
	Name         string
	Fewest, Most int
	Fitted       decimal.Decimal
	Exactly      decimal.NullDecimal
}

// Window is the end float that is permitted and the one that is wanted, in mm. Least
// and Most belong to it. It may be negative: a preload.
type Window struct{ Least, Most, Aim decimal.Decimal }

// ShimProblem is a gap in mm and what may be done about it. Sides are one or two, the
// first being the one that is fitted first. Grain is the smallest difference of end
// float that matters, above 0. Even asks for packs as equal as can be, without giving
// up a grain of end float for it.
type ShimProblem struct {
	Gap    decimal.Decimal
	Stock  []Shim
	Sides  []Side
	Window Window
	Grain  decimal.Decimal
	Even   bool
}

// Pack is what goes to one side: the pieces from the stock, thickest first, and their
// total with what is fitted already, in mm.
type Pack struct {
	Side   string
	Pieces []decimal.Decimal
	Total  decimal.Decimal
}

// Fit is one way to fit shims, packs in the order of the sides: the total on all sides,
// the end float it leaves, and the gap to find with only the first side's pack fitted.
// Inside means that the end float is in the window, and above 0 unless the window itself
// reaches below 0.
type Fit struct {
	Packs                     []Pack
	Total, EndFloat, CheckGap decimal.Decimal
	Inside                    bool
}

// Fits is the answer. Possible is the number of combinations that the stock and the
// numbers of pieces allow, whatever their thickness: Side.Exactly is not taken into
// account, and it stays at the largest int64 if there are more. Wanted is the total of
// shim that would hit the aim.
type Fits struct {
	Best     []Fit
	Possible int64
	Wanted   decimal.Decimal
}

const (
	maxSides  = 2
	maxPieces = 6       // a side
	maxFits   = 1000    // that can be asked for
	maxPacks  = 1 << 16 // a side; with them the search stays within some 10 MB
)

// BestFits returns the best ways to fit shims, best first, at most most (1 to 1000) of
// them; none if the stock allows no combination at all. Of all combinations that the
// stock, shared by the sides, allows, better is, in this order:
//
//  1. the end float inside the window; then outside but above 0; then 0 or less. Where
//     the window itself reaches below 0 the sign does not matter;
//  2. nearer to the aim, in whole grains (rounded down);
//  3. if Even and there are two sides: packs that differ less;
//  4. nearer to the aim, exactly;
//  5. fewer pieces;
//  6. the thicker pack on the first side; then the first side's pieces compared one by
//     one, thickest first, the first thicker one being better; then the second side's.
//
// No two combinations rank alike, so the same inputs give the same advice, in whatever
// order the stock is listed.
//
// The error is a *FieldError: a length out of range, a count below 0, a window that is
// upside down, an aim outside it, no grain, other than one or two sides, more than 6
// pieces a side, or so many sizes in stock that one side alone could be fitted in more
// than 65,536 ways.
func (m *Method) BestFits(p ShimProblem, most int) (Fits, error) {
	if most < 1 || most > maxFits {
		return Fits{}, refuse("most", "is %d; ask for 1 to %d fits", most, maxFits)
	}
	q, err := p.check(nil)
	if err != nil {
		return Fits{}, err
	}
	out := Fits{Possible: possible(q.sizes, q.sides), Wanted: q.wanted().decimal()}
	if out.Possible == 0 {
		return out, nil
	}
	s := newSeeker(q, int(min(int64(most), out.Possible)))
	s.run()
	for _, f := range s.top {
		out.Best = append(out.Best, s.fit(f, p.Sides))
	}
	return out, nil
}

// size is a thickness in stock, merged; no more are counted than could be used.
type size struct {
	thick  length
	count  int
	square float64 // of the standard uncertainty of the thickness
}

// side is a Side in picometres. Without an Exactly, exactly is -1.
type side struct {
	fewest, most    int
	fitted, exactly length
}

// problem is a ShimProblem found good, in picometres, sizes thickest first. A missing
// second side is a side that takes no pieces.
type problem struct {
	gap, least, most, aim, grain length
	sizes                        []size
	sides                        [maxSides]side
	even                         bool
	apart                        length // how much thicker the first pack should be, if even
	packs                        int64  // of the side that may have more of them
}

// wanted is the total that would hit the aim.
func (q *problem) wanted() length { return q.gap - q.aim }

// number is one length of a problem on its way through the checks: where it goes,
// what it is called, and what it must be.
type number struct {
	field string
	in    decimal.Decimal
	out   *length
	least length
	must  string
}

const (
	anything = math.MinInt64
	positive = "must be above 0"
	natural  = "must be 0 or more"
)

func (n number) check() error {
	v, problem := picometres(n.in)
	if problem == "" && v < n.least {
		problem = fmt.Sprintf("is %s mm; it %s", n.in, n.must)
	}
	if problem != "" {
		return refuse(n.field, "%s", problem)
	}
	*n.out = v
	return nil
}

func (p *ShimProblem) check(squares []float64) (*problem, error) {
	q := &problem{}
	for _, n := range []number{
		{"gap", p.Gap, &q.gap, anything, ""},
		{"window.least", p.Window.Least, &q.least, anything, ""},
		{"window.most", p.Window.Most, &q.most, anything, ""},
		{"window.aim", p.Window.Aim, &q.aim, anything, ""},
		{"grain", p.Grain, &q.grain, 1, positive},
	} {
		if err := n.check(); err != nil {
			return nil, err
		}
	}
	if q.least > q.most {
		return nil, refuse("window.least", "is %s mm, above the window's most of %s mm; swap them", p.Window.Least, p.Window.Most)
	}
	if q.aim < q.least || q.aim > q.most {
		return nil, refuse("window.aim", "is %s mm; it must be from %s to %s mm, in the window", p.Window.Aim, p.Window.Least, p.Window.Most)
	}
	if err := q.takeSides(p.Sides); err != nil {
		return nil, err
	}
	q.even = p.Even && len(p.Sides) == maxSides
	if err := q.takeStock(p.Stock, squares); err != nil {
		return nil, err
	}
	return q, q.bounded()
}

func (q *problem) takeSides(sides []Side) error {
	if len(sides) < 1 || len(sides) > maxSides {
		return refuse("sides", "are %d; there must be one or two", len(sides))
	}
	q.sides[1].exactly = -1
	for i, s := range sides {
		field := fmt.Sprintf("sides[%d].", i)
		switch {
		case s.Name == "":
			return refuse(field+"name", "is missing; name the side")
		case i > 0 && s.Name == sides[0].Name:
			return refuse(field+"name", "is %q like the first side; give it its own", s.Name)
		case s.Fewest < 0:
			return refuse(field+"fewest", "is %d; it must be 0 or more", s.Fewest)
		case s.Most < s.Fewest:
			return refuse(field+"most", "is %d, below the fewest of %d; it must be as many or more", s.Most, s.Fewest)
		case s.Most > maxPieces:
			return refuse(field+"most", "is %d; it must be %d or less", s.Most, maxPieces)
		}
		to := &q.sides[i]
		to.fewest, to.most, to.exactly = s.Fewest, s.Most, -1
		if err := (number{field + "fitted", s.Fitted, &to.fitted, 0, natural}).check(); err != nil {
			return err
		}
		if s.Exactly.Valid {
			if err := (number{field + "exactly", s.Exactly.Decimal, &to.exactly, 0, natural}).check(); err != nil {
				return err
			}
		}
	}
	return nil
}

// takeStock merges the stock into sizes, thickest first, the better known first. squares
// of their uncertainties are one for each of the stock, or none at all.
func (q *problem) takeStock(stock []Shim, squares []float64) error {
	enough := q.sides[0].most + q.sides[1].most
	sizes := make([]size, 0, len(stock))
	for i, s := range stock {
		z := size{count: min(s.Count, enough)}
		if s.Count < 0 {
			return refuse(fmt.Sprintf("stock[%d].count", i), "is %d; it must be 0 or more", s.Count)
		}
		v, problem := picometres(s.Thickness)
		if problem == "" && v <= 0 {
			problem = fmt.Sprintf("is %s mm; it %s", s.Thickness, positive)
		}
		if problem != "" {
			return refuse(fmt.Sprintf("stock[%d].thickness", i), "%s", problem)
		}
		if len(squares) > 0 {
			z.square = squares[i]
		}
		if z.thick = v; z.count > 0 {
			sizes = append(sizes, z)
		}
	}
	slices.SortFunc(sizes, func(a, b size) int {
		return cmp.Or(cmp.Compare(b.thick, a.thick), cmp.Compare(a.square, b.square))
	})
	for _, z := range sizes {
		if n := len(q.sizes); n > 0 && q.sizes[n-1].thick == z.thick && q.sizes[n-1].square == z.square {
			q.sizes[n-1].count = min(q.sizes[n-1].count+z.count, enough)
		} else {
			q.sizes = append(q.sizes, z)
		}
	}
	return nil
}

// bounded refuses a problem in which one side alone could be fitted in too many ways.
func (q *problem) bounded() error {
	for i, s := range q.sides {
		alone := [maxSides]side{{most: s.most}}
		n := possible(q.sizes, alone)
		if n > maxPacks {
			return refuse(fmt.Sprintf("sides[%d].most", i), "of %d allows more than %d packs from %d sizes in stock; allow fewer pieces or list fewer sizes", s.most, maxPacks, len(q.sizes))
		}
		q.packs = max(q.packs, n)
	}
	return nil
}

// possible counts the ways to take pieces for both sides from the shared stock. It
// adds one size after the other to a table of how many ways there are to take a pieces
// for the first side and b for the second.
func possible(sizes []size, sides [maxSides]side) int64 {
	most, next := [maxSides]int{sides[0].most, sides[1].most}, [maxPieces + 1][maxPieces + 1]int64{}
	now := next
	now[0][0] = 1
	for _, z := range sizes {
		for a := 0; a <= most[0]; a++ {
			for b := 0; b <= most[1]; b++ {
				next[a][b] = taking(&now, a, b, z.count)
			}
		}
		now = next
	}
	var sum int64
	for a := sides[0].fewest; a <= most[0]; a++ {
		for b := sides[1].fewest; b <= most[1]; b++ {
			sum = addCapped(sum, now[a][b])
		}
	}
	return sum
}

// taking sums the ways to come to (a, b) with up to count further pieces of one size.
func taking(now *[maxPieces + 1][maxPieces + 1]int64, a, b, count int) int64 {
	var sum int64
	for i := 0; i <= a && i <= count; i++ {
		for j := 0; j <= b && i+j <= count; j++ {
			sum = addCapped(sum, now[a-i][b-j])
		}
	}
	return sum
}

func addCapped(a, b int64) int64 {
	if a > math.MaxInt64-b {
		return math.MaxInt64
	}
	return a + b
}
