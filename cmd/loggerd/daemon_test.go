package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/broker"
	"shimwright/cmd/loggerd/config"
	"shimwright/devices"
	"shimwright/session"
	"shimwright/testdata/plans"
)

// testBench is a whole daemon on simulated instruments in a folder of its own.
type testBench struct {
	*daemon
	sims map[string]*devices.SimulatedInstrument
}

// startBench runs a daemon until the test ends. change may alter its configuration.
func startBench(t testing.TB, change func(*config.Config)) *testBench {
	t.Helper()
	return startBenchOf(t, devices.ExampleProfiles(), change)
}

// startBenchOf is startBench with other instruments.
func startBenchOf(t testing.TB, bench []session.Profile, change func(*config.Config)) *testBench {
	t.Helper()
	folder := t.TempDir()
	sims, profiles, err := simulate(folder, bench)
	require.NoError(t, err)
	c := config.Default(func(string) string { return "" }, filepath.Join(folder, "control.sock"))
	c.Data, c.Instruments, c.Bounce = folder, profiles, 0
	c.MQTT.Listen, c.Page = "127.0.0.1:0", "127.0.0.1:0"
	if change != nil {
		change(&c)
	}
	d, err := open(c, slog.New(slog.NewTextHandler(t.Output(), nil)))
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()
	t.Cleanup(func() {
		stop()
		assert.NoError(t, <-ended)
		assert.NoError(t, d.close())
		for _, s := range sims {
			assert.NoError(t, s.Close())
		}
	})
	return &testBench{d, sims}
}

// screen is a subscriber that keeps what it hears.
type screen struct {
	mu    sync.Mutex
	heard map[string][]json.RawMessage
}

func subscribe(t testing.TB, broker, topic string) *screen {
	t.Helper()
	d := &screen{heard: map[string][]json.RawMessage{}}
	options := mqtt.NewClientOptions().AddBroker("tcp://" + broker).SetClientID("display-" + t.Name()).SetAutoReconnect(false)
	client := mqtt.NewClient(options)
	token := client.Connect()
	require.True(t, token.WaitTimeout(5*time.Second))
	require.NoError(t, token.Error())
	t.Cleanup(func() { client.Disconnect(100) })
	token = client.Subscribe(topic, 1, func(_ mqtt.Client, m mqtt.Message) {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.heard[m.Topic()] = append(d.heard[m.Topic()], bytes.Clone(m.Payload()))
	})
	require.True(t, token.WaitTimeout(5*time.Second))
	require.NoError(t, token.Error())
	return d
}

// last returns the last message of a topic, or nil.
func (d *screen) last(topic string) json.RawMessage {
	d.mu.Lock()
	defer d.mu.Unlock()
	if n := len(d.heard[topic]); n > 0 {
		return d.heard[topic][n-1]
	}
	return nil
}

func (d *screen) count(topic string) int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.heard[topic])
}

func TestFromPressToAdviceAtASubscriber(t *testing.T) {
	b := startBench(t, nil)
	d := subscribe(t, b.brokerAddress(), b.topic()+"/#")
	tech := newTechnician(demoOptions{speed: mostSpeed, seed: 3}, b.bench, b.sims)
	delete(tech.mishaps, "bar-thickness/0") // without a bounce nothing comes too soon
	require.NoError(t, tech.work(t.Context()))

	s := b.bench.Snapshot()
	require.Equal(t, session.Final, s.Advice[0].State)
	require.True(t, s.Advice[0].Best.Inside)
	require.Len(t, s.Advice[0].LeftOut, 1, "the slipped reading")
	require.Eventually(t, func() bool {
		return strings.Contains(string(d.last(b.topic()+"/advice")), `"state":"final"`) &&
			strings.Contains(string(d.last(b.topic()+"/advice")), s.Advice[0].Best.EndFloat.String())
	}, 5*time.Second, 5*time.Millisecond)
	require.Eventually(t, func() bool { return d.count(b.topic()+"/reading") == len(s.Readings) }, 5*time.Second, 5*time.Millisecond)
	for _, topic := range []string{"status", "step", "instrument/caliper-1", "instrument/pedal-1"} {
		require.NotNil(t, d.last(b.topic()+"/"+topic), topic)
	}

	late := subscribe(t, b.brokerAddress(), b.topic()+"/advice")
	require.Eventually(t, func() bool { return late.last(b.topic()+"/advice") != nil }, 5*time.Second, 5*time.Millisecond)
}

