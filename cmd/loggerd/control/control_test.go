package control_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

// bench is a bench that does what the test says.
type bench struct {
	receipt   session.Receipt
	err       error
	submitted chan session.Command
	mailbox   chan session.Snapshot

	mu       sync.Mutex
	snapshot session.Snapshot
	watching int
}

func newBench() *bench {
	return &bench{
		receipt: session.Receipt{Seq: 17, Job: "J7"}, submitted: make(chan session.Command, 64),
		mailbox: make(chan session.Snapshot), snapshot: session.Snapshot{Schema: session.SchemaVersion, Bench: "b1", Seq: 16},
	}
}

func (b *bench) Submit(_ context.Context, item any) (session.Receipt, error) {
	b.submitted <- item.(session.Command)
	return b.receipt, b.err
}

func (b *bench) Snapshot() session.Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.snapshot
}

func (b *bench) Subscribe() (<-chan session.Snapshot, func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.watching++
	return b.mailbox, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.watching--
	}
}

func (b *bench) watchers() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.watching
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

// serve runs a server at a real socket until the test ends.
func serve(t *testing.T, cfg control.Config) (*control.Server, string, *http.Client) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "run", "control.sock")
	cfg.Log = quiet()
	s := control.New(cfg)
	require.NoError(t, s.Listen(path))
	served := make(chan error, 1)
	go func() { served <- s.Serve() }()
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		assert.NoError(t, s.Shutdown(ctx))
		assert.NoError(t, <-served)
		assert.NoFileExists(t, path)
	})
	return s, path, client(t, path)
}

func client(t *testing.T, path string) *http.Client {
	transport := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", path)
	}}
	t.Cleanup(transport.CloseIdleConnections)
	return &http.Client{Transport: transport, Timeout: 10 * time.Second}
}

func send(t *testing.T, c *http.Client, method, path, body string) (int, string) {
	t.Helper()
	req, err := http.NewRequest(method, "http://bench"+path, strings.NewReader(body))
	require.NoError(t, err)
	res, err := c.Do(req)
	require.NoError(t, err)
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	assert.Equal(t, "application/json; charset=utf-8", res.Header.Get("Content-Type"))
	return res.StatusCode, string(text)
}

func TestSnapshot(t *testing.T) {
	b := newBench()
	b.snapshot.Recording = session.Recording{Problem: "a < b & c"}
	_, _, c := serve(t, control.Config{Bench: b})
	status, text := send(t, c, "GET", "/v1/snapshot", "")
	assert.Equal(t, 200, status)
	assert.Contains(t, text, "a < b & c", "no escapes that a person must undo")
	var got session.Snapshot
	require.NoError(t, json.Unmarshal([]byte(text), &got))
	assert.Equal(t, b.snapshot, got)
}

func TestCommandIsSubmittedWithItsOperatorAndOurDoor(t *testing.T) {
	b := newBench()
	_, _, c := serve(t, control.Config{Bench: b})
	status, text := send(t, c, "POST", "/v1/command", `{"do":"begin","operator":"ada","door":"page","plan_text":"plan = \"ä\"\n"}`)
	assert.Equal(t, 200, status)
	assert.JSONEq(t, `{"seq":17,"job":"J7"}`, text)
	assert.Equal(t, session.Command{Do: session.Begin, Operator: "ada", Door: session.FromTerminal, Plan: "plan = \"ä\"\n"}, <-b.submitted)
}

