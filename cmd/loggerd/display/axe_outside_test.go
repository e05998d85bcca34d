//go:build outside

package display

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

// axeVersion is the one that .ci/axe fetches.
const axeVersion = "4.14.1"

// axe runs the checker over the page and wants no violation: WCAG 2.2 A and AA, what
// axe calls best practice, and the enhanced contrast of AAA.
func (p *page) axe(what string) {
	p.T.Helper()
	if p.Text("typeof axe") == "undefined" {
		cache, err := os.UserCacheDir()
		require.NoError(p.T, err)
		source, err := os.ReadFile(filepath.Join(cache, "shimwright", "axe-core-"+axeVersion+".min.js"))
		require.NoError(p.T, err, "fetch it with .ci/axe")
		_, err = chromedp.Run(p.Ctx, chromedp.Evaluate[bool](string(source)+"\n;true"))
		require.NoError(p.T, err)
	}
	p.Text(`(() => { window.found = null; axe.run(document, { rules: { "color-contrast-enhanced": { enabled: true }, "target-size": { enabled: true } } })
		.then((r) => { window.found = r.violations.map((v) => v.id + ": " + v.nodes.map((n) => n.target + " " + n.failureSummary).join("; ")).join("\n"); }, (e) => { window.found = "axe: " + e; }); })()`)
	p.Wait("window.found !== null")
	assert.Empty(p.T, p.Text("window.found"), what)
}

func TestNoViolationsInAnyState(t *testing.T) {
	for _, query := range readers {
		noViolations(t, query)
	}
}

func noViolations(t *testing.T, query string) {
	all := states(t)
	p := openIn(t, all["0-no-job"], query)
	seq := int64(20_000)
	for name, v := range all {
		seq++
		v.Seq = seq
		p.show(v)
		for _, screen := range [][2]int64{{1920, 1080}, {390, 844}} {
			p.size(screen[0], screen[1], screen[0] == 390)
			p.axe(fmt.Sprint(name, screen, query))
		}
	}
}

// dialogs are opened on a page that is paired, in the middle of a job.
var dialogs = []struct{ name, does string }{
	{"value", "value"}, {"strike", "last"}, {"menu", ""}, {"place", "place"}, {"temperature", "temperature"}, {"check", "check"},
	{"end", "end"}, {"operator", "operator"}, {"aside", "aside"}, {"stock", "stock"}, {"language", "language"},
}

// Every dialog at every size: no violation, no overflow, and each target large.
func TestDialogsAtEverySize(t *testing.T) {
	for who, query := range readers {
		everyDialog(t, who, query)
	}
}

func everyDialog(t *testing.T, who, query string) {
	s := openShop(t)
	p := openAt(t, nil, "http://"+s.at+"/"+query)
	p.size(1920, 1080, false)
	p.pair(s, "tablet")
	plan := examplePlans(t)[0].Text
	s.do(session.Command{Do: session.Begin, Plan: plan})
	for range 2 {
		s.do(session.Command{Do: session.Enter, Instrument: "caliper", Value: "0.00"})
	}
	p.Wait(`event.snapshot.step && event.snapshot.step.number === 2`)
	for _, screen := range screens {
		p.size(screen[0], screen[1], false)
		what := fmt.Sprint(who, "paired ", screen)
		p.noOverflow(what)
		p.contrast(what)
		p.large(what)
		p.shot(fmt.Sprintf("%spaired-%dx%d", who, screen[0], screen[1]))
	}
	for _, d := range dialogs {
		p.size(1920, 1080, false)
		p.openDialog(d.does)
		p.Wait(`document.querySelector("#d-` + d.name + `[open]")`)
		for i, screen := range screens {
			p.size(screen[0], screen[1], i%2 == 1)
			what := fmt.Sprint(who, d.name, screen)
			p.noOverflow(what)
			p.contrast(what)
			p.large(what)
			if screen[0] != 3840 {
				p.shot(fmt.Sprintf("%sdialog-%s-%dx%d", who, d.name, screen[0], screen[1]))
			}
		}
		p.axe(who + d.name)
		p.Tap("#d-"+d.name+" .cancel", "")
		p.Settled()
	}
}

// openDialog opens the dialog of a button, which may be in the menu, or the menu itself.
func (p *page) openDialog(does string) {
	p.T.Helper()
	button := fmt.Sprintf("[data-do=%q]", does)
	if does != "" && p.Text(fmt.Sprintf(`!!document.querySelector(%q)?.checkVisibility()`, "#acts "+button)) == "true" {
		p.Tap("#acts "+button, "")
		return
	}
	p.Tap("#menu", "")
	if does != "" {
		p.Tap("#d-menu "+button, "")
	}
}

