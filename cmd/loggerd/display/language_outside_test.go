//go:build outside

package display

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
	"shimwright/testdata/plans"
)

var (
	kept    = regexp.MustCompile(`%[-+# 0-9.\[\]]*[a-zA-Z%]|\{[\w:]+\}`) // of a pattern in every language
	strs    = regexp.MustCompile(`(?m)^(?:plan|  *name|step|for|chain) *=.*$|"([^"\n]+)"`)
	accents = strings.NewReplacer("a", "á", "e", "é", "i", "í", "o", "ó", "u", "ú", "y", "ý", "A", "Á", "E", "É", "I", "Í", "O", "Ó", "U", "Ú", "Y", "Ý")
)

// accented puts an accent on every vowel of a pattern.
func accented(pattern string) string {
	var b strings.Builder
	from := 0
	for _, at := range kept.FindAllStringIndex(pattern, -1) {
		b.WriteString(accents.Replace(pattern[from:at[0]]) + pattern[at[0]:at[1]])
		from = at[1]
	}
	return b.String() + accents.Replace(pattern[from:])
}

// accentLanguages have a language that nobody speaks, en-XA: English with an accent on
// every vowel. A vowel without one is of a text that no catalogue could translate.
func accentLanguages(t testing.TB) wording.Languages {
	t.Helper()
	sections := map[string]map[string]string{"sentences": {}, "page": {}, "plans": {}}
	names, err := filepath.Glob("../../../session/wording/catalogue/de*.json")
	require.NoError(t, err)
	for _, name := range names {
		text, err := os.ReadFile(name)
		require.NoError(t, err)
		file := map[string]json.RawMessage{}
		require.NoError(t, json.Unmarshal(text, &file))
		for section, words := range sections {
			said := map[string]any{}
			if file[section] != nil {
				require.NoError(t, json.Unmarshal(file[section], &said))
			}
			for key := range said {
				words[key] = accented(key)
			}
		}
	}
	texts := []string{kindsPlan, asksPlan}
	for _, name := range []string{"pump-bottom-end.toml", "pump-gearbox-shaft.toml"} {
		text, err := plans.Files.ReadFile(name)
		require.NoError(t, err)
		texts = append(texts, string(text))
	}
	for _, m := range strs.FindAllStringSubmatch(strings.Join(texts, "\n"), -1) {
		sections["plans"][m[1]] = accented(m[1])
	}
	file, err := json.Marshal(map[string]any{"language": "en-XA", "name": "Áccénts", "sentences": sections["sentences"], "page": sections["page"], "plans": sections["plans"]})
	require.NoError(t, err)
	all, err := wording.Load(fstest.MapFS{"en-XA.json": {Data: file}})
	require.NoError(t, err)
	return all
}

// english is what the page says, shows or has read out with a vowel that has no accent,
// but for names and units.
func (p *page) english(what string, names ...string) {
	p.T.Helper()
	list, err := json.Marshal(append([]string{"in", "bench-1", "bench-2", "bench-3", "bench-4", "bench-5", "bench-6", "caliper-1", "depth-1", "caliper", "depth-gauge", "micrometer", "feeler", "torque-wrench", "Mo", "Deutsch", "English"}, names...))
	require.NoError(p.T, err)
	assert.Empty(p.T, p.Text(`(() => {
		const texts = [document.title], names = new Set(`+string(list)+`);
		const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT);
		for (let n = walk.nextNode(); n; n = walk.nextNode()) {
			const e = n.nodeType === 3 ? n.parentElement : n;
			if (!e.checkVisibility() || e.closest("script, template")) continue;
			if (n.nodeType === 3) { texts.push(n.data); continue; }
			texts.push(n.getAttribute("aria-label"), n.placeholder, n.title, n.alt);
			if (n.src?.startsWith("data:image/svg")) texts.push(...decodeURIComponent(n.src).replace(/<style.*?<\/style>/s, "").match(/(?<=>)[^<>]+(?=<)/g));
		}
		return [...new Set(texts.filter(Boolean).map((t) => t.replace(/\b(depth gauge|torque wrench)(?= \(|, )/g, "")).flatMap((t) => (t.match(/[A-Za-zÀ-ž][A-Za-zÀ-ž0-9-]*/g) || []).filter((w) => /[aeiouyAEIOUY]/.test(w) && !names.has(w)).map((w) => w + " in: " + t.trim())))].join("\n");
	})()`), what)
}

// inches looks for millimetres on a page in inches: only what an instrument sent in them
// may stand there, before what it comes to.
func (p *page) inches(what string) {
	p.T.Helper()
	assert.Equal(p.T, "null", p.Text(`(document.body.innerText + [...document.images].map((i) => i.alt + decodeURIComponent(i.src)).join(" ")).match(/.{0,40}\d mm\b(?! = ).{0,40}/)`), what)
}

