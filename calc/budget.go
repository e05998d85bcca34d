package calc

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/shopspring/decimal"
)

// Shape is the distribution that a cause is taken to have.
type Shape int

// There is no shape by default. Rectangular, Triangular and ArcSine have the half-width
// u·√3, u·√6 and u·√2 (JCGM 100:2008, 4.3.7, 4.3.9; JCGM 101:2008, 6.4.6). StudentT is
// u times Student's t with the cause's degrees of freedom (JCGM 101:2008, 6.4.9).
const (
	Normal Shape = iota + 1
	Rectangular
	Triangular
	ArcSine
	StudentT
)

var shapeNames = [...]string{"", "normal", "rectangular", "triangular", "arcsine", "t"}

// String returns normal, rectangular, triangular, arcsine or t.
func (s Shape) String() string {
	if s < Normal || s > StudentT {
		return "Shape(" + strconv.Itoa(int(s)) + ")"
	}
	return shapeNames[s]
}

// ParseShape is the inverse of String. The error is a *FieldError.
func ParseShape(text string) (Shape, error) {
	for s := Normal; s <= StudentT; s++ {
		if s.String() == text {
			return s, nil
		}
	}
	return 0, refuse("shape", "is %q; it must be normal, rectangular, triangular, arcsine or t", text)
}

// flat says that the shape has ends: it is not made by many small effects.
func (s Shape) flat() bool { return s == Rectangular || s == Triangular || s == ArcSine }

// Cause is one reason why a result may be wrong, entered once whatever it acts on: its
// standard uncertainty U (0 or more, in the cause's own unit), its degrees of freedom
// (1 or more, +Inf if U is certain; unknown ones must be judged, see FreedomOf), its
// shape, and what it does to the terms. Names are unique in a budget.
type Cause struct {
	Name       string
	U, Freedom float64
	Shape      Shape
	Effects    []Effect
}

// Effect is how much a term, given by index, changes per unit of the cause.
type Effect struct {
	Term int
	By   float64
}

// Weight is a term of the result and its coefficient c: +1 or -1 in a chain, -2 for a
// bar that two depths were measured over.
type Weight struct {
	Name string
	C    float64
}

// Correlation is a given correlation coefficient R, -1 to 1, of two causes by index.
type Correlation struct {
	A, B int
	R    float64
}

// Product is a second-order part of the result: By times the errors of two different
// causes (JCGM 100:2008, 5.1.2 note; H.1.7). It must not be given for causes that are
// correlated.
type Product struct {
	A, B int
	By   float64
}

// Budget is everything that may be wrong with a result y = Σ cᵢ·xᵢ. Unstated names the
// inputs that nobody has stated (how far a gasket is squeezed, how much play a bearing
// has): with any of them a result can be worked out, but never be shown inside.
type Budget struct {
	Terms        []Weight
	Causes       []Cause
	Correlations []Correlation
	Products     []Product
	Unstated     []string
}

// Line is a cause in the combined budget: its sensitivity Σ cᵢ·∂xᵢ, its contribution
// |sensitivity|·U in the unit of the result, and its share of u², which is below 0 for
// a cause that others cancel.
type Line struct {
	Name                             string
	Shape                            Shape
	U, Freedom                       float64
	Sensitivity, Contribution, Share float64
}

// Way is how the expanded uncertainty was found.
type Way int

// The usual way is Student's t. Where one cause that is not normal carries more than a
// third of u², its shape is folded exactly with a normal rest, or, if it is an arcsine,
// correlated with others or part of a product, drawn (JCGM 101:2008). So it is where a
// product carries more than a third.
const (
	ByStudent Way = iota
	ByConvolution
	ByDraws
)

// String returns student, convolution or draws.
func (w Way) String() string {
	switch w {
	case ByStudent:
		return "student"
	case ByConvolution:
		return "convolution"
	case ByDraws:
		return "draws"
	}
	return "Way(" + strconv.Itoa(int(w)) + ")"
}

// Uncertainty is a combined budget. U is the standard uncertainty, Freedom the effective
// degrees of freedom as computed and FreedomUsed the next lower whole number; Expanded
// = K·U covers the result with Probability. Lines are sorted by contribution, biggest
// first. Dominant names the causes, not normal, that carry more than a third of u² each,
// and such products as "a × b". Unstated is that of the budget.
// All is in the unit of the result and not rounded; see Rounded.
type Uncertainty struct {
	U, Freedom, FreedomUsed  float64
	Probability, K, Expanded float64
	Way                      Way
	Dominant                 []string
	Lines                    []Line
	Unstated                 []string
	flats                    []float64
}

