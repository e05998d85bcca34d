package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
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

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

// instruments stands for those of a daemon.
type instruments struct {
	ports   control.PortList
	heard   chan control.Heard
	learn   error
	asked   []control.Pressed
	propose func(control.Pressed) ([]control.Proposal, error)
	set     []session.Profile
	refuse  error  // what Set answers
	written string // the file that Set writes
}

func (f *instruments) Ports() (control.PortList, error) { return f.ports, nil }
func (f *instruments) Metrics() []byte                  { return nil }
func (f *instruments) Listen(name string) (<-chan control.Heard, func(), bool) {
	return f.heard, func() {}, name == "caliper-1"
}

func (f *instruments) Learn(string, session.Line) (<-chan control.Heard, func(), error) {
	return f.heard, func() {}, f.learn
}

func (f *instruments) Propose(p control.Pressed) ([]control.Proposal, error) {
	f.asked = append(f.asked, p)
	return f.propose(p)
}

func (f *instruments) Set(_ context.Context, p session.Profile, write bool) (control.InForce, error) {
	f.set = append(f.set, p)
	if f.refuse != nil {
		return control.InForce{}, f.refuse
	}
	answer := control.InForce{Name: p.Name, Seq: 9, TOML: "[[instrument]]\n", Written: f.written}
	if f.written == "" {
		answer.NotWritten = "the daemon was started without a configuration file"
	}
	return answer, nil
}

// serveInstruments puts instruments behind a control socket.
func serveInstruments(t *testing.T, f *instruments) func(string) string {
	t.Helper()
	env := environment(map[string]string{"XDG_RUNTIME_DIR": t.TempDir()})
	s := control.New(control.Config{Bench: &bench{}, Instruments: f, Log: slog.New(slog.DiscardHandler), Heartbeat: time.Hour})
	require.NoError(t, s.Listen(control.DefaultSocket(env)))
	served := make(chan error, 1)
	go func() { served <- s.Serve() }()
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		assert.NoError(t, s.Shutdown(ctx))
		assert.NoError(t, <-served)
	})
	return env
}

func TestPorts(t *testing.T) {
	f := &instruments{ports: control.PortList{Unseen: 3, Ports: []control.PortView{
		{Device: "/dev/ttyUSB0", Vendor: "f055", Product: "0001", Maker: "Pump Bench", Model: "Serial Cable", Instrument: "caliper-1", Bound: "serial:A1001",
			State: session.PortLive, Detail: "as /dev/ttyUSB0", Names: []string{"by-id:usb-Pump_Bench_Serial_Cable_A1001-if00-port0", "serial:A1001"}},
		{Device: "/dev/ttyUSB1", Vendor: "f055", Product: "0001", HeldBy: []control.PortHolder{{Process: 4711, Program: "terminal"}, {Process: 12}},
			Problem: "user ada is not in group dialout, which may open /dev/ttyUSB1", Mend: "sudo usermod -a -G dialout ada"},
		{Instrument: "depth-gauge-1", Bound: "by-path:pci-0000:00:14.0-usb-0:1:1.0-port0", State: session.PortAbsent, Detail: "no such device"},
	}}}
	env := serveInstruments(t, f)
	code, stdout, stderr := logctl(env, "", "ports")
	assert.Equal(t, exitOK, code, stderr)
	assert.Equal(t, `/dev/ttyUSB0, caliper-1: ready (as /dev/ttyUSB0)
  Pump Bench Serial Cable (f055:0001)
  profile: port = serial:A1001
  name: by-id:usb-Pump_Bench_Serial_Cable_A1001-if00-port0
  name: serial:A1001

/dev/ttyUSB1, bound to no instrument
  (f055:0001)
  ! held by terminal, process 4711; close it there
  ! held by another program, process 12; close it there
  ! cannot be opened: user ada is not in group dialout, which may open
    /dev/ttyUSB1
  do: sudo usermod -a -G dialout ada

not plugged in, depth-gauge-1: not there; plug it in (no such device)
  profile: port = by-path:pci-0000:00:14.0-usb-0:1:1.0-port0

The daemon may not look into 3 processes, so another program may hold a port
without being named here.
`, stdout)
	code, stdout, _ = logctl(env, "", "ports", "--json")
	assert.Equal(t, exitOK, code)
	var back control.PortList
	require.NoError(t, json.Unmarshal([]byte(stdout), &back))
	assert.Equal(t, f.ports, back)

	f.ports = control.PortList{}
	_, stdout, _ = logctl(env, "", "ports")
	assert.Equal(t, "No serial port is plugged in, and no profile names one.\n", stdout)
	code, _, stderr = logctl(environment(map[string]string{"XDG_RUNTIME_DIR": t.TempDir()}), "", "ports")
	assert.Equal(t, exitUnreachable, code)
	assert.Contains(t, stderr, "start it with loggerd")
}

