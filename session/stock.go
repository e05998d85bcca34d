package session

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// Stocked says what is on hand of one stock of shims from now on, whole. The bench keeps
// it over jobs; a plan takes from the stock that it names.
type Stocked struct {
	Stock string `json:"stock"`
	Shims []Shim `json:"shims"` // thinnest first
	Why   Reason `json:"why"`
}

// OnHand puts into a job what its plan's stock holds, what is in its engine already
// included, so that the job needs no other entry to be worked out again.
type OnHand struct {
	Shims []Shim `json:"shims"`
}

func (Stocked) kind() string { return "stock" }
func (OnHand) kind() string  { return "on hand" }

// A StockView is one stock of shims as displays see it.
type StockView struct {
	Name  string `json:"stock"`
	Shims []Shim `json:"shims"`         // thinnest first
	Buy   []Buy  `json:"buy,omitempty"` // what has fallen below its minimum
}

// A Buy is a size that has fallen below its minimum.
type Buy struct {
	Size  Number `json:"size_mm"`
	Count int    `json:"count"` // to come to the minimum
}

// mostSizes bounds a stock; mostShims how many there are of a size.
const (
	mostSizes = 60
	mostShims = 10_000
)

// nominal is the size that a shim goes by.
func (s *Shim) nominal() Number {
	if s.Size != nil {
		return *s.Size
	}
	return s.Thickness
}

// stocked folds what is on hand.
func (s *State) stocked(b Stocked) error {
	s.stocks = slices.Clone(s.stocks)
	if i := s.stockOf(b.Stock); i >= 0 {
		s.stocks[i] = b
		return nil
	}
	s.stocks = append(s.stocks, b)
	return nil
}

func (s *State) stockOf(name string) int {
	return slices.IndexFunc(s.stocks, func(b Stocked) bool { return b.Stock == name })
}

func (s *State) stockViews() []StockView {
	var views []StockView
	for _, b := range s.stocks {
		v := StockView{Name: b.Stock, Shims: b.Shims}
		for i := range b.Shims {
			if short := b.Shims[i].Least - b.Shims[i].Count; short > 0 {
				v.Buy = append(v.Buy, Buy{b.Shims[i].nominal(), short})
			}
		}
		views = append(views, v)
	}
	return views
}

// stock counts what is on hand of a size: a number, or + or − a number.
func (t *turn) stock(c Command) (Receipt, *Refusal) {
	if !plainName(c.Stock) {
		return Receipt{}, refuse("bad name", fmt.Sprintf("%q cannot be the name of a stock", c.Stock), "use small letters, digits and hyphens, like crank-28", "stock", c.Stock)
	}
	b := Stocked{Stock: c.Stock, Why: Reason{Code: "counted"}}
	if i := t.state.stockOf(c.Stock); i >= 0 {
		b.Shims = slices.Clone(t.state.stocks[i].Shims)
	}
	size, no := stockLength("size", c.Size)
	if no != nil {
		return Receipt{}, no
	}
	i := slices.IndexFunc(b.Shims, func(s Shim) bool { return s.nominal().Equal(size.Decimal) })
	if i < 0 {
		if len(b.Shims) >= mostSizes {
			return Receipt{}, refuse("too many sizes", fmt.Sprintf("stock %q has %d sizes already", c.Stock, mostSizes), "keep sizes that do not go with these in a stock of their own", "stock", c.Stock, "most", strconv.Itoa(mostSizes))
		}
		i = len(b.Shims)
		b.Shims = append(b.Shims, Shim{Thickness: size, Tolerance: plain("0.01")})
	}
	if no := countShims(&b.Shims[i], c); no != nil {
		return Receipt{}, no
	}
	if no := describeShims(&b.Shims[i], size, c); no != nil {
		return Receipt{}, no
	}
	slices.SortStableFunc(b.Shims, func(x, y Shim) int { return x.nominal().Cmp(y.nominal().Decimal) })
	t.add(b)
	seq := t.state.seq
	t.by("", FromBench)
	t.tellJob(b.Stock)
	return Receipt{Seq: seq}, nil
}