func TestNoEnglishIsLeft(t *testing.T) {
	languages := accentLanguages(t)
	all := states(t)
	bench, walls := newBench(all["0-no-job"]), make(chan []WallBench, 1)
	s, err := New(Config{
		Listen: "127.0.0.1:0", Mailbox: bench.subscribe, Heartbeat: time.Second, Software: "test", Languages: languages, Language: "en-XA", Inches: true,
		Wall: func() (<-chan []WallBench, func()) { return walls, func() {} },
	})
	require.NoError(t, err)
	require.NoError(t, s.Listen())
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx) }()
	t.Cleanup(func() { stop(); assert.NoError(t, <-ended) })
	address := "http://" + s.Addr()
	p := openAt(t, bench, address+"/")
	seq := int64(70_000)
	for name, v := range all {
		seq++
		v.Seq, v.Software = seq, "test"
		p.show(v)
		p.english(name)
		p.inches(name)
	}
	v := storied(t)
	v.Seq, v.Software = seq+1, "test"
	bench.put(v)
	p.Run(chromedp.Navigate(address + "/story"))
	p.Wait(`event && event.rows.length > 20`)
	p.english("story", "jaw", "a", "hair", "on", "the")
	shown := func(v session.Snapshot, name string) WallBench {
		return WallBench{Name: name, Job: v.Job, Step: v.Step, Advice: v.Advice, Reading: &v.Readings[len(v.Readings)-1]}
	}
	walls <- []WallBench{shown(bottomEnd(t, 3), "bench-1"), shown(bottomEnd(t, 6), "bench-2"), {Name: "bench-3"}, shown(gearbox(t, 3), "bench-4"), {Name: "bench-5", Doubt: Doubt{Code: Silent, For: 15}}}
	p.Run(chromedp.Navigate(address + "/wall"))
	p.Wait(`event && event.benches.length === 5`)
	p.english("wall")
	p.Run(chromedp.Navigate(address + "/wall?language=de&unit=in"))
	p.Wait(`event && event.benches.length === 5 && document.documentElement.lang === "de"`)
	p.lookOver("de-wall")
	p.Quiet()
}

func TestNoEnglishIsLeftInDialogs(t *testing.T) {
	s := &shop{t: t, at: "127.0.0.1:0", languages: accentLanguages(t)}
	s.open()
	t.Cleanup(func() { s.shut() })
	p := openAt(t, nil, "http://"+s.at+"/?language=en-XA&unit=in")
	p.Wait(`event && !document.body.classList.contains("blank")`)
	p.english("not paired")
	p.pair(s, "tablet")
	p.openDialog("begin")
	p.Wait(`document.querySelectorAll("#d-begin[open] [name=plan]").length === 5`)
	for i := range 4 { // the fifth has a mistake, and mistakes in plans are told in English
		p.Text(fmt.Sprintf(`void document.querySelectorAll("#d-begin [name=plan]")[%d].click()`, i))
		p.Text(`void document.querySelectorAll("#d-begin [name=plan]")[4].closest("label").remove()`)
		p.english(fmt.Sprint("begin ", i))
		p.Tap("#d-begin .cancel", "")
		p.openDialog("begin")
		p.Wait(`document.querySelectorAll("#d-begin[open] [name=plan]").length === 5`)
	}
	p.Tap("#d-begin .go", "")
	p.Wait(`document.querySelector("#d-told[open]")`)
	p.english("told")
	p.Tap("#d-told .cancel", "")
	p.Settled()
	p.Enter("0.000", "")
	p.Enter("0.000", "")
	p.Wait(`event.snapshot.step.number === 2`)
	for _, d := range dialogs {
		p.openDialog(d.does)
		p.Wait(`document.querySelector("#d-` + d.name + `[open]")`)
		p.english(d.name)
		p.Tap("#d-"+d.name+" .cancel", "")
		p.Settled()
	}
}

// inchesTyped is the job of bottomEndTyped as it is typed with lengths in inches.
var inchesTyped = []string{
	"0,0000", "0,0000", "0,0000", "0,0000", "2,0693", "2,0693", "2,0697", "2,0697", "0,3937", "0,3937", "1,4740", "1,4740", "1,4744", "1,4744",
	"0,9984", "0,9984", "0,9988", "0,9988", "0,01358", "0,01358", "0,01366", "0,01366",
}