func TestCommandAnswers(t *testing.T) {
	for name, c := range map[string]struct {
		receipt session.Receipt
		err     error
		take    func(context.Context, session.Receipt) error
		status  int
		want    string
	}{
		"refused": {err: &session.Refusal{Code: "no job", Message: "no job is open", Instead: "begin one"}, status: 409,
			want: `{"code":"no job","message":"no job is open","instead":"begin one"}`},
		"refused, wrapped": {err: errors.Join(&session.Refusal{Code: "no job", Message: "m", Instead: "i"}), status: 409,
			want: `{"code":"no job","message":"m","instead":"i"}`},
		"disk, by the bench": {err: &session.Refusal{Code: "not recorded", Message: "m", Instead: "i"}, status: 503,
			want: `{"code":"not recorded","message":"m","instead":"i"}`},
		"disk": {err: errors.New("disk full"), status: 503,
			want: `{"code":"not recorded","message":"the command is not recorded: disk full","instead":"look at the status and at the daemon's messages, then try again","params":{"error":"disk full"}}`},
		"slow disk": {err: context.DeadlineExceeded, status: 503,
			want: `{"code":"not recorded","message":"the command is not confirmed in time, so it may or may not be recorded","instead":"look at the status and at the daemon's messages, then try again","params":{"error":"context deadline exceeded"}}`},
		"asked": {receipt: session.Receipt{Seq: 3, Ask: "dial-1"}, take: func(context.Context, session.Receipt) error { return nil }, status: 200,
			want: `{"seq":3,"ask":"dial-1"}`},
		"not asked": {receipt: session.Receipt{Seq: 3, Ask: "dial-1"}, take: func(context.Context, session.Receipt) error { return errors.New("the port is lost") }, status: 502,
			want: `{"code":"not asked","message":"the take is recorded, but dial-1 could not be asked: the port is lost","instead":"check that it is on and plugged in, or press its own button","params":{"instrument":"dial-1","error":"the port is lost"}}`},
		"cannot ask": {receipt: session.Receipt{Seq: 3, Ask: "dial-1"}, status: 502,
			want: `{"code":"not asked","message":"the take is recorded, but dial-1 could not be asked: no instrument can be asked here","instead":"check that it is on and plugged in, or press its own button","params":{"instrument":"dial-1","error":"no instrument can be asked here"}}`},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			b.receipt, b.err = c.receipt, c.err
			status, text := post(control.New(control.Config{Bench: b, Take: c.take, Log: quiet()}), `{"do":"take"}`)
			assert.Equal(t, c.status, status)
			assert.JSONEq(t, c.want, text)
		})
	}
}

func TestTakeAsksAfterTheCommandIsRecorded(t *testing.T) {
	b := newBench()
	b.receipt.Ask = "dial-1"
	var asked string
	take := func(_ context.Context, r session.Receipt) error {
		instrument := r.Ask
		assert.Len(t, b.submitted, 1)
		asked = instrument
		return nil
	}
	status, _ := post(control.New(control.Config{Bench: b, Take: take, Log: quiet()}), `{"do":"take","instrument":"dial-1"}`)
	assert.Equal(t, 200, status)
	assert.Equal(t, "dial-1", asked)
}

func TestRefusedCommandAsksNobody(t *testing.T) {
	b := newBench()
	b.receipt.Ask, b.err = "dial-1", &session.Refusal{Code: "no job"}
	take := func(context.Context, session.Receipt) error { t.Error("asked"); return nil }
	status, _ := post(control.New(control.Config{Bench: b, Take: take, Log: quiet()}), `{"do":"take"}`)
	assert.Equal(t, 409, status)
}

func post(s *control.Server, body string) (int, string) {
	w := httptest.NewRecorder()
	s.ServeHTTP(w, httptest.NewRequest("POST", "/v1/command", strings.NewReader(body)))
	return w.Code, w.Body.String()
}

func TestBadInput(t *testing.T) {
	for name, c := range map[string]struct{ body, says string }{
		"empty":          {"", "cannot be read"},
		"not JSON":       {"next", "cannot be read"},
		"cut":            {`{"do":"ne`, "cannot be read"},
		"array":          {`[{"do":"next"}]`, "cannot be read"},
		"unknown key":    {`{"do":"next","stepp":"x"}`, `unknown field`},
		"wrong type":     {`{"do":"strike out","reading":"7"}`, "cannot be read"},
		"fraction":       {`{"do":"strike out","reading":7.5}`, "cannot be read"},
		"huge":           {`{"do":"strike out","reading":99999999999999999999}`, "cannot be read"},
		"key twice":      {`{"do":"next","do":"end"}`, `the key "do" twice`},
		"other case":     {`{"do":"next","Do":"end"}`, `the key "Do" twice`},
		"two objects":    {`{"do":"next"}{"do":"end"}`, "something follows"},
		"trailing text":  {`{"do":"next"} x`, "something follows"},
		"nothing to do":  {`{}`, "does not say what to do"},
		"null":           {`null`, "does not say what to do"},
		"unknown verb":   {`{"do":"explode"}`, `there is no command "explode"`},
		"not UTF-8":      {"{\"do\":\"begin\",\"plan_text\":\"\xff\"}", "not UTF-8"},
		"plan too long":  {`{"do":"begin","plan_text":"` + strings.Repeat("x", 1<<20+1) + `"}`, "the plan is longer than"},
		"deeply nested":  {`{"do":` + strings.Repeat("[", 20000) + `}`, "cannot be read"},
		"a zero byte":    {"{\"do\":\"next\x00\"}", "cannot be read"},
		"escaped nul":    {`{"do":"next\u0000"}`, "there is no command"},
		"different case": {`{"do":"NEXT"}`, "there is no command"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			status, text := post(control.New(control.Config{Bench: b, Log: quiet()}), c.body)
			assert.Equal(t, 400, status)
			var r session.Refusal
			require.NoError(t, json.Unmarshal([]byte(text), &r))
			assert.Contains(t, r.Message, c.says)
			assert.NotEmpty(t, r.Instead)
			assert.Empty(t, b.submitted, "nothing reaches the bench")
		})
	}
}