// countShims sets or changes how many there are, and the minimum.
func countShims(s *Shim, c Command) *Refusal {
	n, err := strconv.Atoi(cmp.Or(c.Count, "+0"))
	count := n
	if c.Count == "" || strings.HasPrefix(c.Count, "+") || strings.HasPrefix(c.Count, "-") {
		count = s.Count + n
	}
	switch {
	case err != nil || count > mostShims:
		return refuse("bad number", fmt.Sprintf("%q is not a number of shims", c.Count), "write how many there are, or +2 or -1", "field", "count", "text", c.Count)
	case count < 0:
		return refuse("below zero", fmt.Sprintf("there are %d shims of %s, so %d cannot be taken", s.Count, s.nominal(), -n), "count them and give the number that is there", "size", s.nominal().String(), "count", strconv.Itoa(s.Count), "taken", strconv.Itoa(-n))
	}
	s.Count = count
	if c.Least != "" {
		least, err := strconv.Atoi(c.Least)
		if err != nil || least < 0 || least > mostShims {
			return refuse("bad number", fmt.Sprintf("%q is not a number of shims", c.Least), "write the fewest that should be on hand", "field", "least", "text", c.Least)
		}
		s.Least = least
	}
	return nil
}

// describeShims says how well the thickness of a size is known: by the maker's
// tolerance, or measured with its standard uncertainty.
func describeShims(s *Shim, size Number, c Command) *Refusal {
	if c.Tolerance != "" {
		n, no := typedNumber("tolerance", c.Tolerance, OfLength)
		if no != nil || n.IsNegative() {
			return refuse("bad number", fmt.Sprintf("%q is not a tolerance", c.Tolerance), "write ± mm, like 0.005", "field", "tolerance", "text", c.Tolerance)
		}
		s.Tolerance = &n
	}
	if c.Value == "" {
		return nil
	}
	thickness, no := stockLength("thickness", c.Value)
	if no != nil {
		return no
	}
	u, no := typedNumber("uncertainty", cmp.Or(c.U, "0.002"), OfLength)
	if no != nil || u.IsNegative() {
		return refuse("bad number", fmt.Sprintf("%q is not an uncertainty", c.U), "write the standard uncertainty of the measured thickness in mm, like 0.002", "field", "uncertainty", "text", c.U)
	}
	if thickness.Sub(size.Decimal).Abs().GreaterThan(size.Div(decimal.NewFromInt(2))) {
		return refuse("bad number", fmt.Sprintf("a shim of %s does not measure %s", size, thickness), "check size and thickness", "field", "thickness", "text", thickness.String())
	}
	s.Size, s.Thickness, s.U = &size, thickness, &u
	return nil
}

func stockLength(field, text string) (Number, *Refusal) {
	n, no := typedNumber(field, text, OfLength)
	if no != nil || !n.IsPositive() || !measurable(n) {
		return Number{}, refuse("bad number", fmt.Sprintf("%q is not the %s of a shim", text, field), "write it in mm, like 0.16", "field", field, "text", text)
	}
	return n, nil
}

// halfWidth is ± about a shim's thickness.
func (s *Shim) halfWidth() decimal.Decimal {
	if s.U != nil {
		return s.U.Mul(decimal.New(17320508, -7)) // √3: rectangular of the same standard uncertainty
	}
	return s.Tolerance.Decimal
}

// tellJob puts into the open job what its stock holds, if it is the one named.
func (t *turn) tellJob(stock string) {
	j := t.state.job
	if j == nil || j.ended || j.plan.Shims != stock || stock == "" {
		return
	}
	if i := t.state.stockOf(stock); i >= 0 {
		t.add(OnHand{j.withOwn(t.state.stocks[i].Shims)})
	}
}

// withOwn adds to shims those that are in the job's engine.
func (j *job) withOwn(shims []Shim) []Shim {
	shims = slices.Clone(shims)
	for _, f := range j.fitted {
		for _, pack := range f.said {
			count(shims, pack.Pieces, 1)
		}
	}
	return shims
}

// count adds by to the count of each piece that shims have a size for; none falls below 0.
func count(shims []Shim, pieces []Number, by int) {
	for _, piece := range pieces {
		if i := shimOf(shims, piece); i >= 0 {
			shims[i].Count = max(shims[i].Count+by, 0)
		}
	}
}

// shimOf finds a shim by its thickness, or by the size that it goes by.
func shimOf(shims []Shim, piece Number) int {
	if i := slices.IndexFunc(shims, func(s Shim) bool { return s.Thickness.Equal(piece.Decimal) }); i >= 0 {
		return i
	}
	return slices.IndexFunc(shims, func(s Shim) bool { return s.nominal().Equal(piece.Decimal) })
}

