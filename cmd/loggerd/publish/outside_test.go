//go:build outside

package publish

import (
	"bufio"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// These tests use the subscriber and the broker that Debian packages as
// mosquitto-clients and mosquitto. Neither is ours; one that is not installed is
// a failure.

func program(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		path, err = exec.LookPath(filepath.Join("/usr/sbin", name))
	}
	require.NoError(t, err, "install Debian's mosquitto and mosquitto-clients")
	return path
}

// subscriber runs mosquitto_sub and returns its lines: retained (1 or 0), topic, payload.
func subscriber(t *testing.T, addr, topic string) <-chan string {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	cmd := exec.Command(program(t, "mosquitto_sub"), "-h", host, "-p", port, "-t", topic, "-q", "1", "-F", "%r %t %p")
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	cmd.Stderr = os.Stderr
	require.NoError(t, cmd.Start())
	lines := make(chan string, 1000)
	go func() {
		defer close(lines)
		for scan := bufio.NewScanner(out); scan.Scan(); {
			lines <- scan.Text()
		}
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed
	})
	return lines
}

// next returns the next line whose topic ends so and whose payload says this.
func next(t *testing.T, lines <-chan string, topic, says string) string {
	t.Helper()
	for limit := time.After(soon); ; {
		select {
		case line, ok := <-lines:
			require.True(t, ok, "the subscriber ended")
			if strings.HasSuffix(strings.Fields(line)[1], topic) && strings.Contains(line, says) {
				return line
			}
		case <-limit:
			require.Fail(t, "nothing on "+topic+" that says "+says)
		}
	}
}

// foreignBroker runs mosquitto on a free port until stop.
func foreignBroker(t *testing.T) (addr string, stop func()) {
	t.Helper()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr = free.Addr().String()
	require.NoError(t, free.Close())
	conf := filepath.Join(t.TempDir(), "broker.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\npersistence false\nuser root\nlog_dest none\n", free.Addr().(*net.TCPAddr).Port)
	require.NoError(t, os.WriteFile(conf, []byte(text), 0o600))
	cmd := exec.Command(program(t, "mosquitto"), "-c", conf)
	require.NoError(t, cmd.Start())
	stop = func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed
	}
	t.Cleanup(stop)
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", addr)
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	}, soon, tick, "the broker does not start")
	return addr, stop
}

func TestForeignSubscriberAtOurBroker(t *testing.T) {
	b := startBroker(t)
	bench := newBench(snapshot(2))
	run(t, config(b.Addr(), bench))
	watch(t, b.Addr(), statusTopic).status(t, 7, session.StatusLive)
	late := subscriber(t, b.Addr(), "works/#")
	seen := map[string]string{}
	for range 4 {
		retained, rest, _ := strings.Cut(next(t, late, "", ""), " ")
		topic, payload, _ := strings.Cut(rest, " ")
		assert.Equal(t, "1", retained)
		seen[strings.TrimPrefix(topic, "works/v1/bench-1/")] = payload
	}
	for _, topic := range []string{"status", "step", "advice", "instrument/caliper-1"} {
		assert.Contains(t, seen[topic], `{"schema":1,"run":7,`, topic)
	}
	for seq := int64(3); seq < 6; seq++ {
		bench.put(snapshot(2, seq))
		line := next(t, late, "/reading", "")
		assert.True(t, strings.HasPrefix(line, fmt.Sprintf(`0 works/v1/bench-1/reading {"schema":1,"run":7,"seq":%d,`, seq)), line)
	}
}

func TestForeignBrokerAndSubscriber(t *testing.T) {
	first, stopFirst := foreignBroker(t)
	w := newWire(t, first)
	bench := newBench(snapshot(2))
	end := run(t, config(w.addr(), bench))
	lines := subscriber(t, first, "works/#")
	next(t, lines, "/status", `"state":"live"`)

	w.cut() // abrupt death: the broker sends the will, then we are back
	next(t, lines, "/status", `"state":"gone"`)
	next(t, lines, "/step", `"run":7`)
	next(t, lines, "/status", `"state":"live"`)
	bench.put(snapshot(2, 3))
	next(t, lines, "/reading", `"seq":3,`)

	second, _ := foreignBroker(t) // the broker dies, another takes its place and knows nothing
	w.lead(second)
	stopFirst()
	bench.put(snapshot(2, 3, 4))
	lines = subscriber(t, second, "works/v1/bench-1/+")
	next(t, lines, "/status", `"state":"live"`)
	late := subscriber(t, second, "works/v1/bench-1/+")
	assert.True(t, strings.HasPrefix(next(t, late, "/advice", ""), "1 "))
	bench.put(snapshot(2, 3, 4, 5))
	next(t, late, "/reading", `"seq":5,`)
	end()
	next(t, lines, "/status", `"state":"ended"`)
}

// A new run with the client id of one that hangs: the broker ends the old
// connection and sends its will after the new one is accepted.
func TestForeignBrokerSendsALateWill(t *testing.T) {
	addr, _ := foreignBroker(t)
	cfg := config(addr, newBench(snapshotOf(6)))
	cfg.After = func(time.Duration) <-chan time.Time { return nil }
	run(t, cfg)
	lines := subscriber(t, addr, statusTopic)
	next(t, lines, "/status", `"run":6`)
	run(t, config(addr, newBench(snapshotOf(7))))
	d := watch(t, addr, statusTopic)
	d.status(t, 7, session.StatusLive)
	next(t, lines, "/status", `"run":7`)
	watch(t, addr, statusTopic).status(t, 7, session.StatusLive)
}
