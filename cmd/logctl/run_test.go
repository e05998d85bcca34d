package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"os/user"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

var update = flag.Bool("update", false, "write the golden files anew")

// bench shows the snapshots of testdata one after another and answers commands
// as the test says.
type bench struct {
	receipt session.Receipt
	err     error
	got     session.Command
	updates []session.Snapshot // sent to a watcher, then its watch ends

	mu       sync.Mutex
	snapshot session.Snapshot
}

func (b *bench) Submit(_ context.Context, item any) (session.Receipt, error) {
	b.got = item.(session.Command)
	return b.receipt, b.err
}

func (b *bench) Snapshot() session.Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.snapshot
}

func (b *bench) Subscribe() (<-chan session.Snapshot, func()) {
	box := make(chan session.Snapshot, len(b.updates))
	for _, s := range b.updates {
		box <- s
	}
	close(box)
	return box, func() {}
}

// load reads a snapshot of testdata: none (no job yet), measuring, done.
func load(t *testing.T, name string) session.Snapshot {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name+".json"))
	require.NoError(t, err)
	var s session.Snapshot
	require.NoError(t, json.Unmarshal(text, &s))
	return s
}

// serve puts a bench behind a control socket and returns the environment in
// which logctl finds it.
func serve(t *testing.T, b control.Bench) func(string) string {
	t.Helper()
	dir := t.TempDir()
	env := environment(map[string]string{"XDG_RUNTIME_DIR": dir})
	s := control.New(control.Config{
		Bench: b, Log: slog.New(slog.DiscardHandler), Heartbeat: time.Hour,
		Take: func(_ context.Context, r session.Receipt) error {
			if r.Ask == "dead-1" {
				return errors.New("the port is lost")
			}
			return nil
		},
		Pages: &fakePages{},
	})
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

func environment(set map[string]string) func(string) string {
	all := map[string]string{"TZ": "UTC", "SHIMWRIGHT_OPERATOR": "ada", "TERM": "xterm"}
	for key, value := range set {
		all[key] = value
	}
	return func(key string) string { return all[key] }
}

// logctl runs the command as main does.
func logctl(env func(string) string, stdin string, args ...string) (code exit, stdout, stderr string) {
	var out, errs bytes.Buffer
	code = exit(run(args, strings.NewReader(stdin), &out, &errs, env))
	return code, out.String(), errs.String()
}

func refusal(code, message, instead string) *session.Refusal {
	return &session.Refusal{Code: code, Message: message, Instead: instead}
}

// longJob makes a job of three sections and four chains, of which the second is at work.
func longJob(s *session.Snapshot) {
	s.Job.Title = "Water-pump engine, all of it"
	own := s.Job.Steps
	s.Job.Steps = nil
	for _, title := range []string{"Water-pump engine, cranks", "Water-pump engine, bottom end", ""} {
		for _, step := range own {
			step.Section, step.Number = title, len(s.Job.Steps)+1
			if title != "Water-pump engine, bottom end" {
				step.Active, step.Closed = false, title != ""
			}
			s.Job.Steps = append(s.Job.Steps, step)
		}
	}
	s.Job.Steps[1].Findings = []session.Reason{{Code: "places differ", Params: map[string]string{"step": "bar-thickness", "by": "0.060", "allowed": "0.04"}}}
	fitted := s.Advice[0]
	fitted.Chain, fitted.Title, fitted.Terms, fitted.State = "ring", "Float of the ring", nil, session.Final
	s.Job.Fitted = []session.FittedView{{Chain: "ring", Packs: fitted.Best.Packs, Advised: true}}
	s.Advice = append(s.Advice, fitted,
		session.Advice{Chain: "seal", Title: "Depth of the seal", State: session.Waiting, Missing: []string{"seal-depth"}},
		session.Advice{Chain: "gear", Title: "Float of the gear", State: session.Waiting, Missing: []string{"gear-depth", "gear-width"}})
}

// Each golden file is a whole command: what was written, its output, the exit code.
var goldens = []struct {
	name     string
	snapshot string // what the daemon knows after the command; none: no daemon
	receipt  session.Receipt
	err      error
	args     string
	change   func(*session.Snapshot) // of the snapshot, before the command
}{
	{name: "help", args: "--help"},
	{name: "help-enter", args: "enter --help"},
	{name: "help-work", args: "work --help"},
	{name: "help-watch", args: "watch --help"},
	{name: "help-plan", args: "plan"},
	{name: "status-none", snapshot: "none", args: "status"},
	{name: "status-measuring", snapshot: "measuring", args: "status"},
	{name: "status-done", snapshot: "done", args: "status"},
	{name: "status-ended", snapshot: "done", args: "status", change: func(s *session.Snapshot) { s.Job.Ended = true }},
	{name: "status-not-recording", snapshot: "measuring", args: "status", change: func(s *session.Snapshot) {
		s.Recording = session.Recording{Problem: "cannot append to the log: no space left on device"}
	}},
	{name: "status-outside", snapshot: "done", args: "status", change: outside},
	{name: "status-two-chains", snapshot: "measuring", args: "status", change: func(s *session.Snapshot) {
		s.Advice = append(s.Advice, session.Advice{Chain: "seal", Title: "Depth of the seal", State: session.Waiting, Missing: []string{"seal-depth"}})
	}},
	{name: "resume", snapshot: "measuring", receipt: session.Receipt{Seq: 61, Job: "1"}, args: "resume 1"},
	{name: "status-long", snapshot: "measuring", args: "status", change: longJob},
	{name: "status-long-every", snapshot: "measuring", args: "status --every", change: longJob},
	{name: "advice-chains", snapshot: "measuring", args: "advice", change: longJob},
	{name: "advice-chain", snapshot: "measuring", args: "advice seal", change: longJob},
	{name: "advice-no-such-chain", snapshot: "measuring", args: "advice seel", change: longJob},
	{name: "status-finding", snapshot: "measuring", args: "status", change: func(s *session.Snapshot) {
		s.Job.Steps[0].Unsettled = true
		s.Job.Steps[0].Findings = []session.Reason{{Code: "places differ", Params: map[string]string{"step": "crank-width", "by": "0.060", "allowed": "0.04"}}}
	}},
	{name: "status-bare", snapshot: "none", args: "status", change: func(s *session.Snapshot) { s.Instruments, s.Readings = nil, nil }},
	{name: "advice-outside", snapshot: "done", args: "advice", change: outside},
	{name: "advice-nothing-fits", snapshot: "done", args: "advice", change: func(s *session.Snapshot) {
		s.Advice[0].Best, s.Advice[0].Others, s.Advice[0].Possible = nil, nil, 0
	}},
	{name: "advice-no-chain", snapshot: "done", args: "advice", change: func(s *session.Snapshot) { s.Advice = nil }},
	{name: "readings-none", snapshot: "none", args: "readings"},
	{name: "readings", snapshot: "measuring", args: "readings"},
	{name: "readings-step", snapshot: "measuring", args: "readings --step pump-depth"},
	{name: "readings-step-empty", snapshot: "measuring", args: "readings --step check-gap"},
	{name: "readings-step-unknown", snapshot: "measuring", args: "readings --step nonesuch"},
	{name: "readings-step-no-job", snapshot: "none", args: "readings --step pump-depth"},
	{name: "advice-none", snapshot: "none", args: "advice"},
	{name: "advice-measuring", snapshot: "measuring", args: "advice"},
	{name: "advice-done", snapshot: "done", args: "advice"},
	{name: "begin", snapshot: "measuring", receipt: session.Receipt{Seq: 10, Job: "1"}, args: "begin testdata/plan.toml --reference pump-12"},
	{name: "begin-refused", snapshot: "measuring", err: refusal("job open", "job 1 is still open", "end it first"), args: "begin testdata/plan.toml"},
	{name: "begin-bad-plan", snapshot: "none", args: "begin testdata/bad.toml"},
	{name: "begin-no-plan", snapshot: "none", args: "begin testdata/nonesuch.toml"},
	{name: "begin-no-argument", args: "begin"},
	{name: "take", snapshot: "measuring", receipt: session.Receipt{Seq: 61, Job: "1", Ask: "micrometer-1"}, args: "take micrometer-1"},
	{name: "take-not-asked", snapshot: "measuring", receipt: session.Receipt{Seq: 61, Job: "1", Ask: "dead-1"}, args: "take"},
	{name: "take-unknown", snapshot: "measuring", err: refusal("no such instrument", `there is no instrument "micro"`, "name one of caliper-1, depth-1"), args: "take micro"},
	{name: "enter", snapshot: "measuring", receipt: session.Receipt{Seq: 59, Job: "1", Ruling: session.Filed}, args: "enter 0.352 --instrument micrometer-1"},
	{name: "enter-same-step", snapshot: "measuring", receipt: session.Receipt{Seq: 48, Job: "1", Ruling: session.Filed}, args: "enter 25.34 --instrument depth-1"},
	{name: "enter-last", snapshot: "done", receipt: session.Receipt{Seq: 69, Job: "1", Ruling: session.Filed}, args: "enter --instrument feeler-1 --passes 0.40 --stops 0.45"},
	{name: "enter-not-shown", snapshot: "measuring", receipt: session.Receipt{Seq: 99, Job: "1", Ruling: session.TooSoon, Why: &session.Reason{Code: "no job"}}, args: "enter 25.34 --instrument depth-1"},
	{name: "enter-bad-number", snapshot: "measuring", err: refusal("bad number", `"1e9" is not a length`, "write a plain number like 12.34"), args: "enter 1e9 --instrument caliper-1"},
	{name: "enter-not-recorded", snapshot: "measuring", err: errors.New("cannot append to the log: disk full"), args: "enter 52.54 --instrument caliper-1"},
	{name: "enter-nothing", args: "enter --instrument caliper-1"},
	{name: "enter-no-instrument", args: "enter 52.54"},
	{name: "enter-both", args: "enter 52.54 --instrument caliper-1 --passes 0.1 --stops 0.2"},
	{name: "enter-half-a-feeler", args: "enter --instrument feeler-1 --passes 0.1"},
	{name: "next", snapshot: "measuring", receipt: session.Receipt{Seq: 61, Job: "1"}, args: "next"},
	{name: "next-refused", snapshot: "measuring", err: refusal("repeats missing", "this place has 1 of the 2 repeats it needs", "measure on, or name the step to go to"), args: "next"},
	{name: "next-unknown", snapshot: "measuring", err: refusal("no such step", `the plan has no step "x"`, "name one of a, b"), args: "next x"},
	{name: "back", snapshot: "measuring", receipt: session.Receipt{Seq: 61, Job: "1"}, args: "back"},
	{name: "place", snapshot: "measuring", receipt: session.Receipt{Seq: 61, Job: "1"}, args: "place 2"},
	{name: "strike", snapshot: "measuring", receipt: session.Receipt{Seq: 61, Job: "1"}, args: "strike 14 --reason slipped"},
	{name: "strike-no-reason", args: "strike 14"},
	{name: "strike-no-number", args: "strike last --reason slipped"},
	{name: "strike-unknown", snapshot: "measuring", err: refusal("no such reading", "job 1 has no reading 99", "look its number up among the readings"), args: "strike 99 --reason slipped"},
	{name: "restore", snapshot: "measuring", receipt: session.Receipt{Seq: 61, Job: "1"}, args: "restore 64"},
	{name: "end", snapshot: "done", receipt: session.Receipt{Seq: 70, Job: "1"}, args: "end --note tight"},
	{name: "end-refused", snapshot: "measuring", err: refusal("steps open", "2 of 6 steps are not closed", "finish them, or end with a note that says why"), args: "end"},
	{name: "plan-check", args: "plan check testdata/plan.toml"},
	{name: "plan-check-bad", args: "plan check testdata/plan.toml testdata/bad.toml"},
	{name: "plan-check-missing", args: "plan check testdata/nonesuch.toml testdata/plan.toml"},
	{name: "work", args: "work testdata/plan.toml testdata/readings.csv"},
	{name: "work-bad", args: "work testdata/plan.toml testdata/bad.csv"},
	{name: "work-missing", args: "work testdata/plan.toml testdata/nonesuch.csv"},
	{name: "no-daemon", args: "status --socket testdata/nonesuch.sock"},
	{name: "unknown-command", args: "mesure"},
	{name: "unknown-flag", args: "status --jsn"},
}

// outside leaves only fits that miss the window.
func outside(s *session.Snapshot) {
	a := &s.Advice[0]
	a.Best.Inside, a.Best.EndFloat = false, session.Num(a.Most.Add(a.Least.Decimal))
	for i := range a.Others {
		a.Others[i].Inside = false
	}
}

func TestGolden(t *testing.T) {
	for _, g := range goldens {
		t.Run(g.name, func(t *testing.T) {
			env := environment(nil)
			if g.snapshot != "" {
				s := load(t, g.snapshot)
				if g.change != nil {
					g.change(&s)
				}
				env = serve(t, &bench{snapshot: s, receipt: g.receipt, err: g.err})
			}
			code, stdout, stderr := logctl(env, "", strings.Fields(g.args)...)
			got := fmt.Sprintf("$ logctl %s\n%s--- stderr\n%s--- exit %d\n", g.args, stdout, stderr, code)
			path := filepath.Join("testdata", "golden", g.name+".txt")
			if *update {
				require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
			}
			want, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, string(want), got)
		})
	}
}

