package main

import (
	"context"
	"errors"

	"shimwright/session"
)

// errNothingToTakeBack is what a long press finds before the first reading.
var errNothingToTakeBack = errors.New("no reading of this job counts yet")

// takeBack strikes the last reading of the job that is not struck out: what a long
// press of the pedal means.
func (d *daemon) takeBack(ctx context.Context, name string) {
	seq, ok := lastFiled(d.bench.Snapshot())
	err := errNothingToTakeBack
	if ok {
		err = d.command(ctx, session.Command{Do: session.StrikeOut, Reading: seq, Reason: "taken back with the pedal", Door: session.FromPedal})
	}
	if err != nil {
		d.log.Info("the long press of the pedal did nothing", "pedal", name, "why", err.Error())
	}
}

// lastFiled finds the newest reading of the open job that was filed and not struck out.
func lastFiled(s session.Snapshot) (seq int64, ok bool) {
	if s.Job == nil || s.Job.Ended {
		return 0, false
	}
	for _, r := range s.Readings {
		if r.Job == s.Job.Number && r.Ruling == session.Filed && r.Standing != session.StruckOut && r.Seq > seq {
			seq, ok = r.Seq, true
		}
	}
	return seq, ok
}
