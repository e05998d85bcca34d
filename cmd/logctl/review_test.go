package main

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	_ "github.com/mattn/go-sqlite3" // to change a log as its writer would not
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/cmd/loggerd/config"
	"shimwright/session"
	"shimwright/sqlite"
)

// act is one line of a script: a press, a port event, a command, a restart of the
// daemon or a setting of the clock, some time after the line before.
type act struct {
	AfterMS int                  `json:"after_ms"`
	Press   *press               `json:"press"`
	Port    *session.PortChanged `json:"port"`
	Command *session.Command     `json:"command"`
	Restart bool                 `json:"restart"`
	Refused string               `json:"refused"`
	ClockMS int                  `json:"clock_ms"` // the wall clock is set by this much
}

type press struct {
	Instrument   string       `json:"instrument"`
	Kind         session.Kind `json:"kind"`
	Peak, Trough string       // of a movement
	Value        string       `json:"value"`
	Fault        string       `json:"fault"`
}

// workshop is a bench with a real log on disk and a clock that stands still until it
// is moved. It remembers what displays showed.
type workshop struct {
	t        *testing.T
	path     string
	method   *calc.Method
	wall     time.Time
	mono     time.Duration
	log      *sqlite.Log
	bench    *session.Bench
	stop     func()
	plan     string // of every job
	profiles []session.Profile
	shown    map[int64]string // by the last entry in it, as status --json prints it
}

func (w *workshop) Now() (time.Time, time.Duration) { return w.wall, w.mono }

// openWorkshop plays a script in a new workshop and leaves it running.
func openWorkshop(t *testing.T, script string) *workshop {
	t.Helper()
	w := &workshop{
		t: t, path: filepath.Join(t.TempDir(), "bench-1.log.db"), shown: map[int64]string{}, method: calc.NewMethod(),
		wall: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC),
	}
	w.furnish(filepath.Dir(script))
	w.start()
	t.Cleanup(w.close)
	w.play(script)
	return w
}

// furnish takes plan and instruments from what was recorded beside a script; else the
// plan that lies there, and instruments of our own.
func (w *workshop) furnish(folder string) {
	w.t.Helper()
	lines, err := os.ReadFile(filepath.Join(folder, "entries.jsonl"))
	if errors.Is(err, fs.ErrNotExist) {
		plan, err := os.ReadFile(filepath.Join(folder, "plan.toml"))
		require.NoError(w.t, err)
		w.plan, w.profiles = string(plan), []session.Profile{
			{Name: "caliper-1", Kind: session.Caliper, Trigger: session.OnPress, Resolution: mm("0.01"), Repeatability: mm("0.008")},
			{Name: "depth-1", Kind: session.DepthGauge, Trigger: session.OnPress, Resolution: mm("0.01"), Repeatability: mm("0.010")},
			{Name: "micrometer-1", Kind: session.Micrometer, Trigger: session.OnRequest, Resolution: mm("0.001"), Repeatability: mm("0.0015")},
			{Name: "feelers", Kind: session.Feeler, Resolution: mm("0.05"), Repeatability: mm("0.02")},
		}
		return
	}
	require.NoError(w.t, err)
	for _, line := range bytes.Split(bytes.TrimSpace(lines), []byte("\n")) {
		e, err := session.DecodeEntry(line)
		require.NoError(w.t, err)
		switch b := e.Body.(type) {
		case session.ProfileSet:
			if e.Run == 1 {
				w.profiles = append(w.profiles, b.Profile)
			}
		case session.Began:
			w.plan = b.Plan
		}
	}
}

func mm(text string) session.Number {
	n, err := session.ParseNumber(text)
	if err != nil {
		panic(err)
	}
	return n
}

