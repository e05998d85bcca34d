package wording_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

func TestCorrected(t *testing.T) {
	for _, c := range []struct{ code, amount, want string }{
		{"crush", "-0.05", "Corrected: Gasket by -0.0500 mm for what the gasket gives way under the screws."},
		{"bearing play", "0.012", "Corrected: Gasket by +0.0120 mm for the play of the bearing."},
		{"instrument error", "0.00125", "Corrected: Gasket by +0.0012 mm for the known error of the instrument."},
		{"temperature", "0", "Corrected: Gasket by 0.0000 mm for temperature, to 20 °C."},
		{"something new", "1", "Corrected: Gasket by +1.0000 mm for something new."},
	} {
		n, err := session.ParseNumber(c.amount)
		require.NoError(t, err)
		assert.Equal(t, c.want, wording.English.Corrected(session.Correction{Code: c.code, Amount: n}, "Gasket"))
	}
}

func TestAssumptions(t *testing.T) {
	r := session.Reason{Code: "no job"}
	assert.Equal(t, "Assumed: "+wording.English.Reason(r)+".", wording.English.Assumed(r))
	assert.Equal(t, "Not stated, so nothing can be shown inside: "+wording.English.Reason(r)+".", wording.English.NotStated(r))
	celsius, err := session.ParseNumber("41.5")
	require.NoError(t, err)
	u, err := session.ParseNumber("0.5")
	require.NoError(t, err)
	assert.Equal(t, "Noted: the pump half at 41.5 °C (standard uncertainty 0.5 K).", wording.English.Warmth(session.TemperatureTaken{Celsius: celsius, U: u}, "the pump half"))
}
