package history_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/session/history"
	"shimwright/session/history/shoptest"
)

// memory is a log that is read back from its encoded entries.
type memory struct {
	t     *testing.T
	texts [][]byte
}

func (m *memory) Append(entries []session.Entry) error {
	for _, e := range entries {
		text, err := e.Encode()
		require.NoError(m.t, err)
		m.texts = append(m.texts, text)
	}
	return nil
}

// fold folds the first n entries, or all with n < 0.
func (m *memory) fold(f history.Filter, n int) history.Report {
	m.t.Helper()
	if n < 0 {
		n = len(m.texts)
	}
	fold := history.New(calc.NewMethod(), f)
	for _, text := range m.texts[:n] {
		e, err := session.DecodeEntry(text)
		require.NoError(m.t, err)
		require.NoError(m.t, fold.Apply(e))
	}
	r, err := fold.Report()
	require.NoError(m.t, err)
	return r
}

func played(t *testing.T, s shoptest.Shop) *memory {
	t.Helper()
	m := &memory{t: t}
	require.NoError(t, shoptest.Play(m, s))
	return m
}

// sound is a shop whose instruments repeat as stated, with n jobs.
func sound(n int) shoptest.Shop {
	s := shoptest.Shop{Seed: 4, Sigma: map[session.Kind]float64{session.Caliper: 0.008, session.DepthGauge: 0.010, session.DialIndicator: 0.002}}
	for i := range n {
		s.Jobs = append(s.Jobs, shoptest.Job{Operator: []string{"ada", "ben"}[i%2]})
	}
	return s
}

func TestPrint(t *testing.T) {
	m := played(t, sound(10))
	text, err := json.MarshalIndent(m.fold(history.Filter{}, -1), "", " ")
	require.NoError(t, err)
	t.Log(string(text))
	assert.True(t, true)
}
