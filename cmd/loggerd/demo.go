package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/shopspring/decimal"
	"github.com/spf13/cobra"

	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/control"
	"shimwright/devices"
	"shimwright/session"
)

// demoPlan is the plan that the demo plays if none is named.
const demoPlan = "pump-bottom-end"

// mostSpeed keeps the pauses of the demo well above the time a frame takes.
const mostSpeed = 10

// demoOptions are the flags of the demo.
type demoOptions struct {
	speed float64
	seed  uint64
	once  bool
	plan  string // demoPlan if empty
}

func demoCommand(stdout, stderr io.Writer, getenv func(string) string) *cobra.Command {
	var o demoOptions
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Plays one job on a simulated bench, with real bytes on real pseudo-terminals",
		Long: `demo starts the daemon with simulated instruments and plays one job: the bottom
end of an invented two-stroke water-pump engine. The instruments write real bytes
into pseudo-terminals, which the daemon opens like any serial port. One reading
slips, one press comes from the wrong instrument, one comes too soon.

--plan plays another plan: pump-rebuild is the whole rebuild, from the inspection of
the cranks to handing over, and takes a few minutes; pump-inspection,
pump-bearings-seals, pump-bottom-end-build and pump-gearbox are its parts. Nobody
waits there for metal to get hot or cold: the thermometer says that it is.

The bench stays up until Ctrl-C, so that you can look around with logctl.`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if !(o.speed >= 0.1 && o.speed <= mostSpeed) {
				return usage("a speed of %v is not possible; give one from 0.1 to %d", o.speed, mostSpeed)
			}
			return runDemo(cmd.Context(), o, stdout, slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: slog.LevelWarn})), getenv)
		},
	}
	cmd.Flags().Float64Var(&o.speed, "speed", 1, "how much `faster` than life the technician works")
	cmd.Flags().Uint64Var(&o.seed, "seed", 1, "`seed` of the scatter of the readings")
	cmd.Flags().StringVar(&o.plan, "plan", demoPlan, "the `plan` to play")
	cmd.Flags().BoolVar(&o.once, "once", false, "stop when the job is measured, instead of at Ctrl-C")
	return cmd
}

// runDemo builds the simulated bench, lets the technician work, and stays up.
func runDemo(ctx context.Context, o demoOptions, out io.Writer, log *slog.Logger, getenv func(string) string) error {
	_, _, plan, err := playablePlan(cmp.Or(o.plan, demoPlan))
	if err != nil {
		return err
	}
	folder, err := os.MkdirTemp("", "shimwright-demo-")
	if err != nil {
		return fmt.Errorf("cannot make a folder for the demo: %w", err)
	}
	defer os.RemoveAll(folder)
	sims, profiles, err := simulate(folder, benchFor(plan))
	if err != nil {
		return err
	}
	defer func() {
		for _, s := range sims {
			_ = s.Close() // nothing is lost with a simulated cable
		}
	}()
	d, err := open(demoConfig(o, folder, profiles, getenv), log)
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- errors.Join(d.run(ctx), d.close()) }()
	played := playDemo(ctx, o, d, sims, plan, out, getenv)
	if o.once || (played != nil && ctx.Err() == nil) {
		stop()
	}
	if ctx.Err() != nil && errors.Is(played, context.Canceled) {
		played = nil
	}
	return errors.Join(played, <-ended)
}

// playDemo narrates while the technician works, then says where to look next.
func playDemo(ctx context.Context, o demoOptions, d *daemon, sims map[string]*devices.SimulatedInstrument, plan session.Plan, out io.Writer, getenv func(string) string) error {
	n := &narrator{out: out, socket: control.DefaultSocket(getenv)}
	n.greet(d, plan)
	told := make(chan struct{})
	telling, enough := context.WithCancel(ctx)
	box, giveUp := d.bench.Subscribe()
	defer giveUp()
	go func() {
		defer close(told)
		n.follow(telling, box)
	}()
	tech, began := newTechnician(o, d.bench, sims), time.Now()
	tech.gathered = d.gathered
	err := tech.work(ctx)
	enough()
	<-told
	if err != nil {
		return err
	}
	n.tell(d.bench.Snapshot())
	n.result(d.bench.Snapshot())
	n.say("  ", fmt.Sprintf("It took %d presses and %.0f s at this speed.", tech.presses, time.Since(began).Seconds()))
	n.next(d, o.once)
	return nil
}

// gathered counts the frames of windows that an instrument has sent.
func (d *daemon) gathered(instrument string) int64 {
	if in := d.instrument(instrument); in != nil {
		return in.Counters().Gathered
	}
	return 0
}

// simulate plugs in the demo's instruments; their ports lie in folder.
func simulate(folder string, bench []session.Profile) (map[string]*devices.SimulatedInstrument, []session.Profile, error) {
	sims := map[string]*devices.SimulatedInstrument{}
	var profiles []session.Profile
	for _, p := range bench {
		p.Port = filepath.Join(folder, p.Name)
		s, err := devices.Simulate(p)
		if err != nil {
			for _, other := range sims {
				err = errors.Join(err, other.Close())
			}
			return nil, nil, err
		}
		sims[p.Name] = s
		profiles = append(profiles, s.Profile())
	}
	blade := session.Num(decimal.New(5, -2))
	profiles = append(profiles, session.Profile{Name: "feelers", Kind: session.Feeler, Resolution: blade, Repeatability: session.Num(decimal.New(2, -2))})
	return sims, profiles, nil
}

// demoConfig is the usual configuration with a log of its own, and with other
// addresses where the usual ones are taken.
func demoConfig(o demoOptions, folder string, profiles []session.Profile, getenv func(string) string) config.Config {
	c := config.Default(getenv, control.DefaultSocket(getenv))
	c.Data, c.Instruments = folder, profiles
	c.Bounce = time.Duration(float64(c.Bounce) / o.speed)
	if c.Socket == "" || answers(c.Socket) {
		c.Socket = filepath.Join(folder, "control.sock")
	}
	c.MQTT.Listen = freeAddress(c.MQTT.Listen)
	c.Page = freeAddress(c.Page)
	return c
}

// answers tells whether a daemon is at the socket already.
func answers(socket string) bool {
	conn, err := net.Dial("unix", socket)
	if err != nil {
		return false
	}
	_ = conn.Close() // nothing was written
	return true
}

// freeAddress is address if nobody listens there, else one that the system chooses.
func freeAddress(address string) string {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return "127.0.0.1:0"
	}
	_ = l.Close() // it was only to find out
	return address
}
