package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/devices"
)

// A paper keeps what is written.
type paper struct {
	mu sync.Mutex
	bytes.Buffer
}

func (p *paper) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.Buffer.Write(b)
}

func (p *paper) text() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.String()
}

func (p *paper) sees(t *testing.T, text string) {
	t.Helper()
	require.Eventually(t, func() bool { return strings.Contains(p.text(), text) }, 10*time.Second, 5*time.Millisecond, text)
}

// The whole command: the scenario that comes with the program, with a trainer typing.
func TestSimulate(t *testing.T) {
	folder := t.TempDir()
	env := func(key string) string {
		if key == "XDG_RUNTIME_DIR" {
			return folder
		}
		return ""
	}
	ctx, stop := context.WithCancel(context.Background())
	text, err := os.ReadFile("../../testdata/scenarios/water-pump.toml")
	require.NoError(t, err)
	s, err := devices.ReadScenario("water-pump.toml", text)
	require.NoError(t, err)
	in, keys := io.Pipe()
	out := &paper{}
	ended := make(chan error, 1)
	go func() { ended <- runSimulation(ctx, s, in, out, slog.New(slog.NewTextHandler(t.Output(), nil)), env) }()
	out.sees(t, "A morning at the water-pump bench")
	out.sees(t, "unknown to the daemon")
	out.sees(t, "press caliper-1 52.54")
	out.sees(t, "unplug caliper-1")
	for order, says := range map[string]string{"press caliper-9 1\n": "no instrument", "dance\n": "type an order", "press caliper-1 long\n": "is no length", "sing caliper-1\n": "no such event"} {
		_, err = keys.Write([]byte(order))
		require.NoError(t, err)
		out.sees(t, says)
	}
	_, err = keys.Write([]byte("press depth-gauge-1 37.41\nbattery low caliper-1\nbattery good caliper-1\nshow micrometer-1 0.36\n"))
	require.NoError(t, err)
	stop()
	require.NoError(t, <-ended)
	require.NoError(t, keys.Close())
	left, err := filepath.Glob(filepath.Join(os.TempDir(), "shimwright-simulate-*", "caliper-1"))
	require.NoError(t, err)
	assert.Empty(t, left)
}

func TestSimulateRefuses(t *testing.T) {
	for args, want := range map[string]string{"simulate": "name one scenario", "simulate a b": "name one scenario", "simulate /does/not/exist": "cannot read the scenario"} {
		var out, errs bytes.Buffer
		code := run(t.Context(), strings.Fields(args), &out, &errs, func(string) string { return "" })
		assert.NotZero(t, code)
		assert.Contains(t, errs.String(), want)
	}
	file := filepath.Join(t.TempDir(), "s.toml")
	require.NoError(t, os.WriteFile(file, []byte("scenario = 3\n"), 0o600))
	var out, errs bytes.Buffer
	assert.Equal(t, exitFailed, run(t.Context(), []string{"simulate", file}, &out, &errs, func(string) string { return "" }))
	assert.Contains(t, errs.String(), file+":1:")
}