func TestListen(t *testing.T) {
	at := time.Date(2026, 3, 4, 10, 0, 0, 123e6, time.UTC)
	mm, inch := number(t, "12.34"), number(t, "12.34440")
	f := &instruments{heard: make(chan control.Heard, 16)}
	for _, h := range []control.Heard{
		{What: "port", Port: &session.PortChanged{State: session.PortLive}},
		{What: "unread bytes", Raw: session.Raw("V+0")},
		{What: "bytes", Raw: session.Raw("V+012.34 mm\r\n\x00")},
		{What: "take"},
		{What: "window", Text: "gather 4000"}, {What: "window", Text: "gather"}, {What: "window", Text: "end"},
		{What: "frame", Celsius: &mm, Text: "54.2", Unit: session.Fahrenheit},
		{What: "frame", Value: &mm, Text: "012.34", Unit: session.Millimetre},
		{What: "frame", Other: true},
		{What: "frame", Fault: "no match: the line does not match the pattern", Bytes: 7},
		{What: "reading", Value: &inch, Text: "00.4860", Unit: session.Inch, Lost: 3},
		{What: "reading"},
		{What: "frame", Value: &mm, Text: "012.34", Movement: &control.Movement{Frames: 8192, Forgotten: 8, Peak: number(t, "0.06"), Trough: number(t, "-0.02"), Movement: number(t, "0.08")}},
	} {
		h.At = at
		f.heard <- h
	}
	close(f.heard)
	env := serveInstruments(t, f)
	code, stdout, stderr := logctl(env, "", "instrument", "listen", "caliper-1")
	assert.Equal(t, exitUnreachable, code)
	assert.Contains(t, stderr, "does not send any more")
	assert.Equal(t, `10:00:00.123  port     ready
10:00:00.123  bytes    "V+0" (not read: from before the port was ready)
10:00:00.123  bytes    "V+012.34 mm\r\n\x00"
10:00:00.123  take     the instrument was asked
10:00:00.123  window   it is watched for 4000 ms
10:00:00.123  window   it is watched
10:00:00.123  window   it is no longer watched
10:00:00.123  frame    12.34 °C (54.2 °F)
10:00:00.123  frame    12.34 mm
10:00:00.123  frame    of another channel
10:00:00.123  frame    none: no match: the line does not match the pattern (7 bytes)
(3 things before this line were not shown: this terminal is slower than the line)
10:00:00.123  reading  12.34440 mm (00.4860 in)
10:00:00.123  reading  a press
10:00:00.123  frame    12.34 mm
10:00:00.123  movement 0.08 mm: peak 0.06, trough -0.02, 8192 frames; 8 older ones are forgotten
`, stdout)
	code, _, stderr = logctl(env, "", "instrument", "listen", "caliper-9")
	assert.Equal(t, exitNotFound, code)
	assert.Contains(t, stderr, `no instrument "caliper-9" with a port`)
}

func number(t *testing.T, text string) session.Number {
	n, err := session.ParseNumber(text)
	require.NoError(t, err)
	return n
}

// A dialogue is a person at the terminal: what is typed follows what was shown.
type dialogue struct {
	t     *testing.T
	f     *instruments
	keys  *io.PipeWriter
	mu    sync.Mutex
	shown bytes.Buffer
	seen  int
	ended chan exit
}

func (d *dialogue) Write(b []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.shown.Write(b)
}

// sees waits until a text is shown, after what was waited for before.
func (d *dialogue) sees(text string) {
	d.t.Helper()
	require.Eventually(d.t, func() bool {
		d.mu.Lock()
		defer d.mu.Unlock()
		i := strings.Index(d.shown.String()[d.seen:], text)
		if i >= 0 {
			d.seen += i + len(text)
		}
		return i >= 0
	}, 5*time.Second, time.Millisecond, text)
}

func (d *dialogue) types(line string) {
	_, err := d.keys.Write([]byte(line + "\n"))
	require.NoError(d.t, err)
}

func (d *dialogue) press(raw string) {
	d.f.heard <- control.Heard{What: "bytes", Raw: session.Raw(raw)}
	d.sees("came:")
}

func converse(t *testing.T, f *instruments, args ...string) *dialogue {
	f.heard = make(chan control.Heard, 4)
	in, keys := io.Pipe()
	d := &dialogue{t: t, f: f, keys: keys, ended: make(chan exit, 1)}
	env := serveInstruments(t, f)
	go func() { d.ended <- exit(run(append([]string{"instrument", "learn"}, args...), in, d, d, env)) }()
	return d
}