const (
	maxCauses   = 1000
	biggest     = 1e15    // any number of a budget, so that no power of it overflows
	dominates   = 1.0 / 3 // of u²
	ownDraws    = 200_000 // where Combine itself must draw
	ownSeed     = 1
	wholeSlack  = 1e-9
	leastPivot  = -1e-9 // of a correlation matrix that is good but for rounding
	significant = 12    // digits of a float64 that are taken as meant
	maxExponent = 400   // digits of a value before and after the point
)

// Combine works out the budget:
//
//	u²  = Σ Σ sᵢ·sⱼ·rᵢⱼ·uᵢ·uⱼ + Σ pₖ²·u²·u²     (JCGM 100:2008, (13), 5.1.2 note)
//	ν   = u⁴ / Σ uᵢ⁴/νᵢ, nothing rounded            (G.4.1, G.2b)
//	k   = t at (1+P)/2 with ν truncated             (G.3.2, G.4.1 note 1)
//
// with sᵢ = Σ c·∂x over the terms. (13) of G.4.1 wants independent causes: causes that
// are correlated enter ν together, with the fewest degrees of freedom among them; so do
// the two of a Product.
//
// probability is that of the coverage, above 0 and below 1. The error is a *FieldError
// that names the field: no term or no cause, a number that is NaN, infinite, too big or
// negative where it may not be, degrees of freedom of 0 or unknown, no shape, an index
// that does not exist, correlations that contradict each other.
func (b Budget) Combine(probability float64) (Uncertainty, error) {
	w, out, err := b.uncovered()
	if err != nil {
		return Uncertainty{}, err
	}
	if !(probability > 0 && probability < 1) {
		return Uncertainty{}, refuse("probability", "is %v; it must be above 0 and below 1, as 0.95", probability)
	}
	out.Probability, out.Unstated = probability, b.Unstated
	switch {
	case out.Way == ByDraws:
		s := w.draw(ownDraws, ownSeed)
		low, high := s.Interval(probability)
		out.Expanded = max(-low, high)
	case out.Way == ByConvolution && out.U >= nothing: // below it no shape shows
		out.Expanded = out.belief().upper((1 + probability) / 2)
	default:
		out.Expanded = out.U * studentQuantile((1+probability)/2, out.FreedomUsed)
	}
	if out.U > 0 {
		out.K = out.Expanded / out.U
	} else {
		out.K = studentQuantile((1+probability)/2, out.FreedomUsed)
	}
	return out, nil
}

// uncovered is Combine without the coverage, which is most of the work.
func (b Budget) uncovered() (*weighed, Uncertainty, error) {
	w, err := b.weigh()
	if err != nil {
		return nil, Uncertainty{}, err
	}
	out := w.combine()
	if !(out.U <= biggest) {
		return nil, Uncertainty{}, refuse("causes", "come to an uncertainty of %v; nothing is known so badly, check the units", out.U)
	}
	return w, out, nil
}

// weighed is a budget found good.
type weighed struct {
	Budget
	s     []float64 // sensitivity of the result
	c     []float64 // contribution, signed
	block []int     // causes with the same number are correlated
	root  [][]float64
}

func (b Budget) weigh() (*weighed, error) {
	w := &weighed{Budget: b, s: make([]float64, len(b.Causes)), c: make([]float64, len(b.Causes))}
	if err := b.checkTerms(); err != nil {
		return nil, err
	}
	if len(b.Causes) == 0 || len(b.Causes) > maxCauses {
		return nil, refuse("causes", "are %d; a budget has 1 to %d, a result without any makes no claim", len(b.Causes), maxCauses)
	}
	names := make(map[string]int, len(b.Causes))
	for i, c := range b.Causes {
		if err := c.sound(len(b.Terms)); err != nil {
			return nil, under(fmt.Sprintf("causes[%d].", i), err)
		}
		if j, taken := names[c.Name]; taken {
			return nil, refuse(fmt.Sprintf("causes[%d].name", i), "is %q like that of causes[%d]; enter a common cause once, with all its effects", c.Name, j)
		}
		names[c.Name] = i
		for _, e := range c.Effects {
			w.s[i] += b.Terms[e.Term].C * e.By
		}
		w.c[i] = w.s[i] * c.U
	}
	if err := w.correlate(); err != nil {
		return nil, err
	}
	return w, w.checkProducts()
}