func (w *workshop) start() {
	w.t.Helper()
	var err error
	w.log, err = sqlite.Open(w.path)
	require.NoError(w.t, err)
	w.bench, err = session.NewBench(session.Config{
		Name: "bench-1", Software: "test", Settings: session.Settings{Bounce: 700 * time.Millisecond},
		Profiles: w.profiles,
		Method:   w.method, Clock: w, Log: w.log,
	}, w.log.Replay)
	require.NoError(w.t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- w.bench.Run(ctx) }()
	w.stop = func() {
		stop()
		assert.NoError(w.t, <-ended)
		assert.NoError(w.t, w.log.Close())
	}
	w.look()
}

// close ends the daemon; a second close does nothing.
func (w *workshop) close() {
	if w.stop != nil {
		w.stop()
		w.stop = nil
	}
}

// look notes what displays show now.
func (w *workshop) look() {
	w.t.Helper()
	s := w.bench.Snapshot()
	w.shown[s.Seq] = emitted(w.t, s)
}

// play plays a script.
func (w *workshop) play(file string) {
	w.t.Helper()
	text, err := os.ReadFile(file)
	require.NoError(w.t, err)
	for lines := bufio.NewScanner(bytes.NewReader(text)); lines.Scan(); {
		var a act
		require.NoError(w.t, json.Unmarshal(lines.Bytes(), &a), lines.Text())
		w.act(a)
		w.look()
	}
}

func (w *workshop) act(a act) {
	w.t.Helper()
	pass := time.Duration(a.AfterMS) * time.Millisecond
	w.wall, w.mono = w.wall.Add(pass), w.mono+pass
	var item any
	switch {
	case a.Restart:
		w.close()
		w.mono = 0
		w.start()
		return
	case a.ClockMS != 0:
		was := w.wall
		w.wall = w.wall.Add(time.Duration(a.ClockMS) * time.Millisecond)
		item = session.ClockStepped{Was: was, Is: w.wall}
	case a.Port != nil:
		item = *a.Port
	case a.Press != nil:
		item = w.reading(*a.Press)
	default:
		if a.Command.Do == session.Begin {
			a.Command.Plan = w.plan
		}
		if n := a.Command.Reading; n < 0 { // the n-th of the job
			a.Command.Reading = w.bench.Snapshot().Readings[-n-1].Seq
		}
		item = *a.Command
	}
	_, err := w.bench.Submit(context.Background(), item)
	if a.Refused != "" {
		require.Error(w.t, err)
		return
	}
	require.NoError(w.t, err)
}

func (w *workshop) reading(p press) session.Reading {
	r := session.Reading{Instrument: p.Instrument, Kind: p.Kind, Raw: session.Raw(p.Value + "\r\n"), At: w.wall, Mono: w.mono}
	if p.Fault != "" {
		r.Fault = &session.Fault{Code: p.Fault, Bytes: 2}
		return r
	}
	r.Text, r.Unit = p.Value, p.Kind.Quantity().Unit()
	if p.Peak != "" {
		r.Movement = &session.Movement{Peak: mm(p.Peak), Trough: mm(p.Trough), Frames: 3, Span: time.Second}
		r.Value = session.Num(r.Movement.Peak.Sub(r.Movement.Trough.Decimal))
		return r
	}
	r.Value = mm(p.Value)
	return r
}

// scripts are the recorded jobs and one of our own with what they lack: a clock that
// is set, a port that is lost, two jobs and texts that are up to no good.
func scripts(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("../../testdata/jobs/*/script.jsonl")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	return append(files, "testdata/review/dispute.jsonl")
}

// What replay prints at the end of each transaction is, byte for byte, what displays
// had then; and so at entries within a transaction.
func TestReplayIsWhatDisplaysHad(t *testing.T) {
	for _, script := range scripts(t) {
		t.Run(filepath.Base(filepath.Dir(script)), func(t *testing.T) {
			w := openWorkshop(t, script)
			r, err := sqlite.OpenForReview(w.path)
			require.NoError(t, err)
			defer r.Close()
			last, _ := w.log.Last()
			want := ""
			for seq := last; seq >= 1; seq-- {
				shown, ends := w.shown[seq]
				if ends {
					want = shown
				}
				if !ends && seq%4 > 0 {
					continue
				}
				s, err := shownWith(r, w.method, seq)
				require.NoError(t, err)
				require.Equal(t, want, emitted(t, s), "at entry %d", seq)
				if seq%20 == 1 {
					code, stdout, stderr := logctl(environment(nil), "", "replay", "--json", "--log", w.path, "--at", fmt.Sprint(seq))
					require.Equal(t, exitOK, code, stderr)
					require.Equal(t, want, stdout, "at entry %d", seq)
				}
			}
		})
	}
}

