package session

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// 1 in = 25.4 mm exactly (international inch).
func TestLengthsTypedInInches(t *testing.T) {
	sizes := []Shim{{Thickness: mm("0.16")}, {Thickness: mm("0.20")}, {Thickness: mm("0.25")}}
	for inches, want := range map[string]string{
		"1":       "25.4",
		"0.0100":  "0.25400", // 0.25 is 0.0098
		"0.0098":  "0.25",
		"0.00984": "0.25",
		"0.008":   "0.20",
		"0.0063":  "0.16",
		"0.3":     "7.62",
		"x":       "x",
	} {
		got := millimetresOf(inches, sizes)
		if n, err := ParseNumber(got); err == nil {
			require.True(t, n.Equal(mm(want).Decimal), "%s in is %s mm, not %s", inches, got, want)
			continue
		}
		assert.Equal(t, want, got)
	}
}

func TestCommandsInInches(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: Begin, Plan: stockedPlan(t), Operator: "mo"})
	measureMetal(r)
	measureGasket(r)
	r.do(Command{Do: Fitting, Unit: "in", Packs: []SaidPack{{"flywheel side", []string{"0.0079"}}}})
	require.Equal(t, 3, r.have("0.20"), "a shim goes by its size, not by what its inches come to")
	r.do(Command{Do: CountStock, Unit: "in", Stock: "pump-28", Size: "0.0063", Count: "3"})
	require.Equal(t, 3, r.have("0.16"))
	r.do(Command{Do: CheckInstrument, Unit: "in", Instrument: "caliper-1", Use: Outside, Value: "1.0004", Block: "1", U: "0.00002"})
	checks := r.bench.state.job.checks
	last := checks[len(checks)-1]
	assert.Equal(t, []string{"25.41016", "25.4", "0.000508"}, []string{last.Shown.Decimal.String(), last.Block.Decimal.String(), last.BlockU.Decimal.String()})
	r.do(Command{Do: CheckInstrument, Unit: "in", Instrument: "caliper-1", Use: Outside, Value: "0.0002", Block: "0"})
	checks = r.bench.state.job.checks
	assert.Equal(t, "0.00508", checks[len(checks)-1].Shown.Decimal.String(), "a zero needs no uncertainty of the block")
	assert.Equal(t, "bad unit", r.refused(Command{Do: Fitting, Unit: "N.m", Packs: []SaidPack{{"flywheel side", []string{"1"}}}}))
	assert.Equal(t, "bad number", r.refused(Command{Do: CountStock, Unit: "in", Stock: "pump-28", Size: "thick", Count: "3"}))
}
