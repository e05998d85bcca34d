package main

import (
	"bytes"
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// The bench of these tests ends each watch after its updates, which logctl tells
// apart from Ctrl-C.
func TestWatchIntoAPipePrintsEachChange(t *testing.T) {
	s := load(t, "none")
	s.Readings = nil
	env := serve(t, &bench{snapshot: s, updates: []session.Snapshot{load(t, "measuring"), load(t, "done")}})
	code, stdout, stderr := logctl(env, "", "watch")
	assert.Equal(t, exitUnreachable, code)
	assert.Contains(t, stderr, "is gone; start it again with loggerd")
	for _, want := range []string{
		"08:12:00 caliper-1: ready\n",
		"08:12:00 No job is open.\n",
		"08:12:00 Job 1 on pump 12: Water-pump engine, bottom end (ada)\n",
		"08:00:36 12 filed: 52.54 mm for crank-width, at the crankpin\n",
		"08:12:00 So far: fit 0.12 + 0.08 mm on the pump side",
		"08:12:00 Step 4 of 6: Flywheel half, joint face to bearing. Place 2 of 2,",
		"08:12:00 Fit 0.12 + 0.08 mm on the pump side",
		"08:12:00 Every step is closed.\n",
	} {
		assert.Contains(t, stdout, want)
	}
	assert.NotContains(t, stdout, "\x1b")
	for _, line := range strings.Split(stdout, "\n") {
		assert.LessOrEqual(t, len([]rune(line)), 80, line)
	}
}

func TestWatchAsJSONIsASnapshotALine(t *testing.T) {
	first, second := load(t, "measuring"), load(t, "done")
	env := serve(t, &bench{snapshot: first, updates: []session.Snapshot{second}})
	_, stdout, _ := logctl(env, "", "watch", "--json")
	lines := strings.Split(strings.TrimSuffix(stdout, "\n"), "\n")
	require.Len(t, lines, 2)
	for i, want := range []session.Snapshot{first, second} {
		var got session.Snapshot
		require.NoError(t, json.Unmarshal([]byte(lines[i]), &got))
		assert.Equal(t, want, got)
	}
}

func TestChanges(t *testing.T) {
	base := load(t, "measuring")
	lines := func(change func(*session.Snapshot)) []string {
		s := load(t, "measuring")
		s.Time = s.Time.Add(time.Minute)
		change(&s)
		return changes(&base, s, time.UTC)
	}
	for name, c := range map[string]struct {
		change func(*session.Snapshot)
		want   []string
	}{
		"nothing":       {func(*session.Snapshot) {}, nil},
		"not recording": {func(s *session.Snapshot) { s.Recording = session.Recording{Problem: "disk full"} }, []string{"08:13:00 NOT RECORDING: disk full"}},
		"lost":          {func(s *session.Snapshot) { s.Instruments[0].State = session.PortLost }, []string{"08:13:00 caliper-1: lost; check plug and cable"}},
		"ended": {func(s *session.Snapshot) { s.Job.Ended, s.Step = true, nil },
			[]string{"08:13:00 Job 1 on pump 12: Water-pump engine, bottom end (ada); ended", "08:13:00 The job has ended."}},
		"left out now": {func(s *session.Snapshot) { s.Readings[0].Standing, s.Readings[0].Outlier = session.LeftOut, nil },
			[]string{"08:13:00 12 now left out: 52.54 mm for crank-width, at the crankpin; too far from its other repeats"}},
		"advice": {func(s *session.Snapshot) { s.Advice[0].State = session.Waiting; s.Advice[0].Gap = nil },
			[]string{"08:13:00 End float of the crank: no advice yet; a dimension is not known."}},
		"step": {func(s *session.Snapshot) { s.Step = &s.Job.Steps[5] }, []string{"08:13:00 Step 6 of 6: Check gap, first side fitted. Not begun."}},
	} {
		t.Run(name, func(t *testing.T) { assert.Equal(t, c.want, lines(c.change)) })
	}
}

func TestChangesRecordingAgain(t *testing.T) {
	before := load(t, "none")
	before.Recording = session.Recording{Problem: "disk full"}
	assert.Equal(t, []string{"08:12:00 recording again"}, changes(&before, load(t, "none"), time.UTC))
}

// A new run of the daemon is told from the start: its log may be another.
func TestChangesOfAnotherRun(t *testing.T) {
	before, s := load(t, "measuring"), load(t, "measuring")
	s.Run++
	assert.Equal(t, changes(nil, s, time.UTC), changes(&before, s, time.UTC))
	assert.NotEmpty(t, changes(&before, s, time.UTC))
}

// onTerminal runs logctl with a real terminal as its output and returns what
// the terminal received.
func onTerminal(t *testing.T, env func(string) string, columns, rows uint16, args ...string) string {
	t.Helper()
	master, slave, err := pty.Open()
	require.NoError(t, err)
	defer master.Close()
	require.NoError(t, pty.Setsize(slave, &pty.Winsize{Cols: columns, Rows: rows}))
	received := make(chan string)
	go func() {
		var all []byte
		buffer := make([]byte, 4096)
		for {
			n, err := master.Read(buffer)
			all = append(all, buffer[:n]...)
			if err != nil { // the slave is closed
				received <- string(all)
				return
			}
		}
	}()
	run(args, strings.NewReader(""), slave, slave, env)
	require.NoError(t, slave.Close())
	return <-received
}

func with(env func(string) string, key, value string) func(string) string {
	return func(k string) string {
		if k == key {
			return value
		}
		return env(k)
	}
}

func TestEmphasisIsForTerminalsAlone(t *testing.T) {
	env := serve(t, &bench{snapshot: load(t, "measuring")})
	assert.Contains(t, onTerminal(t, env, 80, 24, "status"), "\x1b[1mNOW   Step 4 of 6: Flywheel half, joint face to bearing.\x1b[0m\r\n")
	assert.NotContains(t, onTerminal(t, with(env, "NO_COLOR", "1"), 80, 24, "status"), "\x1b")
	assert.NotContains(t, onTerminal(t, with(env, "TERM", "dumb"), 80, 24, "status"), "\x1b")
	assert.NotContains(t, onTerminal(t, env, 80, 24, "status", "--json"), "\x1b")
}

func TestTextFollowsTheTerminalsWidth(t *testing.T) {
	env := with(serve(t, &bench{snapshot: load(t, "measuring")}), "NO_COLOR", "1")
	for _, c := range []struct{ columns, least, most int }{{60, 50, 60}, {80, 70, 80}, {200, 100, 120}} {
		widest := 0
		for _, line := range strings.Split(onTerminal(t, env, uint16(c.columns), 24, "advice"), "\r\n") {
			widest = max(widest, len([]rune(line)))
		}
		assert.LessOrEqual(t, widest, c.most)
		assert.GreaterOrEqual(t, widest, c.least)
	}
}

func TestWatchOnATerminalRedrawsInPlace(t *testing.T) {
	env := serve(t, &bench{snapshot: load(t, "measuring"), updates: []session.Snapshot{load(t, "done")}})
	got := onTerminal(t, env, 80, 24, "watch")
	frames := strings.Split(got, "\x1b[H")
	require.Len(t, frames, 3, "nothing before, two snapshots")
	assert.Empty(t, frames[0])
	for i, want := range []string{"Step 4 of 6", "Every step is closed."} {
		assert.Contains(t, frames[i+1], want)
		screen, _, erased := strings.Cut(frames[i+1], "\x1b[J")
		assert.True(t, erased)
		assert.LessOrEqual(t, strings.Count(screen, "\n"), 23, "the screen does not scroll")
	}
}

func TestFrame(t *testing.T) {
	for _, c := range []struct {
		text   string
		height int
		want   string
	}{
		{"a\nb\n", 24, "\x1b[Ha\x1b[K\r\nb\x1b[K\r\n\x1b[J"},
		{"a\nb\nc\n", 3, "\x1b[Ha\x1b[K\r\nb\x1b[K\r\n\x1b[J"},
		{"a\nb\n", 0, "\x1b[Ha\x1b[K\r\nb\x1b[K\r\n\x1b[J"}, // a terminal that does not know its size
	} {
		assert.Equal(t, c.want, frame(c.text, c.height))
	}
}

func TestAFileIsNoTerminal(t *testing.T) {
	f, err := os.Create(t.TempDir() + "/out")
	require.NoError(t, err)
	defer f.Close()
	_, _, ok := terminal(f, environment(nil))
	assert.False(t, ok)
}

// An instrument that the step needs and that is not there is named where people look.
func TestTheStepsInstrumentThatIsNotReady(t *testing.T) {
	var shown bytes.Buffer
	p := &page{w: &shown, width: plainWidth}
	p.needed(session.Snapshot{Step: &session.StepView{Instrument: session.Caliper}, Instruments: []session.InstrumentView{
		{Name: "caliper-1", Kind: session.Caliper, Port: "/dev/a", State: session.PortAbsent, Detail: "no such device"},
		{Name: "caliper-2", Kind: session.Caliper, Port: "/dev/b", State: session.PortLive},
		{Name: "caliper-3", Kind: session.Caliper},
		{Name: "depth-1", Kind: session.DepthGauge, Port: "/dev/c", State: session.PortLost},
	}})
	assert.Equal(t, "    ! caliper-1: not there; plug it in (no such device)\n", shown.String())
}