// emitted is v as --json prints it.
func emitted(t *testing.T, v any) string {
	t.Helper()
	var out bytes.Buffer
	require.NoError(t, (&app{stdout: &out}).emit(v))
	return out.String()
}

// The recorded logs, written to disk as they are, fold to what replay says.
func TestReplayOfRecordedLogs(t *testing.T) {
	files, err := filepath.Glob("../../testdata/jobs/*/entries.jsonl")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	method := calc.NewMethod()
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		r, err := sqlite.OpenForReview(imported(t, text))
		require.NoError(t, err)
		state := session.NewState(method)
		for _, line := range bytes.Split(bytes.TrimSpace(text), []byte("\n")) {
			e, err := session.DecodeEntry(line)
			require.NoError(t, err)
			require.NoError(t, state.Apply(e))
			if last, err := settled(r, e.Seq); err != nil || last != e.Seq || e.Seq%3 > 0 {
				require.NoError(t, err)
				continue // displays never had this, or it is not among the third that is tried
			}
			replayed, err := shownWith(r, method, e.Seq)
			require.NoError(t, err)
			require.Equal(t, emitted(t, state.Snapshot()), emitted(t, replayed), "%s at entry %d", file, e.Seq)
		}
		require.NoError(t, r.Close())
	}
}

// imported writes exported entries into a fresh log.
func imported(t *testing.T, lines []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "imported.log.db")
	l, err := sqlite.Open(path)
	require.NoError(t, err)
	for _, line := range bytes.Split(bytes.TrimSpace(lines), []byte("\n")) {
		e, err := session.DecodeEntry(line)
		require.NoError(t, err)
		require.NoError(t, l.Append([]session.Entry{e}))
	}
	require.NoError(t, l.Close())
	return path
}

// Exported entries, imported into a fresh log, are the same log: same snapshot, same
// story, same export again.
func TestExportRoundTrip(t *testing.T) {
	for _, script := range scripts(t) {
		w := openWorkshop(t, script)
		env := environment(nil)
		_, lines, stderr := logctl(env, "", "export", "1", "--as", "entries", "--log", w.path)
		require.Empty(t, stderr)
		if strings.Contains(lines, `"kind":"aside"`) { // other jobs' entries lie between
			requireFoldsAlike(t, w, lines)
			w.close()
			continue
		}
		path := imported(t, []byte(lines))
		for _, args := range []string{"export 1 --as entries", "export 1 --as readings", "job 1 --json"} {
			_, want, _ := logctl(env, "", append(strings.Fields(args), "--log", w.path)...)
			code, got, stderr := logctl(env, "", append(strings.Fields(args), "--log", path)...)
			require.Equal(t, exitOK, code, stderr)
			require.Equal(t, want, got, args)
		}
		last := strings.Count(lines, "\n")
		_, want, _ := logctl(env, "", "replay", "--json", "--log", w.path, "--at", fmt.Sprint(last))
		_, got, _ := logctl(env, "", "replay", "--json", "--log", path, "--at", fmt.Sprint(last))
		require.Equal(t, want, got)
		w.close()
	}
}

