package calc

import "math"

const (
	testScatter = "known scatter"
	testGrubbs  = "grubbs"
	testMany    = "generalised esd"
)

// item is one repeat on its way through the reduction; at is its index in the input.
type item struct {
	place int
	v     length
	at    int
}

// ends says how many of the smallest and of the largest values of a sorted set are
// out. Every rule here takes values from the ends, so nothing else is needed.
type ends struct{ low, high int }

func (e ends) number() int { return e.low + e.high }

func (e ends) rest(set []item) []item { return set[e.low : len(set)-e.high] }

// noise is what is known of the instrument beforehand.
type noise struct {
	resolution, repeatability length
	sigma                     float64 // √(s_r² + d²/12) in mm
}

// judgement is the outcome for one place.
type judgement struct {
	leftOut   ends
	out       int // how many are out, also if none may be left out
	unsettled bool
}

// judge fills in the verdicts of one place's repeats, sorted by value.
func (m *Method) judge(set []item, s noise, verdicts []Verdict) judgement {
	n := len(set)
	twice := set[(n-1)/2].v + set[n/2].v // the median, doubled: always whole
	for _, x := range set {
		verdicts[x.at].Deviation = (2*x.v - twice).mm() / 2
	}
	var e ends
	switch {
	case n < 2:
		return judgement{}
	case n < grubbsFrom:
		e = m.knownScatter(set, s, verdicts)
	case n < manyFrom:
		e = m.extremes(set, testGrubbs, verdicts)
	default:
		e = m.extremes(set, testMany, verdicts)
	}
	e = withEquals(set, s.practical(set, twice, e))
	if e.number() > n/shareLeftOut {
		return judgement{out: e.number(), unsettled: true}
	}
	for i, x := range set {
		verdicts[x.at].LeftOut = i < e.low || i >= n-e.high
	}
	return judgement{leftOut: e, out: e.number()}
}

// knownScatter compares every deviation with what the instrument's stated scatter
// explains.
func (m *Method) knownScatter(set []item, s noise, verdicts []Verdict) ends {
	var e ends
	limit := m.scatter[len(set)]
	for _, x := range set {
		v := &verdicts[x.at]
		v.Test, v.Limit, v.Statistic = testScatter, limit, math.Abs(v.Deviation)/s.sigma
		switch {
		case v.Statistic <= limit:
		case v.Deviation < 0:
			e.low++
		default:
			e.high++
		}
	}
	return e
}

// extremes runs the Grubbs test repeatedly, or the generalised ESD test: both take
// the value furthest from the mean, compare its distance in standard deviations with
// the limit for the size of the set, and go on without it. The first stops at the
// first value that passes; the second works out all candidates and goes by the last
// significant one.
func (m *Method) extremes(set []item, test string, verdicts []Verdict) ends {
	var out, e ends
	for range len(set)/shareLeftOut + 1 {
		rest := e.rest(set)
		o := momentsOf(rest)
		if o.s == 0 {
			break
		}
		x := rest[len(rest)-1]
		if o.highFurther {
			e.high++
		} else {
			x = rest[0]
			e.low++
		}
		limit := m.limit(len(rest))
		v := &verdicts[x.at]
		v.Test, v.Statistic, v.Limit = test, o.distance(x), limit
		if v.Statistic > limit {
			out = e
		} else if test == testGrubbs {
			break
		}
	}
	m.describeRest(out.rest(set), test, verdicts)
	return out
}

// describeRest gives the values that the test left in their distances from the mean
// of just these values.
func (m *Method) describeRest(rest []item, test string, verdicts []Verdict) {
	o, limit := momentsOf(rest), m.limit(len(rest))
	for _, x := range rest {
		v := &verdicts[x.at]
		v.Test, v.Statistic, v.Limit = test, o.distance(x), limit
	}
}

// moments are the mean, as a distance from base, and the standard deviation (n−1) of
// a sorted set, in picometres.
type moments struct {
	base        length
	mean, s     float64
	highFurther bool // the largest value is at least as far from the mean as the smallest
}

// momentsOf works from exact whole differences to one of the values, so that nothing
// is lost to a large common part.
func momentsOf(set []item) moments {
	n := len(set)
	o := moments{base: set[n/2].v}
	var sum length
	for _, x := range set {
		sum += x.v - o.base
	}
	count := length(n)
	o.highFurther = count*(set[n-1].v-o.base)-sum >= sum-count*(set[0].v-o.base)
	o.mean = float64(sum) / float64(n)
	var squares float64
	for _, x := range set {
		d := float64(x.v-o.base) - o.mean
		squares += d * d
	}
	o.s = math.Sqrt(squares / float64(n-1))
	return o
}

// distance of x from the mean in standard deviations; 0 if nothing deviates.
func (o moments) distance(x item) float64 {
	if o.s == 0 {
		return 0
	}
	return math.Abs(float64(x.v-o.base)-o.mean) / o.s
}

// practical takes back what does not deviate from the median by more than the larger
// of 2.77·s_r and 2·d. twice is the doubled median; all exact.
func (s noise) practical(set []item, twice length, e ends) ends {
	out := func(x item) bool {
		d := (2*x.v - twice).abs()
		return 100*d > 2*277*s.repeatability && d > 2*2*s.resolution
	}
	for e.low > 0 && !out(set[e.low-1]) {
		e.low--
	}
	for e.high > 0 && !out(set[len(set)-e.high]) {
		e.high--
	}
	return e
}

// withEquals extends e over values equal to one that is out.
func withEquals(set []item, e ends) ends {
	for e.low > 0 && e.number() < len(set) && set[e.low].v == set[e.low-1].v {
		e.low++
	}
	for n := len(set); e.high > 0 && e.number() < n && set[n-e.high-1].v == set[n-e.high].v; {
		e.high++
	}
	return e
}

// autocorrelation returns the lag-1 autocorrelation of values in the order given, and
// false if they are all equal.
func autocorrelation(values []length) (float64, bool) {
	base, n := values[0], float64(len(values))
	var sum length
	for _, v := range values {
		sum += v - base
	}
	mean := float64(sum) / n
	var squares, products, before float64
	for i, v := range values {
		d := float64(v-base) - mean
		squares += d * d
		if i > 0 {
			products += d * before
		}
		before = d
	}
	if squares == 0 {
		return 0, false
	}
	return products / squares, true
}
