package main

import (
	"fmt"
	"sort"
	"strconv"
	"strings"

	"shimwright/devices"
	"shimwright/session"
)

// A metric is one family of the Prometheus text format, version 0.0.4: its name,
// kind and meaning, and how to read it from the health of an instrument. The format
// is written from memory of its published description.
type metric struct {
	name, kind, help string
	of               func(devices.Health) (value float64, ok bool)
}

func metrics() []metric {
	count := func(of func(devices.Counters) int64) func(devices.Health) (float64, bool) {
		return func(h devices.Health) (float64, bool) { return float64(of(h.Counters)), true }
	}
	return []metric{
		{"shimwright_instrument_live", "gauge", "1 while the port is live.", func(h devices.Health) (float64, bool) {
			if h.Port.State == session.PortLive {
				return 1, true
			}
			return 0, true
		}},
		{"shimwright_instrument_last_frame_timestamp_seconds", "gauge", "When the last sound frame came; absent before the first.", func(h devices.Health) (float64, bool) {
			return float64(h.Seen.UnixMilli()) / 1000, !h.Seen.IsZero()
		}},
		{"shimwright_instrument_bytes_total", "counter", "Bytes that came.", count(func(c devices.Counters) int64 { return c.Bytes })},
		{"shimwright_instrument_dropped_bytes_total", "counter", "Bytes that are in no sound frame.", count(func(c devices.Counters) int64 { return c.Dropped })},
		{"shimwright_instrument_frames_total", "counter", "Sound frames.", count(func(c devices.Counters) int64 { return c.Frames })},
		{"shimwright_instrument_bad_frames_total", "counter", "Faulty frames; a run of noise is one.", count(func(c devices.Counters) int64 { return c.Bad })},
		{"shimwright_instrument_unasked_frames_total", "counter", "Sound frames that no take asked for.", count(func(c devices.Counters) int64 { return c.NotAsked })},
		{"shimwright_instrument_window_frames_total", "counter", "Sound frames of windows of a stream.", count(func(c devices.Counters) int64 { return c.Gathered })},
		{"shimwright_instrument_readings_total", "counter", "Readings given, with and without a fault.", count(func(c devices.Counters) int64 { return c.Readings })},
		{"shimwright_instrument_reconnects_total", "counter", "Times the port was opened again.", count(func(c devices.Counters) int64 { return max(0, c.Opened-1) })},
	}
}

// metricsText writes the health of instruments, by name.
func metricsText(health map[string]devices.Health) []byte {
	names := make([]string, 0, len(health))
	for name := range health {
		names = append(names, name)
	}
	sort.Strings(names)
	var b strings.Builder
	for _, m := range metrics() {
		fmt.Fprintf(&b, "# HELP %s %s\n# TYPE %s %s\n", m.name, m.help, m.name, m.kind)
		for _, name := range names {
			if v, ok := m.of(health[name]); ok {
				fmt.Fprintf(&b, "%s{instrument=%q} %s\n", m.name, name, strconv.FormatFloat(v, 'f', -1, 64))
			}
		}
	}
	return []byte(b.String())
}

// Metrics writes the health of every instrument that has a port.
func (f portFace) Metrics() []byte {
	health := map[string]devices.Health{}
	for name, in := range f.d.everyInstrument() {
		health[name] = in.Health()
	}
	return metricsText(health)
}