// requireFoldsAlike folds exported entries of job 1 and finds the job as the log has it.
func requireFoldsAlike(t *testing.T, w *workshop, lines string) {
	t.Helper()
	state := session.NewState(calc.NewMethod())
	for _, line := range strings.Split(strings.TrimSpace(lines), "\n") {
		e, err := session.DecodeEntry([]byte(line))
		require.NoError(t, err)
		require.NoError(t, state.Apply(e))
	}
	_, told, stderr := logctl(environment(nil), "", "job", "1", "--json", "--log", w.path)
	require.Empty(t, stderr)
	var story struct {
		Job    session.JobView  `json:"job"`
		Advice []session.Advice `json:"advice"`
	}
	require.NoError(t, json.Unmarshal([]byte(told), &story))
	require.Equal(t, emitted(t, story.Job), emitted(t, state.Snapshot().Job))
	require.Equal(t, emitted(t, story.Advice), emitted(t, state.Snapshot().Advice))
}

// A job's export holds nothing of another job, and still folds.
func TestExportOfALaterJobFoldsOnItsOwn(t *testing.T) {
	w := openWorkshop(t, "testdata/review/dispute.jsonl")
	code, lines, stderr := logctl(environment(nil), "", "export", "2", "--as", "entries", "--log", w.path)
	require.Equal(t, exitOK, code, stderr)
	assert.NotContains(t, lines, `"job":"1"`)
	state := session.NewState(calc.NewMethod())
	for _, line := range strings.Split(strings.TrimSpace(lines), "\n") {
		e, err := session.DecodeEntry([]byte(line))
		require.NoError(t, err)
		require.NoError(t, state.Apply(e))
	}
	want, err := json.Marshal(w.bench.Snapshot())
	require.NoError(t, err)
	got, err := json.Marshal(state.Snapshot())
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got))
}

// reviews are whole commands on logs; $LOG, $EMPTY stand for files.
var reviews = []struct{ name, log, args string }{
	{"help-job", "", "job --help"},
	{"help-replay", "", "replay --help"},
	{"help-export", "", "export --help"},
	{"help-backup", "", "backup --help"},
	{"jobs", "dispute", "job"},
	{"jobs-json", "dispute", "job --json"},
	{"jobs-empty", "empty", "job"},
	{"job-empty", "empty", "job 1"},
	{"job-unknown", "dispute", "job 3"},
	{"job-mishaps", "bottom-end-mishaps", "job 1"},
	{"job-change-of-mind", "change-of-mind", "job 1"},
	{"job-gearbox", "gearbox-shaft", "job 1"},
	{"job-dispute", "dispute", "job 1"},
	{"job-open", "dispute", "job 2"},
	{"replay", "bottom-end-mishaps", "replay --at 31"},
	{"replay-before-a-job", "bottom-end-mishaps", "replay --at 1"},
	{"replay-time", "bottom-end-mishaps", "replay --at 2026-03-02T09:00:30+01:00"},
	{"replay-clock", "bottom-end-mishaps", "replay --at 08:00:30"},
	{"replay-no-moment", "dispute", "replay"},
	{"replay-no-entry", "dispute", "replay --at 999"},
	{"replay-not-a-time", "dispute", "replay --at soon"},
	{"replay-too-early", "dispute", "replay --at 2026-03-01T08:00:00Z"},
	{"replay-twice", "dispute", "replay --at 2026-03-02T08:00:20Z"},
	{"replay-which-day", "dispute", "replay --at 07:01:42"},
	{"replay-unknown-job", "dispute", "replay --at 09:00 --job 7"},
	{"replay-empty", "empty", "replay --at 1"},
	{"export-results", "bottom-end-mishaps", "export 1 --as results"},
	{"export-no-form", "dispute", "export 1"},
	{"export-bad-form", "dispute", "export 1 --as pdf"},
	{"export-unknown", "dispute", "export 3 --as readings"},
	{"export-there", "dispute", "export 1 --as readings -o there.csv"},
	{"export-no-folder", "dispute", "export 1 --as readings -o nonesuch/a.csv"},
	{"export-no-job", "dispute", "export"},
	{"backup", "bottom-end-mishaps", "backup copy.db"},
	{"backup-json", "bottom-end-mishaps", "backup copy.db --json"},
	{"backup-there", "bottom-end-mishaps", "backup there.csv"},
	{"backup-no-folder", "bottom-end-mishaps", "backup nonesuch/copy.db"},
	{"help-history", "", "history --help"},
	{"history", "shop", "history"},
	{"history-few", "shop", "history --since 2026-03-18"},
	{"history-one-job", "bottom-end-mishaps", "history"},
	{"history-changed", "change-of-mind", "history"},
	{"history-empty", "empty", "history"},
	{"history-empty-svg", "empty", "history -o chart.svg"},
	{"history-no-plan", "shop", "history --plan nonesuch"},
	{"history-nothing-since", "shop", "history --since 2027-01-01"},
	{"history-not-a-day", "shop", "history --since yesterday"},
	{"history-bad-form", "shop", "history -o chart.pdf"},
	{"history-one-job-svg", "bottom-end-mishaps", "history -o chart.svg"},
	{"no-log", "none", "job"},
	{"not-a-log", "letter", "job"},
}

