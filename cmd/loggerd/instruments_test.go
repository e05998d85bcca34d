package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/control"
	"shimwright/devices"
	"shimwright/session"
	"shimwright/sqlite"
)

// at asks the control socket of a daemon.
func (b *testBench) at(t testing.TB, method, path, body string) (*http.Response, *bufio.Reader) {
	t.Helper()
	transport := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", b.cfg.Socket)
	}}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // an answer that stops coming fails the test
	t.Cleanup(cancel)
	req, err := http.NewRequestWithContext(ctx, method, "http://bench"+path, strings.NewReader(body))
	require.NoError(t, err)
	res, err := (&http.Client{Transport: transport}).Do(req)
	require.NoError(t, err)
	t.Cleanup(func() { _ = res.Body.Close(); transport.CloseIdleConnections() })
	return res, bufio.NewReader(res.Body)
}

// asks reads one JSON answer.
func (b *testBench) asks(t testing.TB, method, path, body string, into any) int {
	res, text := b.at(t, method, path, body)
	require.NoError(t, json.NewDecoder(text).Decode(into))
	return res.StatusCode
}

// heard reads lines of JSON until one is of a kind.
func heard(t testing.TB, lines *bufio.Reader, what string) control.Heard {
	t.Helper()
	for {
		line, err := lines.ReadBytes('\n')
		require.NoError(t, err)
		var h control.Heard
		if len(line) > 1 {
			require.NoError(t, json.Unmarshal(line, &h))
		}
		if h.What == what {
			return h
		}
	}
}

func quiet(c *config.Config) { c.MQTT.Broker, c.Page = config.Off, config.Off }

func (b *testBench) allLive(t testing.TB) {
	t.Helper()
	require.Eventually(t, func() bool {
		for _, in := range b.instruments {
			if in.Health().Port.State != session.PortLive {
				return false
			}
		}
		return true
	}, 10*time.Second, 5*time.Millisecond)
}

func TestListeningAtTheSocket(t *testing.T) {
	b := startBench(t, quiet)
	b.allLive(t)
	res, lines := b.at(t, "GET", "/v1/listen?instrument=caliper-1", "")
	require.Equal(t, 200, res.StatusCode)
	require.NoError(t, b.sims["caliper-1"].Press(micrometres(12_340)))
	assert.Equal(t, "V+012.34 mm\r\n", string(heard(t, lines, "bytes").Raw))
	assert.Equal(t, "12.34", heard(t, lines, "frame").Value.String())
	assert.Equal(t, "12.34", heard(t, lines, "reading").Value.String())
	require.NoError(t, b.sims["caliper-1"].Unplug())
	assert.Equal(t, session.PortLost, heard(t, lines, "port").Port.State)
	var no session.Refusal
	assert.Equal(t, 409, b.asks(t, "GET", "/v1/listen?instrument=feelers", "", &no))
	assert.Equal(t, "no such instrument", no.Code)
}

func TestPortsOfADaemon(t *testing.T) {
	b := startBench(t, quiet)
	b.allLive(t)
	var list control.PortList
	require.Equal(t, 200, b.asks(t, "GET", "/v1/ports", "", &list))
	bound := map[string]control.PortView{}
	for _, v := range list.Ports {
		bound[v.Instrument] = v
	}
	for name, sim := range b.sims {
		v := bound[name]
		assert.Equal(t, session.PortLive, v.State, name)
		assert.Equal(t, sim.Profile().Port, v.Bound, name)
		assert.Empty(t, v.HeldBy, name)
		assert.Empty(t, v.Problem, name)
	}
}

