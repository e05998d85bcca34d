package session

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The published window and its gasket and washer rule: TM 5-4240-501-14&P, pp. 244-245,
// end play 0.002 to 0.008 in (0.05 to 0.20 mm). The thickness of the washer is assumed.
func TestAPublishedEndPlayAndItsGasketRule(t *testing.T) {
	text, err := os.ReadFile("testdata/small-engine-end-play.toml")
	require.NoError(t, err)
	for _, c := range []struct {
		reads, gasket, ball string // inch
		washers             int    // in the best fit
		float               string // mm, to the third decimal
		outcome             string
	}{
		{"0.0050", "0.015", "no", 0, "0.127", "shown inside"},
		{"0.0085", "0.015", "yes", 0, "0.216", "not shown"}, // 0.013 mm above, known to about twice that
		{"0.0110", "0.015", "yes", 0, "0.279", "shown outside"},
		{"0.0110", "0.009", "yes", 0, "0.127", "shown inside"},
		{"0.0150", "0.005", "yes", 0, "0.127", "shown inside"},
		{"0.0210", "0.005", "yes", 0, "0.279", "shown outside"}, // no washer beside two ball bearings
		{"0.0210", "0.005", "no", 1, "0.127", "shown inside"},
	} {
		plan, no := Answer(text, map[string]string{"gasket": c.gasket, "ball-bearings": c.ball})
		require.Nil(t, no)
		csv := "step,place,value,unit,instrument\n" + strings.Repeat("end-play,,"+c.reads+",in,\n", 2)
		s, err := Work("small-engine-end-play.toml", plan, "r.csv", strings.NewReader(csv))
		require.NoError(t, err)
		a := s.Advice[0]
		require.Equal(t, "0.0508", a.Least.String(), "0.002 in exactly")
		require.Equal(t, "0.2032", a.Most.String(), "0.008 in exactly")
		require.NotNil(t, a.Best, c)
		require.Equal(t, c.float, a.Best.EndFloat.StringFixed(3), c)
		require.Equal(t, c.outcome, a.Best.Outcome, c)
		washers := 0
		for _, p := range a.Best.Packs {
			washers += len(p.Pieces)
		}
		require.Equal(t, c.washers, washers, c)
	}
}