// logOf makes the named log, or what is in its place, in the present folder. logs are
// those that were made before.
func logOf(t *testing.T, source, name string, logs map[string][]byte) {
	t.Helper()
	file := name + ".log.db"
	require.NoError(t, os.WriteFile("there.csv", []byte("a letter"), 0o600))
	switch name {
	case "", "none":
	case "letter":
		require.NoError(t, os.WriteFile(file, bytes.Repeat([]byte("Dear customer, "), 100), 0o600))
	case "empty":
		l, err := sqlite.Open(file)
		require.NoError(t, err)
		require.NoError(t, l.Close())
	default:
		log, made := logs[name]
		if !made && name == "shop" {
			shopLog(t, file, 19)
			var err error
			log, err = os.ReadFile(file)
			require.NoError(t, err)
			logs[name] = log
			made = true
		}
		if !made {
			script := filepath.Join(source, "../../testdata/jobs", name, "script.jsonl")
			if name == "dispute" {
				script = filepath.Join(source, "testdata/review/dispute.jsonl")
			}
			w := openWorkshop(t, script)
			w.close()
			var err error
			log, err = os.ReadFile(w.path)
			require.NoError(t, err)
			logs[name] = log
		}
		require.NoError(t, os.WriteFile(file, log, 0o600))
	}
}

func TestReviewGolden(t *testing.T) {
	source, err := os.Getwd()
	require.NoError(t, err)
	logs := map[string][]byte{}
	for _, g := range reviews {
		t.Run(g.name, func(t *testing.T) {
			t.Chdir(t.TempDir())
			logOf(t, source, g.log, logs)
			args := strings.Fields(g.args)
			if g.log != "" {
				args = append(args, "--log", g.log+".log.db")
			}
			code, stdout, stderr := logctl(environment(nil), "", args...)
			got := fmt.Sprintf("$ logctl %s\n%s--- stderr\n%s--- exit %d\n", strings.Join(args, " "), stdout, stderr, code)
			path := filepath.Join(source, "testdata", "review", g.name+".txt")
			if *update {
				require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
			}
			want, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, string(want), got)
			there, err := os.ReadFile("there.csv")
			require.NoError(t, err)
			assert.Equal(t, "a letter", string(there), "what was there is left as it was")
		})
	}
}

func TestReviewsFitEightyColumns(t *testing.T) {
	files, err := filepath.Glob("testdata/review/*.txt")
	require.NoError(t, err)
	require.Len(t, files, len(reviews), "each golden file has its command")
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		command, page, _ := strings.Cut(string(text), "\n")
		if !strings.Contains(command, "--json") && !strings.Contains(command, "export") {
			for _, line := range strings.Split(page, "\n") {
				assert.LessOrEqual(t, len([]rune(line)), 80, "%s: %s", file, line)
				assert.NotContains(t, line, "\u202e", "%s", file)
			}
		}
		_, errs, _ := strings.Cut(page, "--- stderr\n")
		said, code, _ := strings.Cut(errs, "--- exit ")
		if strings.HasPrefix(code, "0") {
			assert.Empty(t, said, file)
			continue
		}
		assert.Contains(t, said, "logctl: ", file)
		assert.Contains(t, said, ";", "%s: it says what to do", file)
	}
}