func (b Budget) checkTerms() error {
	if len(b.Terms) == 0 || len(b.Terms) > maxTerms {
		return refuse("terms", "are %d; a budget has 1 to %d", len(b.Terms), maxTerms)
	}
	for i, t := range b.Terms {
		if err := ordinary("c", t.C); err != nil {
			return under(fmt.Sprintf("terms[%d].", i), err)
		}
	}
	return nil
}

// ordinary refuses what no arithmetic can go on with.
func ordinary(field string, x float64) error {
	switch {
	case math.IsNaN(x):
		return refuse(field, "is not a number")
	case math.Abs(x) > biggest:
		return refuse(field, "is %v; it must be within ±%v", x, biggest)
	}
	return nil
}

// atLeast refuses x below least, and what is not ordinary.
func atLeast(field string, x, least float64) error {
	if err := ordinary(field, x); err != nil {
		return err
	}
	if x < least {
		return refuse(field, "is %v; it must be %v or more", x, least)
	}
	return nil
}

// above0 refuses x of 0 or less, and what is not ordinary.
func above0(field string, x float64) error {
	if err := ordinary(field, x); err != nil {
		return err
	}
	if x <= 0 {
		return refuse(field, "is %v; it %s", x, positive)
	}
	return nil
}

// checkFreedom refuses degrees of freedom that are not known.
func checkFreedom(field string, nu float64) error {
	if !(nu >= 1) {
		return refuse(field, "is %v; give 1 or more degrees of freedom, or +Inf if the uncertainty itself is certain", nu)
	}
	return nil
}

func (c Cause) check(field string, terms int) error { return under(field, c.sound(terms)) }

// sound names the field only if it must.
func (c Cause) sound(terms int) error {
	if c.Name == "" {
		return refuse("name", "is missing; name the cause")
	}
	if err := atLeast("u", c.U, 0); err != nil {
		return err
	}
	if err := checkFreedom("freedom", c.Freedom); err != nil {
		return err
	}
	if c.Shape < Normal || c.Shape > StudentT {
		return refuse("shape", "of %q is not stated; it must be normal, rectangular, triangular, arcsine or t", c.Name)
	}
	for i, e := range c.Effects {
		if e.Term < 0 || e.Term >= terms {
			return refuse(fmt.Sprintf("effects[%d].term", i), "is %d; there are %d terms, counted from 0", e.Term, terms)
		}
		if err := ordinary("by", e.By); err != nil {
			return under(fmt.Sprintf("effects[%d].", i), err)
		}
	}
	return nil
}

// correlate checks the correlations, finds the blocks and the lower triangular root of
// the correlation matrix; without correlations there is no root.
func (w *weighed) correlate() error {
	n := len(w.Causes)
	w.block = make([]int, n)
	for i := range w.block {
		w.block[i] = i
	}
	if len(w.Correlations) == 0 {
		return nil
	}
	r := make([][]float64, n)
	for i := range r {
		r[i] = make([]float64, n)
		r[i][i] = 1
	}
	given := map[[2]int]bool{}
	for i, x := range w.Correlations {
		field := fmt.Sprintf("correlations[%d]", i)
		if err := checkPair(field, x.A, x.B, n); err != nil {
			return err
		}
		if !(math.Abs(x.R) <= 1) {
			return refuse(field+".r", "is %v; it must be from -1 to 1", x.R)
		}
		pair := [2]int{min(x.A, x.B), max(x.A, x.B)}
		if given[pair] {
			return refuse(field, "is given twice for causes %d and %d; give it once", x.A, x.B)
		}
		given[pair] = true
		r[x.A][x.B], r[x.B][x.A] = x.R, x.R
		if x.R != 0 {
			w.merge(w.block[x.A], w.block[x.B])
		}
	}
	if !root(r) {
		return refuse("correlations", "contradict each other: no set of causes can have them all; check the signs")
	}
	w.root = r
	return nil
}

