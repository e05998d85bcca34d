//go:build outside

package display

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/display/browser"
	"shimwright/session"
	"shimwright/session/drawing"
	"shimwright/session/wording"
)

// These tests look at the page with a real browser. With SHIMWRIGHT_SHOTS=dir they
// leave pictures of the main states there.

var screens = [][2]int64{{1920, 1080}, {3840, 2160}, {800, 1280}, {390, 844}}

// A page is a browser that shows a bench.
type page struct {
	*browser.Page
	bench *fakeBench
}

// open loads the page of a bench that beats often.
func open(t testing.TB, v session.Snapshot) *page {
	t.Helper()
	return openIn(t, v, "")
}

// readers are who looks at what is looked over: in English and millimetres, and in the
// language with the longer words and the unit with the longer numbers.
var readers = map[string]string{"": "", "de-": "?language=de&unit=in"}

// openIn does so for a reader that the query of the address names.
func openIn(t testing.TB, v session.Snapshot, query string) *page {
	t.Helper()
	bench := newBench(v)
	return openAt(t, bench, "http://"+start(t, bench, time.Second).Addr()+"/"+query)
}

func openAt(t testing.TB, bench *fakeBench, address string) *page {
	t.Helper()
	return &page{browser.Open(t, address), bench}
}

// show puts a snapshot and waits until the page shows it.
func (p *page) show(v session.Snapshot) {
	p.T.Helper()
	p.bench.put(v)
	p.Wait(fmt.Sprintf("event && event.snapshot.seq === %d", v.Seq))
}

func (p *page) size(w, h int64, dark bool) {
	p.T.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	_, err := chromedp.Call(p.Ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: w, Height: h, DeviceScaleFactor: 1})
	require.NoError(p.T, err)
	_, err = chromedp.Call(p.Ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
	})
	require.NoError(p.T, err)
	// The page lays out anew when the browser tells it of its size, a frame later.
	p.Text(`(() => { window.laid = false; requestAnimationFrame(() => requestAnimationFrame(() => { window.laid = true; })); })()`)
	p.Wait("window.laid")
}

// shot leaves a picture of the screen, if they are wanted.
func (p *page) shot(name string) {
	p.T.Helper()
	dir := os.Getenv("SHIMWRIGHT_SHOTS")
	if dir == "" {
		return
	}
	p.Wait("[...document.images].every((i) => i.complete)")
	png, err := chromedp.Run(p.Ctx, chromedp.CaptureScreenshot())
	require.NoError(p.T, err)
	require.NoError(p.T, os.MkdirAll(dir, 0o755))
	require.NoError(p.T, os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644))
}

// noOverflow looks for anything that sticks out sideways.
func (p *page) noOverflow(what string) {
	p.T.Helper()
	out := p.Text(`[...document.querySelectorAll("body, body *")].filter((e) => !e.closest(".unseen, [hidden], template, svg, #pulse, thead")
		&& (e.getBoundingClientRect().right > innerWidth + 1 || e.getBoundingClientRect().left < -1)).map((e) => e.tagName + "." + e.id + "." + e.className).join(" ")
		+ (document.documentElement.scrollWidth > innerWidth ? " document " + document.documentElement.scrollWidth : "")`)
	assert.Empty(p.T, out, what)
}

func TestAPressChangesThePage(t *testing.T) {
	p := open(t, bottomEnd(t, 0))
	p.Wait(`document.body.dataset.mode === "measure"`)
	p.Wait(`document.querySelector("#pictures img").naturalWidth > 0`)
	assert.Equal(t, "Caliper, jaws closed", p.Text(`document.getElementById("title").textContent`))
	assert.Equal(t, "0.00", p.Text(`document.getElementById("last-value").textContent`))
	assert.Equal(t, "1", p.Text(`document.querySelectorAll("#places .active .full").length`))
	p.show(bottomEnd(t, 1))
	p.Wait(`document.getElementById("title").textContent === "Ground bar"`)
	assert.Equal(t, "counted", p.Text(`document.querySelector("#last-verdict b").textContent`))
	assert.Contains(t, p.Text(`document.getElementById("say").textContent`), "Step 4 of 8: Ground bar.")
	p.Quiet()
}

