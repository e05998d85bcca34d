package display

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

const soon = 10 * time.Second

// A fakeBench hands out what the test puts, as Bench does.
type fakeBench struct {
	mail     chan session.Snapshot
	released atomic.Bool
}

func newBench(first ...session.Snapshot) *fakeBench {
	b := &fakeBench{mail: make(chan session.Snapshot, 1)}
	for _, s := range first {
		b.put(s)
	}
	return b
}

func (b *fakeBench) put(s session.Snapshot) {
	select {
	case <-b.mail:
	default:
	}
	b.mail <- s
}

func (b *fakeBench) subscribe() (<-chan session.Snapshot, func()) {
	return b.mail, func() { b.released.Store(true) }
}

var noon = time.Date(2031, 4, 5, 12, 0, 0, 0, time.UTC)

// start serves a bench until the test ends, with heartbeats far apart unless set.
func start(t testing.TB, bench *fakeBench, every time.Duration) *Server {
	t.Helper()
	s, err := New(Config{Listen: "127.0.0.1:0", Mailbox: bench.subscribe, Heartbeat: every, Now: func() time.Time { return noon }})
	require.NoError(t, err)
	s.write = time.Second
	require.NoError(t, s.Listen())
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx) }()
	t.Cleanup(func() {
		stop()
		assert.NoError(t, <-ended)
		assert.True(t, bench.released.Load(), "the mailbox is given up")
	})
	return s
}

// A stream reads server-sent events.
type stream struct {
	t    testing.TB
	body io.ReadCloser
	from *bufio.Reader
}

func look(t testing.TB, s *Server) *stream {
	t.Helper()
	ctx, stop := context.WithTimeout(context.Background(), soon)
	t.Cleanup(stop)
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+s.Addr()+"/events", nil)
	require.NoError(t, err)
	answer, err := http.DefaultClient.Do(r)
	require.NoError(t, err)
	t.Cleanup(func() { answer.Body.Close() })
	require.Equal(t, http.StatusOK, answer.StatusCode)
	require.Equal(t, "text/event-stream; charset=utf-8", answer.Header.Get("Content-Type"))
	return &stream{t, answer.Body, bufio.NewReader(answer.Body)}
}

// next reads the next event of a name.
func (s *stream) next(name string) string {
	s.t.Helper()
	is := ""
	for {
		line, err := s.from.ReadString('\n')
		require.NoError(s.t, err)
		line = strings.TrimSuffix(line, "\n")
		if e, found := strings.CutPrefix(line, "event: "); found {
			is = e
		}
		if data, found := strings.CutPrefix(line, "data: "); found && is == name {
			return data
		}
	}
}

// snapshot reads the next snapshot event.
func (s *stream) snapshot() event {
	s.t.Helper()
	var e event
	require.NoError(s.t, json.Unmarshal([]byte(s.next("snapshot")), &e))
	return e
}

func TestAPageGetsTheWholeSnapshotAtOnce(t *testing.T) {
	want := bottomEnd(t, 3)
	bench := newBench(want)
	s := start(t, bench, time.Hour)
	for range 2 { // a reconnect too
		got := look(t, s).snapshot()
		assert.JSONEq(t, text(t, want), text(t, got.Snapshot))
		assert.Equal(t, noon, got.Now)
		assert.InDelta(t, 3600, got.Heartbeat, 0)
		assert.Len(t, got.Words.Readings, len(want.Readings))
		require.Len(t, got.Pictures, 1)
		assert.Contains(t, got.Pictures[0].SVG, "<svg")
	}
}

func TestAChangeReachesEveryPage(t *testing.T) {
	bench := newBench(bottomEnd(t, 0))
	s := start(t, bench, time.Hour)
	pages := []*stream{look(t, s), look(t, s), look(t, s)}
	for _, p := range pages {
		p.snapshot()
	}
	bench.put(bottomEnd(t, 1))
	for _, p := range pages {
		assert.Equal(t, "bar-thickness", p.snapshot().Snapshot.Step.Name)
	}
}

func TestHeartbeat(t *testing.T) {
	s := start(t, newBench(), 5*time.Millisecond)
	page := look(t, s)
	for range 3 {
		assert.JSONEq(t, `{"now":"2031-04-05T12:00:00Z"}`, page.next("beat"))
	}
}