func TestTooLongABodyIsRefused(t *testing.T) {
	b := newBench()
	_, _, c := serve(t, control.Config{Bench: b})
	status, text := send(t, c, "POST", "/v1/command", `{"do":"next","note":"`+strings.Repeat("x", 3<<20)+`"}`)
	assert.Equal(t, 413, status)
	assert.Contains(t, text, "longer than")
	assert.Empty(t, b.submitted)
}

func TestTheLongestPlanFits(t *testing.T) {
	b := newBench()
	_, _, c := serve(t, control.Config{Bench: b})
	plan := strings.Repeat("x\n", 1<<19)
	body, err := json.Marshal(session.Command{Do: session.Begin, Plan: plan})
	require.NoError(t, err)
	status, _ := send(t, c, "POST", "/v1/command", string(body))
	assert.Equal(t, 200, status)
	assert.Equal(t, plan, (<-b.submitted).Plan)
}

func TestNoSuchAddressOrMethod(t *testing.T) {
	_, _, c := serve(t, control.Config{Bench: newBench()})
	for _, r := range []struct {
		method, path string
		status       int
	}{
		{"GET", "/", 404}, {"GET", "/v1", 404}, {"GET", "/v1/snapshot/", 404}, {"GET", "//v1/snapshot", 404}, {"GET", "/v1/../v1/snapshot", 404},
		{"POST", "/v1/snapshot", 405}, {"GET", "/v1/command", 405}, {"DELETE", "/v1/watch", 405},
	} {
		status, text := send(t, c, r.method, r.path, "")
		assert.Equal(t, r.status, status, r.path)
		assert.True(t, json.Valid([]byte(text)), text)
	}
}

// line reads the next snapshot of a watch, past the empty lines.
func line(t *testing.T, r *bufio.Reader) session.Snapshot {
	t.Helper()
	for {
		text, err := r.ReadString('\n')
		require.NoError(t, err)
		if text == "\n" {
			continue
		}
		var s session.Snapshot
		require.NoError(t, json.Unmarshal([]byte(text), &s))
		return s
	}
}

func watch(t *testing.T, c *http.Client) (*bufio.Reader, io.Closer) {
	t.Helper()
	res, err := c.Get("http://bench/v1/watch")
	require.NoError(t, err)
	require.Equal(t, 200, res.StatusCode)
	t.Cleanup(func() { res.Body.Close() })
	return bufio.NewReader(res.Body), res.Body
}

func TestWatchSendsAtOnceAndAtEachChange(t *testing.T) {
	b := newBench()
	_, _, c := serve(t, control.Config{Bench: b, Heartbeat: time.Hour})
	lines, body := watch(t, c)
	assert.EqualValues(t, 16, line(t, lines).Seq)
	b.mailbox <- session.Snapshot{Seq: 17}
	b.mailbox <- session.Snapshot{Seq: 17} // no change, no line
	b.mailbox <- session.Snapshot{Seq: 17, Recording: session.Recording{Problem: "disk full"}}
	assert.EqualValues(t, 17, line(t, lines).Seq)
	assert.Equal(t, "disk full", line(t, lines).Recording.Problem)
	assert.Equal(t, 1, b.watchers())
	require.NoError(t, body.Close())
	assert.Eventually(t, func() bool { return b.watchers() == 0 }, 5*time.Second, time.Millisecond, "the mailbox is given up")
}

func TestWatchBeats(t *testing.T) {
	_, _, c := serve(t, control.Config{Bench: newBench(), Heartbeat: time.Millisecond})
	lines, _ := watch(t, c)
	line(t, lines)
	for range 3 {
		text, err := lines.ReadString('\n')
		require.NoError(t, err)
		assert.Equal(t, "\n", text)
	}
}

func TestWatchEndsWithTheBench(t *testing.T) {
	b := newBench()
	_, _, c := serve(t, control.Config{Bench: b, Heartbeat: time.Hour})
	lines, _ := watch(t, c)
	line(t, lines)
	close(b.mailbox)
	_, err := lines.ReadString('\n')
	assert.ErrorIs(t, err, io.EOF)
}