func TestTheEndOfTheJob(t *testing.T) {
	p := open(t, bottomEnd(t, 6))
	p.Wait(`document.querySelector(".pack b")`)
	assert.Equal(t, "0.25 mm|0.16 mm", p.Text(`[...document.querySelectorAll(".pack b")].map((e) => e.textContent).join("|")`))
	assert.Equal(t, "0.154", p.Text(`document.querySelector(".float").textContent`))
	assert.Contains(t, p.Text(`document.querySelector(".uncertainty").textContent`), "the risk that it is outside is")
	p.size(1920, 2000, false)
	p.shot("whole-page")
	p.size(390, 2600, false)
	p.shot("whole-page-phone")
	p.Quiet()
}

func TestNumbersAreBlankedWhenTheBenchHasAProblem(t *testing.T) {
	p := open(t, bottomEnd(t, 3))
	p.Wait(`event && !document.body.classList.contains("blank")`)
	v := bottomEnd(t, 3)
	v.Seq++
	v.Recording = session.Recording{Problem: "the disk is full"}
	p.show(v)
	p.blanked("the disk is full")

	v = bottomEnd(t, 3)
	v.Seq += 2
	v.Instruments = []session.InstrumentView{{Name: "depth-1", Kind: session.DepthGauge, Trigger: session.OnPress, Port: "/dev/x", State: session.PortLost}}
	p.show(v)
	p.blanked("depth-1 (depth gauge): lost; check plug and cable.")

	v.Seq++
	v.Instruments = []session.InstrumentView{{Name: "depth-1", Kind: session.DepthGauge, Trigger: session.OnPress, Port: "/dev/x", State: session.PortLive}}
	p.show(v)
	p.Wait(`!document.body.classList.contains("blank") && document.getElementById("last-value").textContent === "37.45"`)
	p.Quiet()
}

// The bench falls silent while the connection stays; then the connection goes too.
func TestNumbersAreBlankedWhenTheyAreOld(t *testing.T) {
	bench := newBench(bottomEnd(t, 3))
	s, err := New(Config{Mailbox: bench.subscribe, Heartbeat: 500 * time.Millisecond})
	require.NoError(t, err)
	silent := make(chan struct{})
	first := make(chan struct{}, 1)
	first <- struct{}{}
	web := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/events" {
			s.Handler().ServeHTTP(w, r)
			return
		}
		select {
		case <-first:
		case <-silent:
			return
		case <-r.Context().Done():
			return
		}
		text, err := encode(s.event(wording.English, bottomEnd(t, 3)))
		assert.NoError(t, err)
		w.Header().Set("Content-Type", "text/event-stream")
		assert.NoError(t, (&writer{w, http.NewResponseController(w), time.Second}).send(message("snapshot", text)))
		select {
		case <-silent:
		case <-r.Context().Done():
		}
	}))
	t.Cleanup(web.Close)
	var once sync.Once
	t.Cleanup(func() { once.Do(func() { close(silent) }) })
	p := openAt(t, bench, web.URL)
	p.Wait(`document.getElementById("last-value").textContent === "37.45"`)
	p.blanked("What was shown may be out of date.")
	once.Do(func() { close(silent) })
	web.Close()
	p.blanked("Trying again")
	p.noOverflow("blank")
}

// blanked waits until no number is left and the page says why.
func (p *page) blanked(why string) {
	p.T.Helper()
	p.Wait(`document.body.classList.contains("blank") && document.getElementById("doubt").innerText.includes(` + fmt.Sprintf("%q", why) + `)`)
	p.Wait(`document.getElementById("last-value").textContent === "–"`)
	shows := p.Text(`document.body.innerText + decodeURIComponent(document.querySelector("#pictures img").src) + document.querySelector("#pictures img").alt`)
	for _, number := range []string{"37.4", "52.5", "27.4"} {
		assert.NotContains(p.T, shows, number)
	}
}