// A browser that never reads delays neither the bench nor the others.
func TestAStuckPageDelaysNobody(t *testing.T) {
	bench := newBench(bottomEnd(t, 5))
	s := start(t, bench, time.Hour)
	stuck, err := net.Dial("tcp", s.Addr())
	require.NoError(t, err)
	defer stuck.Close()
	require.NoError(t, stuck.(*net.TCPConn).SetReadBuffer(1024))
	_, err = io.WriteString(stuck, "GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
	require.NoError(t, err)
	_, err = stuck.Read(make([]byte, 16))
	require.NoError(t, err)

	page := look(t, s)
	page.snapshot()
	v := bottomEnd(t, 5)
	for i := range 300 { // some 12 MB, more than any socket holds
		v.Seq = int64(1000 + i)
		bench.put(v)
		for page.snapshot().Snapshot.Seq != v.Seq {
		}
	}
	assert.Eventually(t, func() bool { return len(s.slots) == 1 }, soon, time.Millisecond, "the stuck page is given up")
}

func TestTooManyPages(t *testing.T) {
	s := start(t, newBench(bottomEnd(t, 0)), time.Hour)
	for range cap(s.slots) {
		s.slots <- struct{}{}
	}
	answer, err := http.Get("http://" + s.Addr() + "/events")
	require.NoError(t, err)
	defer answer.Body.Close()
	assert.Equal(t, http.StatusServiceUnavailable, answer.StatusCode)
	<-s.slots
	look(t, s).snapshot()
}

// Connections beyond the limit wait until another ends; closing lets them go.
func TestConnectionsAreLimited(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	l := limit(inner, 1)
	for range 2 {
		c, err := net.Dial("tcp", l.Addr().String())
		require.NoError(t, err)
		defer c.Close()
	}
	first, err := l.Accept()
	require.NoError(t, err)
	second := make(chan error, 1)
	go func() {
		c, err := l.Accept()
		if err == nil {
			err = c.Close()
		}
		second <- err
	}()
	assert.Len(t, l.slots, 1)
	assert.NoError(t, first.Close())
	assert.Error(t, first.Close(), "a second close frees no second slot")
	assert.NoError(t, <-second)
	third, err := net.Dial("tcp", l.Addr().String())
	require.NoError(t, err)
	defer third.Close()
	_, err = l.Accept()
	require.NoError(t, err)
	assert.NoError(t, l.Close())
	_, err = l.Accept()
	assert.ErrorIs(t, err, net.ErrClosed)
}

func request(t *testing.T, s *Server, method, host, path string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(method, "/", nil)
	r.URL.Path, r.Host = path, host
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func TestEveryAnswerIsGuarded(t *testing.T) {
	s, err := New(Config{Mailbox: newBench().subscribe})
	require.NoError(t, err)
	for _, c := range []struct {
		method, host, path string
		code               int
		kind               string
	}{
		{"GET", "localhost", "/", 200, "text/html; charset=utf-8"},
		{"HEAD", "localhost", "/", 200, "text/html; charset=utf-8"},
		{"GET", "localhost", "/page.css", 200, "text/css; charset=utf-8"},
		{"GET", "localhost", "/page.js", 200, "text/javascript; charset=utf-8"},
		{"GET", "localhost", "/touch.js", 200, "text/javascript; charset=utf-8"},
		{"GET", "localhost", "/story", 200, "text/html; charset=utf-8"},
		{"GET", "localhost", "/wall", 404, "text/plain; charset=utf-8"},
		{"GET", "localhost", "/wall/events", 404, "text/plain; charset=utf-8"},
		{"GET", "localhost", "/nothing", 404, "text/plain; charset=utf-8"},
		{"GET", "localhost", "/../display.go", 404, "text/plain; charset=utf-8"},
		{"GET", "localhost", "/page/../../web.go", 404, "text/plain; charset=utf-8"},
		{"POST", "localhost", "/", 405, "text/plain; charset=utf-8"},
		{"DELETE", "localhost", "/events", 405, "text/plain; charset=utf-8"},
		{"GET", "elsewhere.example", "/events", 421, "text/plain; charset=utf-8"},
	} {
		w := request(t, s, c.method, c.host, c.path)
		assert.Equal(t, c.code, w.Code, c)
		assert.Equal(t, c.kind, w.Header().Get("Content-Type"), c)
		assert.Equal(t, "no-store", w.Header().Get("Cache-Control"), c)
		assert.Equal(t, "nosniff", w.Header().Get("X-Content-Type-Options"), c)
		assert.Equal(t, policy, w.Header().Get("Content-Security-Policy"), c)
		assert.Empty(t, w.Header().Get("Access-Control-Allow-Origin"), c)
	}
	assert.True(t, strings.HasPrefix(policy, "default-src 'none'; "))
	assert.NotContains(t, policy, "unsafe")
}

func TestHost(t *testing.T) {
	for _, c := range []struct {
		listen, local, host string
		ok                  bool
	}{
		{"127.0.0.1:8080", "127.0.0.1:8080", "127.0.0.1:8080", true},
		{"127.0.0.1:8080", "127.0.0.1:8080", "localhost:8080", true},
		{"127.0.0.1:8080", "127.0.0.1:8080", "LOCALHOST", true},
		{"127.0.0.1:8080", "127.0.0.1:8080", "127.9.9.9", true},
		{"127.0.0.1:8080", "127.0.0.1:8080", "[::1]:8080", true},
		{"127.0.0.1:8080", "127.0.0.1:8080", "::ffff:127.0.0.1", true},
		{"127.0.0.1:8080", "127.0.0.1:8080", "elsewhere.example:8080", false},
		{"127.0.0.1:8080", "127.0.0.1:8080", "localhost.elsewhere.example", false},
		{"127.0.0.1:8080", "127.0.0.1:8080", "127.0.0.1.elsewhere.example", false},
		{"127.0.0.1:8080", "127.0.0.1:8080", "192.0.2.7", false},
		{"127.0.0.1:8080", "127.0.0.1:8080", "", false},
		{"127.0.0.1:8080", "127.0.0.1:8080", "0.0.0.0", false},
		{"0.0.0.0:8080", "192.0.2.7:8080", "192.0.2.7:8080", true},
		{"0.0.0.0:8080", "192.0.2.7:8080", "192.0.2.8:8080", false},
		{"0.0.0.0:8080", "192.0.2.7:8080", "0.0.0.0:8080", false},
		{"0.0.0.0:8080", "192.0.2.7:8080", "elsewhere.example", false},
		{":8080", "192.0.2.7:8080", "", false},
		{"Bench-PC:8080", "192.0.2.7:8080", "bench-pc:8080", true},
		{"bench-pc:8080", "192.0.2.7:8080", "bench-pd:8080", false},
		{"192.0.2.7:8080", "192.0.2.7:8080", "192.0.2.7", true},
		{"[2001:db8::1]:80", "[2001:db8::1]:80", "[2001:db8::1]", true},
	} {
		s, err := New(Config{Listen: c.listen, Mailbox: newBench().subscribe})
		require.NoError(t, err)
		local, err := net.ResolveTCPAddr("tcp", c.local)
		require.NoError(t, err)
		r := httptest.NewRequest("GET", "/", nil)
		r.Host = c.host
		r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, local))
		assert.Equal(t, c.ok, s.ours(r), c)
	}
}