func checkPair(field string, a, b, n int) error {
	if a < 0 || a >= n || b < 0 || b >= n {
		return refuse(field, "is between causes %d and %d; there are %d causes, counted from 0", a, b, n)
	}
	if a == b {
		return refuse(field, "is between cause %d and itself; name two causes", a)
	}
	return nil
}

func (w *weighed) merge(a, b int) {
	for i, x := range w.block {
		if x == b {
			w.block[i] = a
		}
	}
}

// root turns a correlation matrix into its lower triangular root (Cholesky) in place,
// and says whether it has one. A pivot of 0 but for rounding makes a column of zeros,
// and then nothing may be left of the column.
func root(r [][]float64) bool {
	for j := range r {
		for k := range j {
			r[j][j] -= r[j][k] * r[j][k]
		}
		if r[j][j] < leastPivot {
			return false
		}
		r[j][j] = math.Sqrt(max(r[j][j], 0))
		for i := j + 1; i < len(r); i++ {
			x := r[i][j]
			for k := range j {
				x -= r[i][k] * r[j][k]
			}
			r[j][i] = 0
			switch {
			case r[j][j]*r[j][j] > -leastPivot:
				r[i][j] = x / r[j][j]
			case math.Abs(x) > math.Sqrt(-leastPivot):
				return false
			default:
				r[i][j] = 0
			}
		}
	}
	return true
}

func (w *weighed) checkProducts() error {
	for i, p := range w.Products {
		field := fmt.Sprintf("products[%d]", i)
		if err := checkPair(field, p.A, p.B, len(w.Causes)); err != nil {
			return err
		}
		if err := ordinary(field+".by", p.By); err != nil {
			return err
		}
		if w.block[p.A] == w.block[p.B] {
			return refuse(field, "is between causes that are correlated; that is not worked out, give it as a cause of its own")
		}
	}
	return nil
}

// part is a contribution to u² with its degrees of freedom.
type part struct{ square, freedom float64 }

// combine does all but the coverage. It works in multiples of the biggest contribution,
// so that no power is lost.
func (w *weighed) combine() Uncertainty {
	scale := 0.0
	for i := range w.c {
		scale = max(scale, math.Abs(w.c[i]))
	}
	for _, p := range w.Products {
		scale = max(scale, w.productOf(p))
	}
	out := Uncertainty{Freedom: math.Inf(1), FreedomUsed: math.Inf(1), Lines: make([]Line, len(w.Causes))}
	shares := make([]float64, len(w.Causes))
	total := 0.0
	if scale > 0 {
		var parts []part
		total, parts = w.parts(scale, shares)
		out.U = scale * math.Sqrt(total)
		out.Freedom = welch(total, parts)
		out.FreedomUsed = math.Floor(out.Freedom + wholeSlack)
	}
	for i, c := range w.Causes {
		l := Line{Name: c.Name, Shape: c.Shape, U: c.U, Freedom: c.Freedom, Sensitivity: w.s[i], Contribution: math.Abs(w.c[i])}
		if total > 0 {
			l.Share = shares[i] / total
		}
		out.Lines[i] = l
		w.dominant(i, l.Share, &out)
	}
	w.dominantProducts(&out)
	slices.SortStableFunc(out.Lines, func(a, b Line) int {
		return cmp.Or(cmp.Compare(b.Contribution, a.Contribution), cmp.Compare(b.Share, a.Share), cmp.Compare(a.Name, b.Name))
	})
	slices.Sort(out.Dominant)
	return out
}

func (w *weighed) productOf(p Product) float64 {
	return math.Abs(p.By) * w.Causes[p.A].U * w.Causes[p.B].U
}

// parts returns u² in units of scale², what independent parts it is made of, and puts
// each cause's part, covariances halved, into shares; a product is shared by its two.
func (w *weighed) parts(scale float64, shares []float64) (float64, []part) {
	for i := range w.c {
		shares[i] = w.c[i] / scale * (w.c[i] / scale)
	}
	for _, r := range w.Correlations {
		x := r.R * w.c[r.A] / scale * (w.c[r.B] / scale)
		shares[r.A] += x
		shares[r.B] += x
	}
	blocks := make([]part, len(w.c))
	for i, x := range shares {
		p := &blocks[w.block[i]]
		if p.square += x; p.freedom == 0 || w.Causes[i].Freedom < p.freedom {
			p.freedom = w.Causes[i].Freedom
		}
	}
	total := 0.0
	for i := range blocks {
		blocks[i].square = max(blocks[i].square, 0)
		total += blocks[i].square
	}
	for _, p := range w.Products {
		x := w.productOf(p) / scale
		blocks = append(blocks, part{x * x, min(w.Causes[p.A].Freedom, w.Causes[p.B].Freedom)})
		shares[p.A] += x * x / 2
		shares[p.B] += x * x / 2
		total += x * x
	}
	return total, blocks
}