func TestReviewExitCodes(t *testing.T) {
	for name, want := range map[string]exit{
		"jobs-empty": exitOK, "job-empty": exitNotFound, "job-unknown": exitNotFound, "replay-no-entry": exitNotFound,
		"replay-too-early": exitNotFound, "replay-empty": exitNotFound, "replay-not-a-time": exitUsage, "replay-twice": exitUsage,
		"replay-which-day": exitUsage, "replay-no-moment": exitUsage, "export-no-form": exitUsage, "export-unknown": exitNotFound,
		"export-there": exitFailed, "backup-there": exitFailed, "backup-no-folder": exitNotFound, "no-log": exitNotFound, "not-a-log": exitFailed,
	} {
		text, err := os.ReadFile(filepath.Join("testdata", "review", name+".txt"))
		require.NoError(t, err)
		assert.Contains(t, string(text), fmt.Sprintf("--- exit %d\n", want), name)
	}
}

// The log that a daemon without a configuration keeps is the one that is reviewed.
func TestTheDefaultLogIsTheDaemons(t *testing.T) {
	for _, set := range []map[string]string{{"XDG_STATE_HOME": "/s"}, {"HOME": "/h"}, {}} {
		env := environment(set)
		c := config.Default(env, "")
		assert.Equal(t, c.Data, sqlite.DefaultFolder(env))
		assert.Equal(t, c.Bench, defaultBench)
	}
	state := t.TempDir()
	env := environment(map[string]string{"XDG_STATE_HOME": state})
	code, _, stderr := logctl(env, "", "job")
	assert.Equal(t, exitNotFound, code)
	assert.Contains(t, strings.Join(strings.Fields(stderr), " "), filepath.Join(state, "shimwright", "bench-1.log.db"))
	l, err := sqlite.Open(sqlite.PathOf(sqlite.DefaultFolder(env), "bench-2"))
	require.NoError(t, err)
	require.NoError(t, l.Close())
	_, _, stderr = logctl(env, "", "job")
	assert.Contains(t, stderr, "bench-2.log.db", "it says what is there instead")
	l, err = sqlite.Open(sqlite.PathOf(sqlite.DefaultFolder(env), defaultBench))
	require.NoError(t, err)
	code, stdout, stderr := logctl(env, "", "job")
	assert.Equal(t, exitOK, code, stderr)
	assert.Contains(t, stdout, "no job yet")
	require.NoError(t, l.Close())
}

// With the daemon on and off, and from a folder that cannot be written to, the story
// is the same.
func TestReviewDaemonOnOffAndReadOnly(t *testing.T) {
	w := openWorkshop(t, "testdata/review/dispute.jsonl")
	env := environment(nil)
	_, on, stderr := logctl(env, "", "job", "1", "--log", w.path)
	require.Empty(t, stderr)
	usb := t.TempDir()
	file := filepath.Join(usb, "copy.db")
	code, _, stderr := logctl(env, "", "backup", file, "--log", w.path)
	require.Equal(t, exitOK, code, stderr)
	w.close()
	_, off, _ := logctl(env, "", "job", "1", "--log", w.path)
	assert.Equal(t, on, off)
	require.NoError(t, os.Chmod(file, 0o400))
	require.NoError(t, os.Chmod(usb, 0o500))
	t.Cleanup(func() { os.Chmod(usb, 0o700) })
	_, copied, stderr := logctl(env, "", "job", "1", "--log", file)
	assert.Equal(t, on, copied, stderr)
	names, err := fs.Glob(os.DirFS(usb), "*")
	require.NoError(t, err)
	assert.Equal(t, []string{"copy.db"}, names)
}

