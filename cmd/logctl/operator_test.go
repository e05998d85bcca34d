package main

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/control"
	"shimwright/cmd/loggerd/operators"
	"shimwright/session"
)

func TestOperatorPIN(t *testing.T) {
	code, out, errs := logctl(environment(nil), "2718\n", "operator", "pin", "ada")
	require.Equal(t, exitOK, code, errs)
	assert.NotContains(t, out, "2718")
	c, err := config.Read("b.toml", []byte(out), config.Config{Bench: "bench-1", Page: config.Off, MQTT: config.MQTT{Broker: config.Off, Base: "b", Heartbeat: 5e9}})
	require.NoError(t, err, out)
	require.Len(t, c.Operators, 1)
	assert.Equal(t, "ada", c.Operators[0].Name)
	code, _, errs = logctl(environment(nil), "12\n", "operator", "pin", "ada")
	assert.Equal(t, exitUsage, code)
	assert.Equal(t, "logctl: a PIN has 4 to 64 characters and no spaces around it; choose another\n", errs)
	code, _, _ = logctl(environment(nil), "", "operator", "pin")
	assert.Equal(t, exitUsage, code)
	code, out, _ = logctl(environment(nil), "", "operator")
	assert.Equal(t, exitOK, code)
	assert.True(t, strings.HasPrefix(out, "Make the PIN of an operator"))
}

// A guardedBench asks for the PIN of whoever ends a job.
type guardedBench struct {
	control.Bench
	gate *operators.Gate
}

func (b guardedBench) Submit(ctx context.Context, item any) (session.Receipt, error) {
	return b.gate.Submit(ctx, item)
}

func (b guardedBench) Snapshot() session.Snapshot {
	return session.Snapshot{Schema: session.SchemaVersion, Recording: session.Recording{OK: true}}
}

type stillClock struct{}

func (stillClock) Now() (time.Time, time.Duration) { return time.Time{}, 0 }

func TestTheCommandGivesThePIN(t *testing.T) {
	hash, err := operators.HashPIN("2718")
	require.NoError(t, err)
	taken := 0
	submit := func(_ context.Context, item any) (session.Receipt, error) {
		taken++
		assert.True(t, item.(session.Command).Proved)
		return session.Receipt{Seq: 3, Job: "1"}, nil
	}
	env := serve(t, guardedBench{gate: operators.NewGate(submit, []operators.Operator{{Name: "ada", PIN: hash}}, []session.Verb{session.End}, stillClock{})})
	with := func(pin string) func(string) string {
		return func(key string) string {
			if key == "SHIMWRIGHT_PIN" {
				return pin
			}
			return env(key)
		}
	}
	code, out, _ := logctl(with("2718"), "", "end")
	assert.Equal(t, exitOK, code)
	assert.Equal(t, "Job 1 has ended.\n", out)
	code, _, errs := logctl(with("2719"), "", "end")
	assert.Equal(t, exitRefused, code)
	assert.Equal(t, "logctl: that is not the PIN of ada; try again\n", errs)
	code, _, errs = logctl(env, "2718\n", "end")
	assert.Equal(t, exitRefused, code, "nobody is asked where nobody types")
	assert.Equal(t, "logctl: to end takes the PIN of ada; give it with the command\n", errs)
	assert.Equal(t, 1, taken)
}
