//go:build outside

package display

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/testdata/plans"
)

// keptLog keeps entries as a disk would.
type keptLog struct {
	mu      sync.Mutex
	entries []session.Entry
}

func (l *keptLog) Append(entries []session.Entry) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.entries = append(l.entries, entries...)
	return nil
}

func (l *keptLog) replay(yield func(session.Entry) error) error {
	for _, e := range l.entries {
		if err := yield(e); err != nil {
			return err
		}
	}
	return nil
}

type wallClock struct{ start time.Time }

func (c wallClock) Now() (time.Time, time.Duration) {
	now := time.Now()
	return now.UTC(), now.Sub(c.start)
}

// A shop is a whole bench with the page that commands it. It can be shut and opened
// again at the same address.
type shop struct {
	t     testing.TB
	log   keptLog
	bench *session.Bench
	serve *Server
	shut  func()
	at    string
}

func openShop(t testing.TB) *shop {
	t.Helper()
	s := &shop{t: t, at: "127.0.0.1:0"}
	s.open()
	t.Cleanup(func() { s.shut() })
	return s
}

func (s *shop) open() {
	s.t.Helper()
	var profiles []session.Profile
	for _, kind := range []session.Kind{session.Caliper, session.DepthGauge, session.Micrometer, session.Feeler} {
		p := session.UsualProfile(kind)
		p.Name = strings.ReplaceAll(string(kind), " ", "-")
		profiles = append(profiles, p)
	}
	bench, err := session.NewBench(session.Config{
		Name: "bench-1", Software: "test", Profiles: profiles, Method: calc.NewMethod(), Clock: wallClock{time.Now()}, Log: &s.log,
	}, s.log.replay)
	require.NoError(s.t, err)
	page, err := New(Config{
		Listen: s.at, Mailbox: bench.Subscribe, Heartbeat: time.Second, Desk: bench.Desk, Plans: func() ([]Plan, error) { return examplePlans(s.t), nil },
		Do: func(ctx context.Context, c session.Command) (session.Receipt, error) { return bench.Submit(ctx, c) },
	})
	require.NoError(s.t, err)
	require.NoError(s.t, page.Listen())
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 2)
	go func() { ended <- bench.Run(ctx) }()
	go func() { ended <- page.Serve(ctx) }()
	s.bench, s.serve, s.at = bench, page, page.Addr()
	s.shut = sync.OnceFunc(func() {
		stop()
		assert.NoError(s.t, <-ended)
		assert.NoError(s.t, <-ended)
	})
}

func examplePlans(t testing.TB) []Plan {
	var all []Plan
	for _, name := range []string{"pump-bottom-end.toml", "pump-gearbox-shaft.toml"} {
		text, err := plans.Files.ReadFile(name)
		require.NoError(t, err)
		plan, err := session.ReadPlan(name, text)
		require.NoError(t, err)
		all = append(all, Plan{File: name, Title: plan.Title, Steps: len(plan.Steps), Text: string(text)})
	}
	return append(all, Plan{File: "bad.toml", Title: "bad.toml", Problem: "It has a mistake."})
}

// page opens the shop's page in a browser of its own.
func (s *shop) page() *page {
	s.t.Helper()
	return openAt(s.t, nil, "http://"+s.at+"/")
}

// do gives the bench a command from elsewhere.
func (s *shop) do(c session.Command) session.Receipt {
	s.t.Helper()
	c.Door = session.FromTerminal
	r, err := s.bench.Submit(context.Background(), c)
	require.NoError(s.t, err)
	return r
}

// tap presses, with the pointer where a finger would come, the visible element that a
// selector finds, or of several the one with that text. Nothing may lie over it, and
// it must be as large as a glove needs.
func (p *page) tap(selector, text string) {
	p.t.Helper()
	find := fmt.Sprintf(`[...document.querySelectorAll(%q)].filter((e) => e.checkVisibility() && !e.disabled && (%q === "" || e.innerText.trim() === %q || e.getAttribute("aria-label") === %q))[0]`, selector, text, text, text)
	p.wait(find)
	box := p.text(`(() => { const e = ` + find + `; e.scrollIntoView({ block: "center", behavior: "instant" }); const b = e.getBoundingClientRect();
		const x = b.left + b.width / 2, y = b.top + b.height / 2, over = document.elementFromPoint(x, y);
		return [x, y, b.width, b.height, e === over || e.contains(over) || (over && over.contains(e) && over.tagName === "LABEL")].join(" "); })()`)
	var x, y, w, h float64
	var free bool
	_, err := fmt.Sscan(box, &x, &y, &w, &h, &free)
	require.NoError(p.t, err, box)
	require.True(p.t, free, "something lies over %s %q", selector, text)
	assert.GreaterOrEqual(p.t, h, 63.5, "%s %q", selector, text)
	assert.GreaterOrEqual(p.t, w, 63.5, "%s %q", selector, text)
	for _, e := range []input.DispatchMouseEventType{input.DispatchMouseEventTypeMousePressed, input.DispatchMouseEventTypeMouseReleased} {
		_, err := chromedp.Call(p.ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: e, X: x, Y: y, Button: "left", ClickCount: 1})
		require.NoError(p.t, err)
	}
}

