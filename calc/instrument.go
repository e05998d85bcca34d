package calc

import (
	"fmt"
	"math"
	"strings"

	"github.com/shopspring/decimal"
)

// Measured is a term of a chain that was read from an instrument: its index in the
// budget, its coefficient C, the length that was read in mm, and the instrument and use
// (outside, inside, depth, step) it was read with.
type Measured struct {
	Term            int
	C               float64
	Length          decimal.Decimal
	Instrument, Use string
}

// Point is a length at which the error of an instrument in one use is known: from a
// certificate, or from a check in the session at zero or on a gauge block. Error is
// reading less true length, in mm, with its standard uncertainty U (0 or more), degrees
// of freedom and shape. It speaks for lengths up to Reach from At, in mm; a check at
// zero speaks for all (+Inf), but only of the zero.
type Point struct {
	Name       string
	At, Error  decimal.Decimal
	Reach      float64
	U, Freedom float64
	Shape      Shape
}

// UseErrors is what is known of the errors of an instrument in one use.
//
// Limit ±a is the permissible error, all causes together, in mm, above 0. Rest ±r is the
// part of it that a known point does not take away: the local error near the point. It
// must be stated, up to Limit, if there are Points; where a profile says nothing it is
// the Limit. Scale ±s is the relative error of the instrument's scale between a point and
// the length read, 0 or more, the same in all uses of one instrument.
type UseErrors struct {
	Instrument, Use    string
	Limit, Rest, Scale float64
	Points             []Point
}

// Split says how the errors of some terms (by index in the budget) were taken: "limit",
// the default without a known point, or the name of the point.
type Split struct {
	Instrument, Use, How string
	Terms                []int
}

// InstrumentErrors is the part of a budget that comes from instruments: the causes, what
// to add to each measured term in mm (in the order given, exact), how each was taken.
// The findings, lengths in mm:
//
//	"known points disagree"   instrument, use, points, errors; the limit counts instead
//	"error beyond limit"      instrument, use, point, error, limit; corrected all the same
type InstrumentErrors struct {
	Causes      []Cause
	Corrections []decimal.Decimal
	Splits      []Split
	Findings    []Finding
}

const (
	codePoints = "known points disagree"
	codeBeyond = "error beyond limit"
	byLimit    = "limit"
	coverage   = 2.0 // multiples of u within which errors agree
)

// InstrumentCauses enters each cause once, whatever terms it acts on.
//
// A term near no known point: the error is anywhere within ±a, rectangular, u = a/√3
// (JCGM 100:2008, 4.3.7). How much of it is zero, scale or local is not known, so it is
// taken as fully common to the terms of like sign in one use, and as independent between
// those of opposite sign: nothing cancels that has not been earned.
//
// A term near a known point e(P): its error is e(P) + s·(L − P) + rest, so −e is its
// correction, and what is not known is
//
//   - e(P) itself, one cause for all terms that rely on the point; it cancels between
//     terms of opposite sign,
//   - the scale, one cause for the instrument, in all uses, with sensitivity L − P,
//   - the rest ±r, treated as a limit.
//
// Of several points that reach a length the nearest is taken, then the better known. The
// error is a *FieldError: an index below 0, an instrument and use without errors or with
// two, a limit that is not above 0, a number that is NaN or negative where it may not be.
func InstrumentCauses(terms []Measured, known []UseErrors) (InstrumentErrors, error) {
	w := instruments{scales: map[string]int{}, limits: map[string]int{}}
	uses := make(map[[2]string]*UseErrors, len(known))
	for i := range known {
		k := &known[i]
		field := fmt.Sprintf("known[%d].", i)
		if err := k.check(field); err != nil {
			return InstrumentErrors{}, err
		}
		for j := range i {
			if o := known[j]; o.Instrument == k.Instrument && o.Scale != k.Scale {
				return InstrumentErrors{}, refuse(field+"scale", "of %s is %v, but %v in another use; an instrument has one scale", k.Instrument, k.Scale, o.Scale)
			}
		}
		use := [2]string{k.Instrument, k.Use}
		if uses[use] != nil {
			return InstrumentErrors{}, refuse(field+"use", "is given twice for %s, %s; give it once", k.Instrument, k.Use)
		}
		uses[use] = w.believable(k)
	}
	for i, t := range terms {
		k := uses[[2]string{t.Instrument, t.Use}]
		field := fmt.Sprintf("terms[%d].", i)
		l, err := t.check(field)
		if err != nil {
			return InstrumentErrors{}, err
		}
		if k == nil {
			return InstrumentErrors{}, refuse(field+"use", "is %q with %q; nothing is known of its errors, state a limit for this use", t.Use, t.Instrument)
		}
		w.add(t, l, k)
	}
	return w.out, nil
}