func TestARestartGoesOnAtTheSameStep(t *testing.T) {
	folder := t.TempDir()
	change := func(c *config.Config) { c.Data, c.MQTT.Broker = folder, config.Off }
	var before session.Snapshot
	t.Run("first run", func(t *testing.T) {
		b := startBench(t, change)
		tech := newTechnician(demoOptions{speed: mostSpeed, seed: 3}, b.bench, b.sims)
		tech.mishaps = map[string]func(context.Context, session.StepView) error{"pump-depth/1": func(context.Context, session.StepView) error { return context.Canceled }}
		require.ErrorIs(t, tech.work(t.Context()), context.Canceled)
		before = b.bench.Snapshot()
		require.Equal(t, "pump-depth", before.Step.Name)
	})
	b := startBench(t, change)
	after := b.bench.Snapshot()
	require.Equal(t, before.Run+1, after.Run)
	require.Equal(t, before.Step, after.Step)
	require.Equal(t, before.Readings, after.Readings)
}

func TestThePedalAsksAndClosesSteps(t *testing.T) {
	b := startBench(t, func(c *config.Config) { c.MQTT.Broker = config.Off })
	tech := newTechnician(demoOptions{speed: mostSpeed}, b.bench, b.sims)
	require.NoError(t, tech.untilLive(t.Context()))
	plan := `plan = "one"
title = "One collar"
step = [
  { name = "collar", title = "Collar", instrument = "caliper", range = ["10.00", "12.00"], closes_on_command = true },
  { name = "foil", title = "Foil", instrument = "micrometer", range = ["0.100", "0.900"] },
]
[[chain]]
name = "c"
title = "C"
least = "10"
most = "12"
term = [{ step = "collar", sign = "+" }, { step = "foil", sign = "+" }]
side = [{ name = "s", most = 0 }]
`
	_, err := b.bench.Submit(t.Context(), session.Command{Do: session.Begin, Plan: plan})
	require.NoError(t, err)
	for range 2 {
		require.NoError(t, tech.after(t.Context(), func() error { return b.sims["caliper-1"].Press(micrometres(11_000)) }))
	}
	require.Equal(t, "collar", b.bench.Snapshot().Step.Name)
	require.NoError(t, b.sims["pedal-1"].Press(session.Number{}))
	require.NoError(t, tech.until(t.Context(), func(s session.Snapshot) bool { return s.Step != nil && s.Step.Name == "foil" }))
	b.sims["micrometer-1"].Show(micrometres(250))
	require.NoError(t, tech.hesitate(t.Context())) // a pedal that bounces is pressed once
	require.NoError(t, tech.after(t.Context(), func() error { return b.sims["pedal-1"].Press(session.Number{}) }))
	r := b.bench.Snapshot().Readings
	require.Equal(t, "0.250", r[len(r)-1].Value.String())
}

func TestTheDemoFromItsCommand(t *testing.T) {
	var out, errs bytes.Buffer
	home, temporary := t.TempDir(), t.TempDir()
	t.Setenv("TMPDIR", temporary)
	code := run(t.Context(), []string{"demo", "--speed", "10", "--once"}, &out, &errs, func(key string) string {
		return map[string]string{"HOME": home}[key]
	})
	require.Equal(t, exitOK, code, errs.String())
	require.Empty(t, errs.String())
	for _, want := range []string{"too soon", "wrong instrument", "now left out", "END FLOAT OF THE CRANK pump side 0.", "check gap 0.", "It is shown inside the window"} {
		require.Contains(t, strings.Join(strings.Fields(out.String()), " "), want)
	}
	for _, line := range strings.Split(out.String(), "\n") {
		require.LessOrEqual(t, len(line), 80, line)
	}
	left, err := os.ReadDir(temporary)
	require.NoError(t, err)
	require.Empty(t, left, "the demo cleans up after itself")
}