// A cable is bound by its number, found under another name, and the list says so.
func TestBindingByNumber(t *testing.T) {
	root := t.TempDir()
	p := devices.ExampleProfiles()[0]
	sim, err := devices.Simulate(p)
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()) }()
	socketIn(t, root, "ttyUSB0", "1", "A1", sim.Profile().Port)
	socketIn(t, root, "ttyUSB1", "2", "B2", "/dev/null")
	p.Port = "serial:A1"
	b := startOn(t, outfit{system: devices.System{Root: root}}, p)
	b.allLive(t)
	var list control.PortList
	require.Equal(t, 200, b.asks(t, "GET", "/v1/ports", "", &list))
	require.Len(t, list.Ports, 2)
	assert.Equal(t, "caliper-1", list.Ports[0].Instrument)
	assert.Equal(t, "as "+filepath.Join(root, "dev/ttyUSB0"), list.Ports[0].Detail)
	assert.Equal(t, []string{"by-id:usb-f055_0001_A1-if00-port0", "serial:A1", "by-path:pci-0000:00:14.0-usb-0:1:1.0-port0"}, list.Ports[0].Names)
	assert.Empty(t, list.Ports[1].Instrument)
	require.NoError(t, sim.Press(micrometres(1_230)))
	require.Eventually(t, func() bool { return b.instruments["caliper-1"].Counters().Readings == 1 }, 5*time.Second, time.Millisecond)
	assert.Contains(t, fmt.Sprint(b.bench.Snapshot().Instruments), "ttyUSB0", "displays are told which device it is")
}

// socketIn puts the device of a cable into a tree like the kernel's.
func socketIn(t testing.TB, root, tty, socket, serial, device string) {
	usb := filepath.Join(root, "sys/devices/pci0000:00/0000:00:14.0/usb1/1-"+socket)
	node := filepath.Join(usb, "1-"+socket+":1.0", tty)
	class := filepath.Join(root, "sys/class/tty", tty)
	for _, dir := range []string{node, class, filepath.Join(root, "dev")} {
		require.NoError(t, os.MkdirAll(dir, 0o700))
	}
	for file, text := range map[string]string{usb + "/idVendor": "f055", usb + "/idProduct": "0001", usb + "/serial": serial,
		filepath.Dir(node) + "/bInterfaceNumber": "00", node + "/port_number": "0"} {
		require.NoError(t, os.WriteFile(file, []byte(text+"\n"), 0o600))
	}
	require.NoError(t, os.Symlink(node, filepath.Join(class, "device")))
	require.NoError(t, os.Symlink(device, filepath.Join(root, "dev", tty)))
}

// An ownBench is a daemon whose instruments are the test's, and that it can end.
type ownBench struct {
	*testBench
	end func()
}

// startOn runs a daemon with an outfit until the test ends.
func startOn(t testing.TB, o outfit, profiles ...session.Profile) *ownBench {
	t.Helper()
	folder := t.TempDir()
	c := config.Default(func(string) string { return "" }, filepath.Join(folder, "control.sock"))
	c.Data, c.Instruments, c.Bounce = folder, profiles, 0
	quiet(&c)
	return startConfigured(t, c, o)
}

// startConfigured is startOn with a configuration.
func startConfigured(t testing.TB, c config.Config, o outfit) *ownBench {
	t.Helper()
	d, err := openWith(c, slog.New(slog.NewTextHandler(t.Output(), nil)), o)
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()
	end := sync.OnceFunc(func() {
		stop()
		assert.NoError(t, <-ended)
		assert.NoError(t, d.close())
	})
	t.Cleanup(end)
	return &ownBench{&testBench{daemon: d}, end}
}

