package main

import (
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/config"
	"shimwright/session"
	"shimwright/sqlite"
)

// measureTwice measures the two steps of the plan, so that checkpoints are signed.
func measureTwice(t *testing.T, d *daemon) {
	t.Helper()
	commands := []session.Command{{Do: session.Begin, Plan: killPlan}}
	for _, value := range []string{"11.02", "11.02", "11.02", "11.02", "14.01", "14.01", "14.01", "14.01"} {
		commands = append(commands, session.Command{Do: session.Enter, Instrument: "caliper", Value: value})
	}
	for _, c := range append(commands, session.Command{Do: session.End, Note: "as advised"}) {
		_, err := d.bench.Submit(t.Context(), c)
		require.NoError(t, err)
	}
}

// An older copy of a log, put beside its key, is not gone on with in silence: only with
// a new key, and the log then says why.
func TestAnOlderCopyOfTheLogIsRefused(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "data")
	path := sqlite.PathOf(folder, "bench-1")
	runDaemon(t, folder, func(d *daemon) { measureTwice(t, d) })
	older, err := os.ReadFile(path)
	require.NoError(t, err)
	runDaemon(t, folder, func(d *daemon) { measureTwice(t, d) })
	require.NoError(t, os.WriteFile(path, older, 0o600))

	c := config.Default(func(string) string { return "" }, filepath.Join(folder, "s"))
	c.Data, c.Page, c.MQTT.Broker = folder, config.Off, config.Off
	_, err = open(c, slog.New(slog.DiscardHandler))
	require.ErrorContains(t, err, "are here, so this is an older copy of it; put the newest copy back, or, if there is none, "+
		`go on with a new key and say why: loggerd --new-key "REASON"`)

	d, err := openWith(c, slog.New(slog.DiscardHandler), outfit{newKey: "the disk broke; the copy of Monday is the newest"})
	require.NoError(t, err)
	require.NoError(t, d.close())
	runDaemon(t, folder, func(d *daemon) { measureTwice(t, d) })

	changes := []session.KeyChanged{}
	log, err := sqlite.OpenForReview(path)
	require.NoError(t, err)
	defer log.Close()
	require.NoError(t, log.Entries(1, func(e session.Entry) error {
		if k, ok := e.Body.(session.KeyChanged); ok {
			changes = append(changes, k)
		}
		return nil
	}))
	require.Len(t, changes, 1)
	assert.Equal(t, "the disk broke; the copy of Monday is the newest", changes[0].Reason)
	assert.NotEqual(t, changes[0].Before, changes[0].PublicKey)
	report, err := sqlite.Verify(path, sqlite.VerifyOptions{})
	require.NoError(t, err)
	assert.Empty(t, report.Damage)
	report, err = sqlite.Verify(path, sqlite.VerifyOptions{Outside: []sqlite.Outside{{Name: "set aside", Text: changes[0].SetAside}}})
	require.NoError(t, err)
	assert.NotEmpty(t, report.Damage, "the checkpoint that was set aside shows what is gone")
}

// What the daemon was set up with is in the log, without secrets.
func TestTheConfigurationIsInTheLog(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "data")
	var started session.Started
	runDaemon(t, folder, func(*daemon) {})
	log, err := sqlite.OpenForReview(sqlite.PathOf(folder, "bench-1"))
	require.NoError(t, err)
	defer log.Close()
	require.NoError(t, log.Entries(1, func(e session.Entry) error {
		if s, ok := e.Body.(session.Started); ok {
			started = s
		}
		return nil
	}))
	var said map[string]any
	require.NoError(t, json.Unmarshal(started.Configuration, &said))
	assert.Equal(t, "bench-1", said["bench"])
	assert.Equal(t, folder, said["data"])
	assert.Contains(t, said["instrument"], "caliper")
}
