package session

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const workHeader = "step,place,value,unit,instrument\n"

func work(t *testing.T, plan, rows string) (Snapshot, error) {
	t.Helper()
	return Work("p.toml", []byte(plan), "r.csv", strings.NewReader(rows))
}

func TestWorkAgreesWithTheBench(t *testing.T) {
	r := newRig(t)
	measureBottomEnd(r)
	rows := workHeader
	for _, v := range r.bench.Snapshot().Readings {
		rows += strings.Join([]string{v.Step, v.Place, v.Text, "mm", string(v.Kind)}, ",") + "\n"
	}
	s, err := work(t, readPlanFile(t, "pump-bottom-end-short.toml"), rows)
	require.NoError(t, err)
	live := r.bench.Snapshot().Advice[0]
	require.Equal(t, asJSON(t, live.Best.Packs), asJSON(t, s.Advice[0].Best.Packs))
	require.Equal(t, live.Gap, s.Advice[0].Gap)
	require.Contains(t, asJSON(t, s.Advice[0].Assumed), "profile assumed", "a file of readings has no profiles")
	require.Equal(t, Final, s.Advice[0].State)
}

// TestTheTradesOwnSum checks the sum, the shims and the check gap of a small
// two-stroke bottom end (common practice, no published source).
func TestTheTradesOwnSum(t *testing.T) {
	plan := `plan = "trade"
title = "Check"
step = [
 { name = "crank", title = "Crank", instrument = "caliper", range = ["35.00", "37.00"] },
 { name = "half-a", title = "Half", instrument = "caliper", use = "depth", range = ["31.00", "33.00"] },
 { name = "half-b", title = "Half", instrument = "caliper", use = "depth", range = ["4.00", "5.00"] },
 { name = "gasket", title = "Gasket", instrument = "caliper", range = ["0.10", "0.40"] },
]
[[chain]]
name = "float"
title = "Float"
least = "0.05"
most = "0.15"
term = [{step="half-a",sign="+"},{step="half-b",sign="+"},{step="gasket",sign="+"},{step="crank",sign="-"}]
side = [{ name = "first side", most = 1 }, { name = "second side", most = 1 }]
[[stock]]
thickness = "0.10"
count = 2
[[stock]]
thickness = "0.15"
count = 2
[[stock]]
thickness = "0.20"
count = 2
`
	rows := workHeader
	for _, r := range []string{"crank,,35.89", "half-a,,31.88", "half-b,,4.29", "gasket,,0.22"} {
		rows += strings.Repeat(r+",mm,caliper\n", 2)
	}
	s, err := work(t, plan, rows)
	require.NoError(t, err)
	a := s.Advice[0]
	require.Equal(t, "0.50", a.Gap.String())
	require.Equal(t, "0.40", a.Best.Total.String())
	require.Equal(t, "0.20", a.Best.Packs[0].Total.String())
	require.Equal(t, "0.20", a.Best.Packs[1].Total.String())
	require.Equal(t, "0.30", a.Best.CheckGap.String())
	require.Equal(t, "0.10", a.Best.EndFloat.String())
	require.True(t, a.Aim.Equal(mm("0.10").Decimal))
}

func TestOneSideFixedFirst(t *testing.T) {
	plan := strings.Replace(knifeEdge, `side = [{ name = "left side", most = 1, fewest = 1 }]`,
		`split = "first fixed"
side = [{ name = "left side", most = 1, pack = "0.11" }, { name = "right side", most = 1 }]`, 1)
	s, err := work(t, plan, workHeader+"collar,,10.47,,\ncollar,,10.47,,\n")
	require.NoError(t, err)
	best := s.Advice[0].Best
	require.Equal(t, "0.11", best.Packs[0].Total.String())
	require.Equal(t, "0.20", best.Packs[1].Total.String())
	require.True(t, best.EndFloat.Equal(mm("0.16").Decimal))
	require.True(t, best.CheckGap.Equal(mm("0.36").Decimal))
}

func TestWorkInInchesAndByFeeler(t *testing.T) {
	s, err := work(t, readPlanFile(t, "pump-bottom-end-short.toml"), workHeader+
		"crank-width,1,2.0685,in,caliper-3\ncrank-width,2,52.54,mm,caliper-3\ncheck-gap,1,0.30/0.40,mm,feeler\n")
	require.NoError(t, err)
	require.Equal(t, "52.53990", s.Readings[0].Value.String())
	require.Equal(t, Caliper, s.Readings[0].Kind)
	require.Equal(t, "0.30", s.Readings[2].Feeler.Passes.String())
	require.Equal(t, Waiting, s.Advice[0].State)
}

func TestWorkKeepsWhatItRulesOut(t *testing.T) {
	s, err := work(t, twins, workHeader+"left,,11.00,,\nleft,,21.00,,\nleft,,11.00,,depth-gauge\n")
	require.NoError(t, err)
	require.Equal(t, OutOfRange, s.Readings[1].Ruling)
	require.Equal(t, WrongInstrument, s.Readings[2].Ruling)
}

func TestMistakesInReadings(t *testing.T) {
	for _, c := range []struct{ rows, want string }{
		{"", "r.csv:1:1: the file has no header; begin with the line step,place,value,unit,instrument"},
		{"step,place,value,unit\n", `r.csv:1:1: column "instrument" is missing; begin`},
		{"step,place,value,unit,what\n", `r.csv:1:1: there is no column "what"; begin`},
		{"step,step,value,unit,instrument\n", `r.csv:1:1: column "step" stands twice; begin`},
		{workHeader, "r.csv:2:1: the file has no reading; add a row for each reading"},
		{workHeader + "middle,,1,,\n", `r.csv:2:1: the plan has no step "middle"; `},
		{workHeader + "left,9,11.00,,\n", `r.csv:2:1: step "left" has no place "9"; give a number from 1 to 1`},
		{workHeader + "left,,eleven,,\n", `r.csv:2:1: "eleven" is not a length; write a plain number like 12.34`},
		{workHeader + "left,,1e3,,\n", `r.csv:2:1: "1e3" is not a length; `},
		{workHeader + "left,,11.00,yard,\n", `r.csv:2:1: "yard" is not a unit of length; write mm or in`},
		{workHeader + "left,,11.00\n", `r.csv:2:1: the row has 3 fields; it needs 5, as the header`},
		{workHeader + "left,,\"11.00,,\n", "this is not a row of comma-separated values; put quotes"},
	} {
		_, err := work(t, twins, c.rows)
		require.ErrorContains(t, err, c.want)
	}
	_, err := work(t, twins, workHeader+"left,,x,,\nright,,y,,\n")
	require.Equal(t, 2, len(strings.Split(err.Error(), "\n")), "all mistakes at once")
	_, err = work(t, "plan = 1", workHeader)
	require.ErrorContains(t, err, "p.toml:1:8:")
}

func FuzzWork(f *testing.F) {
	f.Add(workHeader + "left,,11.00,mm,caliper\nright,1,0.43,in,caliper\n")
	f.Add(workHeader + "left,,0.1/0.2,,feeler\n")
	f.Add("step,place,value,unit,instrument\r\n\"left\",\"1\",\"11\",,\n")
	f.Fuzz(func(t *testing.T, rows string) {
		s, err := work(t, twins, rows)
		if err == nil {
			require.NotEmpty(t, s.Readings)
		}
	})
}