// Nothing is wider than a terminal of 80 columns, but for the mistakes in a
// file, which stand one a line for other programs. And every error is a
// sentence on stderr.
func TestGoldensFitEightyColumns(t *testing.T) {
	mistake := regexp.MustCompile(`^\S+:\d+:\d+: `)
	files, err := filepath.Glob("testdata/golden/*.txt")
	require.NoError(t, err)
	require.Len(t, files, len(goldens), "each golden file has its command")
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		for _, line := range strings.Split(string(text), "\n")[1:] {
			if !mistake.MatchString(line) {
				assert.LessOrEqual(t, len([]rune(line)), 80, "%s: %s", file, line)
			}
			assert.NotContains(t, line, "\x1b", "%s: emphasis into a file", file)
		}
		_, errs, _ := strings.Cut(string(text), "--- stderr\n")
		said, code, _ := strings.Cut(errs, "--- exit ")
		if strings.HasPrefix(code, "0") {
			assert.Empty(t, said, file)
		} else {
			assert.Contains(t, said, "logctl: ", file)
			assert.Contains(t, said, ";", "%s: it says what to do", file)
		}
	}
}

func TestCommandsAreWhatWasTyped(t *testing.T) {
	plan, err := os.ReadFile("testdata/plan.toml")
	require.NoError(t, err)
	type c = session.Command
	for args, want := range map[string]c{
		"begin testdata/plan.toml --reference 12": {Do: session.Begin, Plan: string(plan), PlanFile: "testdata/plan.toml", Reference: "12"},
		"take":                                            {Do: session.Take},
		"take dial-1":                                     {Do: session.Take, Instrument: "dial-1"},
		"enter 44.30 --instrument c":                      {Do: session.Enter, Value: "44.30", Instrument: "c"},
		"enter 1.7400 --instrument c --unit in":           {Do: session.Enter, Value: "1.7400", Instrument: "c", Unit: "in"},
		"enter -0.05 --instrument c":                      {Do: session.Enter, Value: "-0.05", Instrument: "c"},
		"enter --instrument c -0.05":                      {Do: session.Enter, Value: "-0.05", Instrument: "c"},
		"enter --instrument c --json -0.05":               {Do: session.Enter, Value: "-0.05", Instrument: "c"},
		"enter --instrument c -- -0.05":                   {Do: session.Enter, Value: "-0.05", Instrument: "c"},
		"enter --instrument f --passes 0.15 --stops 0.20": {Do: session.Enter, Instrument: "f", Passes: "0.15", Stops: "0.20"},
		"next":                                 {Do: session.Next},
		"next bore":                            {Do: session.Next, Step: "bore"},
		"back":                                 {Do: session.Back},
		"place top":                            {Do: session.GoToPlace, Place: "top"},
		"place 2 --step bore":                  {Do: session.GoToPlace, Place: "2", Step: "bore"},
		"strike 17 --reason slipped":           {Do: session.StrikeOut, Reading: 17, Reason: "slipped"},
		"restore 17":                           {Do: session.Restore, Reading: 17},
		"end":                                  {Do: session.End},
		"end --note done":                      {Do: session.End, Note: "done"},
		"next --note cool":                     {Do: session.Next, Note: "cool"},
		"replace crank --note scored":          {Do: session.Replace, Part: "crank", Note: "scored"},
		"reopen 12 --note leaks":               {Do: session.Reopen, Job: "12", Note: "leaks"},
		"choose spare":                         {Do: session.Choose, Candidate: "spare"},
		"choose old --reason worn":             {Do: session.Choose, Candidate: "old", Reason: "worn"},
		"confirm":                              {Do: session.Confirm},
		"confirm --not-done --note later":      {Do: session.Confirm, Outcome: session.NotDone, Note: "later"},
		"confirm --not-applicable --note none": {Do: session.Confirm, Outcome: session.NotApplicable, Note: "none"},
		"back --operator bo":                   {Do: session.Back, Operator: "bo"},
		"pair --revoke tablet":                 {Do: session.Unpair, Page: "tablet"},
	} {
		b := &bench{snapshot: load(t, "measuring"), receipt: session.Receipt{Seq: 59}}
		code, _, stderr := logctl(serve(t, b), "", strings.Fields(args)...)
		assert.Equal(t, exitOK, code, "%s: %s", args, stderr)
		if want.Operator == "" {
			want.Operator = "ada"
		}
		want.Door = session.FromTerminal
		assert.Equal(t, want, b.got, args)
	}
}

