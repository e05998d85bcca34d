package sqlite

import "time"

// known is what stands at a place from 0; nil if there is nothing, or nothing that can
// be read once more.
func (x *examination) known(place int64) (k *Known) {
	if place < 0 || place >= x.report.Entries {
		return nil
	}
	seq := place + 1
	if x.seqs != nil {
		seq = x.seqs[place]
	}
	err := x.evidence.rows(seq, seq, func(r row) error {
		k = &Known{Seq: r.seq, Kind: r.kind, Job: r.job}
		if h, ok := readHeader(r.body); ok {
			k.Kind, k.Job = string(h.kind), string(h.job)
			if at, err := time.Parse(time.RFC3339Nano, string(h.at)); err == nil {
				k.At = at
			}
		}
		return nil
	})
	if err != nil {
		return nil
	}
	return k
}

// as is k with the sequence that it was written as.
func (k *Known) as(seq int64) *Known {
	if k != nil {
		k.Seq = seq
	}
	return k
}

// describe says what the entries are that damage names, where they are there, and what
// stands beside those that are not.
func (x *examination) describe() error {
	x.report.Oldest, x.report.Newest = x.known(0), x.known(x.report.Entries-1)
	for i := range x.report.Damage {
		d := &x.report.Damage[i]
		switch d.Change {
		case TailCut, Older:
			d.Before = x.report.Newest
		case Inserted, Spliced:
			d.Before, d.After = x.known(d.First-2), x.known(d.Last)
		}
		switch d.Change {
		case Edited, Inserted, Duplicated, Form, Unfit: // of the rest the columns are not its own
			if k := x.known(d.First - 1); k != nil && d.First == d.Last {
				d.Kind, d.Job, d.At = k.Kind, k.Job, k.At
			}
		}
	}
	return nil
}
