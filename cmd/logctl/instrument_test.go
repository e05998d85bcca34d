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
	"strconv"
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
	mu      sync.Mutex // guards heard
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

func (f *instruments) Learn(session.Profile) (<-chan control.Heard, func(), error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.heard, func() {}, f.learn
}

// replug ends what is heard, and lets it begin anew.
func (f *instruments) replug() {
	f.mu.Lock()
	defer f.mu.Unlock()
	close(f.heard)
	f.heard = make(chan control.Heard, 4)
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
	d.types("1.00 Nm")
	d.sees("is no length")
	d.types("1,00")
	d.sees("press 1 of at least 3. Press again with another value")
	d.press("2.00\r\n")
	d.types("2.00 mm")
	d.sees("press 2 of at least 3. Press again with another value")
	d.press("3.00\r\n")
	d.types("3.00")
	d.sees("No format that is known")
	d.sees("--baud 4800")
	d.press("0.4860 in\r\n")
	d.types("0.4860 in")
	d.sees("a line of text")
	d.sees("nothing was pressed in inch")
	d.press("5.00\r\n")
	d.sees("reads: 5.00 mm")
	d.types("")
	d.sees("Permissible error ± in mm")
	d.types("outside=0,02 gap=0.03")
	d.sees("\"gap\" is no use of a caliper")
	d.types("0.02 0.03")
	d.sees("write one number for all uses")
	d.types("-1")
	d.sees("no number above 0")
	d.types("outside=0,02 depth=0.03")
	d.sees("Standard deviation of its repeats in mm")
	d.types("0.008")
	d.sees("Day when its calibration is due")
	d.types("soon")
	d.sees("no day")
	d.types("2027-03-31")
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
	spread := number(t, "0.008")
	assert.Equal(t, control.Stated{Limits: map[session.Use]session.Number{session.Outside: number(t, "0.02"), session.Depth: number(t, "0.03")}, Spread: &spread, Due: "2027-03-31"}, last.Stated)
	assert.Equal(t, "5.00\r\n", string(f.asked[len(f.asked)-2].Try))
}

// Who gives nothing is asked for everything.
func TestLearnAsks(t *testing.T) {
	f := &instruments{ports: control.PortList{Ports: []control.PortView{
		{Device: "/dev/ttyS0"}, {Device: "/dev/ttyUSB1", Vendor: "f055", Instrument: "caliper-1"}, {Device: "/dev/ttyUSB3", Vendor: "f055", Names: []string{"serial:B7"}}}}}
	f.propose = func(p control.Pressed) ([]control.Proposal, error) {
		return []control.Proposal{{Profile: session.Profile{Name: p.Name, Kind: p.Kind, Port: p.Port}, TOML: "[[instrument]]\n"}}, nil
	}
	d := converse(t, f)
	d.sees("looked for at /dev/ttyUSB3, the only adapter")
	d.sees("  7 pedal\nWhat is it? Type its number.")
	d.types("7")
	d.sees("(Empty: pedal-1)")
	d.types("Pedal 2")
	d.sees(`"Pedal 2" cannot be a name; write it like pedal-1.`)
	d.types("")
	d.sees("Press the pedal")
	d.types("")
	require.Equal(t, exitOK, <-d.ended)
	require.Equal(t, []session.Profile{{Name: "pedal-1", Kind: session.Pedal, Port: "serial:B7"}}, f.set)

	f.ports.Ports = f.ports.Ports[:2]
	d = converse(t, f)
	d.sees("  1 /dev/ttyS0\nWhich port is it at?")
	d.types("9")
	require.Equal(t, exitUsage, <-d.ended)
	d.sees("name the port")

	f.ports.Ports = f.ports.Ports[1:]
	d = converse(t, f)
	require.Equal(t, exitNotFound, <-d.ended)
	d.sees("no free serial port is plugged in")
}

// Of presses that do not fit together the one that stands alone is named and can be
// taken back.
func TestLearnNamesThePressThatIsWrong(t *testing.T) {
	f := &instruments{propose: func(p control.Pressed) ([]control.Proposal, error) {
		for _, press := range p.Presses {
			if press.Text+"\r" != string(press.Raw) {
				return nil, nil
			}
		}
		return []control.Proposal{{Form: "a line of text", TOML: "[[instrument]]\n", Tried: "4.00 mm"}}, nil
	}}
	d := converse(t, f, "/dev/x", "--name", "c", "--kind", "caliper")
	for i, typed := range []string{"1.00", "2.00", "3.00", "5.00"} {
		d.press(strconv.Itoa(i+1) + ".00\r")
		d.types(typed)
		d.sees([]string{"press 1 of", "press 2 of", "fits: a line of text", ""}[i])
	}
	d.sees("All fit a line of text but press 4, typed as 5.00 mm,")
	d.sees("drop 4")
	d.types("drop nine")
	d.sees("There is no press")
	d.types("drop 4")
	d.sees("Press 4 (5.00 mm) is dropped")
	d.sees("fits: a line of text")
	require.NoError(t, d.keys.Close())
	require.Equal(t, exitOK, <-d.ended)
	d.sees("is read from now on")
}