func TestAChangeOfMindNeedsANote(t *testing.T) {
	for _, args := range [][]string{{"replace", "crank"}, {"reopen", "12"}} {
		code, _, stderr := logctl(environment(nil), "", args...)
		assert.Equal(t, exitUsage, code)
		assert.Contains(t, stderr, "--note TEXT")
	}
}

func TestConfirmedOneWayOnly(t *testing.T) {
	code, _, stderr := logctl(environment(nil), "", "confirm", "--not-done", "--not-applicable", "--note", "x")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, stderr, "say either --not-done or --not-applicable, not both")
}

func TestPlanFromStandardInput(t *testing.T) {
	plan, err := os.ReadFile("testdata/plan.toml")
	require.NoError(t, err)
	b := &bench{snapshot: load(t, "measuring")}
	code, _, stderr := logctl(serve(t, b), string(plan), "begin", "-")
	assert.Equal(t, exitOK, code, stderr)
	assert.Equal(t, string(plan), b.got.Plan)
}

func TestOperator(t *testing.T) {
	login, err := user.Current()
	require.NoError(t, err)
	for name, c := range map[string]struct {
		env  string
		args []string
		want string
	}{
		"flag":        {"ada", []string{"back", "--operator", "bo"}, "bo"},
		"environment": {"ada", []string{"back"}, "ada"},
		"login":       {"", []string{"back"}, login.Username},
	} {
		t.Run(name, func(t *testing.T) {
			b := &bench{snapshot: load(t, "measuring")}
			env := serve(t, b)
			code, _, _ := logctl(func(key string) string {
				if key == "SHIMWRIGHT_OPERATOR" {
					return c.env
				}
				return env(key)
			}, "", c.args...)
			assert.Equal(t, exitOK, code)
			assert.Equal(t, c.want, b.got.Operator)
		})
	}
}

