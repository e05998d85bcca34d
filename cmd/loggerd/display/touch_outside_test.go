//go:build outside

package display

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/cmd/loggerd/operators"
	"shimwright/session"
	"shimwright/session/wording"
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

	operators []operators.Operator
	protect   []session.Verb
	languages wording.Languages
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
	for _, kind := range []session.Kind{session.Caliper, session.DepthGauge, session.Micrometer, session.Feeler, session.TorqueWrench} {
		p := session.UsualProfile(kind)
		p.Name = strings.ReplaceAll(string(kind), " ", "-")
		profiles = append(profiles, p)
	}
	bench, err := session.NewBench(session.Config{
		Name: "bench-1", Software: "test", Profiles: profiles, Method: calc.NewMethod(), Clock: wallClock{time.Now()}, Log: &s.log,
	}, s.log.replay)
	require.NoError(s.t, err)
	gate := operators.NewGate(bench.Submit, s.operators, s.protect, wallClock{time.Now()})
	page, err := New(Config{
		Listen: s.at, Mailbox: bench.Subscribe, Heartbeat: time.Second, Desk: bench.Desk, Languages: s.languages, Plans: func() ([]Plan, error) { return examplePlans(s.t), nil },
		Do: func(ctx context.Context, c session.Command) (session.Receipt, error) { return gate.Submit(ctx, c) },
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
	for file, text := range map[string]string{"kinds.toml": kindsPlan, "asks.toml": asksPlan} {
		plan, err := session.ReadPlan(file, []byte(text))
		require.NoError(t, err)
		all = append(all, Plan{File: file, Title: plan.Title, Steps: len(plan.Steps), Text: text, Asks: session.Questions([]byte(text))})
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

// pair pairs the page by touch.
func (p *page) pair(s *shop, name string) {
	p.T.Helper()
	v, err := s.serve.Invite(name)
	require.NoError(p.T, err)
	p.Pair(v.Code, "Mo")
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
	p.Wait(`event && document.body.dataset.mode === "idle"`)
	assert.Equal(t, "0", p.Text(`[...document.querySelectorAll("[data-when]")].filter((e) => e.checkVisibility()).length`), "without pairing it only looks")
	p.Tap("#menu", "")
	p.Tap("#d-menu button", "Pair this page")
	p.Tap("#d-pair [name=operator]", "")
	p.Typed("Mo")
	p.Tap("#d-pair [name=code]", "")
	p.Keys("123456")
	p.Tap("#d-pair .go", "Pair")
	p.Wait(`document.querySelector("#d-pair .refused").innerText.includes("No code is waiting to be typed here. Make a new one with logctl pair.")`)

	v, err := s.serve.Invite("tablet")
	require.NoError(t, err)
	wrong := fmt.Sprintf("%06d", (atoi(v.Code)+1)%1_000_000)
	p.Keys(wrong)
	p.Tap("#d-pair .go", "Pair")
	p.Wait(`document.querySelector("#d-pair .refused").innerText.includes("That is not the code. Type the six digits that logctl pair printed; 4 tries are left.")`)
	p.shot("pair-refused")
	p.Keys(v.Code)
	p.Tap("#d-pair .go", "Pair")
	p.Settled()
	assert.Equal(t, "tablet", s.pages())
	p.Wait(`!document.getElementById("acts").hidden`)

	// It lives over a new load of the page, and over a restart of the daemon.
	p.Run(chromedp.Reload())
	p.Wait(`event && !document.getElementById("acts").hidden`)
	s.shut()
	p.Wait(`document.body.classList.contains("blank")`)
	s.open()
	p.Wait(`!document.body.classList.contains("blank") && !document.getElementById("acts").hidden`)
	p.Tap("#acts button", "Begin a job")
	p.Wait(`document.querySelector("#d-begin[open] [name=plan]")`)
	p.Tap("#d-begin .cancel", "")

	// Revoked, it can only look at once, and its token is worth nothing.
	token := p.Text("token")
	s.do(session.Command{Do: session.Unpair, Page: "tablet"})
	p.Wait(`document.getElementById("acts").hidden && token === "" && document.getElementById("flash").innerText.includes("may only look")`)
	assert.Equal(t, "null", p.Text(`localStorage.getItem("token")`))
	p.Text(fmt.Sprintf(`void (token = %q, pageName = "tablet", fresh = true, give({ do: "begin", plan_file: "pump-bottom-end.toml" }, null, ""))`, token))
	p.Wait(`document.querySelector("#d-told[open]") && document.getElementById("d-told-h").innerText.includes("it is not paired, or not any more")`)
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
	p.Tap("#menu", "")
	p.Tap("#d-menu button", "Let this page only look")
	p.Wait(`document.getElementById("acts").hidden && token === ""`)
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
	p.Tap("#acts button", "Begin a job")
	p.Wait(`document.querySelectorAll("#d-begin[open] [name=plan]").length === 5`)
	p.shot("touch-begin")
	p.Tap("#d-begin .plans label", "Water-pump engine, bottom end, 8 steps")
	p.Tap("#d-begin [name=reference]", "")
	p.Typed("pump 12")
	p.Tap("#d-begin .go", "Begin")
	p.Wait(`document.querySelector("#d-told[open]")`)
	p.shot("touch-told")
	p.Tap("#d-told .cancel", "")
	p.Settled()
	v := s.bench.Snapshot()
	require.Equal(t, "pump 12", v.Job.Reference)
	require.Equal(t, "Mo", v.Job.Operator)

	p.Tap("#acts button", "Next")
	p.Wait(`document.querySelector("#d-told[open]").innerText.includes("This place has 0 of the 2 repeats it needs.")`)
	p.shot("touch-refused")
	p.Tap("#d-told .cancel", "")
	p.Enter("0.00", "depth-gauge")
	p.Wait(`document.querySelector("#last-verdict b").innerText === "wrong instrument"`)
	for i, value := range bottomEndTyped {
		if i == 2 {
			p.mishaps(s)
		}
		p.Enter(value, "")
	}
	require.Equal(t, "check-gap", s.bench.Snapshot().Step.Name)
	p.shot("touch-check-gap")
	p.Tap("#acts button", "Type a value")
	p.Wait(`document.querySelector("#d-value[open] .pair:not([hidden])")`)
	p.Keys("0.35")
	p.Tap("#d-value [name=stops]", "")
	p.Keys("0.30")
	p.Tap("#d-value .go", "")
	p.Wait(`document.querySelector("#d-value .refused").innerText.includes("A blade of 0.35 cannot pass where one of 0.30 does not.")`)
	p.shot("touch-feeler-refused")
	p.Tap("#d-value .cancel", "")
	p.Enter("0.30/0.35", "")
	p.Wait(`document.body.dataset.mode === "advice"`)
	p.shot("touch-advice")
	require.Equal(t, session.Final, s.bench.Snapshot().Advice[0].State)

	p.Tap("#acts button", "What is fitted")
	p.shot("touch-fitted")
	p.Tap("#d-fitted .go", "")
	p.Settled()
	require.Contains(t, s.kinds(), "fitted")
	p.Tap("#acts button", "End the job")
	p.shot("touch-end")
	p.Tap("#d-end .go", "")
	p.Wait(`document.getElementById("job").innerText.endsWith("ended")`)
	p.Settled()
	require.True(t, s.bench.Snapshot().Job.Ended)
	for _, e := range s.log.entries {
		if e.Kind() == "reading" || e.Kind() == "end" || e.Kind() == "strike out" {
			assert.Equal(t, session.FromPage, e.Door, e.Kind())
			assert.Equal(t, "Mo", e.Operator, e.Kind())
		}
	}
	p.Quiet("status of 409") // the refusals
}

// mishaps does, after the first step, what a job needs now and then.
func (p *page) mishaps(s *shop) {
	p.T.Helper()
	first := s.lastReading()
	p.Tap("#acts button", "Strike out last")
	p.shot("touch-strike")
	p.Tap("#d-strike .go", "")
	p.Wait(`document.querySelector("#d-strike .refused").innerText.includes("Striking out needs a reason. Say in a few words why the reading does not count.")`)
	p.Tap("#d-strike label", "dirt or a burr")
	p.Tap("#d-strike .go", "")
	p.Settled()
	require.Equal(p.T, "dirt or a burr", s.reading(first).Struck)
	p.Tap("#readings button", fmt.Sprintf("Restore reading %d", first))
	p.Wait(fmt.Sprintf(`event.words.readings.find((w) => w.seq === %d).mark === "good"`, first))
	p.Settled()
	p.Tap("#readings button", fmt.Sprintf("Strike out reading %d", first))
	p.Tap("#d-strike [name=other]", "")
	p.Typed("a hair on the jaw")
	p.Tap("#d-strike .go", "")
	p.Settled()
	require.Equal(p.T, "a hair on the jaw", s.reading(first).Struck)
	p.Tap("#readings button", fmt.Sprintf("Restore reading %d", first))
	p.Wait(fmt.Sprintf(`event.words.readings.find((w) => w.seq === %d).mark === "good"`, first))
	p.Settled()

	p.Tap("#menu", "")
	p.shot("touch-menu")
	p.Tap("#d-menu button", "Note a temperature")
	p.Wait(`document.querySelector("#d-temperature[open] [name=of]")`)
	p.Keys("21.5")
	p.shot("touch-temperature")
	p.Tap("#d-temperature .go", "")
	p.Settled()
	p.Tap("#menu", "")
	p.Tap("#d-menu button", "Note a check of an instrument")
	p.Wait(`document.querySelector("#d-check[open] [name=use]")`)
	p.Tap("#d-check .tools label", "micrometer")
	p.Tap("#d-check [name=value]", "")
	p.Keys("-0.001")
	p.shot("touch-check")
	p.Tap("#d-check .go", "")
	p.Settled()

	p.Tap("#acts button", "Back")
	p.Settled()
	p.Wait(`event.snapshot.step.number === 1`)
	p.Tap("#acts button", "Next")
	p.Settled()
	p.Wait(`event.snapshot.step.number === 2`)
	p.Tap("#menu", "")
	p.Tap("#d-menu button", "Choose step and place")
	p.shot("touch-place")
	p.Tap("#d-place li:nth-child(2) button", "")
	p.Settled()
	require.Equal(p.T, 2, s.bench.Snapshot().Step.Number)
	require.Subset(p.T, s.kinds(), []string{"temperature", "check", "move", "strike out", "restore"})
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

// kindsPlan has a step of each kind that is not measured with a length.
const kindsPlan = `plan = "kinds"
title = "Close the case"
[[step]]
name = "heat"
kind = "wait"
title = "Heat the pump half"
seconds = 2
caution = "Hot metal: gloves."
[[step]]
name = "cool"
kind = "wait"
title = "Let it cool"
minutes = "20"
[[step]]
name = "screws"
kind = "torque"
title = "Screws of the case"
where = "Crosswise, from the middle"
order = ["c", "a", "b", "d"]
passes = ["5", "9"]
tolerance = "0.5"
screw = [{ name = "a" }, { name = "b" }, { name = "c" }, { name = "d" }]
[[step]]
name = "free"
kind = "confirm"
title = "The crank turns free"
[[step]]
name = "oil"
kind = "confirm"
title = "Oil is in"
`

// Waits, screws and words by touch, and a job that is put aside and taken up.
func TestStepsOfOtherKindsByTouch(t *testing.T) {
	s := openShop(t)
	p := s.page()
	p.size(390, 844, true)
	p.pair(s, "phone")
	p.Tap("#acts button", "Begin a job")
	p.Tap("#d-begin .plans label", "Close the case, 5 steps")
	p.Tap("#d-begin .go", "")
	p.Wait(`event.snapshot.step`)
	if p.Text(`!!document.querySelector("#d-told[open]")`) == "true" {
		p.Tap("#d-told .cancel", "")
	}
	p.Settled()
	p.Wait(`byId("goal").innerText === "0:02 to wait"`)
	p.shot("kinds-wait")
	p.Tap("#acts button", "Start the time")
	p.Wait(`byId("goal").innerText === "The time has passed"`)
	p.Settled()
	p.Tap("#acts button", "Go on")
	p.Wait(`event.snapshot.step.step === "cool"`)
	p.Settled()
	p.Tap("#acts button", "Start the time")
	p.Wait(`/^(20:00|19:5\d) left$/.test(byId("goal").innerText)`)
	p.Settled()
	p.Tap("#acts button", "Go on")
	p.Tap("#d-short [name=note]", "")
	p.Typed("a fan was on it")
	p.Tap("#d-short .go", "")
	p.Settled()
	p.Wait(`event.snapshot.step.step === "screws" && document.querySelectorAll("#places li").length === 2 && byId("goal").innerText === "c to 5 N·m"`)
	for _, size := range screens {
		p.size(size[0], size[1], false)
		p.noOverflow("screws")
		p.contrast("screws")
		p.shot(fmt.Sprintf("kinds-screws-%d", size[0]))
	}
	p.size(390, 844, true)
	for _, torque := range []string{"5.0", "5.1", "5.0", "4.9", "9.0", "9.1", "9.0"} {
		p.Enter(torque, "")
	}
	p.Wait(`document.getElementById("last-unit").innerText === "N·m" && byId("last-value").innerText === "9.0"`)
	p.Tap("#acts button", "Not done")
	p.Tap("#d-not label", "right as it is")
	p.Tap("#d-not [name=note]", "")
	p.Typed("the wrench clicked")
	p.shot("kinds-not")
	p.Tap("#d-not .go", "")
	p.Settled()
	p.Wait(`event.snapshot.step.step === "free"`)
	p.Tap("#acts button", "Done")
	p.Wait(`event.snapshot.step.step === "oil"`)
	p.Settled()

	p.Tap("#menu", "")
	p.Tap("#d-menu button", "Put the job aside")
	p.Tap("#d-aside [name=note]", "")
	p.Typed("oil is on order")
	p.Tap("#d-aside .go", "")
	p.Wait(`!event.snapshot.job`)
	p.Settled()
	p.Tap("#menu", "")
	p.Tap("#d-menu button", "Take up a job that waits")
	p.shot("kinds-resume")
	p.Tap("#d-resume .go", "")
	p.Wait(`event.snapshot.job && event.snapshot.step.step === "oil"`)
	p.Settled()
	p.Tap("#acts button", "Not done")
	p.Tap("#d-not label", "not applicable here")
	p.Tap("#d-not [name=note]", "")
	p.Typed("it is dry")
	p.Tap("#d-not .go", "")
	p.Wait(`!event.snapshot.step`)
	p.Settled()

	p.Tap("#menu", "")
	p.Tap("#d-menu button", "Count shims on hand")
	p.Typed("crank-28")
	p.Tap("#d-stock [name=size]", "")
	p.Keys("0.15")
	p.Tap("#d-stock [name=count]", "")
	p.Keys("12")
	p.Tap("#d-stock .go", "")
	p.Settled()
	require.Equal(t, "crank-28", s.bench.Snapshot().Stocks[0].Name)
	p.Quiet("status of 409")
}

// Commands that take a PIN ask for it, and the page keeps it nowhere.
func TestPINOnThePage(t *testing.T) {
	s := &shop{t: t, at: "127.0.0.1:0", protect: []session.Verb{session.Begin}}
	pin, err := operators.HashPIN("4711")
	require.NoError(t, err)
	s.operators = []operators.Operator{{Name: "Mo", PIN: pin}}
	s.open()
	t.Cleanup(func() { s.shut() })
	p := s.page()
	p.size(800, 1280, false)
	p.pair(s, "tablet")
	p.Tap("#acts button", "Begin a job")
	p.Tap("#d-begin .plans label", "Close the case, 5 steps")
	p.Tap("#d-begin .go", "")
	p.Wait(`document.querySelector("#d-pin[open]")`)
	p.Keys("1234")
	p.Tap("#d-pin .go", "")
	p.Wait(`document.querySelector("#d-pin[open] .refused").innerText.includes("That is not the PIN of Mo. Try again.")`)
	p.shot("pin")
	p.axe("pin")
	p.Keys("4711")
	p.Tap("#d-pin .go", "")
	p.Wait(`event.snapshot.job`)
	require.NotContains(t, p.Text(`JSON.stringify(localStorage) + document.documentElement.outerHTML + [...document.querySelectorAll("input")].map((i) => i.value)`), "4711")
}

// asksPlan asks before it can be used, and compares two cranks.
const asksPlan = `plan = "asks"
title = "Which crank"
cautions = ["This engine is called {engine}, of {metal}."]
[[ask]]
name = "engine"
question = "What engine is it"
example = "old mill pump"
[[ask]]
name = "metal"
question = "What is it made of"
example = "aluminium"
choices = ["aluminium: 23", "steel: 11.5"]
[[choice]]
name = "crank"
title = "Crank to keep"
candidates = ["old", "spare"]
prefer = "width"
[[step]]
name = "width"
title = "Width over the seats"
for = "crank"
instrument = "caliper"
range = ["9.50", "10.50"]
least = "9.90"
most = "10.10"
[[step]]
name = "choose-crank"
kind = "compare"
title = "Crank to keep"
for = "crank"
`

func TestAPlanThatAsksAndAChoiceByTouch(t *testing.T) {
	s := openShop(t)
	p := s.page()
	p.size(800, 1280, false)
	p.pair(s, "tablet")
	p.Tap("#acts button", "Begin a job")
	p.Tap("#d-begin .plans label", "Which crank, 3 steps")
	p.Tap("#d-begin .asks input", "")
	p.Typed("the mill's pump")
	p.Tap("#d-begin .go", "")
	p.Wait(`document.querySelector("#d-begin[open]")`)
	p.Tap("#d-begin .asks label", "steel")
	p.shot("asks")
	p.axe("asks")
	p.contrast("asks")
	p.large("asks")
	p.Tap("#d-begin .go", "")
	p.Wait(`event.snapshot.step && !document.body.classList.contains("busy")`)
	require.Equal(t, []string{"This engine is called the mill's pump, of 11.5."}, s.bench.Snapshot().Job.Cautions)
	if p.Text(`!!document.querySelector("#d-told[open]")`) == "true" {
		p.Tap("#d-told .cancel", "")
	}
	for _, value := range []string{"10.40", "10.40", "10.40", "10.02", "10.02"} {
		if s.bench.Snapshot().Step.Name == "width-old" || strings.HasPrefix(value, "10.02") {
			p.Enter(value, "")
		}
	}
	p.Wait(`event.snapshot.step.kind === "compare"`)
	p.Tap("#acts button", "Choose one")
	p.Wait(`document.querySelector("#d-choose [value=spare]").checked`)
	p.Tap("#d-choose label:has([value=old])", "")
	p.Tap("#d-choose .go", "")
	p.Wait(`document.querySelector("#d-choose .refused").innerText.includes("does not keep its limits")`)
	p.shot("choose")
	p.axe("choose")
	p.Tap("#d-choose label:has([value=spare])", "")
	p.Tap("#d-choose .go", "")
	p.Settled()
	p.Wait(`!event.snapshot.step`)
	require.Contains(t, s.kinds(), "choose")
	p.Quiet("status of 409")
}
