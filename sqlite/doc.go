// Package sqlite keeps the log of a bench in one SQLite file.
//
// The table entries holds each entry's canonical JSON exactly as session.Entry
// encodes it; the columns beside it repeat what the indexes need and are checked
// against it whenever an entry is read. Times are inside that JSON: the log is
// ordered by sequence, never by time, so no column holds one. Triggers make the
// table append-only and its sequence free of gaps.
//
// Append returns nil only after a commit under write-ahead logging with full
// synchronisation, so that an acknowledged entry survives the loss of power.
// Every connection sets the pragmas this rests on and reads them back.
//
// # Start-up
//
// Replay reads what a daemon needs to go on and no more, each part by an index:
//
//   - the entries of every open job (begun, not ended), of the job begun last and
//     of the job of the last entry, whatever run wrote them;
//   - of the entries without a job, those of the last run only. Each run logs its
//     start, settings and profiles in full, so those of earlier runs are no longer
//     in force.
//
// The open jobs are listed in a small table that triggers keep in step with the
// entries, so that start-up does not grow with the number of jobs ever done.
//
// # Failures
//
// After a failed write nobody knows whether the batch reached the disk: a commit
// whose synchronisation failed can come back when the file is opened again. So the
// connection is given up, and the next Append opens the file afresh and looks. If
// the batch is not there, it goes on; if it is there after all, it says so with a
// KeptError.
package sqlite