// decoded runs a command with --json and decodes what it prints.
func decoded[T any](t *testing.T, env func(string) string, args ...string) (T, exit) {
	t.Helper()
	var v T
	code, stdout, _ := logctl(env, "", append(args, "--json")...)
	require.NoError(t, json.Unmarshal([]byte(stdout), &v), stdout)
	return v, code
}

func TestJSONIsTheSameStructs(t *testing.T) {
	for _, name := range []string{"none", "measuring", "done"} {
		s := load(t, name)
		env := serve(t, &bench{snapshot: s})
		status, _ := decoded[session.Snapshot](t, env, "status")
		assert.Equal(t, s, status)
		readings, _ := decoded[[]session.ReadingView](t, env, "readings")
		assert.Len(t, readings, len(s.Readings))
		assert.Subset(t, s.Readings, readings)
		if s.Job != nil {
			advice, _ := decoded[[]session.Advice](t, env, "advice")
			assert.Equal(t, s.Advice, advice)
		}
	}
}

func TestJSONOfACommandIsItsReceiptOrRefusal(t *testing.T) {
	b := &bench{snapshot: load(t, "measuring"), receipt: session.Receipt{Seq: 61, Job: "1", Ruling: session.Filed}}
	env := serve(t, b)
	receipt, code := decoded[session.Receipt](t, env, "enter", "25.34", "--instrument", "depth-1")
	assert.Equal(t, exitOK, code)
	assert.Equal(t, b.receipt, receipt)
	b.err = refusal("no job", "no job is open", "begin one with a plan")
	no, code := decoded[session.Refusal](t, env, "next")
	assert.Equal(t, exitRefused, code)
	assert.Equal(t, b.err, &no)
}

