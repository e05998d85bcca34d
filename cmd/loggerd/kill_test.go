package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/devices"
	"shimwright/session"
	"shimwright/sqlite"
)

var kills = flag.Int("kills", 10, "how often to kill the daemon under load")

const killPlan = `plan = "two-collars"
title = "Two collars"
step = [
  { name = "left", title = "Left", instrument = "caliper", places = ["a", "b"], range = ["10.00", "12.00"] },
  { name = "right", title = "Right", instrument = "caliper", places = ["a", "b"], range = ["13.00", "15.00"] },
]
[[chain]]
name = "difference"
title = "Right less left"
least = "2.50"
most = "3.20"
term = [{ step = "right", sign = "+" }, { step = "left", sign = "-" }]
side = [{ name = "left side", most = 2 }]
[[stock]]
thickness = "0.10"
count = 4
`

// victim is a built daemon that is killed and started again.
type victim struct {
	t      *testing.T
	binary string
	config string
	client *http.Client
	cmd    *exec.Cmd

	mu    sync.Mutex
	acked map[int64]string // readings that were acknowledged: sequence to value
}

// TestKilledAtAnyInstantNothingAcknowledgedIsLost kills the built binary with
// SIGKILL while values are typed in and a simulated caliper is pressed, starts it
// again, and checks that every reading that was acknowledged is there.
func TestKilledAtAnyInstantNothingAcknowledgedIsLost(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	v := newVictim(t)
	for range *kills {
		v.start()
		v.check()
		load, stop := context.WithCancel(t.Context())
		var loading sync.WaitGroup
		loading.Go(func() { v.work(load) })
		loading.Go(func() { v.noise(load) })
		<-time.After(time.Duration(5+random.IntN(120)) * time.Millisecond) // the instant of the kill, not a wait for something
		require.NoError(t, v.cmd.Process.Kill())
		_ = v.cmd.Wait() // it was killed
		stop()
		loading.Wait()
	}
	v.start()
	v.check()
	require.NoError(t, v.cmd.Process.Signal(os.Interrupt))
	require.NoError(t, v.cmd.Wait())
	v.checkLog()
}

func newVictim(t *testing.T) *victim {
	t.Helper()
	folder := t.TempDir()
	v := &victim{t: t, binary: filepath.Join(folder, "loggerd"), config: filepath.Join(folder, "bench.toml"), acked: map[int64]string{}}
	build, err := exec.Command("go", "build", "-o", v.binary, ".").CombinedOutput()
	require.NoError(t, err, string(build))
	caliper := devices.ExampleProfiles()[0]
	caliper.Port = filepath.Join(folder, "caliper")
	sim, err := devices.Simulate(caliper)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, sim.Close()) })
	socket := filepath.Join(folder, "control.sock")
	text := fmt.Sprintf(`data = %q
socket = %q
page = "off"
bounce = "0s"
mqtt = { broker = "off" }
[[instrument]]
name = "caliper-1"
kind = "caliper"
port = %q
resolution_mm = 0.01
repeatability_mm = 0.008
trigger = "on press"
ascii = { pattern = %q }
[[instrument]]
name = "caliper-2"
kind = "caliper"
resolution_mm = 0.01
repeatability_mm = 0.008
`, folder, socket, caliper.Port, caliper.ASCII.Pattern)
	require.NoError(t, os.WriteFile(v.config, []byte(text), 0o600))
	v.client = &http.Client{Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "unix", socket)
	}}}
	presses, stop := context.WithCancel(t.Context())
	t.Cleanup(stop)
	go func() {
		for presses.Err() == nil {
			_ = sim.Press(micrometres(11_000)) // nobody listens while the daemon is down
			<-time.After(3 * time.Millisecond)
		}
	}()
	return v
}