// A person who knows nothing of an instrument but how to press it gets a profile that
// the daemon reads it by.
func TestLearnAnUnknownInstrument(t *testing.T) {
	unknown := devices.ExampleProfiles()[1] // three bytes, bit by bit
	sim, err := devices.Simulate(unknown)
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()) }()
	b := startBench(t, quiet)
	res, lines := b.at(t, "GET", "/v1/learn?port="+sim.Profile().Port, "")
	require.Equal(t, 200, res.StatusCode)
	ask := control.Pressed{Name: "new-1", Kind: session.DepthGauge, Port: sim.Profile().Port}
	for _, mm := range []string{"12.34", "150.00", "-0.07", "3.00"} {
		n, err := session.ParseNumber(mm)
		require.NoError(t, err)
		require.NoError(t, sim.Press(n))
		ask.Presses = append(ask.Presses, control.Press{Raw: heard(t, lines, "bytes").Raw, Text: mm, Unit: session.Millimetre})
	}
	require.NoError(t, res.Body.Close())
	// the port is given back within one read; until then it would take what is pressed
	require.Eventually(t, func() bool { return handlesOf(t, sim.Profile().Port) == 1 }, 5*time.Second, 5*time.Millisecond)
	ask.Try = ask.Presses[0].Raw
	body, err := json.Marshal(ask)
	require.NoError(t, err)
	var found []control.Proposal
	require.Equal(t, 200, b.asks(t, "POST", "/v1/propose", string(body), &found))
	require.NotEmpty(t, found)
	assert.Equal(t, "12.34 mm", found[0].Tried)

	c, err := config.Read("learned.toml", []byte(found[0].TOML), config.Default(func(string) string { return "" }, "/s"))
	require.NoError(t, err, found[0].TOML)
	learned := startOn(t, outfit{}, c.Instruments...)
	learned.allLive(t)
	_, told := learned.at(t, "GET", "/v1/listen?instrument=new-1", "")
	// Whoever learned may hold the port a moment longer and hear a press in place of
	// the daemon; a person would press again.
	again, heardIt := time.NewTicker(100*time.Millisecond), make(chan struct{})
	defer again.Stop()
	var pressing sync.WaitGroup
	pressing.Go(func() {
		for {
			assert.NoError(t, sim.Press(micrometres(77_770)))
			select {
			case <-heardIt:
				return
			case <-again.C:
			}
		}
	})
	assert.Equal(t, "77.77", heard(t, told, "reading").Value.String())
	close(heardIt)
	pressing.Wait()

	var no session.Refusal
	require.Equal(t, 409, b.asks(t, "GET", "/v1/learn?port="+b.sims["caliper-1"].Profile().Port, "", &no))
	assert.Equal(t, "port in use", no.Code)
	require.Equal(t, 409, b.asks(t, "GET", "/v1/learn?port=/dev/does-not-exist", "", &no))
	assert.Contains(t, no.Message, "no such device")
}

// handlesOf counts how often this process has a device open.
func handlesOf(t testing.TB, device string) (n int) {
	handles, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	for _, h := range handles {
		if to, err := os.Readlink(filepath.Join("/proc/self/fd", h.Name())); err == nil && to == device {
			n++
		}
	}
	return n
}

// The text of metrics is by the published grammar: HELP and TYPE once a family, then
// its samples, each a name, labels and a number.
func TestMetrics(t *testing.T) {
	b := startBench(t, quiet)
	b.allLive(t)
	require.NoError(t, b.sims["caliper-1"].Send([]byte("noise\r\nV+012.34 mm\r\n")))
	require.Eventually(t, func() bool { return b.instruments["caliper-1"].Counters().Frames == 1 }, 5*time.Second, time.Millisecond)
	res, body := b.at(t, "GET", "/v1/metrics", "")
	assert.Equal(t, "text/plain; version=0.0.4; charset=utf-8", res.Header.Get("Content-Type"))
	text, err := io.ReadAll(body)
	require.NoError(t, err)
	for _, want := range []string{
		`shimwright_instrument_live{instrument="caliper-1"} 1`, `shimwright_instrument_bytes_total{instrument="caliper-1"} 20`,
		`shimwright_instrument_dropped_bytes_total{instrument="caliper-1"} 7`, `shimwright_instrument_frames_total{instrument="caliper-1"} 1`,
		`shimwright_instrument_bad_frames_total{instrument="caliper-1"} 1`, `shimwright_instrument_reconnects_total{instrument="caliper-1"} 0`,
	} {
		assert.Contains(t, string(text), want+"\n")
	}
	assert.NotContains(t, string(text), `last_frame_timestamp_seconds{instrument="pedal-1"}`)
	family, seen := "", map[string]bool{}
	help := regexp.MustCompile(`^# HELP ([a-z_]+) \S.*$`)
	kind := regexp.MustCompile(`^# TYPE ([a-z_]+) (counter|gauge)$`)
	sample := regexp.MustCompile(`^([a-z_]+)\{instrument="[a-z0-9-]+"\} -?[0-9]+(\.[0-9]+)?$`)
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSuffix(line, "\n")
		if m := help.FindStringSubmatch(line); m != nil {
			require.False(t, seen[m[1]], line)
			family, seen[m[1]] = m[1], true
		} else if m := kind.FindStringSubmatch(line); m != nil {
			require.Equal(t, family, m[1])
			require.Equal(t, strings.HasSuffix(family, "_total"), m[2] == "counter", "counters end in _total")
		} else {
			m := sample.FindStringSubmatch(line)
			require.NotNil(t, m, line)
			require.Equal(t, family, m[1])
		}
	}
	assert.Len(t, seen, len(metrics()))
}

