package session

import (
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// due is a caliper whose calibration held until a day.
func due(day string) Profile {
	p := testProfiles()[0]
	p.Name, p.Due, p.CertificateNumber = "caliper-2", day, "2026-118"
	return p
}

func TestOverdueFromTheDayAfter(t *testing.T) {
	at := func(text string) time.Time {
		got, err := time.Parse(time.RFC3339, text)
		require.NoError(t, err)
		return got
	}
	for _, c := range []struct {
		due, at string
		want    bool
	}{
		{"", "2026-03-02T08:00:00Z", false},
		{"2026-03-02", "2026-03-02T23:59:59Z", false},
		{"2026-03-02", "2026-03-03T00:00:00Z", true},
		{"2026-03-02", "2026-03-03T00:30:00+01:00", false},
		{"2026-02-28", "2026-03-01T00:00:00Z", true},
		{"2028-02-28", "2028-02-29T12:00:00Z", true},
		{"someday", "2030-01-01T00:00:00Z", false},
	} {
		p := due(c.due)
		assert.Equal(t, c.want, p.overdue(at(c.at)), "%s at %s", c.due, c.at)
	}
}

func TestOverdueWarnsOnEveryReadingAndInTheAdvice(t *testing.T) {
	r := newRig(t, due("2026-03-01"))
	r.begin("pump-bottom-end-short.toml")
	for range 2 {
		got := r.press("caliper-2", "52.54")
		require.Equal(t, Filed, got.Ruling)
		require.Equal(t, []Reason{reason("calibration overdue", "instrument", "caliper-2", "due", "2026-03-01")}, r.reading(got.Seq).Notes)
	}
	wrong := r.press("depth-1", "37.41")
	require.Empty(t, r.reading(wrong.Seq).Notes)
	a := r.bench.Snapshot().Advice[0]
	n := 0
	for _, f := range a.Findings {
		if f.Code == "calibration overdue" {
			n++
		}
	}
	require.Equal(t, 1, n, "%+v", a.Findings)
}

func TestOverdueIsRefusedWhereTheBenchSaysSo(t *testing.T) {
	r := newRigWith(t, Settings{RefuseOverdue: true}, append(otherQuantities(), due("2026-03-01"))...)
	r.begin("pump-bottom-end-short.toml")
	got := r.press("caliper-2", "52.54")
	require.Equal(t, WrongInstrument, got.Ruling)
	require.Equal(t, "calibration overdue", got.Why.Code)
	require.Equal(t, "2026-03-01", got.Why.Params["due"])
	typed := r.do(Command{Do: Enter, Instrument: "caliper-2", Value: "52.54"})
	require.Equal(t, WrongInstrument, typed.Ruling)
	require.Equal(t, Filed, r.press("caliper-1", "52.54").Ruling)
}

func (r *rig) pressUnit(instrument, text string, u Unit) Receipt {
	r.t.Helper()
	r.clock.move(time.Second)
	receipt, err := r.submit(Reading{Instrument: instrument, Kind: Caliper, Value: u.Kept(mm(text)), Text: text, Unit: u, At: r.clock.wall, Mono: r.clock.mono})
	require.NoError(r.t, err)
	return receipt
}

func TestASwitchOfUnitIsNoticed(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.pressUnit("caliper-1", "52.54", Millimetre)
	got := r.pressUnit("caliper-1", "2.0685", Inch)
	require.Equal(t, Filed, got.Ruling, "2.0685 in are 52.5399 mm")
	v := r.reading(got.Seq)
	require.Equal(t, "52.53990", v.Value.String())
	require.Equal(t, "unit switched", v.Notes[0].Code)
	require.Equal(t, map[string]string{"instrument": "caliper-1", "from": "mm", "to": "in"}, v.Notes[0].Params)

	far := r.pressUnit("caliper-1", "2.0700", Inch)
	require.Equal(t, Filed, far.Ruling, "within the scatter of what is in inch")
	require.Empty(t, r.reading(far.Seq).Notes, "it was in inch before")
}

func TestAUnitThatContradictsTheRepeatsIsRefused(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	r.pressUnit("caliper-1", "52.54", Millimetre)
	for range 2 { // also once the switch is no news
		got := r.pressUnit("caliper-1", "2.0720", Inch)
		require.Equal(t, OutOfRange, got.Ruling, "in the range of the step, and 0.09 mm off")
		require.Equal(t, "unit disagrees", got.Why.Code)
	}
	require.Equal(t, 1, r.step("crank-width").Places[0].Counted)
	require.Equal(t, Filed, r.pressUnit("caliper-1", "52.54", Millimetre).Ruling)
}

func TestADriftedZeroNamesTheReadingsSince(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	check := func(shown string) {
		r.do(Command{Do: CheckInstrument, Instrument: "caliper-1", Use: Outside, Value: shown})
	}
	drifts := func() (all []Reason) {
		for _, f := range r.bench.Snapshot().Advice[0].Findings {
			if f.Code == "zero drifted" {
				all = append(all, f)
			}
		}
		return all
	}
	check("0.00")
	measureMetal(r)
	measureGasket(r)
	check("0.02") // 2.77·0.008 = 0.022: no more than two readings may differ by
	require.Empty(t, drifts())
	check("0.05")
	require.Equal(t, []Reason{reason("zero drifted", "instrument", "caliper-1", "use", "outside", "block", "0",
		"was", "0.02", "is", "0.05", "readings", "none")}, drifts(), "nothing was read since the second check")

	r.do(Command{Do: Next, Step: "crank-width"})
	since := r.press("caliper-1", "52.54").Seq
	check("0.00")
	got := drifts()
	require.Len(t, got, 2)
	require.Equal(t, strconv.FormatInt(since, 10), got[1].Params["readings"])
	require.NotEmpty(t, r.reading(since).Standing)
}

// A step that checks an instrument again says what its zero did since.
func TestADriftedZeroStandsInTheStepThatFoundIt(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: Begin, Plan: driftPlan, Operator: "mo"})
	r.press("caliper-1", "0.00")
	r.press("caliper-1", "0.00")
	var seqs []string
	for range 2 {
		seqs = append(seqs, strconv.FormatInt(r.press("caliper-1", "10.02").Seq, 10))
	}
	r.press("caliper-1", "0.02")
	r.press("caliper-1", "0.02")
	require.True(t, r.step("zero-after").Closed)
	// √(1/4 + 1/4)·0.022 = 0.0157: the means of two repeats each.
	require.Equal(t, []Reason{reason("zero drifted", "instrument", "caliper-1", "use", "outside", "block", "0.00",
		"was", "0.00", "is", "0.02", "readings", seqs[0]+", "+seqs[1])}, r.step("zero-after").Findings)
}

const driftPlan = `plan = "drift"
title = "A zero that drifts"
[[step]]
name = "zero-before"
title = "Zero"
instrument = "caliper"
range = ["-0.10", "0.10"]
reference = "0.00"
[[step]]
name = "width"
title = "Width"
instrument = "caliper"
range = ["9", "11"]
[[step]]
name = "zero-after"
title = "Zero again"
instrument = "caliper"
range = ["-0.10", "0.10"]
reference = "0.00"
[[chain]]
name = "float"
title = "Float"
least = "0.10"
most = "0.24"
[[chain.term]]
step = "width"
sign = "+"
[[chain.term]]
given = "9.70"
name = "shoulder"
sign = "-"
u = "0.01"
[[chain.side]]
name = "drive side"
most = 2
[[stock]]
thickness = "0.10"
count = 8
`