func (t Measured) check(field string) (length, error) {
	var l length
	if t.Term < 0 {
		return 0, refuse(field+"term", "is %d; it must be 0 or more", t.Term)
	}
	if err := ordinary(field+"c", t.C); err != nil {
		return 0, err
	}
	return l, number{field + "length", t.Length, &l, anything, ""}.check()
}

func (k *UseErrors) check(field string) error {
	if err := above0(field+"limit", k.Limit); err != nil {
		return err
	}
	if err := atLeast(field+"scale", k.Scale, 0); err != nil {
		return err
	}
	if len(k.Points) > 0 && !(k.Rest > 0 && k.Rest <= k.Limit) {
		return refuse(field+"rest", "is %v; with a known point state what is left of the limit near it, above 0 and up to %v", k.Rest, k.Limit)
	}
	for i, p := range k.Points {
		if err := p.check(fmt.Sprintf("%spoints[%d].", field, i)); err != nil {
			return err
		}
	}
	return nil
}

func (p Point) check(field string) error {
	var l length
	for _, n := range []number{{field + "at", p.At, &l, anything, ""}, {field + "error", p.Error, &l, anything, ""}} {
		if err := n.check(); err != nil {
			return err
		}
	}
	if !(p.Reach >= 0) {
		return refuse(field+"reach", "is %v; it must be 0 or more, or +Inf for a zero", p.Reach)
	}
	return Cause{Name: p.Name, U: p.U, Freedom: p.Freedom, Shape: p.Shape}.check(field, 0)
}

// instruments gathers causes; scales and limits say where in the list one is.
type instruments struct {
	out            InstrumentErrors
	scales, limits map[string]int
}

// believable returns k without points that contradict each other.
func (w *instruments) believable(k *UseErrors) *UseErrors {
	for i, p := range k.Points {
		e := p.Error.InexactFloat64()
		if math.Abs(e)-coverage*p.U > k.Limit {
			w.find(codeBeyond, k, "point", p.Name, "error", p.Error.String(), "limit", fmt.Sprint(k.Limit))
		}
		for _, o := range k.Points[:i] {
			if p.At.Equal(o.At) && math.Abs(e-o.Error.InexactFloat64()) > coverage*math.Hypot(p.U, o.U) {
				w.find(codePoints, k, "points", o.Name+", "+p.Name, "errors", o.Error.String()+", "+p.Error.String())
				bare := *k
				bare.Points = nil
				return &bare
			}
		}
	}
	return k
}

func (w *instruments) find(code string, k *UseErrors, pairs ...string) {
	f := Finding{Code: code, Params: map[string]string{"instrument": k.Instrument, "use": k.Use}}
	for i := 0; i < len(pairs); i += 2 {
		f.Params[pairs[i]] = pairs[i+1]
	}
	w.out.Findings = append(w.out.Findings, f)
}

func (w *instruments) add(t Measured, l length, k *UseErrors) {
	p := k.near(l)
	if p == nil {
		w.out.Corrections = append(w.out.Corrections, decimal.Zero)
		w.split(t, byLimit)
		w.limit(t, k.Limit, "limit")
		return
	}
	w.out.Corrections = append(w.out.Corrections, p.Error.Neg())
	w.split(t, p.Name)
	named := strings.Join([]string{k.Instrument, k.Use, p.Name}, ", ")
	w.effect(w.limits, Cause{Name: named, U: p.U, Freedom: p.Freedom, Shape: p.Shape}, Effect{t.Term, 1})
	if k.Scale > 0 {
		at, _ := picometres(p.At)
		w.effect(w.scales, rectangular(k.Instrument+", scale", k.Scale), Effect{t.Term, (l - at).mm()})
	}
	w.limit(t, k.Rest, "rest beyond a known point")
}

// near is the known point to rely on at a length.
func (k *UseErrors) near(l length) *Point {
	var best *Point
	away := math.Inf(1)
	for i := range k.Points {
		p := &k.Points[i]
		at, _ := picometres(p.At)
		d := (l - at).abs().mm()
		if d <= p.Reach && (best == nil || d < away || d == away && p.U < best.U) {
			best, away = p, d
		}
	}
	return best
}

// limit adds ±a to the cause of its use and sign.
func (w *instruments) limit(t Measured, a float64, what string) {
	sign := "added"
	if t.C < 0 {
		sign = "subtracted"
	}
	w.effect(w.limits, rectangular(strings.Join([]string{t.Instrument, t.Use, what, sign}, ", "), a), Effect{t.Term, 1})
}

