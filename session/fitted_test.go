package session

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An advice that was not followed is worked out from what is in instead.
func TestOtherShimsThanAdvisedHaveAFloatOfTheirOwn(t *testing.T) {
	r := newRig(t)
	r.begin("pump-bottom-end-short.toml")
	measureMetal(r)
	measureGasket(r)
	best := *r.advice().Best
	require.Nil(t, r.advice().Instead, "nobody said what is in")

	r.do(Command{Do: Fitting, Packs: []SaidPack{{"pump side", []string{"0.16"}}, {"flywheel side", []string{"0.20"}}}})
	a := r.advice()
	require.NotNil(t, a.Instead)
	assert.Equal(t, a.Gap.Sub(mm("0.36").Decimal).RoundBank(3).String(), a.Instead.EndFloat.RoundBank(3).String())
	assert.Less(t, a.Instead.Chance.Inside, best.Chance.Inside, "further from the aim than the best")
	assert.Greater(t, a.Instead.Chance.TooTight, a.Instead.Chance.TooLoose)

	r.do(Command{Do: Fitting})
	assert.Nil(t, r.advice().Instead, "it is what is advised")
	r.do(Command{Do: Fitting, Packs: []SaidPack{{"flywheel side", []string{}}}})
	assert.NotNil(t, r.advice().Instead)
	assert.NotEqual(t, "shown inside", r.advice().Instead.Outcome)
}
