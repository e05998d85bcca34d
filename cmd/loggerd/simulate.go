package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"shimwright/devices"
	"shimwright/session"
)

func simulateCommand(stdout, stderr io.Writer, getenv func(string) string) *cobra.Command {
	return &cobra.Command{
		Use:   "simulate SCENARIO",
		Short: "Runs the daemon on a simulated bench, to train on",
		Long: `simulate starts the daemon with the instruments of a scenario, a TOML file that
says what there is, how it errs and what happens when. The instruments write real
bytes into pseudo-terminals. The log is thrown away at the end.

Press the instruments by typing here, one order a line:

  press caliper-1 52.54    what the part measures; noise and the rest are added
  show micrometer-1 0.36   what an instrument shows that has to be asked
  unplug caliper-1         plug caliper-1
  garbage caliper-1        battery low caliper-1, battery good caliper-1
  inch caliper-1           mm caliper-1

Stop it with Ctrl-C.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return usage("name one scenario; see loggerd simulate --help")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			text, err := os.ReadFile(args[0])
			if err != nil {
				return fmt.Errorf("cannot read the scenario: %w", err)
			}
			s, err := devices.ReadScenario(args[0], text)
			if err != nil {
				return err
			}
			log := slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
			return runSimulation(cmd.Context(), s, cmd.InOrStdin(), stdout, log, getenv)
		},
	}
}

// runSimulation runs the daemon on a scenario until ctx ends.
func runSimulation(ctx context.Context, s devices.Scenario, in io.Reader, out io.Writer, log *slog.Logger, getenv func(string) string) error {
	folder, err := os.MkdirTemp("", "shimwright-simulate-")
	if err != nil {
		return fmt.Errorf("cannot make a folder for the simulation: %w", err)
	}
	defer os.RemoveAll(folder)
	r, err := devices.Rehearse(s, folder, newRunClock())
	if err != nil {
		return err
	}
	defer func() { _ = r.Close() }() // nothing is lost with a simulated cable
	d, err := open(demoConfig(demoOptions{speed: 1}, folder, r.Profiles(), getenv), log)
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- errors.Join(d.run(ctx), d.close()) }()
	p := &prompter{out: out, start: time.Now()}
	p.greet(s, d, r)
	go p.obey(ctx, in, r)
	played := d.untilLive(ctx)
	if played == nil {
		p.start = time.Now()
		played = r.Run(ctx, time.After, p.tell)
	}
	stop()
	return errors.Join(played, <-ended)
}

// untilLive waits until every port is live, or ctx ends.
func (d *daemon) untilLive(ctx context.Context) error {
	box, giveUp := d.bench.Subscribe()
	defer giveUp()
	for {
		live := true
		for _, in := range d.instruments {
			live = live && in.Health().Port.State == session.PortLive
		}
		if live {
			return nil
		}
		select {
		case <-box:
		case <-ctx.Done():
			return nil
		}
	}
}

// A prompter talks to the one who trains.
type prompter struct {
	mu    sync.Mutex
	out   io.Writer
	start time.Time
}

func (p *prompter) say(format string, args ...any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	fmt.Fprintf(p.out, format+"\n", args...)
}

func (p *prompter) greet(s devices.Scenario, d *daemon, r *devices.Rehearsal) {
	p.say("%s\n", s.Title)
	for _, i := range r.Profiles() {
		p.say("  %-16s %s", i.Name, i.Kind)
	}
	for _, i := range r.Strangers() {
		p.say("  %-16s unknown to the daemon; learn it with:\n    logctl --socket %s instrument learn %s --name %s --kind %q", i.Name, d.cfg.Socket, i.Port, i.Name, string(i.Kind))
	}
	p.say("\nPage:   http://%s/\nSocket: logctl --socket %s status\n\nType orders, such as: press %s 52.54\n", d.pageAddress(), d.cfg.Socket, s.Instruments[0].Profile.Name)
}

// tell says what happens by itself.
func (p *prompter) tell(e devices.ScenarioEvent) {
	p.say("%6.1f s  %s", time.Since(p.start).Seconds(), inWords(e))
}

func inWords(e devices.ScenarioEvent) string {
	if (e.Do == "press" || e.Do == "show") && !e.Value.IsZero() {
		return fmt.Sprintf("%s %s %s", e.Do, e.Instrument, e.Value)
	}
	return e.Do + " " + e.Instrument
}

// obey carries out what is typed.
func (p *prompter) obey(ctx context.Context, in io.Reader, r *devices.Rehearsal) {
	lines := bufio.NewScanner(in)
	for lines.Scan() && ctx.Err() == nil {
		e, err := order(lines.Text())
		if err == nil {
			err = r.Do(e)
		}
		if err != nil {
			p.say("%v", err)
		}
	}
}

// order reads a typed order. An empty line is a press of nothing and is refused.
func order(line string) (devices.ScenarioEvent, error) {
	words := strings.Fields(line)
	var e devices.ScenarioEvent
	if len(words) > 1 && words[0] == "battery" {
		words = append([]string{words[0] + " " + words[1]}, words[2:]...)
	}
	if len(words) < 2 || len(words) > 3 {
		return e, errors.New("type an order and an instrument, such as: press caliper-1 52.54")
	}
	e.Do, e.Instrument = words[0], words[1]
	if len(words) == 3 {
		n, err := session.ParseNumber(words[2])
		if err != nil {
			return e, fmt.Errorf("%q is no length; type it like 52.54", words[2])
		}
		e.Value = n
	}
	return e, nil
}