// A whole job in German and inches, from the choice in the menu to what is fitted: what is
// typed reaches the log in millimetres, converted exactly (1 in = 25.4 mm, ISO 80000-3).
func TestAWholeJobInGermanAndInches(t *testing.T) {
	s := openShop(t)
	p := s.page()
	p.size(800, 1280, false)
	p.Wait(`event && document.documentElement.lang === "en"`)
	p.openDialog("language")
	p.Wait(`document.querySelectorAll("#d-language [name=language]").length >= 2`)
	p.Tap("#d-language label", "Deutsch")
	p.Tap("#d-language label", "inches")
	p.Tap("#d-language .go", "")
	p.Wait(`document.documentElement.lang === "de" && byId("menu").innerText === "Menü"`)
	p.Run(chromedp.Reload())
	p.Wait(`event && document.documentElement.lang === "de" && vocabulary.unit === "in"`)
	p.pair(s, "tablet")
	p.openDialog("begin")
	p.Wait(`document.querySelectorAll("#d-begin[open] [name=plan]").length === 5`)
	p.Tap("#d-begin .go", "")
	p.Wait(`document.querySelector("#d-told[open]")`)
	p.Tap("#d-told .cancel", "")
	p.Settled()
	for i, value := range inchesTyped {
		p.Enter(value, "")
		if i == 4 {
			p.shot("de-touch-measure")
			p.Tap("#acts [data-do=last]", "")
			p.Tap("#d-strike label", "Schmutz oder Grat")
			p.Tap("#d-strike .go", "")
			p.Settled()
			require.Equal(t, "Schmutz oder Grat", s.reading(s.lastReading()).Struck)
			p.Enter(value, "")
		}
	}
	r := s.reading(s.lastReading())
	require.Equal(t, []string{"0.346964", "0.01366", string(session.Inch)}, []string{r.Value.String(), r.Text, string(r.Unit)})
	require.Equal(t, "check-gap", s.bench.Snapshot().Step.Name)
	p.Enter("0,012/0,014", "")
	p.Wait(`document.body.dataset.mode === "advice"`)
	r = s.reading(s.lastReading())
	require.Equal(t, []string{"0.3048", "0.3556"}, []string{r.Feeler.Passes.String(), r.Feeler.Stops.String()})
	for _, size := range screens {
		p.size(size[0], size[1], false)
		p.noOverflow("advice")
		p.contrast("advice")
		p.shot(fmt.Sprintf("de-touch-advice-%d", size[0]))
	}
	p.size(800, 1280, false)
	p.inches("advice")

	p.openDialog("fitted")
	advised := s.bench.Snapshot().Advice[0].Best.Packs
	for i, pack := range advised {
		p.Tap(fmt.Sprintf("#d-fitted .sides label:nth-child(%d) input", i+1), "")
		for k, piece := range pack.Pieces {
			if k > 0 {
				p.Keys("+")
			}
			p.Keys(strings.Replace(piece.DivRound(number(t, "25.4").Decimal, 4).StringFixed(4), ".", ",", 1))
		}
	}
	p.shot("de-touch-fitted")
	p.Tap("#d-fitted .go", "")
	p.Settled()
	var fitted session.Fitted
	for _, e := range s.log.entries {
		if e.Kind() == "fitted" {
			fitted = e.Body.(session.Fitted)
		}
	}
	require.Len(t, fitted.Packs, len(advised))
	for i, pack := range advised {
		assert.Equal(t, text(t, pack.Pieces), text(t, fitted.Packs[i].Pieces), pack.Side)
	}
	p.openDialog("check")
	p.Keys("0,0002")
	p.Tap("#d-check .go", "")
	p.Settled()
	p.openDialog("stock")
	p.Typed("crank-28")
	p.Tap("#d-stock [name=size]", "")
	p.Keys("0,0059")
	p.Tap("#d-stock [name=count]", "")
	p.Keys("12")
	p.shot("de-touch-stock")
	p.Tap("#d-stock .go", "")
	p.Settled()
	require.Equal(t, "0.14986", s.bench.Snapshot().Stocks[0].Shims[0].Thickness.String())
	p.Run(chromedp.Navigate("http://" + s.at + "/story"))
	p.Wait(`event && event.rows.length > 20 && document.documentElement.lang === "de"`)
	p.inches("story")
	p.lookOver("de-story")
	p.Quiet()
}

// What the address says counts before what the page keeps, until somebody chooses.
func TestTheAddressChoosesForADisplayWithoutHands(t *testing.T) {
	s := openShop(t)
	p := openAt(t, nil, "http://"+s.at+"/story?language=de&unit=in")
	p.Wait(`event && document.documentElement.lang === "de" && vocabulary.unit === "in" && document.querySelector("h1").innerText === "Verlauf des Auftrags"`)
	p.Tap("header a", "")
	p.Wait(`event && event.words && vocabulary.unit === "in" && document.documentElement.lang === "de"`)
	p.openDialog("language")
	p.Tap("#d-language label", "English")
	p.Tap("#d-language label", "Millimeter")
	p.Tap("#d-language .go", "")
	p.Wait(`location.search === "" && document.documentElement.lang === "en" && vocabulary.unit === "mm" && byId("age").innerText === "live"`)
	p.Quiet()
}
