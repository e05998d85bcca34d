package wording_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"shimwright/session/history"
	"shimwright/session/wording"
)

func TestOffered(t *testing.T) {
	in := func(change func(*history.Instrument)) *history.Instrument {
		i := &history.Instrument{Name: "caliper-1", Resolution: num(t, "0.01"), Offer: &history.Offer{Repeatability: num(t, "0.0077"), Freedom: 48}}
		i.Freedom = 48
		change(i)
		return i
	}
	const put = "Its profile could state what it achieved"
	for _, c := range []struct {
		change func(*history.Instrument)
		want   string
	}{
		{func(*history.Instrument) {}, put + ":"},
		{func(i *history.Instrument) { i.Offer.From = "width" }, put + " at width, where repeats scatter more than at its other steps, for a profile has one value for all:"},
		{func(i *history.Instrument) { i.AtFloor = true }, put + "; its repeats are as equal as its counts of 0.01 mm let anybody see, and this is what rounding to them does by itself:"},
		{func(i *history.Instrument) { i.With = ptr(t, "0.0081") }, put + "; what was left out is in it, for it could be chance:"},
		{func(i *history.Instrument) { i.With, i.Offer.Without = ptr(t, "0.0310"), true }, put + ":"},
		{func(i *history.Instrument) { i.Offer, i.Freedom = nil, 5 }, "5 degrees of freedom so far; from 8 on there is a value for its profile."},
		{func(i *history.Instrument) { i.Offer, i.Freedom = nil, 1 }, "1 degree of freedom so far; from 8 on there is a value for its profile."},
	} {
		assert.Equal(t, c.want, wording.English.Offered(in(c.change)))
	}
}

func TestStateable(t *testing.T) {
	assert.Empty(t, wording.English.Stateable(&history.Instrument{}))
	assert.Equal(t, []string{"repeatability_mm = 0.0077", "repeatability_degrees_of_freedom = 48"},
		wording.English.Stateable(&history.Instrument{Offer: &history.Offer{Repeatability: num(t, "0.0077"), Freedom: 48}}))
}

func TestContradicted(t *testing.T) {
	s := history.Scatter{Achieved: ptr(t, "0.0236")}
	stated := func(way string) *history.Stated {
		return &history.Stated{Repeatability: num(t, "0.008"), Achieved: way}
	}
	assert.Empty(t, wording.English.Contradicted("caliper-1", "", s, nil))
	assert.Empty(t, wording.English.Contradicted("caliper-1", "", s, stated("")))
	assert.Empty(t, wording.English.Contradicted("caliper-1", "", history.Scatter{}, stated(history.Larger)))
	assert.Equal(t, "caliper-1: repeats scatter by 0.0236 mm, and its profile states 0.008 mm; that is more than chance explains (F test, 99 %). Look for dirt, a loose jaw or a crooked seat, or state what it repeats to.",
		wording.English.Contradicted("caliper-1", "", s, stated(history.Larger)))
	assert.Equal(t, "caliper-1 at width: repeats scatter by 0.0236 mm, and its profile states 0.008 mm; that is less than chance explains (F test, 99 %). What is stated makes advice less sure than it could be.",
		wording.English.Contradicted("caliper-1", "width", s, stated(history.Smaller)))
}