func TestNewAndListenSayWhatIsWrong(t *testing.T) {
	mailbox := newBench().subscribe
	for _, c := range []struct {
		cfg  Config
		want string
	}{
		{Config{}, "mailbox"},
		{Config{Mailbox: mailbox, Listen: "localhost"}, "write it like 127.0.0.1:8080"},
		{Config{Mailbox: mailbox, Listen: "localhost:http"}, "a number from 0 to 65535"},
		{Config{Mailbox: mailbox, Listen: "localhost:70000"}, "a number from 0 to 65535"},
		{Config{Mailbox: mailbox, Heartbeat: -1}, "such as 5s"},
	} {
		_, err := New(c.cfg)
		assert.ErrorContains(t, err, c.want)
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer taken.Close()
	s, err := New(Config{Mailbox: mailbox, Listen: taken.Addr().String()})
	require.NoError(t, err)
	assert.Empty(t, s.Addr())
	assert.ErrorContains(t, s.Serve(context.Background()), "before Listen")
	assert.ErrorContains(t, s.Listen(), "cannot listen for the display at")
}

// The page is small, whole and has nothing inline.
func TestPageFiles(t *testing.T) {
	weight := 0
	require.NoError(t, fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(files, name)
		weight += len(b)
		for _, bad := range []string{"http:", "https:", "innerHTML", "outerHTML", "insertAdjacent", "document.write", "eval(", " style=", " onclick", " onload", "<style"} {
			assert.NotContains(t, string(b), bad, name)
		}
		return err
	}))
	t.Logf("page weight %d bytes", weight)
	assert.Less(t, weight, 100_000)
}

func text(t testing.TB, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	require.NoError(t, err)
	return string(b)
}

