//go:build outside

package browser

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const chromium = "/usr/bin/chromium"

// A Page is a browser of its own that shows a page.
type Page struct {
	T     testing.TB
	Ctx   context.Context
	cries chan string // what the browser complained of
}

// Open loads a page in a browser that runs until the test ends.
func Open(t testing.TB, address string) *Page {
	t.Helper()
	_, err := os.Stat(chromium)
	require.NoError(t, err, "install Debian's chromium")
	dir, err := os.MkdirTemp("", "display-test-")
	require.NoError(t, err)
	ctx, stop := chromedp.NewExecAllocator(context.Background(),
		chromedp.ExecPath(chromium), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun,
		chromedp.UserDataDir(dir), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("hide-scrollbars", true))
	ctx, shut := chromedp.NewContext(ctx)
	t.Cleanup(func() {
		assert.NoError(t, chromedp.Cancel(ctx))
		shut()
		stop()
		os.RemoveAll(dir)
	})
	p := &Page{t, ctx, make(chan string, 1000)}
	messages := chromedp.Console(ctx)
	p.Run(chromedp.Navigate(address))
	go func() {
		for m, err := range messages {
			if err != nil {
				return
			}
			select {
			case p.cries <- m.String():
			default:
			}
		}
	}()
	return p
}

// Run does one action.
func (p *Page) Run(action chromedp.Action[chromedp.Void]) {
	p.T.Helper()
	require.NoError(p.T, chromedp.Do(p.Ctx, action))
}

// Text is what an expression gives in the page.
func (p *Page) Text(expression string) string {
	p.T.Helper()
	s, err := chromedp.Run(p.Ctx, chromedp.Evaluate[string]("String("+expression+")"))
	require.NoError(p.T, err, expression)
	return s
}

// Wait waits until an expression is true in the page. It asks from outside, because
// the page's policy lets nothing be compiled inside.
func (p *Page) Wait(expression string) {
	p.T.Helper()
	is := func() bool {
		ok, err := chromedp.Run(p.Ctx, chromedp.Evaluate[bool]("!!("+expression+")"))
		return err == nil && ok
	}
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); {
		if is() {
			return
		}
	}
	require.Fail(p.T, "the page never came to "+expression, "it shows:\n%s", p.Text("document.body.innerText"))
}

// Quiet fails if the browser complained of anything but what is expected.
func (p *Page) Quiet(expected ...string) {
	p.T.Helper()
	for {
		select {
		case cry := <-p.cries:
			if slices.ContainsFunc(expected, func(e string) bool { return strings.Contains(cry, e) }) {
				continue
			}
			assert.Fail(p.T, "the browser complains", cry)
		default:
			return
		}
	}
}

// Tap presses, with the pointer where a finger would come, the visible element that a
// selector finds, or of several the one with that text. Nothing may lie over it, and
// it must be as large as a glove needs.
func (p *Page) Tap(selector, text string) {
	p.T.Helper()
	find := fmt.Sprintf(`[...document.querySelectorAll(%q)].filter((e) => e.checkVisibility() && !e.disabled && (%q === "" || e.innerText.trim() === %q || e.getAttribute("aria-label") === %q))[0]`, selector, text, text, text)
	p.Wait(find)
	box := p.Text(`(() => { const e = ` + find + `; e.scrollIntoView({ block: "center", behavior: "instant" }); const b = e.getBoundingClientRect();
		const x = b.left + b.width / 2, y = b.top + b.height / 2, over = document.elementFromPoint(x, y);
		return [x, y, b.width, b.height, e === over || e.contains(over) || (over && over.contains(e) && over.tagName === "LABEL")].join(" "); })()`)
	var x, y, w, h float64
	var free bool
	_, err := fmt.Sscan(box, &x, &y, &w, &h, &free)
	require.NoError(p.T, err, box)
	require.True(p.T, free, "something lies over %s %q", selector, text)
	assert.GreaterOrEqual(p.T, h, 63.5, "%s %q", selector, text)
	assert.GreaterOrEqual(p.T, w, 63.5, "%s %q", selector, text)
	for _, e := range []input.DispatchMouseEventType{input.DispatchMouseEventTypeMousePressed, input.DispatchMouseEventTypeMouseReleased} {
		_, err := chromedp.Call(p.Ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: e, X: x, Y: y, Button: "left", ClickCount: 1})
		require.NoError(p.T, err)
	}
}

// Typed types into the field that has the focus, as a keyboard does.
func (p *Page) Typed(text string) {
	p.T.Helper()
	_, err := chromedp.Call(p.Ctx, input.InsertText, input.InsertTextParams{Text: text})
	require.NoError(p.T, err)
}

// Keys presses keys of the open dialog's keypad.
func (p *Page) Keys(text string) {
	p.T.Helper()
	for _, key := range text {
		if key == '-' {
			key = '−'
		}
		p.Tap("dialog[open] .keys button", string(key))
	}
}

// Settled waits until no dialog is open and no command under way.
func (p *Page) Settled() {
	p.T.Helper()
	p.Wait(`!document.querySelector("dialog[open]") && !document.body.classList.contains("busy")`)
}

// Pair pairs the page by touch, with a one-time code.
func (p *Page) Pair(code, operator string) {
	p.T.Helper()
	p.Wait(`event && event.touch`)
	p.Tap("#menu", "")
	p.Tap("#d-menu [data-do=pair]", "")
	p.Keys(code)
	p.Tap("#d-pair [name=operator]", "")
	p.Typed(operator)
	p.Tap("#d-pair .go", "")
	p.Settled()
}

// Enter types a value, or two blades with a slash between, by the keypad, and waits
// until it is recorded. Without an instrument it is one of the kind that is asked for.
func (p *Page) Enter(value, instrument string) {
	p.T.Helper()
	p.Tap("#acts [data-do=value]", "")
	p.Wait(`document.querySelector("#d-value[open] [name=instrument]")`)
	if instrument != "" {
		p.Tap("#d-value summary", "")
		p.Tap("#d-value .others label", instrument)
	}
	if passes, stops, pair := strings.Cut(value, "/"); pair {
		p.Tap("#d-value [name=passes]", "")
		p.Keys(passes)
		p.Tap("#d-value [name=stops]", "")
		p.Keys(stops)
	} else {
		p.Keys(value)
	}
	p.Tap("#d-value .go", "")
	p.Settled()
}