func TestTooManyWatchersAreRefused(t *testing.T) {
	b := newBench()
	_, path, _ := serve(t, control.Config{Bench: b, Heartbeat: time.Hour})
	for range 32 {
		lines, _ := watch(t, client(t, path))
		line(t, lines)
	}
	status, text := send(t, client(t, path), "GET", "/v1/watch", "")
	assert.Equal(t, 503, status)
	assert.Contains(t, text, "too many displays")
	status, _ = send(t, client(t, path), "GET", "/v1/snapshot", "")
	assert.Equal(t, 200, status, "commands still come through")
}

// The cleanup of serve asserts that this Shutdown does not hang.
func TestShutdownEndsWatchers(t *testing.T) {
	s, _, c := serve(t, control.Config{Bench: newBench(), Heartbeat: time.Hour})
	lines, _ := watch(t, c)
	line(t, lines)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	require.NoError(t, s.Shutdown(ctx))
	_, err := lines.ReadString('\n')
	assert.ErrorIs(t, err, io.EOF)
}

func TestSocketIsPrivateWhateverTheUmask(t *testing.T) {
	old := syscall.Umask(0)
	defer syscall.Umask(old)
	_, path, _ := serve(t, control.Config{Bench: newBench()})
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	dir, err := os.Stat(filepath.Dir(path))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o700), dir.Mode().Perm())
	left, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	assert.Len(t, left, 1, "nothing but the socket")
}

func TestStaleSocketIsReplaced(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control.sock")
	dead, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	require.NoError(t, err)
	dead.SetUnlinkOnClose(false)
	require.NoError(t, dead.Close())
	require.FileExists(t, path)
	s := control.New(control.Config{Bench: newBench(), Log: quiet()})
	require.NoError(t, s.Listen(path))
	require.NoError(t, s.Shutdown(context.Background()))
}

func TestLiveSocketIsRefused(t *testing.T) {
	_, path, c := serve(t, control.Config{Bench: newBench()})
	err := control.New(control.Config{Bench: newBench(), Log: quiet()}).Listen(path)
	assert.EqualError(t, err, `cannot open control socket "`+path+`": a daemon answers there already; stop it or give another path`)
	status, _ := send(t, c, "GET", "/v1/snapshot", "")
	assert.Equal(t, 200, status, "the live one is unharmed")
}

func TestOtherFilesAreLeftAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control.sock")
	require.NoError(t, os.WriteFile(path, []byte("mine"), 0o600))
	err := control.New(control.Config{Bench: newBench(), Log: quiet()}).Listen(path)
	assert.ErrorContains(t, err, "not a socket; move it away or give another path")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "mine", string(text))
}

func TestTooLongAPathIsRefused(t *testing.T) {
	err := control.New(control.Config{Bench: newBench(), Log: quiet()}).Listen(filepath.Join(t.TempDir(), strings.Repeat("x", 120)))
	assert.ErrorContains(t, err, "give a shorter one")
}

func TestShutdownLeavesTheSocketOfTheNextDaemon(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control.sock")
	first := control.New(control.Config{Bench: newBench(), Log: quiet()})
	require.NoError(t, first.Listen(path))
	require.NoError(t, os.Remove(path))
	second := control.New(control.Config{Bench: newBench(), Log: quiet()})
	require.NoError(t, second.Listen(path))
	require.NoError(t, first.Shutdown(context.Background()))
	assert.FileExists(t, path)
	require.NoError(t, second.Shutdown(context.Background()))
	assert.NoFileExists(t, path)
}

func TestDefaultSocket(t *testing.T) {
	for name, c := range map[string]struct {
		env  map[string]string
		want string
	}{
		"runtime directory": {map[string]string{"XDG_RUNTIME_DIR": "/run/user/7", "HOME": "/home/ada"}, "/run/user/7/shimwright/control.sock"},
		"state directory":   {map[string]string{"XDG_STATE_HOME": "/s", "HOME": "/home/ada"}, "/s/shimwright/control.sock"},
		"home":              {map[string]string{"XDG_RUNTIME_DIR": "relative", "HOME": "/home/ada"}, "/home/ada/.local/state/shimwright/control.sock"},
		"nothing":           {nil, ""},
	} {
		t.Run(name, func(t *testing.T) {
			assert.Equal(t, c.want, control.DefaultSocket(func(key string) string { return c.env[key] }))
		})
	}
}