// The story tells every reading once and every entry of a person.
func TestTheStoryIsWhole(t *testing.T) {
	for _, script := range scripts(t) {
		w := openWorkshop(t, script)
		s, code := decoded[story](t, environment(nil), "job", "1", "--log", w.path)
		require.Equal(t, exitOK, code)
		told := map[int64]int{}
		for i, e := range s.Events {
			told[e.Seq]++
			require.NotEmpty(t, e.Text)
			require.True(t, i == 0 || e.Seq >= s.Events[i-1].Seq, "in order")
		}
		r, err := sqlite.OpenForReview(w.path)
		require.NoError(t, err)
		require.NoError(t, r.Job("1", func(e session.Entry) error {
			switch e.Body.(type) {
			case session.PlaceClosed, session.Advised:
				return nil
			}
			assert.Positive(t, told[e.Seq], "entry %d (%s) is told", e.Seq, e.Kind())
			return nil
		}))
		require.NoError(t, r.Close())
		w.close()
	}
}

// A half-written export is taken away, and a full disk is said.
func TestExportToAFullDisk(t *testing.T) {
	w := openWorkshop(t, "testdata/review/dispute.jsonl")
	for _, form := range []string{"entries", "readings", "results"} {
		var stderr bytes.Buffer
		code := run([]string{"export", "1", "--as", form, "--log", w.path}, nil, brokenPipe{fs.ErrClosed}, &stderr, environment(nil))
		assert.Equal(t, int(exitFailed), code, form)
		assert.Contains(t, stderr.String(), "file already closed")
	}
	name := filepath.Join(t.TempDir(), "out")
	a := &app{}
	require.ErrorIs(t, a.exportTo(name, func(out io.Writer) error {
		_, err := out.Write([]byte("half"))
		require.NoError(t, err)
		return fs.ErrClosed
	}), fs.ErrClosed)
	assert.NoFileExists(t, name)
}

func TestExportToAFile(t *testing.T) {
	w := openWorkshop(t, "testdata/review/dispute.jsonl")
	name := filepath.Join(t.TempDir(), "readings.csv")
	code, stdout, stderr := logctl(environment(nil), "", "export", "1", "--as", "readings", "--log", w.path, "-o", name)
	require.Equal(t, exitOK, code, stderr)
	assert.Empty(t, stdout)
	_, want, _ := logctl(environment(nil), "", "export", "1", "--as", "readings", "--log", w.path)
	got, err := os.ReadFile(name)
	require.NoError(t, err)
	assert.Equal(t, want, string(got))
	assert.Contains(t, want, `"'=1+1, the jaw sat on a burr"`, "no formula for a spreadsheet")
	assert.Contains(t, want, `"'=HYPERLINK(""http://x"")"`)
}

// Advice is told again when what to fit or what it says of it changes, and not when
// only the expected float does.
func TestAdviceIsToldWhenItChanges(t *testing.T) {
	advice := func(float string, inside bool, pieces ...session.Number) session.Advice {
		gap := mm("0.50")
		return session.Advice{Chain: "c", Title: "End float", State: session.Final, Gap: &gap, Least: mm("0.10"), Most: mm("0.20"), Best: &session.Fit{
			EndFloat: mm(float), Inside: inside, Packs: []session.Pack{{Side: "pump side", Pieces: pieces}},
		}}
	}
	te := &teller{told: map[string]string{}}
	for i, c := range []struct {
		advice session.Advice
		told   bool
	}{
		{advice("0.15", true, mm("0.35")), true},
		{advice("0.16", true, mm("0.35")), false},
		{advice("0.16", true, mm("0.34")), true},
		{advice("0.21", false, mm("0.34")), true},
		{advice("0.22", false, mm("0.34")), false},
		{advice("0.15", true, mm("0.34")), true},
	} {
		before := len(te.Events)
		te.advised(c.advice)
		assert.Equal(t, c.told, len(te.Events) > before, "advice %d", i)
	}
}

