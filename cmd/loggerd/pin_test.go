package main

import (
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/operators"
	"shimwright/session"
	"shimwright/sqlite"
)

// A job that takes a PIN to begin, through the daemon: refused without, begun with; the
// log says that the operator was proved and holds no PIN.
func TestProtectedCommands(t *testing.T) {
	hash, err := operators.HashPIN("31415926")
	require.NoError(t, err)
	b := startBench(t, func(c *config.Config) {
		c.Operators, c.Protect = []config.Operator{{Name: "ada", PIN: hash}}, []session.Verb{session.Begin, session.End}
		c.MQTT.Broker = config.Off
	})
	begin := session.Command{Do: session.Begin, Plan: killPlan, Operator: "ada", Door: session.FromPage}
	for _, submit := range []func(session.Command) error{
		func(c session.Command) error { _, err := b.carryOut(t.Context(), c); return err },
		func(c session.Command) error { _, err := gated{b.bench, b.gate}.Submit(t.Context(), c); return err },
		func(c session.Command) error { _, err := b.bench.Submit(t.Context(), c); return err }, // past the gate
	} {
		var no *session.Refusal
		require.ErrorAs(t, submit(begin), &no)
		assert.Equal(t, "pin needed", no.Code)
	}
	begin.PIN = "31415926"
	_, err = b.carryOut(t.Context(), begin)
	require.NoError(t, err)
	_, err = b.carryOut(t.Context(), session.Command{Do: session.Back, Operator: "bo", Door: session.FromPage})
	assert.Error(t, err, "there is no step before; but no PIN is asked for")

	log, err := sqlite.OpenForReview(b.logPath())
	require.NoError(t, err)
	defer log.Close()
	proved := 0
	require.NoError(t, log.Entries(1, func(e session.Entry) error {
		text, err := e.Encode()
		require.NoError(t, err)
		assert.NotContains(t, string(text), "31415926")
		assert.NotContains(t, string(text), "argon2id")
		if e.Proved {
			proved++
			assert.Equal(t, "ada", e.Operator)
			assert.Equal(t, session.FromPage, e.Door)
		}
		return nil
	}))
	assert.Positive(t, proved)
}

// The lines that logctl prints are those that the daemon reads.
func TestTheConfigurationOfAnOperator(t *testing.T) {
	hash, err := operators.HashPIN("2718")
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "bench.toml")
	text := "protect = [\"end\"]\npage = \"off\"\ndata = \"" + t.TempDir() + "\"\nmqtt = { broker = \"off\" }\n[[operator]]\nname = \"ada\"\npin = \"" + string(hash) + "\"\n"
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	c, err := readConfig(file, func(string) string { return "" })
	require.NoError(t, err)
	c.Socket = filepath.Join(t.TempDir(), "s")
	d, err := open(c, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	require.NoError(t, d.close())
}
