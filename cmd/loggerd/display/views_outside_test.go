//go:build outside

package display

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// look over a view at every size: no overflow, contrast, targets, no violation.
func (p *page) lookOver(name string) {
	p.T.Helper()
	for i, screen := range screens {
		p.size(screen[0], screen[1], i%2 == 1)
		what := fmt.Sprintf("%s-%dx%d", name, screen[0], screen[1])
		p.noOverflow(what)
		p.contrast(what)
		p.large(what)
		if screen[0] != 3840 {
			p.shot(what)
		}
	}
	p.axe(name)
}

func TestTheStoryView(t *testing.T) {
	bench := newBench(bottomEnd(t, 0))
	p := openAt(t, bench, "http://"+start(t, bench, time.Second).Addr()+"/story")
	for i, v := range []session.Snapshot{{Schema: 1, Bench: "bench-1", Software: "test", Recording: session.Recording{OK: true}}, storied(t), hostileJob(t, 6)} {
		v.Seq, v.Software = int64(50_000+i), "test"
		bench.put(v)
		p.Wait([]string{`event && event.job.length === 1`, `event && event.rows.length > 20 && event.job[1].startsWith("Water")`, `event && event.job[1].startsWith("<img")`}[i])
		p.lookOver(fmt.Sprint("story-", i))
		if i == 1 {
			assert.Equal(t, "1", p.Text(`document.querySelectorAll("tbody .gone").length`))
			assert.Contains(t, p.Text(`document.getElementById("outcome").innerText`), "Fit 0.25 mm on the pump side")
			assert.Equal(t, "12", p.Text(`document.querySelectorAll(".strip img").length`))
			p.printed("story.pdf")
		}
	}
	assert.Equal(t, "undefined", p.Text("window.hurt"))
	p.Quiet()
}

// storied is a whole job, one reading of which was struck out.
func storied(t *testing.T) session.Snapshot {
	v := bottomEnd(t, 6)
	v.Readings = append([]session.ReadingView{}, v.Readings...)
	r := &v.Readings[5]
	r.Standing, r.Struck, r.Time = session.StruckOut, "a hair on the jaw", noon
	return v
}

// printed prints the page as PDF and wants paper of A4 and no button on it.
func (p *page) printed(name string) {
	p.T.Helper()
	got, err := chromedp.Call(p.Ctx, cdppage.PrintToPDF, cdppage.PrintToPDFParams{PreferCSSPageSize: ptr(true)})
	require.NoError(p.T, err)
	assert.NotEmpty(p.T, got.Data)
	if dir := os.Getenv("SHIMWRIGHT_SHOTS"); dir != "" {
		require.NoError(p.T, os.WriteFile(filepath.Join(dir, name), got.Data, 0o644))
	}
}

// The story is blanked like any other view.
func TestTheStoryIsBlankedWhenTheBenchIsGone(t *testing.T) {
	s := openShop(t)
	s.do(session.Command{Do: session.Begin, Plan: examplePlans(t)[0].Text})
	s.do(session.Command{Do: session.Enter, Instrument: "caliper", Value: "0.01"})
	p := openAt(t, nil, "http://"+s.at+"/story")
	p.Wait(`document.querySelector("tbody b")?.textContent === "0.01 mm"`)
	s.shut()
	p.Wait(`document.body.classList.contains("blank") && document.querySelector("tbody b").textContent === "–" && !document.querySelector(".strip img")`)
	s.open()
	p.Wait(`document.querySelector("tbody b").textContent === "0.01 mm"`)
}

func TestTheWallView(t *testing.T) {
	walls := make(chan []WallBench, 1)
	bench := newBench(bottomEnd(t, 0))
	s, err := New(Config{Listen: "127.0.0.1:0", Mailbox: bench.subscribe, Heartbeat: time.Second, Software: "test", Wall: func() (<-chan []WallBench, func()) { return walls, func() {} }})
	require.NoError(t, err)
	require.NoError(t, s.Listen())
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx) }()
	t.Cleanup(func() { stop(); assert.NoError(t, <-ended) })
	p := openAt(t, bench, "http://"+s.Addr()+"/wall")
	shown := func(v session.Snapshot, name string) WallBench {
		return WallBench{Name: name, Job: v.Job, Step: v.Step, Advice: v.Advice, Reading: &v.Readings[len(v.Readings)-1]}
	}
	bad := hostileJob(t, 5)
	for i, benches := range [][]WallBench{
		{shown(bottomEnd(t, 3), "bench-1"), shown(bottomEnd(t, 6), "bench-2"), {Name: "bench-3"}, shown(gearbox(t, 3), "bench-4"), {Name: "bench-5", Doubt: Doubt{Code: Silent, For: 15}}, shown(bottomEnd(t, 0), "bench-6")},
		{shown(bad, bad.Bench), {Name: "2" + bad.Bench, Doubt: Doubt{Code: NotRecording, Problem: bad.Bench}}},
	} {
		walls <- benches
		p.Wait(fmt.Sprintf(`event && document.querySelectorAll(".bench").length === %d`, len(benches)))
		p.lookOver(fmt.Sprint("wall-", i))
		if i == 0 {
			assert.Equal(t, "0.154 mm", p.Text(`[...document.querySelectorAll(".bench")][1].querySelector(".fit .value").textContent`))
			assert.Equal(t, "null", p.Text(`[...document.querySelectorAll(".bench")][4].querySelector(".value")`), "what is in doubt shows no number")
		}
	}
	assert.Equal(t, "undefined", p.Text("window.hurt"))
	p.Quiet()
}

// A tone goes with what is new, and none with what was there when the page came.
func TestTones(t *testing.T) {
	p := open(t, bottomEnd(t, 0))
	p.Wait(`event && document.body.dataset.mode === "measure"`)
	assert.Equal(t, "", p.Text("played.join()"))
	p.Wait(`byId("sound").checkVisibility() && byId("sound").innerText === "Tap for sound"`)
	next := bottomEnd(t, 0)
	next.Seq, next.Readings = next.Seq+1, append([]session.ReadingView{}, next.Readings...)
	r := next.Readings[0]
	r.Seq++
	next.Readings = append(next.Readings, r)
	p.show(next)
	p.Wait(`played.join() === "counted"`)
	refused := next
	refused.Seq++
	r.Seq++
	r.Ruling, r.Standing = session.WrongInstrument, ""
	refused.Readings = append(refused.Readings, r)
	p.show(refused)
	p.Wait(`played.join() === "counted,refused"`)
	closed := refused
	closed.Seq++
	closed.Job = ptr(*closed.Job)
	closed.Job.Steps = append([]session.StepView{}, closed.Job.Steps...)
	closed.Job.Steps[0].Closed = true
	p.show(closed)
	p.Wait(`played.join() === "counted,refused,closed"`)

	// The browser holds sound back until the page was tapped.
	p.Tap("#sound", "")
	p.Wait(`audio.state === "running" && !byId("sound").checkVisibility()`)
	// Muted it stays muted, also over a new load.
	p.Tap("#menu", "")
	p.Tap("#d-menu button", "Sound is on")
	p.Wait(`muted && document.querySelector("[data-do=mute]").innerText === "Sound is off"`)
	p.Tap("#d-menu .cancel", "")
	p.Run(chromedp.Reload())
	p.Wait(`event && muted && !byId("sound").checkVisibility()`)
}

func ptr[T any](v T) *T { return &v }