// What a daemon recorded replays to what it read.
func TestRecording(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "captures")
	p := devices.ExampleProfiles()[0]
	sim, err := devices.Simulate(p)
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()) }()
	b := startOn(t, outfit{record: dir}, sim.Profile())
	b.allLive(t)
	require.NoError(t, sim.Press(micrometres(12_340)))
	require.NoError(t, sim.Send([]byte("no frame\r\n")))
	require.NoError(t, sim.Press(micrometres(-560)))
	require.Eventually(t, func() bool { return b.instruments["caliper-1"].Counters().Readings == 3 }, 5*time.Second, time.Millisecond)
	b.end()
	files, err := filepath.Glob(filepath.Join(dir, "caliper-1.*.capture"))
	require.NoError(t, err)
	require.Len(t, files, 1)
	text, err := os.Open(files[0])
	require.NoError(t, err)
	defer text.Close()
	c, err := devices.ReadCapture(text)
	require.NoError(t, err)
	assert.Contains(t, c.Key("from"), "bench bench-1, run 1, loggerd ")
	var got []string
	_, err = c.Replay(*c.Full, time.Time{}, func(r session.Reading) { got = append(got, brief(r)) })
	require.NoError(t, err)
	assert.Equal(t, []string{"12.34", "no match", "-0.56"}, got)
}

func brief(r session.Reading) string {
	if r.Fault != nil {
		return r.Fault.Code
	}
	return r.Value.String()
}

// A disk that fails ends the recording and nothing else.
func TestRecordingThatFails(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	p := devices.ExampleProfiles()[0]
	p.Port = "/dev/does-not-exist"
	c := config.Default(func(string) string { return "" }, filepath.Join(t.TempDir(), "s"))
	c.Data, c.Instruments = t.TempDir(), []session.Profile{p}
	_, err := openWith(c, slog.New(slog.DiscardHandler), outfit{record: file})
	assert.ErrorContains(t, err, "cannot make the folder of captures")

	heard := make(chan devices.Heard, 2)
	heard <- devices.Heard{Bytes: []byte("a")}
	heard <- devices.Heard{Bytes: []byte("a")}
	var failed []error
	r := &recorder{heard: heard, stop: func() {}, to: &devices.Recorder{Dir: file, Profile: p}, fail: func(err error) { failed = append(failed, err) }}
	require.NoError(t, r.run())
	require.Len(t, failed, 1)
	assert.ErrorContains(t, failed[0], "cannot begin a capture")
}

