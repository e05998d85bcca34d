package main

import (
	"context"
	"encoding/csv"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session"
)

// memory is a log that forgets everything with the test.
type memory struct{ entries []session.Entry }

func (m *memory) Append(entries []session.Entry) error {
	m.entries = append(m.entries, entries...)
	return nil
}

// still is a clock that stands; typed readings do not bounce.
type still struct{}

func (still) Now() (time.Time, time.Duration) {
	return time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), time.Hour
}

// realBench runs a bench as the daemon does, with a log in memory. Resolution
// and repeatability are those that work assumes of testdata/readings.csv.
func realBench(t *testing.T) (*session.Bench, *memory) {
	t.Helper()
	profile := func(name string, kind session.Kind, count string) session.Profile {
		n, err := session.ParseNumber(count)
		require.NoError(t, err)
		p := session.UsualProfile(kind)
		p.Name, p.Resolution, p.Repeatability = name, n, n
		return p
	}
	log := &memory{}
	b, err := session.NewBench(session.Config{
		Name: "bench-1", Software: "test", Method: calc.NewMethod(), Clock: still{}, Log: log,
		Settings: session.Settings{Bounce: 700 * time.Millisecond},
		Profiles: []session.Profile{
			profile("caliper-1", session.Caliper, "0.01"), profile("depth-gauge", session.DepthGauge, "0.01"),
			profile("micrometer", session.Micrometer, "0.00254"), profile("feeler", session.Feeler, "0.01"),
		},
	}, func(func(session.Entry) error) error { return nil })
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		assert.NoError(t, <-ended)
	})
	return b, log
}

// typed is the command line for a row of a file of readings.
func typed(row []string) []string {
	args := []string{"enter", "--instrument", row[4]}
	if row[3] != "" {
		args = append(args, "--unit", row[3])
	}
	if passes, stops, feeler := strings.Cut(row[2], "/"); feeler {
		return append(args, "--passes", passes, "--stops", stops)
	}
	return append(args, row[2])
}

// A whole job typed at the terminal, against the real bench, gives the advice
// that work gives for the same readings in a file.
func TestAJobAtTheTerminalAgreesWithWork(t *testing.T) {
	b, log := realBench(t)
	env := serve(t, b)
	do := func(want exit, args ...string) string {
		t.Helper()
		code, stdout, stderr := logctl(env, "", args...)
		require.Equal(t, want, code, "%v: %s", args, stderr)
		return stdout + stderr
	}
	assert.Contains(t, do(exitRefused, "next"), "no job is open")
	assert.Contains(t, do(exitOK, "begin", "testdata/plan.toml", "--reference", "pump 12"), "Step 1 of 6")
	assert.Contains(t, do(exitRefused, "begin", "testdata/plan.toml"), "still open")

	text, err := os.ReadFile("testdata/readings.csv")
	require.NoError(t, err)
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		said := do(exitOK, typed(row)...)
		if row[2] == "53.50" {
			assert.Contains(t, said, "out of range: 53.50 mm (typed); crank-width lies between")
		} else {
			assert.Contains(t, said, "filed: ")
		}
	}
	assert.Contains(t, do(exitOK, "status"), "Every step is closed.")

	atBench, _ := decoded[[]session.Advice](t, env, "advice")
	offline, _ := decoded[session.Snapshot](t, env, "work", "testdata/plan.toml", "testdata/readings.csv")
	require.Len(t, atBench, 1)
	require.Len(t, offline.Advice, 1)
	for _, a := range []*session.Advice{&atBench[0], &offline.Advice[0]} {
		assert.NotEmpty(t, a.Counted)
		assert.Len(t, a.LeftOut, 1)
		a.Counted, a.LeftOut = nil, nil // the sequences are each log's own
		if a.Changed != nil {
			a.Changed.Since = 0
		}
	}
	assert.Equal(t, offline.Advice[0], atBench[0])

	assert.Contains(t, do(exitNotFound, "strike", "9999", "--reason", "slipped"), "no reading 9999")
	assert.Contains(t, do(exitNotFound, "next", "nonesuch"), `no step "nonesuch"`)
	assert.Contains(t, do(exitNotFound, "place", "9", "--step", "crank-width"), `no place "9"`)
	assert.Contains(t, do(exitRefused, "end"), "nobody said which shims are in")
	assert.Contains(t, do(exitUsage, "fitted", "pump side"), "names no pieces")
	do(exitOK, "fitted")
	assert.Contains(t, do(exitNotFound, "stock", "pump-28"), "no stock")
	assert.Contains(t, do(exitOK, "stock", "pump-28", "0.16", "6", "--least", "8"), "BUY   2 of 0.16 mm for pump-28")
	assert.Contains(t, do(exitRefused, "stock", "pump-28", "0.16", "-7"), "so 7 cannot be taken")
	assert.Contains(t, do(exitOK, "stock", "pump-28", "0.16", "--measured", "0.161", "--u", "0.001"), "0.161 measured, standard uncertainty 0.001")
	assert.Contains(t, do(exitOK, "stock", "pump-28"), "0.16  6      8")
	assert.Contains(t, do(exitOK, "end"), "has ended")
	assert.Contains(t, do(exitRefused, "back"), "no job is open")
	for _, e := range log.entries {
		if r, ok := e.Body.(session.ReadingTaken); ok {
			assert.Equal(t, "ada", e.Operator)
			assert.Equal(t, session.FromTerminal, e.Door)
			assert.True(t, r.Typed)
		}
	}
}

func TestStrikingOutAtTheTerminal(t *testing.T) {
	b, _ := realBench(t)
	env := serve(t, b)
	_, _, _ = logctl(env, "", "begin", "testdata/plan.toml")
	_, said, _ := logctl(env, "", "enter", "52.54", "--instrument", "caliper-1")
	flat := func(text string) string { return strings.Join(strings.Fields(text), " ") }
	seq, _, found := strings.Cut(said, " ")
	require.True(t, found)
	code, said, _ := logctl(env, "", "strike", seq, "--reason", "rag under the jaw")
	assert.Equal(t, exitOK, code)
	assert.Contains(t, flat(said), "struck out: 52.54 mm (typed) for crank-width, at the crankpin; rag under the jaw")
	assert.Contains(t, flat(said), "0 of 2 repeats counted")
	code, said, _ = logctl(env, "", "restore", seq)
	assert.Equal(t, exitOK, code)
	assert.Contains(t, flat(said), "filed: 52.54 mm")
	assert.Contains(t, flat(said), "1 of 2 repeats counted")
}
