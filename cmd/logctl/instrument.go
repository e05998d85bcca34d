package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
	"shimwright/session/wording"
)

func (a *app) instrumentCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "instrument", Short: "Listen to an instrument, or learn a new one", Args: noSuchCommand,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(a.listenCommand(), a.learnCommand())
	return cmd
}

func (a *app) listenCommand() *cobra.Command {
	return &cobra.Command{
		Use: "listen NAME", Short: "Show bytes, frames and readings of an instrument live", Args: between(1, 1),
		Long: `Shows what comes from an instrument as it comes, until Ctrl-C: the bytes, the
frames that its decoder makes of them, and the readings. Of a stream it also shows
peak, trough and movement since it began to listen, false single values removed.
It takes nothing away from the job.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.hear(cmd.Context(), "/v1/listen?"+url.Values{"instrument": args}.Encode(), func(h control.Heard, line []byte) error {
				if a.json {
					_, err := a.stdout.Write(line)
					return err
				}
				for _, text := range heardLines(h, a.zone) {
					a.page.plain(text)
				}
				return a.page.err
			})
		},
	}
}

// errEnded says that the daemon has no more to send.
var errEnded = fail(exitUnreachable, "the daemon does not send any more; see logctl status")

// hear calls see with what comes at an address until ctx ends or the daemon does.
func (a *app) hear(ctx context.Context, address string, see func(h control.Heard, line []byte) error) error {
	c, err := a.client()
	if err != nil {
		return err
	}
	res, err := c.open(ctx, http.MethodGet, address, nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return answered(res, nil)
	}
	lines := bufio.NewReader(res.Body)
	for {
		line, err := lines.ReadBytes('\n')
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return errEnded
		}
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		var h control.Heard
		if err := json.Unmarshal(line, &h); err != nil {
			return unreadable(err)
		}
		if err := see(h, line); err != nil {
			return err
		}
	}
}

// heardLines writes what was heard in lines.
func heardLines(h control.Heard, zone *time.Location) []string {
	var out []string
	line := func(what, text string) {
		out = append(out, fmt.Sprintf("%s  %-8s %s", h.At.In(zone).Format("15:04:05.000"), what, text))
	}
	if h.Lost > 0 {
		out = append(out, fmt.Sprintf("(%d things before this line were not shown: this terminal is slower than the line)", h.Lost))
	}
	switch h.What {
	case "bytes":
		line("bytes", strconv.QuoteToASCII(string(h.Raw)))
	case "unread bytes":
		line("bytes", strconv.QuoteToASCII(string(h.Raw))+" (not read: from before the port was ready)")
	case "take":
		line("take", "the instrument was asked")
	case "window":
		line("window", windowLine(h.Text))
	case "frame", "reading":
		line(h.What, heardValue(h))
	case "port":
		if h.Port != nil {
			line("port", wording.English.Port(session.InstrumentView{State: h.Port.State, Detail: h.Port.Detail, Port: h.Port.Port}))
		}
	}
	if m := h.Movement; m != nil {
		text := fmt.Sprintf("%s mm: peak %s, trough %s, %d frames", m.Movement, m.Peak, m.Trough, m.Frames)
		if m.Forgotten > 0 {
			text += fmt.Sprintf("; %d older ones are forgotten", m.Forgotten)
		}
		line("movement", text)
	}
	return out
}

// windowLine says that a window of the stream began or ended.
func windowLine(act string) string {
	switch ms, long := strings.CutPrefix(act, "gather "); {
	case long:
		return "it is watched for " + ms + " ms"
	case act == "gather":
		return "it is watched"
	}
	return "it is no longer watched"
}

// heardValue is what a frame or reading gives, or why it gives nothing.
func heardValue(h control.Heard) string {
	value, q := h.Amount()
	switch {
	case h.Fault != "":
		return fmt.Sprintf("none: %s (%d bytes)", h.Fault, h.Bytes)
	case h.Other:
		return "of another channel"
	case value == nil:
		return "a press"
	case h.Unit != "" && h.Unit != q.Unit():
		return fmt.Sprintf("%s %s (%s %s)", *value, q.Unit().Word(), h.Text, h.Unit.Word())
	}
	return value.String() + " " + q.Unit().Word()
}