func TestLearn(t *testing.T) {
	f := &instruments{ports: control.PortList{Ports: []control.PortView{{Device: "/dev/ttyUSB3", Names: []string{"serial:B7"}}}}}
	f.propose = func(p control.Pressed) ([]control.Proposal, error) {
		if len(p.Presses) < 4 {
			return []control.Proposal{}, nil
		}
		x := control.Proposal{Form: "a line of text", Notes: []string{"nothing was pressed in inch"}, TOML: "[[instrument]]\n"}
		if len(p.Try) > 0 {
			x.Tried = "5.00 mm"
		}
		return []control.Proposal{x}, nil
	}
	file := filepath.Join(t.TempDir(), "caliper-2.toml")
	d := converse(t, f, "/dev/ttyUSB3", "--name", "caliper-2", "--kind", "caliper", "--baud", "4800", "--output", file)
	d.sees("name the port serial:B7")
	d.sees("Press the data button")
	d.types("12.34")
	d.sees("Nothing came")
	d.press("1.00\r\n")
	d.types("one")
	d.sees("is no length")
	d.types("1.00 yards")
	d.sees("is no length")
	d.types("1.00")
	d.sees("Press again with another value")
	d.press("2.00\r\n")
	d.types("2.00")
	d.sees("Press again with another value")
	d.press("3.00\r\n")
	d.types("3.00")
	d.sees("No format that is known")
	d.press("0.4860 in\r\n")
	d.types("0.4860 in")
	d.sees("a line of text")
	d.sees("nothing was pressed in inch")
	d.press("5.00\r\n")
	d.sees("reads: 5.00 mm")
	d.types("")
	d.sees("The profile is in")
	require.Equal(t, exitOK, <-d.ended)
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, "[[instrument]]\n", string(text))
	last := f.asked[len(f.asked)-1]
	assert.Equal(t, session.Caliper, last.Kind)
	assert.Equal(t, "serial:B7", last.Port)
	assert.Equal(t, 4800, last.Line.Baud)
	assert.Equal(t, control.Press{Raw: session.Raw("0.4860 in\r\n"), Text: "0.4860", Unit: session.Inch}, last.Presses[3])
	assert.Equal(t, "5.00\r\n", string(last.Try))
}

// What was learned is in force at once, and in the configuration where there is a file.
func TestLearnPutsTheProfileInForce(t *testing.T) {
	for _, c := range []struct {
		what, written string
		refuse        error
		exit          exit
		sees          []string
	}{
		{"with a file", "/etc/bench.toml", nil, exitOK, []string{"pedal-2 is read from now on", "added to /etc/bench.toml"}},
		{"without a file", "", nil, exitOK, []string{"pedal-2 is read from now on", "started without a configuration file", "[[instrument]]"}},
		{"refused", "", &session.Refusal{Code: "name in use", Message: "there is an instrument pedal-2", Instead: "choose another name"}, exitRefused,
			[]string{"not in force", "[[instrument]]", "there is an instrument pedal-2"}},
	} {
		t.Run(c.what, func(t *testing.T) {
			f := &instruments{written: c.written, refuse: c.refuse, propose: func(p control.Pressed) ([]control.Proposal, error) {
				return []control.Proposal{{Profile: session.Profile{Name: p.Name, Kind: p.Kind}, TOML: "[[instrument]]\n"}}, nil
			}}
			d := converse(t, f, "/dev/ttyUSB3", "--name", "pedal-2", "--kind", "pedal")
			d.types("")
			require.Equal(t, c.exit, <-d.ended)
			for _, text := range c.sees {
				d.sees(text)
			}
			require.Len(t, f.set, 1)
			require.Equal(t, session.Pedal, f.set[0].Kind)
		})
	}
}

func TestLearnEnds(t *testing.T) {
	found := func(control.Pressed) ([]control.Proposal, error) {
		return []control.Proposal{{TOML: "[[instrument]]\n"}}, nil
	}
	bound := &session.Refusal{Code: "port in use", Message: "port /dev/ttyUSB3 is that of instrument caliper-1", Instead: "give another port"}
	for _, c := range []struct {
		what  string
		learn error
		args  string
		types bool
		exit  exit
		sees  string
	}{
		{"without a press", nil, "/dev/ttyUSB3 --name caliper-2 --kind caliper", true, exitNotFound, "no profile was found"},
		{"without a kind", nil, "/dev/ttyUSB3 --name caliper-2", false, exitUsage, "name the instrument and its kind"},
		{"a port that is bound", bound, "/dev/ttyUSB3 --name caliper-2 --kind caliper", false, exitRefused, "that of instrument caliper-1"},
		{"a port that is not there", errors.New("no such device"), "/dev/x --name caliper-2 --kind caliper", false, exitRefused, "no such device"},
		{"a pedal, which needs no press", nil, "/dev/ttyUSB3 --name pedal-2 --kind pedal", true, exitOK, "[[instrument]]"},
	} {
		t.Run(c.what, func(t *testing.T) {
			d := converse(t, &instruments{learn: c.learn, propose: found}, strings.Fields(c.args)...)
			if c.types {
				d.types("")
			}
			require.Equal(t, c.exit, <-d.ended)
			d.sees(c.sees)
		})
	}
}
