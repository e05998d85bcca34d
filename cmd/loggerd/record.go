package main

import (
	"fmt"
	"os"

	"shimwright/devices"
	"shimwright/session"
)

// recordQueue is how much a slow disk may be behind an instrument.
const recordQueue = 8192

// A recorder writes the captures of one instrument.
type recorder struct {
	heard <-chan devices.Heard
	stop  func()
	to    *devices.Recorder
	fail  func(error)
}

// openRecorders sets up a recorder for each instrument, if captures are wanted.
func (d *daemon) openRecorders() error {
	dir := d.outfit.record
	if dir == "" {
		return nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("cannot make the folder of captures: %w", err)
	}
	for _, p := range d.cfg.Instruments {
		if in := d.instruments[p.Name]; in != nil {
			d.recorders = append(d.recorders, d.newRecorder(p, in))
		}
	}
	d.log.Info("recording captures", "folder", dir)
	return nil
}

// newRecorder sets up the recorder of an instrument.
func (d *daemon) newRecorder(p session.Profile, in *devices.Instrument) *recorder {
	heard, stop := in.Listen(recordQueue)
	return &recorder{heard: heard, stop: stop,
		to: &devices.Recorder{Dir: d.outfit.record, Profile: p, From: fmt.Sprintf("bench %s, run %d, loggerd %s", d.cfg.Bench, d.bench.Snapshot().Run, version)},
		fail: func(err error) {
			d.log.Error("captures are not recorded any more; readings are", "instrument", p.Name, "why", err.Error())
		}}
}

// run records until the instrument's run ends. A disk that fails ends the
// recording, nothing else.
func (r *recorder) run() error {
	defer r.stop()
	for h := range r.heard {
		err := r.to.Record(h)
		if err == nil && len(r.heard) == 0 {
			err = r.to.Flush()
		}
		if err != nil {
			r.fail(err)
			return nil
		}
	}
	if err := r.to.Close(); err != nil {
		r.fail(err)
	}
	return nil
}
