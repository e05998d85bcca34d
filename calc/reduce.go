package calc

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/shopspring/decimal"
)

// Repeat is one counted reading of a step: the place it was taken at, 0 or more, and
// the value in mm, exact.
type Repeat struct {
	Place int
	Value decimal.Decimal
}

// Scatter is what the profile says of the instrument, in mm: its resolution d, from
// 0.000001 up, and its repeatability s_r as a standard deviation, above 0.
type Scatter struct {
	Resolution, Repeatability decimal.Decimal
}

// Governs says how the places of a step make its value.
type Governs int

// MeanOfPlaces takes the mean of the place means; the others let the tightest place
// govern, and the plan says which way is tight.
const (
	MeanOfPlaces Governs = iota
	SmallestPlace
	LargestPlace
)

// String returns the word a plan uses: mean, smallest or largest.
func (g Governs) String() string {
	switch g {
	case MeanOfPlaces:
		return "mean"
	case SmallestPlace:
		return "smallest"
	case LargestPlace:
		return "largest"
	}
	return "Governs(" + strconv.Itoa(int(g)) + ")"
}

// ParseGoverns is the inverse of String. The error is a *FieldError.
func ParseGoverns(text string) (Governs, error) {
	for g := MeanOfPlaces; g <= LargestPlace; g++ {
		if g.String() == text {
			return g, nil
		}
	}
	return 0, refuse("governs", "is %q; it must be mean, smallest or largest", text)
}

// ReduceRule is the plan's part in the reduction. PlacesDiffer is how far apart, in
// mm, the place means may be; if it is not valid this is not checked.
type ReduceRule struct {
	Governs      Governs
	PlacesDiffer decimal.NullDecimal
}

// Verdict says what became of one repeat.
//
// Deviation is from the median of its place, in mm. Test is the test that was run, ""
// if none. Statistic and Limit belong to it: for "known scatter" the deviation in
// multiples of √(s_r² + d²/12); for "grubbs" and "generalised esd" the distance from
// the mean in standard deviations, for a value that the test took out among those left
// at that step, for the others among the values that the test left in. A value over
// its limit may still count (see the package comment); and the generalised ESD test
// can take out a value under its own limit because of a later step.
type Verdict struct {
	LeftOut                     bool
	Test                        string
	Deviation, Statistic, Limit float64
}

// PlaceMean is the result of one place in mm. Spread is the largest less the smallest
// counted repeat, Deviation the standard deviation (n−1) of the counted repeats, 0 if
// there is only one.
type PlaceMean struct {
	Place                     int
	Mean, MeanWithAll, Spread decimal.Decimal
	Counted, LeftOut          int
	Unsettled                 bool // more are out than may be left out; none is
	Deviation                 float64
}

// Finding is something a person must look at. Prose is rendered from it elsewhere.
// The codes and their parameters, lengths in mm and all numbers in decimal:
//
//	"place unsettled"          place, out (number of repeats that are out), allowed
//	"repeats not independent"  place, autocorrelation, limit, repeats
//	"places differ"            places (smallest, then largest), by, allowed
type Finding struct {
	Code   string            `json:"code"`
	Params map[string]string `json:"params,omitempty"`
}

// The codes of findings.
const (
	codeUnsettled = "place unsettled"
	codeDrift     = "repeats not independent"
	codeDiffer    = "places differ"
)

// Reduction is the result of a step in mm. The values WithAll are what would have
// come out with nothing left out. Verdicts are in the order of the repeats, Places by
// number; Unsettled is true if any place is.
type Reduction struct {
	Value, ValueWithAll decimal.Decimal
	Verdicts            []Verdict
	Places              []PlaceMean
	Unsettled           bool
	Findings            []Finding
}

const (
	maxRepeats      = 4000 // so that no exact sum can overflow
	finerThan       = 1000 // finest resolution: a nanometre, for the same reason
	keptPerCount    = 1000 // means are kept to d/1000 …
	keptExp         = -12  // … which is a whole number of 1e-12 mm
	driftLimit      = 2.0  // over √n
	roundedFraction = 3    // decimals of an autocorrelation in a finding
)