// welch is the Welch-Satterthwaite formula, at least the fewest degrees of freedom of
// any part and at least 1.
func welch(total float64, parts []part) float64 {
	sum := 0.0
	for _, p := range parts {
		if p.square > 0 {
			share := p.square / total
			sum += share * share / p.freedom
		}
	}
	return max(1/sum, 1)
}

// dominant notes a cause that is not normal and carries more than a third of u².
func (w *weighed) dominant(i int, share float64, out *Uncertainty) {
	c := w.Causes[i]
	if !c.Shape.flat() || share <= dominates {
		return
	}
	out.Dominant = append(out.Dominant, c.Name)
	alone := 0
	for _, block := range w.block {
		if block == w.block[i] {
			alone++
		}
	}
	switch a := math.Abs(w.c[i]); {
	case c.Shape == ArcSine || alone > 1 || w.multiplied(i):
		out.Way, out.flats = ByDraws, nil
	case out.Way == ByDraws:
	case c.Shape == Triangular: // the sum of two equal flat parts
		out.Way, out.flats = ByConvolution, append(out.flats, a*math.Sqrt(1.5), a*math.Sqrt(1.5))
	default:
		out.Way, out.flats = ByConvolution, append(out.flats, a*math.Sqrt(3))
	}
}

// multiplied says that cause i is part of a product.
func (w *weighed) multiplied(i int) bool {
	return slices.ContainsFunc(w.Products, func(p Product) bool { return p.A == i || p.B == i })
}

// dominantProducts notes products that carry more than a third of u²: no product is
// normal.
func (w *weighed) dominantProducts(out *Uncertainty) {
	for _, p := range w.Products {
		if x := w.productOf(p); x*x > dominates*out.U*out.U {
			out.Dominant = append(out.Dominant, w.Causes[p.A].Name+" × "+w.Causes[p.B].Name)
			out.Way, out.flats = ByDraws, nil
		}
	}
}

// FreedomOf returns the degrees of freedom ½·(Δu/u)⁻² of an uncertainty that is itself
// reliable to the fraction Δu/u (JCGM 100:2008, G.4.2): 0.25 gives 8, 0 gives +Inf. The
// error is a *FieldError: less than 0, or so unreliable that less than 1 would be left.
func FreedomOf(reliability float64) (float64, error) {
	if !(reliability >= 0 && reliability <= math.Sqrt2/2) {
		return 0, refuse("reliability", "is %v; it must be from 0 to 0.7071", reliability)
	}
	return max(1, 1/(2*reliability*reliability)), nil
}

// Rounded writes a result for people: the expanded uncertainty rounded up to two
// significant digits, and the value to the same decimal, half to even (JCGM 100:2008,
// 7.2.6). A float64 is taken to mean its first 12 digits. An uncertainty of 0 leaves the
// value as it is. The error is a *FieldError.
func Rounded(value decimal.Decimal, expanded float64) (decimal.Decimal, decimal.Decimal, error) {
	if err := atLeast("expanded", expanded, 0); err != nil {
		return value, decimal.Zero, err
	}
	if e := value.Exponent(); e > significant || e < -maxExponent || value.NumDigits() > maxExponent {
		return value, decimal.Zero, refuse("value", "has too many digits for a measured value; check the unit")
	}
	if expanded == 0 {
		return value, decimal.Zero, nil
	}
	meant, _ := decimal.NewFromString(strconv.FormatFloat(expanded, 'e', significant-1, 64))
	places := func(x decimal.Decimal) int32 { return 2 - int32(x.NumDigits()) - x.Exponent() }
	u := meant.RoundCeil(places(meant))
	if at := places(u); at < places(meant) { // 0.0996 became 0.100: two digits are 0.10
		u = u.Round(at)
	}
	return value.RoundBank(places(u)), u, nil
}
