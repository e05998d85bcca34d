package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"shimwright/session"
	"shimwright/session/wording"
	"shimwright/sqlite"
)

// lineWidth is what a terminal shows at the least.
const lineWidth = 80

// A narrator tells in the terminal what the bench makes of each press.
type narrator struct {
	out      io.Writer
	socket   string // where logctl looks if it is told nothing else
	step     string
	standing map[int64]session.Standing
}

func (n *narrator) greet(d *daemon, plan session.Plan) {
	what := "the bottom end of an invented water-pump engine"
	if plan.Name != demoPlan {
		what = fmt.Sprintf("the plan %q, %s (invented)", plan.Name, plan.Title)
	}
	n.say("", "Shimwright demo: "+what+", on simulated instruments whose bytes travel through pseudo-terminals.")
	n.say("", "Subscribe elsewhere meanwhile:  mosquitto_sub -h "+host(d.brokerAddress())+" -p "+port(d.brokerAddress())+" -v -t '"+d.topic()+"/#'")
}

// follow tells snapshots until ctx ends.
func (n *narrator) follow(ctx context.Context, box <-chan session.Snapshot) {
	for {
		select {
		case s := <-box:
			n.tell(s)
		case <-ctx.Done():
			return
		}
	}
}

// tell says what is new in a snapshot: readings, standings that changed, the step.
func (n *narrator) tell(s session.Snapshot) {
	if n.standing == nil {
		n.standing = map[int64]session.Standing{}
	}
	for _, r := range s.Readings {
		switch before, known := n.standing[r.Seq]; {
		case !known:
			n.say("  ", fmt.Sprintf("%d %s: %s", r.Seq, r.Instrument, wording.English.Ruling(r)))
		case before != r.Standing:
			n.say("  ", fmt.Sprintf("%d now %s", r.Seq, wording.English.Ruling(r)))
		}
		n.standing[r.Seq] = r.Standing
	}
	if s.Step != nil && s.Step.Name != n.step {
		n.step = s.Step.Name
		fmt.Fprintln(n.out)
		text := wording.English.StepName(*s.Step)
		if s.Step.Instrument != "" {
			text += " With the " + string(s.Step.Instrument) + "."
		}
		n.say("", text)
	}
}

// result prints the advice as a person wants it: what to fit, then why.
func (n *narrator) result(s session.Snapshot) {
	for _, a := range s.Advice {
		fmt.Fprintln(n.out)
		n.say("", strings.ToUpper(a.Title))
		if a.Best != nil && a.Best.Inside {
			for _, row := range wording.English.FitRows(*a.Best) {
				fmt.Fprintf(n.out, "  %-16s %s\n", row[0], row[1])
			}
			fmt.Fprintln(n.out)
			n.say("  ", wording.English.Outcome(a))
		} else {
			n.say("  ", wording.English.Headline(a))
		}
		n.say("  ", wording.English.Why(a))
	}
}

// next says where to look, and how to stop.
func (n *narrator) next(d *daemon, once bool) {
	fmt.Fprintln(n.out)
	if once {
		return
	}
	n.say("", "The bench is still up. Look further:")
	logctl := "go run ./cmd/logctl"
	if d.cfg.Socket != n.socket {
		logctl += " --socket " + d.cfg.Socket
	}
	review := " --log " + sqlite.PathOf(d.cfg.Data, d.cfg.Bench)
	for _, line := range []string{
		"page     http://" + d.pageAddress(),
		"pair     " + logctl + " pair tablet, and the page takes commands",
		"topic    " + d.topic() + "/advice at " + d.brokerAddress(),
		"status   " + logctl + " status",
		"readings " + logctl + " readings",
		"advice   " + logctl + " advice",
		"watch    " + logctl + " watch",
		"strike   " + logctl + " strike NUMBER --reason \"jaw on a burr\"",
		"card     go run ./cmd/logctl card 1 -o job-1.pdf" + review,
		"history  go run ./cmd/logctl history" + review + ", of jobs that have ended",
	} {
		fmt.Fprintln(n.out, "  "+line)
	}
	n.say("", "Ctrl-C stops it and removes the demo's log.")
}

// say prints text wrapped at the width of a terminal, indented from the second line.
func (n *narrator) say(indent, text string) {
	line := indent
	for _, word := range strings.Fields(text) {
		if len(line)+len(word) >= lineWidth && strings.TrimSpace(line) != "" {
			fmt.Fprintln(n.out, strings.TrimRight(line, " "))
			line = indent + "    "
		}
		line += word + " "
	}
	fmt.Fprintln(n.out, strings.TrimRight(line, " "))
}

func host(address string) string { h, _, _ := strings.Cut(address, ":"); return h }
func port(address string) string { _, p, _ := strings.Cut(address, ":"); return p }
