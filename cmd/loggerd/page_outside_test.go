//go:build outside

package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/control"
	"shimwright/cmd/loggerd/display/browser"
	"shimwright/session"
	"shimwright/session/wording"
	"shimwright/testdata/plans"
)

// The demo's job on a whole daemon, real bytes on pseudo-terminals, seen by two pages;
// a third is stuck, and one is loaded again in the middle.
func TestTheDemoJobOnThePage(t *testing.T) {
	b := startBench(t, nil)
	address := "http://" + b.pageAddress() + "/"
	stuck, err := net.Dial("tcp", b.pageAddress())
	require.NoError(t, err)
	defer stuck.Close()
	require.NoError(t, stuck.(*net.TCPConn).SetReadBuffer(1024))
	_, err = io.WriteString(stuck, "GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
	require.NoError(t, err)

	first, second := browser.Open(t, address), browser.Open(t, address)
	first.Wait(`event && document.body.dataset.mode === "idle"`)
	tech := newTechnician(demoOptions{speed: mostSpeed, seed: 3}, b.bench, b.sims)
	delete(tech.mishaps, "bar-thickness/0")
	worked := make(chan error, 1)
	go func() { worked <- tech.work(t.Context()) }()
	second.Wait(`event && event.snapshot.step && event.snapshot.step.number >= 3`)
	second.Run(chromedp.Reload())
	require.NoError(t, <-worked)
	float, _ := wording.English.FloatParts(*b.bench.Snapshot().Advice[0].Best)
	for _, p := range []*browser.Page{first, second} {
		p.Wait(`document.body.dataset.mode === "advice" && document.querySelector(".float")?.textContent === "` + float + `"`)
		p.Wait(`!document.body.classList.contains("blank")`)
		p.Wait(fmt.Sprintf(`event.snapshot.seq === %d`, b.bench.Snapshot().Seq))
		assert.Equal(t, "true", p.Text(`[...document.querySelectorAll("#changed, #readings td")].some((e) => e.innerText.includes("left out"))`), "the slipped reading")
		p.Quiet()
	}
}

// pageVictim is the built daemon with a page, at an address that stays.
func pageVictim(t *testing.T) (start func() *exec.Cmd, client func() *control.Invitation, address string) {
	t.Helper()
	folder := t.TempDir()
	binaries := t.TempDir()
	build, err := exec.Command("go", "build", "-o", binaries, ".", "../logctl").CombinedOutput()
	require.NoError(t, err, string(build))
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address = free.Addr().String()
	require.NoError(t, free.Close())
	file := filepath.Join(folder, "bench.toml")
	socket := filepath.Join(folder, "control.sock")
	text := fmt.Sprintf("data = %q\nsocket = %q\npage = %q\nmqtt = { broker = \"off\" }\n", folder, socket, address)
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	start = func() *exec.Cmd {
		t.Helper()
		cmd := exec.Command(filepath.Join(binaries, "loggerd"), "--config", file)
		require.NoError(t, cmd.Start())
		t.Cleanup(func() {
			_ = cmd.Process.Kill()
			_ = cmd.Wait() // it may have been killed before
		})
		return cmd
	}
	client = func() *control.Invitation {
		t.Helper()
		out, err := exec.Command(filepath.Join(binaries, "logctl"), "--socket", socket, "pair", "tablet", "--json").Output()
		require.NoError(t, err)
		var v control.Invitation
		require.NoError(t, json.Unmarshal(out, &v))
		return &v
	}
	return start, client, address
}

// The daemon is killed in the middle of a job that is typed at the page, and started
// again: the page says so, comes back by itself, is still paired, and the job goes on.
func TestThePageOutlivesItsDaemon(t *testing.T) {
	start, invite, address := pageVictim(t)
	daemon := start()
	require.Eventually(t, func() bool { c, err := net.Dial("tcp", address); return err == nil && c.Close() == nil }, 20*time.Second, 10*time.Millisecond)
	p := browser.Open(t, "http://"+address+"/")
	p.Wait(`event`)
	p.Pair(invite().Code, "Mo")
	p.Tap("#acts button", "Begin a job")
	p.Wait(`document.querySelector("#d-begin[open] [name=plan]")`)
	p.Tap("#d-begin .plans label", "Water-pump engine, bottom end, 8 steps")
	p.Tap("#d-begin .go", "")
	p.Wait(`document.querySelector("#d-told[open]")`)
	p.Tap("#d-told .cancel", "")
	p.Enter("0.00", "")
	run := p.Text(`event.snapshot.run`)

	require.NoError(t, daemon.Process.Kill())
	_ = daemon.Wait() // it was killed
	p.Wait(`document.body.classList.contains("blank") && document.getElementById("doubt").innerText.includes("No connection to the bench")`)
	assert.Equal(t, "–", p.Text(`document.getElementById("last-value").textContent`))
	assert.Equal(t, "true", p.Text(`[...document.querySelectorAll("#acts button")].every((b) => b.disabled)`), "nothing can be pressed that nobody hears")
	start()
	p.Wait(`!document.body.classList.contains("blank") && event.snapshot.run == ` + run + ` + 1`)
	p.Wait(`document.getElementById("last-value").textContent === "0.00"`)
	p.Enter("0.00", "")
	p.Wait(`event.snapshot.step.number === 2`)
}

// The page gets its bytes from the bench, so it lives on when the broker is gone; the
// wall, which subscribes like any display, says that it is, and comes back with it.
func TestThePageOutlivesItsBroker(t *testing.T) {
	broker := foreignBrokerAt(t, "")
	b := startBench(t, func(c *config.Config) {
		c.MQTT.Broker, c.Wall.Benches, c.MQTT.Heartbeat = "tcp://"+broker.address, []string{c.Bench, "bench-9"}, time.Second
	})
	page, wall := browser.Open(t, "http://"+b.pageAddress()+"/"), browser.Open(t, "http://"+b.pageAddress()+"/wall")
	plan, err := plans.Files.ReadFile("pump-bottom-end-short.toml")
	require.NoError(t, err)
	_, err = b.bench.Submit(t.Context(), session.Command{Do: session.Begin, Plan: string(plan)})
	require.NoError(t, err)
	page.Wait(`event && document.body.dataset.mode === "measure" && !byId("to-wall").hidden`)
	wall.Wait(`event && event.benches[0].doubt === undefined && event.benches[0].step`)
	wall.Wait(`document.querySelectorAll(".bench")[1].innerText.includes("Nothing has been heard from it yet.")`)

	broker.stop()
	wall.Wait(`document.querySelector(".bench").innerText.includes("No connection to the broker; trying again.")`)
	_, err = b.bench.Submit(t.Context(), session.Command{Do: session.Enter, Instrument: "caliper-1", Value: "52.54"})
	require.NoError(t, err)
	page.Wait(`document.getElementById("last-value").textContent === "52.54" && !document.body.classList.contains("blank")`)
	foreignBrokerAt(t, broker.address)
	wall.Wait(`event.benches[0].doubt === undefined && document.querySelector(".bench").innerText.includes("Crank")`)
}
