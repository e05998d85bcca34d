package main

import (
	"context"
	"log/slog"

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
	if in := d.instruments[p.Instrument]; in != nil {
		n := in.Counters()
		attrs = append(attrs, slog.Int64("frames", n.Frames), slog.Int64("bad", n.Bad), slog.Int64("dropped_bytes", n.Dropped), slog.Int64("opened", n.Opened))
	}
	d.log.LogAttrs(ctx, level, "port", attrs...)
}