func TestAgreed(t *testing.T) {
	some := func(n, agreed, not int, difference float64) *history.Agreement {
		return &history.Agreement{Points: make([]history.Point, n), Agreed: agreed, NotCompared: not, Difference: &difference}
	}
	for _, c := range []struct {
		a    *history.Agreement
		want string
	}{
		{some(0, 0, 2, 0), "In 2 jobs nothing could be compared, for an input was missing then."},
		{some(1, 1, 0, 0), "1 of 1 job agreed (E_n from -1 to 1); on average as much was found as expected."},
		{some(12, 11, 1, 0.0124), "11 of 12 jobs agreed (E_n from -1 to 1); on average 0.012 mm more was found than expected; in 1 further job nothing could be compared."},
		{some(12, 11, 0, -0.0124), "11 of 12 jobs agreed (E_n from -1 to 1); on average 0.012 mm less was found than expected."},
	} {
		assert.Equal(t, c.want, wording.English.Agreed(c.a))
	}
	assert.Empty(t, wording.English.Leaning(&history.Agreement{}))
	assert.Contains(t, wording.English.Leaning(&history.Agreement{Leans: history.Larger}), "tends to be more than expected")
	assert.Contains(t, wording.English.Leaning(&history.Agreement{Leans: history.Smaller}), "tends to be less than expected")
	assert.Equal(t, "built engine", wording.English.Way(&history.Agreement{Way: history.BuiltEngine}))
	assert.Equal(t, "gap by trial build", wording.English.Way(&history.Agreement{Way: "trial build"}))
	assert.Equal(t, []string{"+0.00", "-1.20", "+0.00"}, []string{wording.English.En(0), wording.English.En(-1.2), wording.English.En(-0.001)})
}

func TestChartLimits(t *testing.T) {
	a := &history.Agreement{}
	assert.Equal(t, "A control chart needs two jobs.", wording.English.ChartLimits(a))
	a.Chart = &history.ChartLimits{Centre: 0.1, Lower: -0.5, Upper: 0.7, RangeLimit: 0.74}
	assert.Equal(t, "Centre 0.10, limits -0.50 and 0.70; limit of the change from job to job 0.74.", wording.English.ChartLimits(a))
	a.Chart.Provisional = true
	assert.Contains(t, wording.English.ChartLimits(a), "With fewer than 8 jobs the limits are provisional")
}

func TestSignal(t *testing.T) {
	for _, c := range []struct {
		s    history.Signal
		want string
	}{
		{history.Signal{Code: "outside the limits", From: "12", To: "12", Side: "above", Count: 1}, "Job 12 lies above the limits: find out what was different."},
		{history.Signal{Code: "change above the limit", From: "11", To: "12", Count: 2}, "From job 11 to job 12 the change is larger than its limit."},
		{history.Signal{Code: "row on one side", From: "3", To: "11", Side: "below", Count: 9}, "9 jobs in a row, 3 to 11, lie below the centre: something has shifted."},
		{history.Signal{Code: "moon phase", From: "3", To: "4"}, "Moon phase (from 3, to 4)."},
	} {
		assert.Equal(t, c.want, wording.English.Signal(c.s))
	}
}

func TestStandsOut(t *testing.T) {
	s := history.Standout{Step: "width", Astray: 14, Presses: 40, ElseAstray: 3, ElsePresses: 90, Mostly: "left out"}
	assert.Equal(t, "width: 14 of 40 presses did not count, at the plan's other steps 3 of 90; most were left out. Look at the words, the range and the seat that the plan gives there.", wording.English.StandsOut(s))
	s.Operator = "ada"
	for mostly, want := range map[string]string{
		"wrong instrument": "most came from the wrong instrument.", "too soon": "most came too soon.", "out of range": "most were out of range.", "": "of others there 3 of 90. It",
	} {
		s.Mostly = mostly
		assert.Contains(t, wording.English.StandsOut(s), want)
	}
	assert.Contains(t, wording.English.StandsOut(s), "14 of 40 presses of ada did not count")
}

func TestWhither(t *testing.T) {
	assert.Empty(t, wording.English.Whither(history.Presses{Presses: 4, Counted: 4}))
	assert.Equal(t, "3 left out, 1 wrong instrument, 2 out of range and unsettled in 1 job", wording.English.Whither(history.Presses{LeftOut: 3, WrongInstrument: 1, OutOfRange: 2, Unsettled: 1}))
	assert.Equal(t, "1 struck out, 1 too soon and 1 set aside", wording.English.Whither(history.Presses{StruckOut: 1, TooSoon: 1, SetAside: 1}))
}