// What sends all the time is noticed; what was last before the answer counts.
func TestLearnAStream(t *testing.T) {
	var shown bytes.Buffer
	l := learner{app: &app{page: &page{w: &shown, width: plainWidth}}, pressed: control.Pressed{Kind: session.DialIndicator}}
	mono := time.Second
	streams := func(value string) {
		for range 40 {
			for _, part := range []string{value[:2], value[2:] + "\r\n"} {
				require.NoError(t, l.take(t.Context(), control.Heard{What: "bytes", Raw: session.Raw(part), Mono: mono}))
			}
			mono += 50 * time.Millisecond
		}
	}
	streams("1.50")
	assert.Equal(t, session.Streaming, l.pressed.Trigger)
	assert.Equal(t, manyChunks, strings.Count(shown.String(), "came:"), "the rest is not shown")
	assert.Contains(t, shown.String(), "sends all the time")
	for _, value := range []string{"1.50", "2.50"} {
		streams(value)
		require.NoError(t, l.answer(t.Context(), value))
		assert.Contains(t, shown.String(), "hold it still")
		presses := l.pressed.Presses
		assert.Equal(t, control.Press{Raw: session.Raw(value + "\r\n"), Text: value, Unit: session.Millimetre}, presses[len(presses)-1])
	}
	l.cable(session.PortLost)
	require.NoError(t, l.answer(t.Context(), "3.50"))
	assert.Contains(t, shown.String(), "Nothing came")
	assert.Len(t, l.pressed.Presses, 2)
}

// A cable that is pulled costs what was not answered, and nothing else.
func TestLearnGoesOnAfterTheCable(t *testing.T) {
	f := &instruments{propose: func(p control.Pressed) ([]control.Proposal, error) {
		return []control.Proposal{{Form: "a line of text", TOML: "[[instrument]]\n"}}, nil
	}}
	d := converse(t, f, "/dev/x", "--name", "c", "--kind", "caliper")
	d.press("1.00\r")
	d.types("1.00")
	d.sees("press 1 of")
	d.press("2.0")
	f.replug()
	d.sees("The port is gone; plug the cable in again. What was pressed before is kept (1)")
	f.heard <- control.Heard{What: "port", Port: &session.PortChanged{State: session.PortLive}}
	d.sees("The port is back")
	d.types("2.00")
	d.sees("Nothing came with that press")
	d.press("2.00\r")
	d.types("2.00")
	d.sees("press 2 of")
	d.press("3.00\r")
	d.types("3.00")
	d.sees("fits")
	require.NoError(t, d.keys.Close())
	require.Equal(t, exitOK, <-d.ended)
	last := f.asked[len(f.asked)-1]
	require.Len(t, last.Presses, 3)
	assert.Equal(t, "2.00\r", string(last.Presses[1].Raw))
}

func TestTheLastWholeFrame(t *testing.T) {
	at := func(ms int, raw string) control.Heard {
		return control.Heard{Mono: time.Duration(ms) * time.Millisecond, Raw: session.Raw(raw)}
	}
	for want, chunks := range map[string][]control.Heard{
		"":          nil,
		"abc":       {at(0, "abc")},
		"1.25\r":    {at(0, "50\r1.25\r1."), at(1, "2")},
		"1.26\r\n":  {at(0, "1.25\r\n"), at(50, "1.26\r\n")},
		"\xaa\x01":  {at(0, "\xaa\x00"), at(50, "\xaa"), at(51, "\x01"), at(100, "\xaa")},
		"\x02a\x03": {at(0, "\x02a\x03"), at(50, "\x02a\x03")},
	} {
		var s stream
		for _, c := range chunks {
			s.add(c)
		}
		assert.Equal(t, want, string(s.last()))
	}
	for want, raw := range map[string]string{"": "12.34\r\n", "even": "\xb1\xb2.33\x8d\x0a", "odd": "12\xae\xb3\r", "mark": "\xb1\xb2\xae\xb3"} {
		assert.Equal(t, want, parityOf([]byte(raw)), "%q", raw)
	}
	assert.Empty(t, parityOf([]byte("\xaa\x00\x12\x34\x55")))
	assert.Equal(t, "?\r", unescaped(`?\r`))
	assert.Equal(t, `a"b`, unescaped(`a"b`))
	assert.Equal(t, `\q`, unescaped(`\q`))
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
		{"without a kind", nil, "/dev/ttyUSB3 --name caliper-2", true, exitUsage, "name the kind of the instrument"},
		{"with a name that cannot be one", nil, "/dev/ttyUSB3 --name Caliper_2 --kind caliper", false, exitUsage, `"Caliper_2" cannot be the name of an instrument`},
		{"of a kind without a cable", nil, "/dev/ttyUSB3 --name f --kind feeler", false, exitUsage, "name the kind of the instrument"},
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