// A log that somebody changed gives one sentence, whatever was asked.
func TestAChangedLogIsSaid(t *testing.T) {
	w := openWorkshop(t, "testdata/review/dispute.jsonl")
	w.close()
	db, err := sql.Open("sqlite3", w.path)
	require.NoError(t, err)
	for _, change := range []string{`DROP TRIGGER entries_not_deleted`, `DELETE FROM entries WHERE seq = 11`} {
		_, err := db.Exec(change)
		require.NoError(t, err)
	}
	require.NoError(t, db.Close())
	for _, args := range []string{"job 1", "history", "replay --at 33", "export 1 --as results", "export 1 --as readings"} {
		code, stdout, stderr := logctl(environment(nil), "", append(strings.Fields(args), "--log", w.path)...)
		assert.Equal(t, exitFailed, code, args)
		assert.Empty(t, stdout, args)
		assert.Contains(t, strings.Join(strings.Fields(stderr), " "), "entry 11 is missing", args)
		assert.Contains(t, strings.Join(strings.Fields(stderr), " "), "; see with logctl verify what is wrong with the log", args)
	}
}

// A time means what the clock on the wall showed, also where it was set or the daemon
// was off.
func TestMoments(t *testing.T) {
	w := openWorkshop(t, "testdata/review/dispute.jsonl")
	a := &app{zone: time.UTC}
	r, err := sqlite.OpenForReview(w.path)
	require.NoError(t, err)
	defer r.Close()
	for at, want := range map[string]int64{
		"1":                           1,
		"53":                          53,
		"2026-03-02T07:30:00Z":        41, // after the clock was set back
		"2026-03-02T08:30:00Z":        41, // the first time round the clock jumped over it
		"2026-03-02T07:01:28Z":        35, // between the last entry and the restart
		"2026-03-02 07:01:36":         41,
		"2026-03-02 12:00":            41, // the daemon was still on, or off
		"2026-03-03T07:01:36.4Z":      46, // exactly the next start
		"2026-03-03T08:01:41.4+01:00": 48, // with a zone of its own
		"2026-03-03T07:01":            41,
		"2031-01-01 00:00":            53,
	} {
		got, err := a.moment(r, at, "")
		if assert.NoError(t, err, at) {
			assert.Equal(t, want, got, at)
		}
	}
	for at, want := range map[string]string{
		"2026-03-02T08:00:00.2Z": "--at 6 or --at 41", "2026-03-02T09:00:31Z": "--at 17 or --at 41",
	} {
		_, err := a.moment(r, at, "")
		assert.ErrorContains(t, err, want, "the clock showed it twice")
	}
	a.zone = time.FixedZone("", 3600)
	got, err := a.moment(r, "08:01:41", "2")
	require.Error(t, err, "on both days of the job")
	assert.Zero(t, got)
	got, err = a.moment(r, "12:00", "2")
	require.NoError(t, err)
	assert.Equal(t, int64(50), got)
	got, err = a.moment(r, "2026-03-03 08:01:46", "")
	require.NoError(t, err)
	assert.Equal(t, int64(50), got)
	for _, bad := range []string{"", "-1", "0", "54", "99999999999999999999", "24:00", "8:00 pm", "2026-02-30 08:00", "\x1b[2J"} {
		_, err := a.moment(r, bad, "")
		var f *failure
		assert.ErrorAs(t, err, &f, bad)
	}
}

// A log of another method is worked out by this one's, and the page says so.
func TestAnotherMethodIsSaid(t *testing.T) {
	lines, err := os.ReadFile("../../testdata/jobs/bottom-end-mishaps/entries.jsonl")
	require.NoError(t, err)
	method := calc.WithUncertainty
	old := imported(t, bytes.ReplaceAll(lines, []byte(`"method":"`+method+`"`), []byte(`"method":"shimwright/0"`)))
	now := imported(t, lines)
	for _, args := range []string{"job 1", "replay --at 31"} {
		_, said, _ := logctl(environment(nil), "", append(strings.Fields(args), "--log", old)...)
		assert.Contains(t, strings.Join(strings.Fields(said), " "), "under the method shimwright/0, and this program works by "+method, args)
		_, silent, _ := logctl(environment(nil), "", append(strings.Fields(args), "--log", now)...)
		assert.NotContains(t, silent, "under the method", args)
	}
}