func rectangular(name string, a float64) Cause {
	return Cause{Name: name, U: a / math.Sqrt(3), Freedom: math.Inf(1), Shape: Rectangular}
}

func (w *instruments) effect(at map[string]int, c Cause, e Effect) {
	i, ok := at[c.Name]
	if !ok {
		i = len(w.out.Causes)
		at[c.Name] = i
		w.out.Causes = append(w.out.Causes, c)
	}
	w.out.Causes[i].Effects = append(w.out.Causes[i].Effects, e)
}

func (w *instruments) split(t Measured, how string) {
	for i := range w.out.Splits {
		s := &w.out.Splits[i]
		if s.Instrument == t.Instrument && s.Use == t.Use && s.How == how {
			s.Terms = append(s.Terms, t.Term)
			return
		}
	}
	w.out.Splits = append(w.out.Splits, Split{t.Instrument, t.Use, how, []int{t.Term}})
}

// Certified is the point of a certificate: an error in mm at a length, with the expanded
// uncertainty U = k·u and its degrees of freedom (+Inf if the certificate gives none and
// k is 2). The error is a *FieldError: k not above 0, U negative.
func Certified(name string, at, found decimal.Decimal, reach, expanded, k, freedom float64) (Point, error) {
	if err := above0("k", k); err != nil {
		return Point{}, err
	}
	p := Point{Name: name, At: at, Error: found, Reach: reach, U: expanded / k, Freedom: freedom, Shape: Normal}
	return p, p.check("")
}

// Checked is the point of a check in the session: the mean that was read, the block's
// length in mm (0 for a zero check, with a blockU of 0), the spread of the reading as from
// MeanUncertainty, and the block's standard uncertainty and degrees of freedom. The error
// of the instrument is read − block, with u² = u(mean)² + u(block)² and degrees of freedom
// by Welch-Satterthwaite. The resolution is in the spread. The error is a *FieldError.
func Checked(name string, read, block decimal.Decimal, reach float64, s Spread, blockU, blockFreedom float64) (Point, error) {
	if err := s.Cause("reading", 0).check("spread.", 1); err != nil {
		return Point{}, err
	}
	if err := atLeast("blocku", blockU, 0); err != nil {
		return Point{}, err
	}
	if err := checkFreedom("blockfreedom", blockFreedom); err != nil {
		return Point{}, err
	}
	var r, l length
	for _, n := range []number{{"read", read, &r, anything, ""}, {"block", block, &l, 0, natural}} {
		if err := n.check(); err != nil {
			return Point{}, err
		}
	}
	u := math.Hypot(s.U, blockU)
	freedom := math.Inf(1)
	if u > 0 {
		a, b := s.U/u, blockU/u
		freedom = welch(1, []part{{a * a, s.Freedom}, {b * b, blockFreedom}})
	}
	p := Point{Name: name, At: block, Error: (r - l).decimal(), Reach: reach, U: u, Freedom: freedom, Shape: StudentT}
	return p, p.check("")
}

// Zeroing is an instrument set to zero on the bar that depths are then read over, so that
// the bar is not subtracted. Offset is the standard uncertainty of the offset between rod
// and jaws in mm, Parallelism the bar's limit ±p, Spread that of the setting.
type Zeroing struct {
	Name          string
	Offset        float64
	OffsetFreedom float64
	Parallelism   float64
	Spread        Spread
	Terms         []int
}

// Causes are what all readings under that zero share: they act on each of the terms. The
// instrument's own zero is replaced by them; enter a Point at the bar's thickness with an
// error and U of 0 for its use, so that only scale and rest remain. The error is a
// *FieldError: no terms, an index below 0, a negative number.
func (z Zeroing) Causes() ([]Cause, error) {
	if len(z.Terms) == 0 {
		return nil, refuse("terms", "are none; name the terms that were read under this zero")
	}
	if err := atLeast("parallelism", z.Parallelism, 0); err != nil {
		return nil, err
	}
	var shared []Effect
	most := 0
	for _, t := range z.Terms {
		shared = append(shared, Effect{t, 1})
		most = max(most, t)
	}
	out := []Cause{
		{Name: z.Name + ", offset of rod and jaws", U: z.Offset, Freedom: z.OffsetFreedom, Shape: Normal},
		rectangular(z.Name+", parallelism of the bar", z.Parallelism),
		z.Spread.Cause(z.Name+", setting", 0),
	}
	for i := range out {
		out[i].Effects = shared
		if err := out[i].check([]string{"offset.", "parallelism.", "spread."}[i], most+1); err != nil {
			return nil, err
		}
	}
	return out, nil
}