// bottomEnd is the job of the bottom end after its first steps.
func bottomEnd(t testing.TB, steps int) session.Snapshot {
	t.Helper()
	return work(t, "pump-bottom-end", []string{
		"caliper-zero,,0.00,mm,caliper\ncaliper-zero,,0.00,mm,caliper\ndepth-zero,,0.00,mm,depth gauge\ndepth-zero,,0.00,mm,depth gauge\ncrank-width,1,52.56,mm,caliper\ncrank-width,1,52.56,mm,caliper\ncrank-width,2,52.57,mm,caliper\ncrank-width,2,52.57,mm,caliper\n",
		"bar-thickness,,10.00,mm,caliper\nbar-thickness,,10.00,mm,caliper\n",
		"pump-depth,1,37.44,mm,depth gauge\npump-depth,1,37.44,mm,depth gauge\npump-depth,2,37.45,mm,depth gauge\npump-depth,2,37.45,mm,depth gauge\n",
		"flywheel-depth,1,25.36,mm,depth gauge\nflywheel-depth,1,25.36,mm,depth gauge\nflywheel-depth,2,25.37,mm,depth gauge\nflywheel-depth,2,25.37,mm,depth gauge\n",
		"gasket,1,0.345,mm,micrometer\ngasket,1,0.345,mm,micrometer\ngasket,2,0.347,mm,micrometer\ngasket,2,0.347,mm,micrometer\n",
		"check-gap,,0.30/0.35,mm,feeler\ncheck-gap,,0.30/0.35,mm,feeler\n",
	}, steps)
}

// gearbox is the job of the gearbox shaft after its first steps; the last one is
// left at its second place.
func gearbox(t testing.TB, steps int) session.Snapshot {
	t.Helper()
	return work(t, "pump-gearbox-shaft", []string{
		"shaft-length,1,71.96,mm,caliper\nshaft-length,1,71.96,mm,caliper\nshaft-length,2,71.97,mm,caliper\nshaft-length,2,71.97,mm,caliper\n",
		"housing-depth,1,70.10,mm,depth gauge\nhousing-depth,1,70.10,mm,depth gauge\nhousing-depth,2,70.11,mm,depth gauge\nhousing-depth,2,70.11,mm,depth gauge\n",
		"cover-depth,1,14.60,mm,depth gauge\ncover-depth,1,14.60,mm,depth gauge\ncover-depth,1,14.60,mm,depth gauge\ncover-depth,2,14.62,mm,depth gauge\n",
	}, steps)
}

func work(t testing.TB, plan string, readings []string, steps int) session.Snapshot {
	t.Helper()
	file := "../../../testdata/plans/" + plan + ".toml"
	planText, err := os.ReadFile(file)
	require.NoError(t, err)
	if steps == 0 {
		readings, steps = []string{strings.SplitAfter(readings[0], "\n")[0]}, 1
	}
	rows := "step,place,value,unit,instrument\n" + strings.Join(readings[:steps], "")
	s, err := session.Work(file, planText, "readings.csv", strings.NewReader(rows))
	require.NoError(t, err)
	s.Bench, s.Software = "bench-1", "test"
	return s
}

func TestMetricsBesideThePage(t *testing.T) {
	s, err := New(Config{Listen: "127.0.0.1:0", Mailbox: newBench().subscribe, Metrics: func() []byte { return []byte("live 1\n") }})
	require.NoError(t, err)
	get := func(host string) *httptest.ResponseRecorder {
		w, r := httptest.NewRecorder(), httptest.NewRequest(http.MethodGet, "/metrics", nil)
		r.Host = host
		s.Handler().ServeHTTP(w, r)
		return w
	}
	w := get("localhost")
	require.Equal(t, http.StatusOK, w.Code)
	require.Equal(t, "live 1\n", w.Body.String())
	require.Equal(t, "text/plain; version=0.0.4; charset=utf-8", w.Header().Get("Content-Type"))
	require.Equal(t, http.StatusMisdirectedRequest, get("elsewhere.example").Code)
	s.cfg.Metrics = nil
	require.Equal(t, http.StatusNotFound, get("localhost").Code)
}

// A bench that never rests is shown all the same.
func TestABurstIsShownWhileItLasts(t *testing.T) {
	bench := newBench(bottomEnd(t, 0))
	s := start(t, bench, time.Hour)
	page := look(t, s)
	first := page.snapshot().Snapshot.Seq
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	go func() {
		for v := bottomEnd(t, 0); ctx.Err() == nil; v.Seq++ {
			bench.put(v)
		}
	}()
	for range 3 {
		assert.Greater(t, page.snapshot().Snapshot.Seq, first-1)
	}
}
