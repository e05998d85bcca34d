package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session"
)

// A clock moves on by a second whenever it is asked.
type clock struct{ mono time.Duration }

func (c *clock) Now() (time.Time, time.Duration) {
	c.mono += time.Second
	return time.Date(2031, 4, 5, 6, 0, 0, 0, time.UTC).Add(c.mono), c.mono
}

func millimetres(t *testing.T, text string) session.Number {
	t.Helper()
	n, err := session.ParseNumber(text)
	require.NoError(t, err)
	return n
}

// theMethod is that of every bench here.
func theMethod() *calc.Method { return calc.NewMethod() }

// benchConfig is a bench with two instruments on l.
func benchConfig(t *testing.T, l *Log) session.Config {
	t.Helper()
	return session.Config{
		Name: "north", Software: "test", Method: theMethod(), Clock: &clock{}, Log: l,
		Profiles: []session.Profile{
			{Name: "caliper-1", Kind: session.Caliper, Trigger: session.OnPress,
				Resolution: millimetres(t, "0.01"), Repeatability: millimetres(t, "0.008")},
			{Name: "depth-1", Kind: session.DepthGauge, Trigger: session.OnPress,
				Resolution: millimetres(t, "0.01"), Repeatability: millimetres(t, "0.010")},
		},
	}
}

// newBench opens a run on l and lets it go until the returned function is called.
func newBench(t *testing.T, l *Log) (*session.Bench, func()) {
	t.Helper()
	bench, err := session.NewBench(benchConfig(t, l), l.Replay)
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- bench.Run(ctx) }()
	return bench, func() {
		stop()
		assert.NoError(t, <-ended)
	}
}

// shown is a snapshot as displays get it, but for what the log cannot know: whether
// the disk works at this moment.
func shown(t *testing.T, s session.Snapshot) string {
	t.Helper()
	s.Recording = session.Recording{OK: true}
	text, err := json.MarshalIndent(s, "", " ")
	require.NoError(t, err)
	return string(text)
}

// foldedFrom is the snapshot that a start would show.
func foldedFrom(t *testing.T, l *Log) string {
	t.Helper()
	state := session.NewState(calc.NewMethod())
	require.NoError(t, l.Replay(state.Apply))
	return shown(t, state.Snapshot())
}

// What a start reads, though it is not all of the log, gives what was shown: after
// every item of several jobs and runs, with commits that fail and are kept or not.
func TestBenchOnThisLogReplaysToWhatItShowed(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	plan, err := os.ReadFile("../testdata/plans/pump-bottom-end-short.toml")
	require.NoError(t, err)
	items := someItems(t, string(plan))
	path := logPath(t)
	failures := 0
	for round := range 3 {
		l := mustOpen(t, path)
		bench, stop := newBench(t, l)
		assert.Equal(t, shown(t, bench.Snapshot()), foldedFrom(t, l), "at the start")
		for n := range 16 {
			item := items[random.IntN(len(items))]
			switch {
			case round == 0 && n == 0: // at least one that fails
				l.commit, item = failing(false), items[0]
			case random.IntN(4) == 0:
				l.commit = failing(random.IntN(2) == 0)
			}
			before := shown(t, bench.Snapshot())
			code := refusalOf(t, bench, item)
			if code == "not recorded" {
				failures++
				assert.NotNil(t, l.doubt)
				l.commit = (*sql.Tx).Commit
				assert.Equal(t, before, shown(t, bench.Snapshot()), "nothing counts that was not acknowledged")
				code = refusalOf(t, bench, item)
			}
			assert.NotEqual(t, "not recorded", code)
			if l.doubt == nil {
				require.Equal(t, shown(t, bench.Snapshot()), foldedFrom(t, l))
			}
			l.commit = (*sql.Tx).Commit
		}
		stop()
		require.NoError(t, l.Close())
	}
	assert.Positive(t, failures)
}

// refusalOf gives the bench an item and returns the code of its refusal, if any.
func refusalOf(t *testing.T, bench *session.Bench, item any) string {
	t.Helper()
	_, err := bench.Submit(t.Context(), item)
	if err == nil {
		return ""
	}
	var no *session.Refusal
	require.ErrorAs(t, err, &no)
	return no.Code
}

// someItems are what a bench is given; what does not fit the moment is refused.
func someItems(t *testing.T, plan string) []any {
	press := func(instrument string, kind session.Kind, value string) session.Reading {
		return session.Reading{Instrument: instrument, Kind: kind, Value: millimetres(t, value), Text: value,
			Unit: session.Millimetre, Raw: session.Raw(value + "\r\n")}
	}
	width := press("caliper-1", session.Caliper, "52.54")
	return []any{
		session.Command{Do: session.Begin, Plan: plan, Operator: "mo", Door: session.FromPage},
		session.Command{Do: session.Begin, Plan: plan, Operator: "mo", Door: session.FromPage},
		width, width, width, width,
		press("caliper-1", session.Caliper, "52.55"),
		press("caliper-1", session.Caliper, "10.00"), press("caliper-1", session.Caliper, "10.00"),
		press("depth-1", session.DepthGauge, "37.41"), press("depth-1", session.DepthGauge, "25.30"),
		session.Command{Do: session.Next, Door: session.FromPedal},
		session.Command{Do: session.Back, Door: session.FromPedal},
		session.Command{Do: session.End, Operator: "mo", Door: session.FromPage},
		session.PortChanged{Instrument: "depth-1", State: session.PortLost},
	}
}
