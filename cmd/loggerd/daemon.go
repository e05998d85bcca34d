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

	"shimwright/calc"
	"shimwright/cmd/loggerd/broker"
	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/control"
	"shimwright/cmd/loggerd/display"
	"shimwright/cmd/loggerd/operators"
	"shimwright/cmd/loggerd/publish"
	"shimwright/cmd/loggerd/wall"
	"shimwright/devices"
	"shimwright/session"
	"shimwright/sqlite"
)

// closing bounds how long the faces may take to close.
const closing = 5 * time.Second

// probing is how often a log that could not be written is tried again.
const probing = 2 * time.Second

// A daemon is everything that runs for one bench. open makes it, run runs it
// until its context ends, close ends it in reverse.
type daemon struct {
	cfg         config.Config
	log         *slog.Logger
	clock       session.Clock
	store       *sqlite.Log
	bench       *session.Bench
	gate        *operators.Gate // before the bench, for what people ask of it
	control     *control.Server
	broker      *broker.Broker
	publisher   *publish.Publisher
	page        *display.Server
	wall        *wall.Wall
	instruments map[string]*devices.Instrument // of the configuration that have a port
	learned     learned
	arrivals    *devices.Arrivals // nil where devices are only looked for once in a while
	outfit      outfit
	recorders   []*recorder
	closers     []func() error
}

// serve opens a daemon and runs it until ctx ends.
func serve(ctx context.Context, c config.Config, log *slog.Logger, o outfit) error {
	d, err := openWith(c, log, o)
	if err != nil {
		return err
	}
	log.Info("the bench is open", "bench", c.Bench, "socket", c.Socket, "log", d.logPath(), "mqtt", d.brokerAddress(), "page", d.pageAddress())
	return errors.Join(d.run(ctx), d.close())
}

// open opens the log first, so that nothing is announced that could not be kept.
func open(c config.Config, log *slog.Logger) (*daemon, error) { return openWith(c, log, outfit{}) }

// openWith opens a daemon with more than its configuration.
func openWith(c config.Config, log *slog.Logger, o outfit) (*daemon, error) {
	d := &daemon{cfg: c, log: log, clock: newRunClock(), instruments: map[string]*devices.Instrument{}, outfit: o}
	for _, step := range []func() error{d.openLog, d.openBench, d.openInstruments, d.openRecorders, d.openControl, d.openMQTT, d.openPage} {
		if err := step(); err != nil {
			return nil, errors.Join(err, d.close())
		}
	}
	return d, nil
}

func (d *daemon) logPath() string { return sqlite.PathOf(d.cfg.Data, d.cfg.Bench) }

func (d *daemon) openLog() error {
	store, err := sqlite.OpenWith(d.logPath(), sqlite.Options{Reserve: sqlite.Room, NewKey: d.outfit.newKey != ""})
	if err != nil {
		return err
	}
	d.store = store
	d.onClose(store.Close)
	return nil
}

func (d *daemon) openBench() error {
	configuration, err := d.cfg.Record()
	if err != nil {
		return err
	}
	probe := time.NewTicker(probing)
	d.onClose(func() error { probe.Stop(); return nil })
	bench, err := session.NewBench(session.Config{
		Name: d.cfg.Bench, Software: version, BootID: bootID(),
		Settings: session.Settings{Bounce: d.cfg.Bounce, RefuseOverdue: d.cfg.RefuseOverdue},
		Profiles: d.cfg.Instruments, Method: calc.NewMethod(), Clock: d.clock, Log: d.store,
		LogView: func() session.LogView {
			return session.LogView{Checkpoint: d.store.Checkpoint(), PublicKey: d.store.PublicKey()}
		},
		NewKey:        session.KeyReason{Reason: d.outfit.newKey, SetAside: d.store.SetAside()},
		Configuration: configuration, Probe: probe.C, Guarded: d.cfg.Protect,
	}, d.store.Replay)
	if err != nil {
		return err
	}
	d.bench = bench
	known := []operators.Operator{}
	for _, o := range d.cfg.Operators {
		known = append(known, operators.Operator(o))
	}
	d.gate = operators.NewGate(bench.Submit, known, d.cfg.Protect, d.clock)
	return nil
}

// bootID names the boot of the machine; empty where the kernel does not say.
func bootID() string {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(id))
}