func TestJSONOfFiles(t *testing.T) {
	env := environment(nil)
	s, code := decoded[session.Snapshot](t, env, "work", "testdata/plan.toml", "testdata/readings.csv")
	assert.Equal(t, exitOK, code)
	require.Len(t, s.Advice, 1)
	assert.Equal(t, session.Final, s.Advice[0].State)
	checks, code := decoded[[]checked](t, env, "plan", "check", "testdata/plan.toml", "testdata/bad.toml")
	assert.Equal(t, exitFailed, code)
	require.Len(t, checks, 2)
	assert.True(t, checks[0].Sound)
	assert.Equal(t, "pump-bottom-end", checks[0].Plan.Name)
	assert.False(t, checks[1].Sound)
	assert.NotEmpty(t, checks[1].Problems)
	v, code := decoded[version](t, env, "version")
	assert.Equal(t, exitOK, code)
	assert.Equal(t, session.SchemaVersion, v.Schema)
	assert.NotEmpty(t, v.Software)
}

func TestVersion(t *testing.T) {
	code, stdout, _ := logctl(environment(nil), "", "version")
	assert.Equal(t, exitOK, code)
	assert.Regexp(t, `^shimwright logctl \S+\n$`, stdout)
}

func TestExitCodesAreThePromisedOnes(t *testing.T) {
	var codes []string
	for code := range exits() {
		codes = append(codes, fmt.Sprint(code))
	}
	assert.Equal(t, "0 1 2 3 4 5 6", strings.Join(codes, " "))
	_, help, _ := logctl(environment(nil), "", "--help")
	assert.Contains(t, help, exitTable())
}

func TestNoHomeIsUnreachable(t *testing.T) {
	code, _, stderr := logctl(func(string) string { return "" }, "", "status")
	assert.Equal(t, exitUnreachable, code)
	assert.Contains(t, stderr, "--socket PATH")
}

func TestAnotherSchemaIsNotShownByHalves(t *testing.T) {
	s := load(t, "measuring")
	s.Schema = 99
	env := serve(t, &bench{snapshot: s})
	for _, command := range []string{"status", "watch", "readings", "advice"} {
		code, stdout, stderr := logctl(env, "", command)
		assert.Equal(t, exitFailed, code)
		assert.Empty(t, stdout)
		assert.Contains(t, stderr, "schema 99")
	}
}

// brokenPipe is a reader that has gone.
type brokenPipe struct{ err error }

func (w brokenPipe) Write([]byte) (int, error) { return 0, w.err }

func TestAFullDiskIsAFailure(t *testing.T) {
	var stderr bytes.Buffer
	code := run([]string{"version"}, nil, brokenPipe{errors.New("no space left on device")}, &stderr, environment(nil))
	assert.Equal(t, int(exitFailed), code)
	assert.Contains(t, stderr.String(), "no space left on device")
}
