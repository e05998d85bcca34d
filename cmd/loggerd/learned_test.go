package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/control"
	"shimwright/devices"
	"shimwright/session"
)

// An instrument that is set up while the daemon runs is read at once, is in the log, and
// stands in the configuration file for the next start.
func TestSetUpWhileRunning(t *testing.T) {
	sim, err := devices.Simulate(devices.ExampleProfiles()[0])
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()) }()
	file := filepath.Join(t.TempDir(), "bench.toml")
	require.NoError(t, os.WriteFile(file, []byte("bench = \"bench-1\" # ours"), 0o640))
	captures := t.TempDir()
	b := startOn(t, outfit{config: file, record: captures}, session.Profile{Name: "feelers", Kind: session.Feeler})
	face := portFace{b.daemon}
	p := sim.Profile()

	set, err := face.Set(t.Context(), p, true)
	require.NoError(t, err)
	assert.Equal(t, file, set.Written)
	assert.Empty(t, set.NotWritten)
	require.Eventually(t, func() bool {
		in := b.instrument(p.Name)
		return in != nil && in.Health().Port.State == session.PortLive
	}, 5*time.Second, 5*time.Millisecond)
	require.NoError(t, sim.Press(micrometres(52_540)))
	require.Eventually(t, func() bool { return len(b.bench.Snapshot().Readings) == 1 }, 5*time.Second, 5*time.Millisecond)
	got := b.bench.Snapshot()
	assert.Equal(t, "52.54", got.Readings[0].Value.String())
	require.Len(t, got.Instruments, 2)
	assert.Equal(t, session.PortLive, got.Instruments[1].State)
	assert.Contains(t, string(face.Metrics()), `instrument="caliper-1"`)
	heard, stop, ok := face.Listen(p.Name)
	require.True(t, ok)
	require.NotNil(t, heard)
	stop()
	list, err := face.Ports()
	require.NoError(t, err)
	assert.True(t, strings.Contains(strings.Join(boundTo(list), " "), p.Name))

	require.Eventually(t, func() bool {
		files, err := filepath.Glob(filepath.Join(captures, "caliper-1*"))
		return err == nil && len(files) > 0
	}, 5*time.Second, 5*time.Millisecond, "what it sends is recorded as well")

	text, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.True(t, strings.HasPrefix(string(text), "bench = \"bench-1\" # ours\n"), "what stood there stays")
	c, err := config.Read(file, text, config.Default(func(string) string { return "" }, "/s"))
	require.NoError(t, err)
	require.Equal(t, []session.Profile{p}, c.Instruments)
	info, err := os.Stat(file)
	require.NoError(t, err)
	assert.EqualValues(t, 0o640, info.Mode().Perm())

	for code, bad := range map[string]func(*session.Profile){
		"name in use": func(p *session.Profile) { p.Port = "/dev/other" },
		"port in use": func(p *session.Profile) { p.Name = "caliper-9" },
		"bad profile": func(p *session.Profile) { p.Name, p.Port = "caliper-9", "" },
	} {
		q := p
		bad(&q)
		_, err := face.Set(t.Context(), q, true)
		var no *session.Refusal
		require.ErrorAs(t, err, &no)
		assert.Equal(t, code, no.Code)
		assert.NotEmpty(t, no.Instead)
	}
	after, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(text), string(after))
}

func TestAProfileThatCannotBeKept(t *testing.T) {
	p := devices.ExampleProfiles()[3]
	p.Port = filepath.Join(t.TempDir(), "pedal")
	b := startOn(t, outfit{}, session.Profile{Name: "feelers", Kind: session.Feeler})
	set, err := portFace{b.daemon}.Set(t.Context(), p, true)
	require.NoError(t, err)
	assert.Contains(t, set.NotWritten, "without a configuration file")
	assert.Contains(t, set.TOML, "[[instrument]]")

	file := filepath.Join(t.TempDir(), "bench.toml")
	b.outfit.config = file
	assert.ErrorContains(t, b.keep(p), "cannot read the configuration")
	require.NoError(t, os.WriteFile(file, []byte(devices.WriteProfile(p)), 0o600))
	assert.ErrorContains(t, b.keep(p), "would have mistakes", "it stands there already")
	b.end()
	p.Name, p.Port = "pedal-2", p.Port+"2"
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	_, err = portFace{b.daemon}.Set(ctx, p, false)
	assert.Error(t, err, "the bench has stopped")
}

// boundTo lists the instruments of ports.
func boundTo(list control.PortList) []string {
	var names []string
	for _, p := range list.Ports {
		names = append(names, p.Instrument)
	}
	return names
}

// A port is listened to while an instrument is learned: what it answers to a request that
// is sent by and by, until the cable is pulled; then it can be opened again.
func TestLearnByRequestUntilTheCableIsPulled(t *testing.T) {
	unknown := devices.ExampleProfiles()[2]
	require.Equal(t, session.OnRequest, unknown.Trigger)
	unknown.Port = filepath.Join(t.TempDir(), "port")
	sim, err := devices.Simulate(unknown)
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()) }()
	sim.Show(micrometres(5_250))
	b := startOn(t, outfit{}, session.Profile{Name: "feelers", Kind: session.Feeler})
	of := session.Profile{Port: unknown.Port, Request: unknown.Request}
	for range 2 {
		heard, stop, err := portFace{b.daemon}.Learn(of)
		require.NoError(t, err)
		first := <-heard
		require.NotNil(t, first.Port)
		assert.Equal(t, session.PortLive, first.Port.State)
		answer := <-heard
		assert.Equal(t, "bytes", answer.What)
		assert.Contains(t, string(answer.Raw), "5.25")
		require.NoError(t, sim.Unplug())
		for range heard { // until the port is found to be gone
		}
		stop()
		_, _, err = portFace{b.daemon}.Learn(of)
		assert.ErrorContains(t, err, "no such device")
		require.NoError(t, sim.Plug())
	}
	of.Request = strings.Repeat("?", 65)
	_, _, err = portFace{b.daemon}.Learn(of)
	assert.ErrorContains(t, err, "at most 64")
}

// Whoever had the usual instruments to type values of has them after the next start too.
func TestTheUsualInstrumentsStayBesideALearnedOne(t *testing.T) {
	file := filepath.Join(t.TempDir(), "bench.toml")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	defaults := config.Default(func(string) string { return "" }, "/s")
	b := startOn(t, outfit{config: file}, defaults.Instruments...)
	for i, p := range []session.Profile{devices.ExampleProfiles()[0], devices.ExampleProfiles()[1]} {
		p.Port = filepath.Join(t.TempDir(), "port")
		set, err := portFace{b.daemon}.Set(t.Context(), p, true)
		require.NoError(t, err)
		require.Equal(t, file, set.Written, set.NotWritten)
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		c, err := config.Read(file, text, defaults)
		require.NoError(t, err)
		assert.Len(t, c.Instruments, len(defaults.Instruments)+1+i)
	}
}