// type_ types into the field that has the focus, as a keyboard does.
func (p *page) typed(text string) {
	p.t.Helper()
	_, err := chromedp.Call(p.ctx, input.InsertText, input.InsertTextParams{Text: text})
	require.NoError(p.t, err)
}

// keys presses keys of the open dialog's keypad.
func (p *page) keys(text string) {
	p.t.Helper()
	for _, key := range text {
		if key == '-' {
			key = '−'
		}
		p.tap("dialog[open] .keys button", string(key))
	}
}

// settled waits until no dialog is open.
func (p *page) settled() {
	p.t.Helper()
	p.wait(`!document.querySelector("dialog[open]") && !document.body.classList.contains("busy")`)
}

// pair pairs the page by touch.
func (p *page) pair(s *shop, name string) {
	p.t.Helper()
	v, err := s.serve.Invite(name)
	require.NoError(p.t, err)
	p.wait(`event && event.touch`)
	p.tap("#menu", "")
	p.tap("#d-menu button", "Pair this page")
	p.keys(v.Code)
	p.tap("#d-pair [name=operator]", "")
	p.typed("Mo")
	p.tap("#d-pair .go", "Pair")
	p.settled()
}

// enter types a value by the keypad and waits until it is recorded.
func (p *page) enter(value, instrument string) {
	p.t.Helper()
	p.tap("#acts button", "Type a value")
	p.wait(`document.querySelector("#d-value[open] [name=instrument]")`)
	if instrument != "" {
		p.tap("#d-value summary", "")
		p.tap("#d-value .others label", instrument)
	}
	if passes, stops, pair := strings.Cut(value, "/"); pair {
		p.tap("#d-value [name=passes]", "")
		p.keys(passes)
		p.tap("#d-value [name=stops]", "")
		p.keys(stops)
	} else {
		p.keys(value)
	}
	p.tap("#d-value .go", "")
	p.settled()
}

func (s *shop) pages() string {
	var names []string
	for _, p := range s.bench.Desk().Pages {
		names = append(names, p.Page)
	}
	return strings.Join(names, " ")
}

func TestPairing(t *testing.T) {
	s := openShop(t)
	p := s.page()
	p.size(800, 1280, false)
	p.wait(`event && document.body.dataset.mode === "idle"`)
	assert.Equal(t, "0", p.text(`[...document.querySelectorAll("[data-when]")].filter((e) => e.checkVisibility()).length`), "without pairing it only looks")
	p.tap("#menu", "")
	p.tap("#d-menu button", "Pair this page")
	p.tap("#d-pair [name=operator]", "")
	p.typed("Mo")
	p.tap("#d-pair [name=code]", "")
	p.keys("123456")
	p.tap("#d-pair .go", "Pair")
	p.wait(`document.querySelector("#d-pair .refused").innerText.includes("No code is waiting to be typed here. Make a new one with logctl pair.")`)

	v, err := s.serve.Invite("tablet")
	require.NoError(t, err)
	wrong := fmt.Sprintf("%06d", (atoi(v.Code)+1)%1_000_000)
	p.keys(wrong)
	p.tap("#d-pair .go", "Pair")
	p.wait(`document.querySelector("#d-pair .refused").innerText.includes("That is not the code. Type the six digits that logctl pair printed; 4 tries are left.")`)
	p.shot("pair-refused")
	p.keys(v.Code)
	p.tap("#d-pair .go", "Pair")
	p.settled()
	assert.Equal(t, "tablet", s.pages())
	p.wait(`!document.getElementById("acts").hidden`)

	// It lives over a new load of the page, and over a restart of the daemon.
	p.run(chromedp.Reload())
	p.wait(`event && !document.getElementById("acts").hidden`)
	s.shut()
	p.wait(`document.body.classList.contains("blank")`)
	s.open()
	p.wait(`!document.body.classList.contains("blank") && !document.getElementById("acts").hidden`)
	p.tap("#acts button", "Begin a job")
	p.wait(`document.querySelector("#d-begin[open] [name=plan]")`)
	p.tap("#d-begin .cancel", "")

	// Revoked, it can only look at once, and its token is worth nothing.
	token := p.text("token")
	s.do(session.Command{Do: session.Unpair, Page: "tablet"})
	p.wait(`document.getElementById("acts").hidden && token === "" && document.getElementById("flash").innerText.includes("may only look")`)
	assert.Equal(t, "null", p.text(`localStorage.getItem("token")`))
	p.text(fmt.Sprintf(`void (token = %q, pageName = "tablet", fresh = true, give({ do: "begin", plan_file: "pump-bottom-end.toml" }, null, ""))`, token))
	p.wait(`document.querySelector("#d-told[open]") && document.getElementById("d-told-h").innerText.includes("it is not paired, or not any more")`)
	assert.Nil(t, s.bench.Snapshot().Job)
}