func TestTheCommandLine(t *testing.T) {
	folder := t.TempDir()
	bad := filepath.Join(folder, "bad.toml")
	require.NoError(t, os.WriteFile(bad, []byte("bensh = 1\nbounce = 2\n"), 0o600))
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"--config", bad}, exitFailed, bad + ":1:1: unknown key"},
		{[]string{"--config", bad}, exitFailed, bad + ":2:10: "},
		{[]string{"--config", filepath.Join(folder, "none.toml")}, exitFailed, "cannot read the configuration"},
		{[]string{"--konfig"}, exitUsage, "unknown flag: --konfig; see loggerd --help"},
		{[]string{"dance"}, exitUsage, "there is no command \"dance\""},
		{[]string{"demo", "--speed", "0"}, exitUsage, "a speed of 0 is not possible; give one from 0.1 to 10"},
		{[]string{"demo", "now"}, exitUsage, "there is no command \"now\""},
	} {
		var out, errs bytes.Buffer
		code := run(t.Context(), c.args, &out, &errs, func(string) string { return "" })
		require.Equal(t, c.code, code, errs.String())
		require.Contains(t, errs.String(), c.want)
		require.Empty(t, out.String())
	}
}

func TestASecondDaemonOnTheSameLogIsRefused(t *testing.T) {
	b := startBench(t, func(c *config.Config) { c.MQTT.Broker = config.Off })
	c := b.cfg
	c.Socket = filepath.Join(t.TempDir(), "other.sock")
	_, err := open(c, slog.New(slog.DiscardHandler))
	require.ErrorContains(t, err, "cannot open log")
	c.Data = t.TempDir()
	c.Socket = b.cfg.Socket
	_, err = open(c, slog.New(slog.DiscardHandler))
	require.Error(t, err, "nor on the same socket")
}

func TestTheBrokersPassword(t *testing.T) {
	file := filepath.Join(t.TempDir(), "password")
	require.NoError(t, os.WriteFile(file, []byte("s3cret\r\nsecond line\n"), 0o600))
	password, err := readPassword(file)
	require.NoError(t, err)
	require.Equal(t, "s3cret", password)
	_, err = readPassword(file + ".gone")
	require.ErrorContains(t, err, "cannot read the broker's password")
}

// startBroker starts an embedded broker with base "floor".
func startBroker(t testing.TB) (address, user, password string) {
	t.Helper()
	user, password = broker.Credentials()
	b, err := broker.Start(broker.Config{Listen: "127.0.0.1:0", Base: "floor", PublisherUser: user, PublisherPassword: password})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	return b.Addr(), user, password
}

// Without a file a whole job can be typed in.
func TestTheDefaultsAreEnoughToTypeAJob(t *testing.T) {
	b := startBench(t, func(c *config.Config) {
		c.Instruments, c.MQTT.Broker = config.Default(func(string) string { return "" }, "").Instruments, config.Off
	})
	plan, err := plans.Files.ReadFile("pump-bottom-end-short.toml")
	require.NoError(t, err)
	_, err = b.bench.Submit(t.Context(), session.Command{Do: session.Begin, Plan: string(plan)})
	require.NoError(t, err)
	for _, step := range []struct {
		instrument, value string
		times             int
	}{{"caliper", "52.54", 4}, {"caliper", "10.00", 2}, {"depth-gauge", "37.41", 4}, {"depth-gauge", "25.30", 4}, {"micrometer", "0.360", 4}} {
		for range step.times {
			_, err := b.bench.Submit(t.Context(), session.Command{Do: session.Enter, Instrument: step.instrument, Value: step.value})
			require.NoError(t, err)
		}
	}
	a := b.bench.Snapshot().Advice[0]
	require.Equal(t, session.Final, a.State)
	require.Contains(t, fmt.Sprint(a.Assumed), "profile assumed")
}