func (d *daemon) openInstruments() error {
	var err error
	if d.arrivals, err = d.outfit.system.Arrivals(); err != nil {
		d.log.Warn("a device that comes back is only looked for once a second", "why", err.Error())
	} else {
		d.onClose(d.arrivals.Close)
	}
	for _, p := range d.cfg.Instruments {
		if p.Port == "" {
			continue
		}
		in, err := d.newInstrument(p)
		if err != nil {
			return err
		}
		d.instruments[p.Name] = in
	}
	return nil
}

func (d *daemon) newInstrument(p session.Profile) (*devices.Instrument, error) {
	c := devices.Config{Profile: p, Clock: d.clock, Sink: d.sink(), Open: d.outfit.system.Open, Bounce: d.cfg.Bounce}
	if d.arrivals != nil {
		c.Arrived = d.arrivals.Next
		if err := d.arrivals.Watch(p.Port); err != nil {
			d.log.Debug("a port is only looked for once in a while", "instrument", p.Name, "why", err.Error())
		}
	}
	return devices.New(c)
}

// sink is where instruments deliver. A reading whose entry the disk refuses is
// told by the snapshot; there is nobody to answer here.
func (d *daemon) sink() devices.Sink {
	submit := func(ctx context.Context, item any) {
		_, err := d.bench.Submit(ctx, item)
		var no *session.Refusal
		if errors.As(err, &no) {
			d.log.Error("a reading was not recorded", "why", no.Message)
		}
	}
	return devices.Sink{
		Reading: func(ctx context.Context, r session.Reading) { submit(ctx, r) },
		Port:    func(ctx context.Context, p session.PortChanged) { d.notePort(ctx, p); submit(ctx, p) },
		Pedal:   d.pedal,
		Long:    d.takeBack,
	}
}

// pedal asks the step's instrument for its reading if it has to be asked, and
// otherwise goes on to the next place.
func (d *daemon) pedal(ctx context.Context, name string) {
	err := d.command(ctx, session.Command{Do: session.Take, Door: session.FromPedal})
	var no *session.Refusal
	if errors.As(err, &no) && no.Code == "press it" {
		err = d.command(ctx, session.Command{Do: session.Next, Door: session.FromPedal})
	}
	if err != nil {
		d.log.Info("the pedal did nothing", "pedal", name, "why", err.Error())
	}
}

// command carries out a command and, where it is to ask an instrument, asks it.
func (d *daemon) command(ctx context.Context, c session.Command) error {
	_, err := d.carryOut(ctx, c)
	return err
}

// take asks an instrument for its reading, or begins or ends a window of its stream.
func (d *daemon) take(ctx context.Context, r session.Receipt) error {
	in := d.instrument(r.Ask)
	switch {
	case in == nil:
		return fmt.Errorf("instrument %q has no port", r.Ask)
	case r.Gather == session.GatherStart:
		return in.Gather(ctx, r.Window)
	case r.Gather == session.GatherStop:
		return in.EndGather(ctx)
	}
	return in.Take(ctx)
}

func (d *daemon) openControl() error {
	d.control = control.New(control.Config{Bench: gated{d.bench, d.gate}, Take: d.take, Instruments: portFace{d}, Pages: pageFace{d}, Log: d.log})
	if err := d.control.Listen(d.cfg.Socket); err != nil {
		return err
	}
	d.onClose(d.stopControl)
	return nil
}

// watchClock records when the wall clock is set.
func (d *daemon) watchClock(ctx context.Context) error {
	look := time.NewTicker(clockLook)
	defer look.Stop()
	watchClock(ctx, d.clock, look.C, func(s session.ClockStepped) {
		if _, err := d.bench.Submit(ctx, s); err != nil {
			d.log.Error("the step of the clock was not recorded", "was", s.Was, "is", s.Is, "why", err.Error())
		}
	})
	return nil
}

// watchArrivals has instruments look for their port as soon as a device comes. Without it
// they do so once in a while.
func (d *daemon) watchArrivals(ctx context.Context) error {
	if d.arrivals == nil {
		return nil
	}
	if err := d.arrivals.Run(ctx); err != nil {
		d.log.Warn("a device that comes back is only looked for once a second", "why", err.Error())
	}
	return nil
}

// gated is the bench behind its gate.
type gated struct {
	*session.Bench
	gate *operators.Gate
}

