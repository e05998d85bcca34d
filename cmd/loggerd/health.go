package main

import (
	"cmp"
	"context"
	"log/slog"
	"time"

	"shimwright/session"
)

// notePort writes a line for the operator when a port changes: a warning when it is
// lost or refused, with what the instrument has sent so far.
func (d *daemon) notePort(ctx context.Context, p session.PortChanged) {
	level := slog.LevelInfo
	switch p.State {
	case session.PortLost, session.PortRefused:
		level = slog.LevelWarn
	case session.PortOpening, session.PortSettling:
		level = slog.LevelDebug
	}
	attrs := []slog.Attr{slog.String("instrument", p.Instrument), slog.String("state", string(p.State)), slog.String("port", p.Port)}
	if p.Detail != "" {
		attrs = append(attrs, slog.String("detail", p.Detail))
	}
	if in := d.instrument(p.Instrument); in != nil {
		n := in.Counters()
		attrs = append(attrs, slog.Int64("frames", n.Frames), slog.Int64("bad", n.Bad), slog.Int64("dropped_bytes", n.Dropped), slog.Int64("opened", n.Opened))
	}
	d.log.LogAttrs(ctx, level, "port", attrs...)
}

// healthLook is how often health is looked at where no heartbeat is set.
const healthLook = 5 * time.Second

// watchHealth shows now and then how the lines of the instruments are. It looks with the
// heartbeat, so that a stream of frames makes no stream of snapshots.
func (d *daemon) watchHealth(ctx context.Context) error {
	look := time.NewTicker(cmp.Or(d.cfg.MQTT.Heartbeat, healthLook))
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-look.C:
			d.bench.Observe(d.health())
		}
	}
}

// health is how every instrument with a port is.
func (d *daemon) health() map[string]session.HealthView {
	all := map[string]session.HealthView{}
	for name, in := range d.everyInstrument() {
		h := in.Health()
		v := session.HealthView{Frames: h.Frames, Bad: h.Bad, Dropped: h.Dropped, Reconnects: max(0, h.Opened-1)}
		if !h.Seen.IsZero() {
			seen := h.Seen.UTC()
			v.LastSeen = &seen
		}
		all[name] = v
	}
	return all
}