// hostileJob has names in it that would do harm if they were anything but text.
func hostileJob(t *testing.T, steps int) session.Snapshot {
	v := bottomEnd(t, steps)
	bad := `<img src=x onerror="window.hurt=1"><script>window.hurt=1</script> & ` + strings.Repeat("Donaudampfschifffahrt", 12)
	v.Bench, v.Job.Title, v.Job.Number, v.Job.Operator = bad, bad, bad, bad
	for i := range v.Job.Steps {
		s := &v.Job.Steps[i]
		s.Title, s.Measure, s.Where, s.Cautions, s.Side = bad, bad, bad, []string{bad}, bad
		for k := range s.Places {
			s.Places[k].Name = bad
		}
		if s.Active {
			v.Step = s
		}
	}
	for i := range v.Readings {
		v.Readings[i].Place, v.Readings[i].Struck = bad, bad
		v.Readings[i].Ruling = session.Ruling(bad)
	}
	for i := range v.Advice {
		a := &v.Advice[i]
		a.Title = bad
		for k := range a.Terms {
			a.Terms[k].Title = bad
		}
		if a.Best != nil {
			for k := range a.Best.Packs {
				a.Best.Packs[k].Side = bad
			}
		}
	}
	return v
}

func TestHostileNamesStayText(t *testing.T) {
	p := open(t, hostileJob(t, 2))
	for _, steps := range []int{2, 5, 6} {
		v := hostileJob(t, steps)
		p.show(v)
		p.Wait(`document.querySelector("#pictures img").naturalWidth > 0`)
		for _, screen := range screens {
			p.size(screen[0], screen[1], false)
			p.noOverflow(fmt.Sprint("hostile ", steps, screen))
		}
		p.size(1920, 1080, false)
		p.shot(fmt.Sprintf("hostile-%d", steps))
	}
	assert.Equal(t, "undefined", p.Text("window.hurt"))
	assert.Equal(t, "0", p.Text(`document.querySelectorAll("[onerror], [src=x]").length`))
	p.Quiet()
}

// states are the main states of the page.
func states(t *testing.T) map[string]session.Snapshot {
	refused := bottomEnd(t, 3)
	last := refused.Readings[len(refused.Readings)-1]
	last.Seq, last.Ruling, last.Standing, last.Value = 90, session.WrongInstrument, "", number(t, "27.90")
	last.Why = &session.Reason{Code: "wanted instrument", Params: map[string]string{"wanted": "depth gauge", "got": "caliper"}}
	refused.Readings = append(refused.Readings, last)
	refused.Seq = 90
	left := bottomEnd(t, 2)
	left.Readings[1].Standing = session.LeftOut
	left.Step.Places[0].Counted, left.Step.Places[0].LeftOut, left.Step.Places[0].Needed = 1, 1, 2
	lost := bottomEnd(t, 3)
	lost.Instruments = []session.InstrumentView{{Name: "depth-1", Kind: session.DepthGauge, Trigger: session.OnPress, Port: "/dev/x", State: session.PortLost}}
	loose := gearbox(t, 3)
	loose.Advice[0].Best.Outcome = "shown outside"
	loose.Advice[0].Best.EndFloat, loose.Advice[0].Best.Inside = *number(t, "0.95"), false
	return map[string]session.Snapshot{
		"0-no-job": {Schema: 1, Bench: "bench-1", Software: "test", Recording: session.Recording{OK: true}, Instruments: []session.InstrumentView{
			{Name: "caliper-1", Kind: session.Caliper, Trigger: session.OnPress, Port: "/dev/a", State: session.PortLive, Readings: 12},
			{Name: "depth-1", Kind: session.DepthGauge, Trigger: session.OnPress, Port: "/dev/b", State: session.PortAbsent},
		}},
		"1-first-press": bottomEnd(t, 0), "2-left-out": left, "3-refused": refused, "4-gasket": bottomEnd(t, 4),
		"5-check-gap": bottomEnd(t, 5), "6-done": bottomEnd(t, 6), "7-gearbox-so-far": gearbox(t, 3), "8-lost": lost, "9-too-loose": loose,
	}
}