// Every capture of an instrument that sends on press is played through a
// pseudo-terminal into a daemon, all at once; what the log then holds is what whoever
// wrote the capture says was pressed.
func TestCapturesThroughTheDaemon(t *testing.T) {
	plays := playable(t)
	require.Greater(t, len(plays), 30)
	var profiles []session.Profile
	for i := range plays {
		sim, err := devices.Simulate(plays[i].profile)
		require.NoError(t, err)
		plays[i].sim = sim
		profiles = append(profiles, sim.Profile())
		defer func() { assert.NoError(t, sim.Close()) }()
	}
	b := startOn(t, outfit{}, profiles...)
	b.allLive(t)
	var playing sync.WaitGroup
	for _, p := range plays {
		playing.Go(func() { p.play(t, b.testBench) })
	}
	playing.Wait()
	require.Eventually(t, func() bool {
		for _, p := range plays {
			n := b.instruments[p.profile.Name].Counters()
			if n.Bytes != p.bytes || n.Frames-n.NotAsked != int64(len(strings.Fields(p.capture.Key("values")))) {
				return false
			}
		}
		return true
	}, 10*time.Second, 10*time.Millisecond)
	b.end()

	store, err := sqlite.Open(b.logPath())
	require.NoError(t, err)
	defer func() { assert.NoError(t, store.Close()) }()
	got := map[string][]string{}
	require.NoError(t, store.Replay(func(e session.Entry) error {
		if r, ok := e.Body.(session.ReadingTaken); ok && r.Fault == nil {
			got[r.Instrument] = append(got[r.Instrument], r.Value.String())
		}
		return nil
	}))
	for _, p := range plays {
		want := strings.Fields(p.capture.Key("values"))
		assert.Equal(t, want, got[p.profile.Name], p.profile.Name)
	}
}

// A playing is a capture on the way into a daemon.
type playing struct {
	capture devices.Capture
	profile session.Profile
	sim     *devices.SimulatedInstrument
	bytes   int64
}

// playable gives the captures that can be played through a port: whose profile is
// known, that send on press, say what was pressed, and are short.
func playable(t testing.TB) []playing {
	files, err := filepath.Glob("../../testdata/captures/*.capture")
	require.NoError(t, err)
	var out []playing
	for _, file := range files {
		f, err := os.Open(file)
		require.NoError(t, err)
		c, err := devices.ReadCapture(f)
		require.NoError(t, errors.Join(err, f.Close()))
		var p *session.Profile
		for _, known := range devices.ExampleProfiles() {
			if known.Name == c.Key("profile") {
				p = &known
			}
		}
		if c.Full != nil {
			p = c.Full
		}
		if p == nil || p.Trigger != session.OnPress || p.Kind == session.Pedal || c.Key("values") == "" || len(c.Events) > 1000 {
			continue
		}
		play := playing{capture: c, profile: *p}
		play.profile.Name = strings.TrimSuffix(filepath.Base(file), ".capture")
		play.profile.Port = filepath.Join(t.TempDir(), "port")
		fits := c.Events[len(c.Events)-1].At < 10*time.Second
		for _, e := range c.Events {
			play.bytes += int64(len(e.Bytes))
			fits = fits && (e.Do == devices.Sent || e.Do == devices.WasLost)
			fits = fits && !strings.Contains(play.profile.Name, "dribble") // its pauses are too near to the limit
		}
		if fits {
			out = append(out, play)
		}
	}
	return out
}

// play sends a capture at its pace; a pause longer than any silence that ends a frame
// is cut short.
func (p playing) play(t *testing.T, b *testBench) {
	const longest = 700 * time.Millisecond
	at, before := time.Now(), p.capture.Events[0].At
	in, sent := b.instruments[p.profile.Name], int64(0)
	for _, e := range p.capture.Events {
		if e.At-before >= 100*time.Millisecond { // a silence begins when all has arrived
			assert.Eventually(t, func() bool { return in.Counters().Bytes == sent }, 5*time.Second, time.Millisecond)
			at = time.Now()
		}
		at = at.Add(min(e.At-before, longest))
		before = e.At
		time.Sleep(time.Until(at))
		if e.Do == devices.Sent {
			assert.NoError(t, p.sim.Send(e.Bytes))
			sent += int64(len(e.Bytes))
			continue
		}
		assert.Eventually(t, func() bool { return in.Counters().Bytes == sent }, 5*time.Second, time.Millisecond)
		opened := in.Counters().Opened
		assert.NoError(t, p.sim.Unplug())
		assert.NoError(t, p.sim.Plug())
		assert.Eventually(t, func() bool { return in.Counters().Opened > opened && in.Health().Port.State == session.PortLive }, 5*time.Second, time.Millisecond)
		at = time.Now()
	}
}