// Reduce works out the value of a step from its repeats; the package comment gives the
// rules. The order of repeats matters only to "repeats not independent". The error is
// a *FieldError: no repeats or more than 4000, a length out of range, a scatter that is
// not positive, a rule that does not exist.
func (m *Method) Reduce(repeats []Repeat, s Scatter, r ReduceRule) (Reduction, error) {
	known, err := m.known(s)
	if err != nil {
		return Reduction{}, err
	}
	allowed, err := r.check()
	if err != nil {
		return Reduction{}, err
	}
	items, err := sorted(repeats)
	if err != nil {
		return Reduction{}, err
	}
	w := reducing{Method: m, known: known, rule: r, allowed: allowed,
		out: Reduction{Verdicts: make([]Verdict, len(repeats))}}
	for len(items) > 0 {
		n := 1
		for n < len(items) && items[n].place == items[0].place {
			n++
		}
		w.place(items[:n])
		items = items[n:]
	}
	w.finish()
	return w.out, nil
}

func (m *Method) known(s Scatter) (noise, error) {
	if m == nil || m.grubbs == nil {
		return noise{}, refuse("method", "has no limits; make it with NewMethod")
	}
	d, problem := picometres(s.Resolution)
	if problem == "" && d < finerThan {
		problem = fmt.Sprintf("is %s mm; it must be at least 0.000001 mm", s.Resolution)
	}
	if problem != "" {
		return noise{}, refuse("scatter.resolution", "%s", problem)
	}
	sr, problem := picometres(s.Repeatability)
	if problem == "" && sr <= 0 {
		problem = fmt.Sprintf("is %s mm; it must be above 0", s.Repeatability)
	}
	if problem != "" {
		return noise{}, refuse("scatter.repeatability", "%s", problem)
	}
	return noise{d, sr, math.Sqrt(sr.mm()*sr.mm() + d.mm()*d.mm()/12)}, nil
}

func (r ReduceRule) check() (length, error) {
	if r.Governs < MeanOfPlaces || r.Governs > LargestPlace {
		return 0, refuse("rule.governs", "is %d; it must be MeanOfPlaces, SmallestPlace or LargestPlace", int(r.Governs))
	}
	if !r.PlacesDiffer.Valid {
		return 0, nil
	}
	allowed, problem := picometres(r.PlacesDiffer.Decimal)
	if problem == "" && allowed < 0 {
		problem = fmt.Sprintf("is %s mm; it must be 0 or more", r.PlacesDiffer.Decimal)
	}
	if problem != "" {
		return 0, refuse("rule.placesdiffer", "%s", problem)
	}
	return allowed, nil
}

// sorted converts the repeats and sorts them by place, value and arrival.
func sorted(repeats []Repeat) ([]item, error) {
	if len(repeats) == 0 || len(repeats) > maxRepeats {
		return nil, refuse("repeats", "has %d readings; a step has 1 to %d", len(repeats), maxRepeats)
	}
	items := make([]item, len(repeats))
	for i, r := range repeats {
		v, problem := picometres(r.Value)
		if problem != "" {
			return nil, refuse(fmt.Sprintf("repeats[%d].value", i), "%s", problem)
		}
		if r.Place < 0 {
			return nil, refuse(fmt.Sprintf("repeats[%d].place", i), "is %d; it must be 0 or more", r.Place)
		}
		items[i] = item{r.Place, v, i}
	}
	slices.SortFunc(items, func(a, b item) int {
		return cmp.Or(cmp.Compare(a.place, b.place), cmp.Compare(a.v, b.v), cmp.Compare(a.at, b.at))
	})
	return items, nil
}

// reducing is a reduction in progress. Means are kept as whole multiples of d/1000.
type reducing struct {
	*Method
	known           noise
	rule            ReduceRule
	allowed         length
	out             Reduction
	means, allIn    tally
	lowest, highest int // place numbers of the extreme means
}

