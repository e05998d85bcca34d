package control_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

// instruments stands for those of a daemon.
type instruments struct {
	heard   chan control.Heard
	err     error
	stopped chan bool
	of      session.Profile
	pressed control.Pressed
	set     session.Profile
	write   bool
}

func (f *instruments) Ports() (control.PortList, error) {
	return control.PortList{Ports: []control.PortView{{Device: "/dev/ttyUSB0"}}}, f.err
}
func (f *instruments) Metrics() []byte { return []byte("# HELP a b\n") }
func (f *instruments) Listen(name string) (<-chan control.Heard, func(), bool) {
	return f.heard, func() { close(f.stopped) }, name == "caliper-1"
}

func (f *instruments) Learn(of session.Profile) (<-chan control.Heard, func(), error) {
	f.of = of
	return f.heard, func() { close(f.stopped) }, f.err
}

func (f *instruments) Propose(p control.Pressed) ([]control.Proposal, error) {
	f.pressed = p
	return nil, f.err
}

func (f *instruments) Set(_ context.Context, p session.Profile, write bool) (control.InForce, error) {
	f.set, f.write = p, write
	return control.InForce{Name: p.Name, Seq: 7}, f.err
}

func fakeInstruments() *instruments {
	return &instruments{heard: make(chan control.Heard, 4), stopped: make(chan bool)}
}

func TestInstrumentAnswers(t *testing.T) {
	broken := errors.New("it burns")
	for _, c := range []struct {
		method, path, body string
		err                error
		status             int
		says               string
	}{
		{"GET", "/v1/ports", "", nil, 200, `{"ports":[{"device":"/dev/ttyUSB0"}]}`},
		{"GET", "/v1/ports", "", broken, 500, "it burns"},
		{"POST", "/v1/ports", "", nil, 405, "use GET"},
		{"GET", "/v1/listen?instrument=nonesuch", "", nil, 409, "no such instrument"},
		{"GET", "/v1/learn", "", nil, 400, "no port is named"},
		{"GET", "/v1/learn?port=/dev/x&baud=fast", "", nil, 400, `baud is \"fast\"`},
		{"GET", "/v1/learn?port=/dev/x", "", broken, 409, "it burns"},
		{"GET", "/v1/learn?port=/dev/x", "", &session.Refusal{Code: "port in use", Message: "m", Instead: "i"}, 409, `"port in use"`},
		{"POST", "/v1/propose", `{"name":"a","presses":[{"raw":"\\x00","text":"1.0","unit":"in"}]}`, nil, 200, "[]"},
		{"POST", "/v1/propose", `{"name":"a"}`, broken, 409, "it burns"},
		{"POST", "/v1/propose", `{"colour":"blue"}`, nil, 400, "unknown field"},
		{"POST", "/v1/propose", `{} {}`, nil, 400, "something follows"},
		{"POST", "/v1/profile", `{"profile":{"name":"a","kind":"pedal","line":{}},"write":true}`, nil, 200, `{"name":"a","seq":7,"toml":""}`},
		{"POST", "/v1/profile", `{"profile":{"colour":"blue"}}`, nil, 400, "unknown field"},
		{"POST", "/v1/profile", `{"profile":{"name":"a","line":{}}}`, &session.Refusal{Code: "name in use", Message: "m", Instead: "i"}, 409, `"name in use"`},
		{"POST", "/v1/profile", `{"profile":{"name":"a","line":{}}}`, broken, 503, "it burns"},
		{"POST", "/v1/propose", `{`, nil, 400, "cannot be read"},
	} {
		f := fakeInstruments()
		f.err = c.err
		_, _, client := serve(t, control.Config{Bench: newBench(), Instruments: f})
		status, text := send(t, client, c.method, c.path, c.body)
		assert.Equal(t, c.status, status, c.path)
		assert.Contains(t, text, c.says, c.path)
	}
	_, _, client := serve(t, control.Config{Bench: newBench()})
	status, _ := send(t, client, "GET", "/v1/ports", "")
	assert.Equal(t, 404, status, "a bench without instruments has no such address")
}

func TestPressesKeepTheirBytes(t *testing.T) {
	f := fakeInstruments()
	_, _, client := serve(t, control.Config{Bench: newBench(), Instruments: f})
	status, _ := send(t, client, "POST", "/v1/propose", `{"name":"a","kind":"caliper","port":"/dev/x","line":{"baud":4800},"presses":[{"raw":"\\x00\\xffA\\r\\n","text":"0.4860","unit":"in"}]}`)
	require.Equal(t, 200, status)
	assert.Equal(t, control.Pressed{Name: "a", Kind: session.Caliper, Port: "/dev/x", Line: session.Line{Baud: 4800},
		Presses: []control.Press{{Raw: session.Raw("\x00\xffA\r\n"), Text: "0.4860", Unit: session.Inch}}}, f.pressed)
}

// What is heard goes out line by line, and the listening ends with the instrument.
func TestLinesOfListening(t *testing.T) {
	for _, path := range []string{"/v1/listen?instrument=caliper-1", "/v1/learn?port=/dev/x&baud=4800&data_bits=7&parity=even&stop_bits=2&request=%3F%0D"} {
		f := fakeInstruments()
		_, _, client := serve(t, control.Config{Bench: newBench(), Instruments: f})
		f.heard <- control.Heard{What: "bytes", Raw: session.Raw("V\x00")}
		f.heard <- control.Heard{What: "take", Lost: 2}
		close(f.heard)
		res, err := client.Get("http://bench" + path)
		require.NoError(t, err)
		text, err := io.ReadAll(res.Body)
		require.NoError(t, err)
		require.NoError(t, res.Body.Close())
		assert.Equal(t, "application/jsonl; charset=utf-8", res.Header.Get("Content-Type"))
		lines := strings.Split(strings.TrimSpace(string(text)), "\n")
		require.Len(t, lines, 2)
		assert.Contains(t, lines[0], `"raw":"V\\x00"`)
		assert.Contains(t, lines[1], `"lost":2`)
		<-f.stopped
		if strings.Contains(path, "learn") {
			assert.Equal(t, session.Profile{Port: "/dev/x", Line: session.Line{Baud: 4800, DataBits: 7, Parity: "even", StopBits: "2"}, Request: "?\r"}, f.of)
		}
	}
}

func TestMetricsAreText(t *testing.T) {
	_, _, client := serve(t, control.Config{Bench: newBench(), Instruments: fakeInstruments()})
	res, err := client.Get("http://bench/v1/metrics")
	require.NoError(t, err)
	text, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	assert.Equal(t, "text/plain; version=0.0.4; charset=utf-8", res.Header.Get("Content-Type"))
	assert.Equal(t, "# HELP a b\n", string(text))
}
