package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/session/history/shoptest"
	"shimwright/sqlite"
)

// shopLog is a log in the present folder with closed jobs of one plan: after the ninth
// the built engines come out looser, and one of two people presses amiss at the shaft.
func shopLog(t *testing.T, file string, jobs int) {
	t.Helper()
	log, err := sqlite.Open(file)
	require.NoError(t, err)
	s := shoptest.Shop{Method: calc.NewMethod(), Seed: 4, Sigma: map[session.Kind]float64{session.Caliper: 0.03, session.DepthGauge: 0.009, session.DialIndicator: 0.002}}
	for i := range jobs {
		j := shoptest.Job{Operator: []string{"ada", "ben"}[i%2], Careless: i%2 == 1, Open: i == 3}
		if i >= 9 {
			j.Off = 0.06
		}
		s.Jobs = append(s.Jobs, j)
	}
	require.NoError(t, shoptest.Play(log, s))
	require.NoError(t, log.Close())
}

func TestPrint(t *testing.T) {
	shopLog(t, filepath.Join(os.Getenv("OUT"), "shop.log.db"), 19)
}