func atoi(text string) (n int) {
	_, _ = fmt.Sscan(strings.TrimLeft(text, "0"), &n)
	return n
}

// A page forgets its own pairing, and the bench with it.
func TestAPageGivesItsPairingBack(t *testing.T) {
	s := openShop(t)
	p := s.page()
	p.pair(s, "phone")
	p.tap("#menu", "")
	p.tap("#d-menu button", "Let this page only look")
	p.wait(`document.getElementById("acts").hidden && token === ""`)
	assert.Empty(t, s.pages())
}

// bottomEndTyped is the whole job of the bottom end, as typed at each step.
var bottomEndTyped = []string{
	"0.00", "0.00", "0.00", "0.00", "52.56", "52.56", "52.57", "52.57", "10.00", "10.00", "37.44", "37.44", "37.45", "37.45",
	"25.36", "25.36", "25.37", "25.37", "0.345", "0.345", "0.347", "0.347",
}

// A whole job with nothing but the page, and the things that go wrong in it.
func TestAWholeJobByTouchAlone(t *testing.T) {
	s := openShop(t)
	p := s.page()
	p.size(800, 1280, false)
	p.pair(s, "tablet")
	p.shot("touch-idle")
	p.tap("#acts button", "Begin a job")
	p.wait(`document.querySelectorAll("#d-begin[open] [name=plan]").length === 3`)
	p.shot("touch-begin")
	p.tap("#d-begin .plans label", "Water-pump engine, bottom end, 8 steps")
	p.tap("#d-begin [name=reference]", "")
	p.typed("pump 12")
	p.tap("#d-begin .go", "Begin")
	p.wait(`document.querySelector("#d-told[open]")`)
	p.shot("touch-told")
	p.tap("#d-told .cancel", "")
	p.settled()
	v := s.bench.Snapshot()
	require.Equal(t, "pump 12", v.Job.Reference)
	require.Equal(t, "Mo", v.Job.Operator)

	p.tap("#acts button", "Next")
	p.wait(`document.querySelector("#d-told[open]").innerText.includes("This place has 0 of the 2 repeats it needs.")`)
	p.shot("touch-refused")
	p.tap("#d-told .cancel", "")
	p.enter("0.00", "depth-gauge")
	p.wait(`document.querySelector("#last-verdict b").innerText === "wrong instrument"`)
	for i, value := range bottomEndTyped {
		if i == 2 {
			p.mishaps(s)
		}
		p.enter(value, "")
	}
	require.Equal(t, "check-gap", s.bench.Snapshot().Step.Name)
	p.shot("touch-check-gap")
	p.tap("#acts button", "Type a value")
	p.wait(`document.querySelector("#d-value[open] .pair:not([hidden])")`)
	p.keys("0.35")
	p.tap("#d-value [name=stops]", "")
	p.keys("0.30")
	p.tap("#d-value .go", "")
	p.wait(`document.querySelector("#d-value .refused").innerText.includes("A blade of 0.35 cannot pass where one of 0.30 does not.")`)
	p.shot("touch-feeler-refused")
	p.tap("#d-value .cancel", "")
	p.enter("0.30/0.35", "")
	p.wait(`document.body.dataset.mode === "advice"`)
	p.shot("touch-advice")
	require.Equal(t, session.Final, s.bench.Snapshot().Advice[0].State)

	p.tap("#acts button", "What is fitted")
	p.shot("touch-fitted")
	p.tap("#d-fitted .go", "")
	p.settled()
	require.Contains(t, s.kinds(), "fitted")
	p.tap("#acts button", "End the job")
	p.shot("touch-end")
	p.tap("#d-end .go", "")
	p.wait(`document.getElementById("job").innerText.endsWith("ended")`)
	p.settled()
	require.True(t, s.bench.Snapshot().Job.Ended)
	for _, e := range s.log.entries {
		if e.Kind() == "reading" || e.Kind() == "end" || e.Kind() == "strike out" {
			assert.Equal(t, session.FromPage, e.Door, e.Kind())
			assert.Equal(t, "Mo", e.Operator, e.Kind())
		}
	}
	p.quiet("status of 409") // the refusals
}

