//go:build outside

package main

import (
	"bufio"
	"encoding/json"
	"net"
	"os/exec"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/config"
	"shimwright/session"
)

// TestAForeignSubscriberShowsTheAdvice plays the demo's job on a whole daemon and
// reads the advice with the subscriber of Debian's mosquitto-clients, at our
// embedded broker and at Debian's mosquitto. A program that is missing is a failure.
func TestAForeignSubscriberShowsTheAdvice(t *testing.T) {
	t.Run("embedded broker", func(t *testing.T) {
		b := startBench(t, nil)
		playToSubscriber(t, b, b.brokerAddress())
	})
	t.Run("foreign broker", func(t *testing.T) {
		address := foreignBroker(t)
		b := startBench(t, func(c *config.Config) { c.MQTT.Broker = "tcp://" + address })
		playToSubscriber(t, b, address)
	})
}

// A foreign broker is a mosquitto on this machine.
type foreign struct {
	address string
	stop    func()
}

// foreignBroker runs mosquitto on a free port until the test ends.
func foreignBroker(t *testing.T) string {
	t.Helper()
	return foreignBrokerAt(t, "").address
}

// foreignBrokerAt runs mosquitto at an address, or on a free port if that is empty.
func foreignBrokerAt(t *testing.T, address string) foreign {
	t.Helper()
	if address == "" {
		free, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		address = free.Addr().String()
		require.NoError(t, free.Close())
	}
	cmd := exec.Command("mosquitto", "-p", port(address))
	require.NoError(t, cmd.Start(), "install Debian's mosquitto")
	stop := sync.OnceFunc(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed
	})
	t.Cleanup(stop)
	require.Eventually(t, func() bool {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			return false
		}
		return conn.Close() == nil
	}, 10*time.Second, 10*time.Millisecond)
	return foreign{address, stop}
}

func playToSubscriber(t *testing.T, b *testBench, address string) {
	t.Helper()
	sub := exec.Command("mosquitto_sub", "-h", host(address), "-p", port(address), "-q", "1", "-t", b.topic()+"/advice")
	out, err := sub.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, sub.Start(), "install Debian's mosquitto-clients")
	t.Cleanup(func() {
		_ = sub.Process.Kill()
		_ = sub.Wait() // it was killed
	})
	tech := newTechnician(demoOptions{speed: mostSpeed, seed: 3}, b.bench, b.sims)
	delete(tech.mishaps, "bar-thickness/0")
	require.NoError(t, tech.work(t.Context()))
	want := b.bench.Snapshot().Advice[0]
	limit := time.AfterFunc(20*time.Second, func() { _ = sub.Process.Kill() })
	defer limit.Stop()
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var message struct {
			Advice []session.Advice `json:"advice"`
		}
		require.NoError(t, json.Unmarshal(lines.Bytes(), &message))
		if len(message.Advice) == 1 && message.Advice[0].State == session.Final && message.Advice[0].CheckFound != nil {
			require.Equal(t, want.Best, message.Advice[0].Best)
			require.Equal(t, want.Gap, message.Advice[0].Gap)
			return
		}
	}
	t.Fatal("the final advice did not reach the subscriber")
}