func TestEveryStateAtEverySize(t *testing.T) {
	for who, query := range readers {
		everyState(t, who, query)
	}
}

func everyState(t *testing.T, who, query string) {
	all := states(t)
	p := openIn(t, all["0-no-job"], query)
	seq := int64(10_000)
	for name, v := range all {
		seq++
		v.Seq = seq
		p.show(v)
		for _, screen := range screens {
			for _, dark := range []bool{false, true} {
				p.size(screen[0], screen[1], dark)
				what := fmt.Sprintf("%s%s-%dx%d", who, name, screen[0], screen[1])
				if dark {
					what += "-dark"
				}
				p.noOverflow(what)
				p.contrast(what)
				if screen[0] != 3840 {
					p.shot(what)
				}
			}
		}
	}
	p.Quiet()
}

// From three metres: the letters of the step, the instrument and the ruling are 22
// minutes of arc high, those of the reading 45, on a 24-inch screen of 1920×1080.
// An inch is 25.4 mm (ISO 80000-3), a screen of 16:9 and diagonal d is d·16/√337
// wide; the height is that of a capital H or a zero as the browser measures it.
func TestLettersAreReadFromThreeMetres(t *testing.T) {
	for _, query := range readers {
		letters(t, query)
	}
}

func letters(t *testing.T, query string) {
	pixel := 24 * 25.4 * 16 / math.Sqrt(337) / 1920
	p := openIn(t, bottomEnd(t, 0), query)
	p.size(1920, 1080, false)
	for i, c := range []struct {
		shown   session.Snapshot
		letters map[string]float64
	}{
		{bottomEnd(t, 0), map[string]float64{"#title": 22, "#tool": 22, "#places .active > span:last-child": 22, "#last-verdict": 22, "#last-value": 45}},
		{bottomEnd(t, 3), map[string]float64{"#places .active > span:last-child": 22, "#title": 22, "#tool": 22, "#last-verdict": 22, "#last-value": 45}},
		{gearbox(t, 3), map[string]float64{"#title": 22, "#tool": 22, "#last-verdict": 22, "#last-value": 45}},
		{bottomEnd(t, 6), map[string]float64{"#fit": 22, ".pack b": 22, ".float": 45, ".pm": 22, ".result .verdict b": 22}},
	} {
		c.shown.Seq = int64(60_000 + i)
		p.show(c.shown)
		for at, minutes := range c.letters {
			letter := "H"
			if minutes == 45 {
				letter = "0"
			}
			var high float64
			_, err := fmt.Sscan(p.Text(fmt.Sprintf(`(() => { const c = document.createElement("canvas").getContext("2d"), s = getComputedStyle(document.querySelector(%q));
				c.font = s.fontWeight + " " + s.fontSize + " " + s.fontFamily; return c.measureText(%q).actualBoundingBoxAscent; })()`, at, letter)), &high)
			require.NoError(t, err)
			assert.GreaterOrEqual(t, math.Atan(high*pixel/3000)*180/math.Pi*60, minutes, "%d %s", i, at)
		}
	}
}

// A reading that counts otherwise than before is named.
func TestAChangedStandingIsSaid(t *testing.T) {
	v := bottomEnd(t, 1)
	p := open(t, v)
	p.Wait(`document.body.dataset.mode === "measure"`)
	changed := bottomEnd(t, 1)
	changed.Seq++
	changed.Readings[0].Standing = session.LeftOut
	p.show(changed)
	p.Wait(fmt.Sprintf(`document.getElementById("changed").textContent === "Reading %d is now left out."`, changed.Readings[0].Seq))
}