// sizesOf are the sizes that pieces go by; nil if they are the thicknesses.
func sizesOf(shims []Shim, pieces []Number) []Number {
	var sizes []Number
	measured := false
	for _, piece := range pieces {
		size := piece
		if i := shimOf(shims, piece); i >= 0 && shims[i].Size != nil {
			size, measured = *shims[i].Size, true
		}
		sizes = append(sizes, size)
	}
	if !measured {
		return nil
	}
	return sizes
}

// openStock makes the stock that a job's plan names known to it. If the bench has none
// of that name yet, it begins with what the plan lists.
func (t *turn) openStock() {
	name := t.state.job.plan.Shims
	if name == "" {
		return
	}
	if t.state.stockOf(name) < 0 && len(t.state.job.plan.Stock) > 0 {
		t.add(Stocked{Stock: name, Shims: t.state.job.plan.Stock, Why: Reason{Code: "from plan"}})
	}
	t.tellJob(name)
}

// takeFrom takes from the stock what was fitted, and puts back what came out instead.
func (t *turn) takeFrom(before, after []Pack) {
	j := t.state.job
	i := t.state.stockOf(j.plan.Shims)
	if j.plan.Shims == "" || i < 0 {
		return
	}
	shims := slices.Clone(t.state.stocks[i].Shims)
	for _, pack := range before {
		count(shims, pack.Pieces, 1)
	}
	for _, pack := range after {
		count(shims, pack.Pieces, -1)
	}
	if slices.EqualFunc(shims, t.state.stocks[i].Shims, func(x, y Shim) bool { return x.Count == y.Count }) {
		return
	}
	t.add(Stocked{Stock: j.plan.Shims, Shims: shims, Why: reason("fitted", "job", j.number)})
}

// elsewhere are the pieces that are in other chains of the engine than i: not to be had.
func (j *job) elsewhere(i int) []Number {
	var pieces []Number
	for k := range j.fitted {
		if k == i {
			continue
		}
		for _, pack := range j.fitted[k].said {
			pieces = append(pieces, pack.Pieces...)
		}
	}
	return pieces
}

// promised are the pieces that chains before i are advised and nobody has fitted yet. One
// stock serves them all, so that they are not to be had for i either.
func (j *job) promised(i int) []Number {
	var pieces []Number
	for k, a := range j.advice[:i] {
		if a == nil || a.Best == nil {
			continue
		}
		for _, pack := range a.Best.Packs {
			if !slices.ContainsFunc(j.fitted[k].said, func(p Pack) bool { return p.Side == pack.Side }) {
				pieces = append(pieces, pack.Pieces...)
			}
		}
	}
	return pieces
}

// givenUp says which shims would do better in a chain if they were not meant for chains
// before it; nil if none would.
func (j *job) givenUp(ch *Chain, known knowledge) (*Reason, error) {
	i := j.plan.chain(ch.Name)
	promised := j.promised(i)
	if len(promised) == 0 {
		return nil, nil
	}
	p := j.likelyProblem(ch, known.uncertainty.Estimate(known.value))
	left := slices.Clone(p.Stock)
	for _, piece := range promised {
		if s := shimOf(j.plan.Stock, piece); s >= 0 {
			p.Stock[s].Count++
		}
	}
	free, err := j.method.LikelyFits(p, 1)
	if err != nil || len(free.Best) == 0 {
		return nil, err
	}
	for _, pack := range free.Best[0].Packs {
		for _, piece := range pack.Pieces {
			s := slices.IndexFunc(left, func(x calc.Shim) bool { return x.Thickness.Equal(piece) })
			if left[s].Count--; left[s].Count < 0 {
				why := reason("shim meant for another chain", "size", j.plan.Stock[s].nominal().String(), "chain", j.claimant(i, worked(piece)))
				return &why, nil
			}
		}
	}
	return nil, nil
}

// claimant is the title of the first chain before i that a piece is promised to.
func (j *job) claimant(i int, piece Number) string {
	for k := range i {
		if slices.ContainsFunc(j.promised(k+1), func(n Number) bool { return n.Equal(piece.Decimal) }) {
			return j.plan.Chains[k].Title
		}
	}
	return ""
}

// unsaid is a chain whose shims are advised but of which nobody said what is fitted; -1
// if there is none.
func (j *job) unsaid() int {
	for i, ch := range j.plan.Chains {
		if a := j.advice[i]; len(ch.Sides) > 0 && a != nil && a.Best != nil && len(j.fitted[i].said) < len(ch.Sides) {
			return i
		}
	}
	return -1
}