// tally gathers place means, as multiples of d/1000.
type tally struct {
	n, sum, least, most int64
}

func (t *tally) add(q int64) (newLeast, newMost bool) {
	newLeast, newMost = t.n == 0 || q < t.least, t.n == 0 || q > t.most
	if newLeast {
		t.least = q
	}
	if newMost {
		t.most = q
	}
	t.n, t.sum = t.n+1, t.sum+q
	return newLeast, newMost
}

func (t *tally) value(g Governs) int64 {
	switch g {
	case SmallestPlace:
		return t.least
	case LargestPlace:
		return t.most
	}
	return halfEven(t.sum, 1, t.n)
}

// place reduces the repeats of one place, sorted by value.
func (w *reducing) place(set []item) {
	j := w.judge(set, w.known, w.out.Verdicts)
	counted := j.leftOut.rest(set)
	mean, all := w.known.mean(counted), w.known.mean(set)
	number := set[0].place
	w.out.Places = append(w.out.Places, PlaceMean{
		Place: number, Mean: w.known.kept(mean), MeanWithAll: w.known.kept(all),
		Spread:  (counted[len(counted)-1].v - counted[0].v).decimal(),
		Counted: len(counted), LeftOut: j.leftOut.number(), Unsettled: j.unsettled, Deviation: deviation(counted),
	})
	w.allIn.add(all)
	least, most := w.means.add(mean)
	if least {
		w.lowest = number
	}
	if most {
		w.highest = number
	}
	if j.unsettled {
		w.out.Unsettled = true
		w.find(codeUnsettled, "place", strconv.Itoa(number), "out", strconv.Itoa(j.out), "allowed", strconv.Itoa(len(set)/shareLeftOut))
	}
	if len(counted) >= driftFrom {
		w.drift(number, counted)
	}
}

// mean of a set as a multiple of d/1000.
func (s noise) mean(set []item) int64 {
	var sum length
	for _, x := range set {
		sum += x.v
	}
	return halfEven(int64(sum), keptPerCount, int64(len(set))*int64(s.resolution))
}

// kept turns a multiple of d/1000 into mm.
func (s noise) kept(q int64) decimal.Decimal { return exact(q*int64(s.resolution), keptExp) }

func (w *reducing) drift(place int, counted []item) {
	byArrival := slices.Clone(counted)
	slices.SortFunc(byArrival, func(a, b item) int { return cmp.Compare(a.at, b.at) })
	values := make([]length, len(byArrival))
	for i, x := range byArrival {
		values[i] = x.v
	}
	limit := driftLimit / math.Sqrt(float64(len(values)))
	if r, ok := autocorrelation(values); ok && math.Abs(r) > limit {
		w.find(codeDrift, "place", strconv.Itoa(place), "autocorrelation", fraction(r), "limit", fraction(limit), "repeats", strconv.Itoa(len(values)))
	}
}

func fraction(x float64) string { return strconv.FormatFloat(x, 'f', roundedFraction, 64) }

// finish compares the places and makes the value.
func (w *reducing) finish() {
	w.out.Value = w.known.kept(w.means.value(w.rule.Governs))
	w.out.ValueWithAll = w.known.kept(w.allIn.value(w.rule.Governs))
	by := (w.means.most - w.means.least) * int64(w.known.resolution)
	if w.rule.PlacesDiffer.Valid && by > int64(w.allowed)*keptPerCount {
		w.find(codeDiffer, "places", fmt.Sprintf("%d, %d", w.lowest, w.highest),
			"by", exact(by, keptExp).String(), "allowed", w.allowed.decimal().String())
	}
}

func (w *reducing) find(code string, pairs ...string) {
	params := map[string]string{}
	for i := 0; i < len(pairs); i += 2 {
		params[pairs[i]] = pairs[i+1]
	}
	w.out.Findings = append(w.out.Findings, Finding{Code: code, Params: params})
}