func (v *victim) start() {
	v.t.Helper()
	v.cmd = exec.Command(v.binary, "--config", v.config)
	var errs bytes.Buffer
	v.cmd.Stderr = &errs
	require.NoError(v.t, v.cmd.Start())
	require.Eventually(v.t, func() bool { _, err := v.snapshot(); return err == nil }, 10*time.Second, 2*time.Millisecond, "the daemon did not start: %s", &errs)
}

func (v *victim) snapshot() (session.Snapshot, error) {
	var s session.Snapshot
	answer, err := v.client.Get("http://bench/v1/snapshot")
	if err != nil {
		return s, err
	}
	defer answer.Body.Close()
	return s, json.NewDecoder(answer.Body).Decode(&s)
}

// send sends a command; ok tells whether it was acknowledged.
func (v *victim) send(ctx context.Context, c session.Command) (receipt session.Receipt, ok bool) {
	text, err := json.Marshal(c)
	require.NoError(v.t, err)
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://bench/v1/command", bytes.NewReader(text))
	require.NoError(v.t, err)
	request.Header.Set("Content-Type", "application/json")
	answer, err := v.client.Do(request)
	if err != nil {
		return receipt, false
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		return receipt, false
	}
	return receipt, json.Unmarshal(body, &receipt) == nil
}

// work begins jobs, types their values in and ends them, until ctx ends.
func (v *victim) work(ctx context.Context) {
	for ctx.Err() == nil {
		s, err := v.snapshot()
		switch {
		case err != nil:
			return
		case s.Job == nil || s.Job.Ended:
			v.send(ctx, session.Command{Do: session.Begin, Plan: killPlan})
		case s.Step == nil:
			v.send(ctx, session.Command{Do: session.End, Note: "next"})
		default:
			value := map[string]string{"left": "11.02", "right": "14.01"}[s.Step.Name]
			v.enter(ctx, value)
		}
	}
}

// noise types values that are out of range.
func (v *victim) noise(ctx context.Context) {
	for ctx.Err() == nil {
		v.enter(ctx, "99.99")
	}
}

func (v *victim) enter(ctx context.Context, value string) {
	receipt, ok := v.send(ctx, session.Command{Do: session.Enter, Instrument: "caliper-2", Value: value})
	if !ok {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	v.acked[receipt.Seq] = value
}

// check compares the open job of a daemon that has just started with what was
// acknowledged before.
func (v *victim) check() {
	v.t.Helper()
	s, err := v.snapshot()
	require.NoError(v.t, err)
	v.mu.Lock()
	defer v.mu.Unlock()
	found := map[int64]string{}
	for _, r := range s.Readings {
		found[r.Seq] = r.Text
	}
	if len(s.Readings) == 0 {
		return
	}
	for seq, value := range v.acked {
		require.LessOrEqual(v.t, seq, s.Seq)
		if seq >= s.Readings[0].Seq {
			require.Equal(v.t, value, found[seq], "reading %d was acknowledged", seq)
		}
	}
}

// checkLog reads the closed log from its first entry: nothing acknowledged is
// missing, no sequence is, and it folds.
func (v *victim) checkLog() {
	v.t.Helper()
	log, err := sqlite.OpenForReview(filepath.Join(filepath.Dir(v.config), "bench-1.log.db"))
	require.NoError(v.t, err)
	defer log.Close()
	texts := map[int64]string{}
	state := session.NewState(calc.NewMethod())
	next := int64(1)
	require.NoError(v.t, log.Entries(1, func(e session.Entry) error {
		require.Equal(v.t, next, e.Seq)
		next++
		if r, ok := e.Body.(session.ReadingTaken); ok {
			texts[e.Seq] = r.Text
		}
		return state.Apply(e)
	}))
	for seq, value := range v.acked {
		require.Equal(v.t, value, texts[seq], "reading %d was acknowledged", seq)
	}
	require.NotEmpty(v.t, v.acked)
	v.t.Logf("%d kills, %d acknowledged readings, %d entries, nothing lost", *kills, len(v.acked), next-1)
}