// What the drawing reckons for the width of its texts holds in a real browser with
// its real fonts: no text leaves the picture.
func TestDrawnTextsStayInThePicture(t *testing.T) {
	p := open(t, bottomEnd(t, 0))
	file := filepath.Join(t.TempDir(), "picture.svg")
	names := []string{
		strings.Repeat("W", 80), strings.Repeat("m", 80), strings.Repeat("Donaudampfschifffahrt", 8), strings.Repeat("%@", 40),
		strings.Repeat("QGMW ", 30), strings.Repeat("\u8ef8", 60), strings.Repeat("\u0416\u0429", 40), strings.Repeat("\ufdfd", 20), "Gasket, squeezed",
	}
	for _, name := range names {
		for _, steps := range []int{0, 3, 4, 5, 6} {
			v := hostileJob(t, steps)
			for i := range v.Job.Steps {
				v.Job.Steps[i].Title = name
			}
			for i := range v.Advice[0].Terms {
				v.Advice[0].Terms[i].Title = name
			}
			require.NoError(t, os.WriteFile(file, []byte(drawing.Section(wording.English, v, 0)), 0o600))
			p.Run(chromedp.Navigate("file://" + file))
			out := p.Text(`(() => { const box = document.documentElement.viewBox.baseVal;
				return [...document.querySelectorAll("text")].filter((t) => { const b = t.getBBox(); return b.x < 0 || b.y < 0 || b.x + b.width > box.width || b.y + b.height > box.height; })
					.map((t) => t.textContent).join("|"); })()`)
			assert.Empty(t, out, "%s after %d steps", name, steps)
		}
	}
}

// contrast computes the contrast of each text with what is behind it, by the
// definition of WCAG 2.2 (relative luminance, contrast ratio), and wants 7:1. It
// also wants letters of 16 px or more.
func (p *page) contrast(what string) {
	p.T.Helper()
	bad := p.Text(`(() => {
		const parse = (c) => { const m = c.match(/[\d.]+/g).map(Number); return m.length < 4 ? [...m, 1] : m; };
		const linear = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
		const light = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
		const out = [];
		for (const e of document.querySelectorAll("body *")) {
			if (![...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()) || e.closest("template, .unseen") || !e.checkVisibility()) continue;
			let b = e, back = [0, 0, 0, 0];
			while (b && (back = parse(getComputedStyle(b).backgroundColor))[3] === 0) b = b.parentElement;
			const style = getComputedStyle(e), a = light(parse(style.color)), c = light(back);
			const ratio = (Math.max(a, c) + 0.05) / (Math.min(a, c) + 0.05);
			if (ratio < 7) out.push(e.tagName + "#" + e.id + "." + e.className + " " + ratio.toFixed(2));
			if (parseFloat(style.fontSize) < 16) out.push(e.tagName + "#" + e.id + "." + e.className + " " + style.fontSize);
		}
		return out.join(", ");
	})()`)
	assert.Empty(p.T, bad, what)
}

// From the snapshot in the mailbox to the frame in which the browser shows it; the
// clocks of browser and test are one.
func BenchmarkSnapshotToPixel(b *testing.B) {
	v := bottomEnd(b, 3)
	p := open(b, v)
	p.Wait(`document.body.dataset.mode === "measure"`)
	p.Text(`(() => { window.seen = {}; new MutationObserver(() => {
		const seq = event.snapshot.seq;
		requestAnimationFrame(() => { seen[seq] = performance.timeOrigin + performance.now(); });
	}).observe(document.getElementById("last-value"), { childList: true, characterData: true, subtree: true }); })()`)
	values := []*session.Number{number(b, "37.45"), number(b, "37.46")}
	var spans []float64
	for b.Loop() {
		v.Seq++
		v.Readings = append([]session.ReadingView{}, v.Readings...)
		v.Readings[len(v.Readings)-1].Value = values[len(spans)%2]
		if len(spans) == 0 {
			v.Readings[len(v.Readings)-1].Value = values[1]
			values[0], values[1] = values[1], values[0]
		}
		sent := float64(time.Now().UnixMicro()) / 1000
		p.bench.put(v)
		p.Wait(fmt.Sprintf("seen[%d]", v.Seq))
		var at float64
		_, err := fmt.Sscan(p.Text(fmt.Sprintf("seen[%d]", v.Seq)), &at)
		require.NoError(b, err)
		spans = append(spans, at-sent)
	}
	slices.Sort(spans)
	b.ReportMetric(spans[len(spans)/2], "ms/median")
	b.ReportMetric(spans[len(spans)*99/100], "ms/p99")
}