func (g gated) Submit(ctx context.Context, item any) (session.Receipt, error) {
	return g.gate.Submit(ctx, item)
}

// stopControl lets requests under way finish, within a limit.
func (d *daemon) stopControl() error {
	ctx, cancel := context.WithTimeout(context.Background(), closing)
	defer cancel()
	return d.control.Shutdown(ctx)
}

func (d *daemon) openMQTT() error {
	m := d.cfg.MQTT
	if m.Broker == config.Off {
		return nil
	}
	address, user, password := m.Broker, m.Username, ""
	var err error
	if m.Broker == config.Embedded {
		user, password = broker.Credentials()
		d.broker, err = broker.Start(broker.Config{Listen: m.Listen, Base: m.Base, PublisherUser: user, PublisherPassword: password, Log: d.log})
		if err != nil {
			return err
		}
		d.onClose(d.broker.Close)
		address = "tcp://" + d.broker.Addr()
	} else if password, err = readPassword(m.PasswordFile); err != nil {
		return err
	}
	d.publisher, err = publish.New(publish.Config{
		Broker: address, Base: m.Base, Bench: d.cfg.Bench, Username: user, Password: password,
		Heartbeat: m.Heartbeat, Mailbox: d.bench.Subscribe, Log: d.log,
	})
	if err != nil || len(d.cfg.Wall.Benches) == 0 {
		return err
	}
	if m.Broker == config.Embedded { // there any display may subscribe, without a name
		user, password = "", ""
	}
	d.wall, err = wall.New(wall.Config{Broker: address, Base: m.Base, Benches: d.cfg.Wall.Benches, Username: user, Password: password, Log: d.log})
	return err
}

// readPassword reads the first line of the file; no file means no password.
func readPassword(file string) (string, error) {
	if file == "" {
		return "", nil
	}
	f, err := os.Open(file)
	if err != nil {
		return "", fmt.Errorf("cannot read the broker's password: %w", err)
	}
	defer f.Close()
	line, err := bufio.NewReader(io.LimitReader(f, 1024)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("cannot read the broker's password: %w", err)
	}
	return strings.TrimRight(line, "\r\n"), nil
}

func (d *daemon) brokerAddress() string {
	if d.broker != nil {
		return d.broker.Addr()
	}
	return d.cfg.MQTT.Broker
}

// topic is the topic below which the bench publishes.
func (d *daemon) topic() string { return d.cfg.MQTT.Base + "/v1/" + d.cfg.Bench }

func (d *daemon) onClose(f func() error) { d.closers = append(d.closers, f) }

// run runs every part until ctx ends or one of them fails. The bench stops last,
// so that what the others still hand over is recorded.
func (d *daemon) run(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	benchCtx, stopBench := context.WithCancel(context.WithoutCancel(ctx))
	errs := make(chan error, 6+2*len(d.instruments))
	var bench sync.WaitGroup
	bench.Go(func() {
		errs <- d.bench.Run(benchCtx)
		stop()
	})
	var parts sync.WaitGroup
	part := func(f func() error) {
		parts.Go(func() {
			if err := f(); err != nil && ctx.Err() == nil {
				errs <- err
				stop()
			}
		})
	}
	for _, r := range d.recorders {
		part(r.run)
	}
	for _, in := range d.instruments {
		part(func() error { return in.Run(ctx) })
	}
	d.startable(func(run func(context.Context) error) { part(func() error { return run(ctx) }) })
	defer d.startable(nil)
	part(d.control.Serve)
	if d.publisher != nil {
		part(func() error { return d.publisher.Run(ctx) })
	}
	if d.wall != nil {
		part(func() error { return d.wall.Run(ctx) })
	}
	if d.page != nil {
		part(func() error { return d.page.Serve(ctx) })
	}
	part(func() error { return d.watchClock(ctx) })
	part(func() error { return d.watchArrivals(ctx) })
	part(func() error { return d.watchHealth(ctx) })
	<-ctx.Done()
	stopped := d.stopControl()
	parts.Wait()
	stopBench()
	bench.Wait()
	return errors.Join(<-errs, stopped)
}

// close closes in reverse order of opening.
func (d *daemon) close() error {
	var errs []error
	for i := len(d.closers) - 1; i >= 0; i-- {
		errs = append(errs, d.closers[i]())
	}
	d.closers = nil
	return errors.Join(errs...)
}