// large wants every target 64 px wide and high.
func (p *page) large(what string) {
	p.T.Helper()
	assert.Empty(p.T, p.Text(`[...document.querySelectorAll("button, a, label:has([type=radio], [type=checkbox])")].filter((e) => e.checkVisibility() && (e.getBoundingClientRect().height < 63.5 || e.getBoundingClientRect().width < 63.5))
		.map((e) => e.tagName + " " + e.innerText + " " + e.getBoundingClientRect().width + "×" + e.getBoundingClientRect().height).join(", ")`), what)
}

// The whole of it by keyboard: pairing, a value, a refusal, and each dialog gives the
// focus back to the button that opened it.
func TestByKeyboardAlone(t *testing.T) {
	s := openShop(t)
	p := s.page()
	p.size(1920, 1080, false)
	v, err := s.serve.Invite("desk")
	require.NoError(t, err)
	p.Wait(`event && event.touch`)
	p.tabTo(`document.activeElement.id === "menu"`)
	p.key("Enter", 13)
	p.tabTo(`document.activeElement.dataset.do === "pair"`)
	p.key("Enter", 13)
	p.tabTo(`document.activeElement.name === "code"`)
	p.Typed(v.Code)
	p.tabTo(`document.activeElement.name === "operator"`)
	p.Typed("Mo")
	p.key("Enter", 13)
	p.Settled()
	s.do(session.Command{Do: session.Begin, Plan: examplePlans(t)[0].Text})
	p.Wait(`event.snapshot.step`)
	p.tabTo(`document.activeElement.dataset.do === "value" && document.activeElement.checkVisibility()`)
	p.key("Enter", 13)
	p.Wait(`document.querySelector("#d-value[open]") && document.activeElement.name === "value"`)
	p.Typed("0.00")
	p.key("Enter", 13)
	p.Settled()
	p.Wait(`document.getElementById("last-value").textContent === "0.00" && document.activeElement.dataset.do === "value"`)
	p.key("Enter", 13)
	p.Wait(`document.querySelector("#d-value[open]")`)
	p.key("Escape", 27)
	p.Settled()
	require.Len(t, s.bench.Snapshot().Readings, 1)
}

// tabTo presses Tab until an expression is true.
func (p *page) tabTo(expression string) {
	p.T.Helper()
	for range 60 {
		if p.Text(expression) == "true" {
			return
		}
		p.key("Tab", 9)
	}
	require.Fail(p.T, "no focus ever came to "+expression)
}

func (p *page) key(name string, code int64) {
	p.T.Helper()
	text := ""
	if name == "Enter" {
		text = "\r"
	}
	for _, e := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeKeyDown, input.DispatchKeyEventTypeKeyUp} {
		_, err := chromedp.Call(p.Ctx, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: e, Key: name, Code: name, WindowsVirtualKeyCode: code, NativeVirtualKeyCode: code, Text: text})
		require.NoError(p.T, err)
		text = ""
	}
}

// With motion reduced the sign of life still changes, but only once a second.
func TestReducedMotion(t *testing.T) {
	p := open(t, bottomEnd(t, 0))
	_, err := chromedp.Call(p.Ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}},
	})
	require.NoError(t, err)
	p.Wait(`still.matches`)
	p.Text(`void (window.seenAt = new Set(), setInterval(() => seenAt.add(byId("pulse").firstElementChild.style.transform), 20))`)
	p.Wait(`seenAt.has("translateX(0%)") && seenAt.has("translateX(400%)")`)
	p.Wait(`seenAt.clear(), true`)
	p.Wait(`seenAt.size >= 2`)
	assert.Equal(t, "2", p.Text(`seenAt.size`))
	assert.Equal(t, "0", p.Text(`document.getAnimations().length`))
}

// What is needed from three metres is on the screen without scrolling, on 1080p.
func TestWhatIsNeededFromAfarIsOnTheScreen(t *testing.T) {
	for _, query := range readers {
		onTheScreen(t, query)
	}
}

func onTheScreen(t *testing.T, query string) {
	all := states(t)
	p := openIn(t, all["0-no-job"], query)
	p.size(1920, 1080, false)
	seq := int64(30_000)
	for name, v := range all {
		if doubt(wording.English, v) != "" {
			continue // then that is what must be seen
		}
		seq++
		v.Seq = seq
		p.show(v)
		for _, changed := range []string{"", "Reading 12 is now left out."} {
			p.Text(fmt.Sprintf(`void (byId("changed").textContent = %q)`, changed))
			assert.Empty(t, p.Text(`[...document.querySelectorAll("#title, #tool, #places .active, #last-value, #last-verdict b, #fit, .pack b, .float, .pm, .advice .verdict b, #pictures img")]
				.filter((e) => e.checkVisibility() && e.textContent + e.src !== "" && (e.getBoundingClientRect().bottom > innerHeight || e.getBoundingClientRect().top < 0)).map((e) => e.id + e.className + e.tagName + e.getBoundingClientRect().bottom).join(" ")`), name+changed+query)
		}
	}
}