// mishaps does, after the first step, what a job needs now and then.
func (p *page) mishaps(s *shop) {
	p.t.Helper()
	first := s.lastReading()
	p.tap("#acts button", "Strike out last")
	p.shot("touch-strike")
	p.tap("#d-strike .go", "")
	p.wait(`document.querySelector("#d-strike .refused").innerText.includes("Striking out needs a reason. Say in a few words why the reading does not count.")`)
	p.tap("#d-strike label", "dirt or a burr")
	p.tap("#d-strike .go", "")
	p.settled()
	require.Equal(p.t, "dirt or a burr", s.reading(first).Struck)
	p.tap("#readings button", fmt.Sprintf("Restore reading %d", first))
	p.wait(fmt.Sprintf(`event.words.readings.find((w) => w.seq === %d).mark === "good"`, first))
	p.settled()
	p.tap("#readings button", fmt.Sprintf("Strike out reading %d", first))
	p.tap("#d-strike [name=other]", "")
	p.typed("a hair on the jaw")
	p.tap("#d-strike .go", "")
	p.settled()
	require.Equal(p.t, "a hair on the jaw", s.reading(first).Struck)
	p.tap("#readings button", fmt.Sprintf("Restore reading %d", first))
	p.wait(fmt.Sprintf(`event.words.readings.find((w) => w.seq === %d).mark === "good"`, first))
	p.settled()

	p.tap("#menu", "")
	p.shot("touch-menu")
	p.tap("#d-menu button", "Note a temperature")
	p.wait(`document.querySelector("#d-temperature[open] [name=of]")`)
	p.keys("21.5")
	p.shot("touch-temperature")
	p.tap("#d-temperature .go", "")
	p.settled()
	p.tap("#menu", "")
	p.tap("#d-menu button", "Note a check of an instrument")
	p.wait(`document.querySelector("#d-check[open] [name=use]")`)
	p.tap("#d-check .tools label", "micrometer")
	p.tap("#d-check [name=value]", "")
	p.keys("-0.001")
	p.shot("touch-check")
	p.tap("#d-check .go", "")
	p.settled()

	p.tap("#acts button", "Back")
	p.settled()
	p.wait(`event.snapshot.step.number === 1`)
	p.tap("#acts button", "Next")
	p.settled()
	p.wait(`event.snapshot.step.number === 2`)
	p.tap("#menu", "")
	p.tap("#d-menu button", "Choose step and place")
	p.shot("touch-place")
	p.tap("#d-place li:nth-child(2) button", "")
	p.settled()
	require.Equal(p.t, 2, s.bench.Snapshot().Step.Number)
	require.Subset(p.t, s.kinds(), []string{"temperature", "check", "move", "strike out", "restore"})
}

func (s *shop) kinds() []string {
	s.log.mu.Lock()
	defer s.log.mu.Unlock()
	var kinds []string
	for _, e := range s.log.entries {
		kinds = append(kinds, e.Kind())
	}
	return kinds
}

func (s *shop) lastReading() int64 {
	all := s.bench.Snapshot().Readings
	return all[len(all)-1].Seq
}

func (s *shop) reading(seq int64) session.ReadingView {
	for _, r := range s.bench.Snapshot().Readings {
		if r.Seq == seq {
			return r
		}
	}
	return session.ReadingView{}
}
